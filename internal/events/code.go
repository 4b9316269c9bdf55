package events

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"firstout/internal/civil"
)

// Kind is the letter a code starts with: what sort of thing it names.
type Kind byte

// The kinds of thing that carry a code.
const (
	KindLot     Kind = 'L' // a lot, and with a part number its portion
	KindCharge  Kind = 'C'
	KindGanache Kind = 'G'
	KindRun     Kind = 'R'
	KindBox     Kind = 'B'
)

// String names the kind in the design's word.
func (k Kind) String() string {
	switch k {
	case KindLot:
		return "lot"
	case KindCharge:
		return "charge"
	case KindGanache:
		return "ganache"
	case KindRun:
		return "run"
	case KindBox:
		return "box"
	}
	return "thing"
}

// A Code is what stands on a label, in its canonical form: kind letter, yymmdd, hyphen, the day's sequence of
// that kind in the book (two digits or more), optionally a dot and a part number, hyphen, and an
// ISO/IEC 7064 MOD 37,36 check character over its letters and digits, the dot counted as the letter P:
// R261125-03-3, R261125-03.2-F. Make one with NewCode or ParseCode only; the zero value names nothing.
type Code string

// ErrMistyped is what ParseCode wraps: the text is not a code, or its check character does not fit.
var ErrMistyped = errors.New("mistyped code")

// partMark stands for the dot when the check character is worked out, so that R…03.2 and R…032 differ.
const partMark = 'P'

// NewCode makes the code of the sequence-th thing of that kind on that day; part 0 is the whole thing.
func NewCode(kind Kind, day civil.Day, sequence, part int) Code {
	body := fmt.Sprintf("%c%02d%02d%02d%02d", kind, day.Year%100, int(day.Month), day.Day, sequence)
	text := fmt.Sprintf("%s-%02d", body[:7], sequence)
	if part > 0 {
		body += fmt.Sprintf("%c%d", partMark, part)
		text += fmt.Sprintf(".%d", part)
	}
	return Code(text + "-" + string(CheckCharacter(body)))
}

// ParseCode reads a code as typed: hyphens, spaces and case are forgiven, a wrong check character is not.
func ParseCode(typed string) (Code, error) {
	mistyped := func(why string) (Code, error) {
		return "", fmt.Errorf("%w: %q %s", ErrMistyped, typed, why)
	}
	if len(typed) > 64 {
		return mistyped("is too long")
	}
	var plain []byte
	for _, c := range []byte(strings.ToUpper(typed)) {
		switch {
		case c == '-' || c == ' ':
		case c == '.' || c >= '0' && c <= '9' || c >= 'A' && c <= 'Z':
			plain = append(plain, c)
		default:
			return mistyped("has a character that no code has")
		}
	}
	if len(plain) < 10 {
		return mistyped("is too short")
	}
	body, check := string(plain[:len(plain)-1]), plain[len(plain)-1]
	kind := Kind(body[0])
	if !strings.ContainsRune("LCGRB", rune(kind)) {
		return mistyped("does not start with L, C, G, R or B")
	}
	whole, partText, parted := strings.Cut(body[1:], ".")
	if len(whole) < 6 { // a dot where the date is
		return mistyped("does not have a date and a sequence number")
	}
	digits, err := number(whole[6:], 2)
	if err != nil || !allDigits(whole[:6]) {
		return mistyped("does not have a date and a sequence number")
	}
	year, _ := strconv.Atoi(whole[:2])
	month, _ := strconv.Atoi(whole[2:4])
	dayOfMonth, _ := strconv.Atoi(whole[4:6])
	day, err := civil.ParseDay(fmt.Sprintf("20%02d-%02d-%02d", year, month, dayOfMonth))
	if err != nil {
		return mistyped("does not have a date of the calendar")
	}
	part := 0
	if parted {
		if part, err = number(partText, 1); err != nil {
			return mistyped("has no part number after the dot")
		}
	}
	code := NewCode(kind, day, digits, part)
	if code[len(code)-1] != check {
		return mistyped("does not check: look at it again and type it as it stands on the label")
	}
	return code, nil
}

