package oracle

import (
	"fmt"
	"strings"
)

const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// codeOf writes a code as it stands on a label: kind, date, the day's number, the part if any, check character. The
// check is ISO/IEC 7064 MOD 37,36 (clause 9), the dot counted as P.
func codeOf(kind byte, on Day, number, part int) string {
	y, m, d := on.date()
	plain := fmt.Sprintf("%c%02d%02d%02d", kind, y%100, m, d)
	text := fmt.Sprintf("%s-%02d", plain, number)
	if part > 0 {
		text += fmt.Sprintf(".%d", part)
	}
	return text + "-" + string(checkOf(text))
}

// checkOf finds the character that makes the whole sum come to 1: the definition, tried out one by one.
func checkOf(text string) byte {
	text = strings.NewReplacer("-", "", ".", "P").Replace(text)
	for i := range len(alphabet) {
		p := 36
		for _, c := range text {
			p = (p + strings.IndexRune(alphabet, c)) % 36
			if p == 0 {
				p = 36
			}
			p = p * 2 % 37
		}
		if (p+i)%36 == 1 {
			return alphabet[i]
		}
	}
	return '?'
}

// partOf is the code of the n-th part of a thing.
func partOf(code string, n int) string {
	whole := code[:len(code)-2]
	text := fmt.Sprintf("%s.%d", whole, n)
	return text + "-" + string(checkOf(text))
}

// wholeOf is the thing that a part belongs to; of a whole thing itself.
func wholeOf(code string) string {
	text, _, parted := strings.Cut(code, ".")
	if !parted {
		return code
	}
	return text + "-" + string(checkOf(text))
}

func isPart(code string) bool { return strings.Contains(code, ".") }

// goodCode says whether a code's check character fits.
func goodCode(code string) bool {
	return len(code) > 4 && strings.IndexByte("LCGRB", code[0]) >= 0 && checkOf(code[:len(code)-2]) == code[len(code)-1]
}

// codeBefore orders codes by date, then number, then part.
func codeBefore(a, b string) bool {
	x, y := codeNumbers(a), codeNumbers(b)
	for i := range x {
		if x[i] != y[i] {
			return x[i] < y[i]
		}
	}
	return a < b
}

func codeNumbers(code string) (n [3]int) {
	middle := code[8 : len(code)-2]
	_, _ = fmt.Sscanf(code[1:7], "%d", &n[0])
	whole, part, parted := strings.Cut(middle, ".")
	_, _ = fmt.Sscanf(whole, "%d", &n[1])
	if parted {
		_, _ = fmt.Sscanf(part, "%d", &n[2])
	}
	return n
}