// number reads a positive decimal of at least width digits that has no leading zero beyond that width.
func number(text string, width int) (int, error) {
	if len(text) < width || len(text) > 9 || !allDigits(text) || len(text) > width && text[0] == '0' {
		return 0, ErrMistyped
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		return 0, ErrMistyped
	}
	return n, nil
}

func allDigits(text string) bool {
	for _, c := range []byte(text) {
		if c < '0' || c > '9' {
			return false
		}
	}
	return text != ""
}

const alphabet36 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// CheckCharacter gives the ISO/IEC 7064 MOD 37,36 check character of a string of digits and capitals (the
// hybrid system with modulus 37 and 36 characters; ISO/IEC 7064:2003, clause 9).
func CheckCharacter(body string) byte {
	p := 36
	for _, c := range []byte(body) {
		s := (p + strings.IndexByte(alphabet36, c)) % 36
		if s == 0 {
			s = 36
		}
		p = s * 2 % 37
	}
	return alphabet36[(37-p)%36]
}

// Kind says what sort of thing the code names.
func (c Code) Kind() Kind {
	if c == "" {
		return 0
	}
	return Kind(c[0])
}

// Numbers gives the code's date as yymmdd, its sequence and its part (0: the whole thing).
func (c Code) Numbers() (yymmdd, sequence, part int) {
	day, rest, _ := strings.Cut(string(c), "-")
	number, check, three := strings.Cut(rest, "-")
	if !three || strings.Contains(check, "-") {
		return 0, 0, 0
	}
	yymmdd, _ = strconv.Atoi(day[1:])
	whole, partText, isPart := strings.Cut(number, ".")
	sequence, _ = strconv.Atoi(whole)
	if isPart { // an error of Atoi would cost more than all of the rest
		part, _ = strconv.Atoi(partText)
	}
	return yymmdd, sequence, part
}

// Day is the date in the code: the site's local date when the thing came to be.
func (c Code) Day() civil.Day {
	n, _, _ := c.Numbers()
	day, _ := civil.ParseDay(fmt.Sprintf("20%02d-%02d-%02d", n/10000, n/100%100, n%100))
	return day
}

// IsPart says whether the code names a part of another thing: a portion of a lot, a part of a run.
func (c Code) IsPart() bool { return strings.Contains(string(c), ".") }

// Whole is the code of the thing a part belongs to; of a whole thing, itself.
func (c Code) Whole() Code {
	if !c.IsPart() {
		return c
	}
	_, sequence, _ := c.Numbers()
	return NewCode(c.Kind(), c.Day(), sequence, 0)
}

// Part is the code of the n-th part of the thing.
func (c Code) Part(n int) Code {
	_, sequence, _ := c.Numbers()
	return NewCode(c.Kind(), c.Day(), sequence, n)
}

// Compare orders codes by date, sequence and part as numbers; kinds only settle a tie.
func (c Code) Compare(d Code) int {
	day, sequence, part := c.Numbers()
	day2, sequence2, part2 := d.Numbers()
	return cmp.Or(cmp.Compare(day, day2), cmp.Compare(sequence, sequence2), cmp.Compare(part, part2), cmp.Compare(c, d))
}

// SortCodes puts codes in their order. It looks into each code once, which [Code.Compare] does at every comparison.
func SortCodes(codes []Code) {
	type numbered struct {
		day, sequence, part int
		code                Code
	}
	sorted := make([]numbered, len(codes))
	for i, c := range codes {
		n := &sorted[i]
		n.code = c
		n.day, n.sequence, n.part = c.Numbers()
	}
	slices.SortFunc(sorted, func(a, b numbered) int {
		return cmp.Or(cmp.Compare(a.day, b.day), cmp.Compare(a.sequence, b.sequence), cmp.Compare(a.part, b.part), cmp.Compare(a.code, b.code))
	})
	for i := range sorted {
		codes[i] = sorted[i].code
	}
}
