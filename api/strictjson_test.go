package api

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestCheckJSON(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, body string
		want       []string // pointers, in order
	}{
		{"a sale", `{"place":"counter","lines":[{"design":"dome","pieces":6}]}`, nil},
		{"spaces and line ends", " {\n\t\"a\" : [ 1 , -0.5e3 , true , null ] }\r\n", nil},
		{"any letters", `{"Übung ☕":"été \u00e9 \ud83d\ude00 😀"}`, nil},
		{"tab and line feed", `{"a":"x\ty\nz"}`, nil},
		{"the largest integers", `{"a":9007199254740991,"b":-9007199254740991}`, nil},
		{"the same key in two objects", `{"a":{"x":1},"b":{"x":1}}`, nil},
		{"an escaped backslash before u", `{"a":"\\ud800"}`, nil},

		{"a key twice", `{"a":1,"b":2,"a":1}`, []string{"/a"}},
		{"a key twice, once escaped", `{"a":1,"\u0061":1}`, []string{"/a"}},
		{"a key twice, deep down", `{"l":[{},{"p/q":1,"p/q":2}]}`, []string{"/l/1/p~1q"}},
		{"text after", `{"a":1} x`, []string{""}},
		{"a second value", `{"a":1}{"b":2}`, []string{""}},
		{"a control character", `{"a":"x\u0000","b":"\u001f"}`, []string{"/a", "/b"}},
		{"a carriage return", `{"a":"\r"}`, []string{"/a"}},
		{"delete", "{\"a\":\"\u007f\"}", []string{"/a"}},
		{"a control character in a key", `{"a\u0007":1}`, []string{"/a\a"}},
		{"a lone high surrogate", `{"a":"\ud800"}`, []string{"/a"}},
		{"a lone low surrogate", `{"a":"x\udfffy"}`, []string{"/a"}},
		{"two high surrogates", `{"a":"\ud83d\ud83d"}`, []string{"/a"}},
		{"a high surrogate and a letter", `{"a":"\ud83d\u0041"}`, []string{"/a"}},
		{"no UTF-8", "{\"a\":\"\xff\"}", []string{"/a"}},
		{"an integer too large", `{"a":9007199254740992}`, []string{"/a"}},
		{"an integer too large in other words", `{"a":9.007199254740993e15,"b":-1e16}`, []string{"/a", "/b"}},
		{"no finite number", `{"a":1e400}`, []string{"/a"}},
		{"no number at all", `{"a":NaN}`, []string{""}},
		{"more digits than a double holds", `{"a":0.10000000000000000001,"b":0.1000000000000000055511151231257827,"c":1e-999999999}`, []string{"/a", "/b", "/c"}},
		{"as many digits as a double holds", `{"a":0.1234567890123456,"b":123456789012.3456,"c":-1.7976931348623157e-30,"d":-0.000e5}`, nil},
		{"bad syntax", `{"a":1,}`, []string{""}},
		{"broken off", `{"a":`, []string{""}},
		{"nothing", ``, []string{""}},
		{"too deep", `{"a":` + strings.Repeat("[", 40) + strings.Repeat("]", 40) + `}`, []string{""}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var pointers []string
			for _, m := range checkJSON([]byte(c.body)) {
				pointers = append(pointers, m.Pointer)
				require.NotEmpty(t, m.Detail)
			}
			require.Equal(t, c.want, pointers)
		})
	}
}

func TestCheckJSONSaysWhereSyntaxEnds(t *testing.T) {
	t.Parallel()
	off := checkJSON([]byte("{\n  \"a\": 1,\n  b\n}"))
	require.Len(t, off, 1)
	require.Contains(t, off[0].Detail, "line 3")
}

// What has no canonical form (RFC 8785, section 3.1: I-JSON, that is RFC 7493, sections 2.1 to 2.3), and integers
// that it would round (RFC 8785, appendix D): 9007199254740993 would become 9007199254740992.
func TestCheckJSONRefusesWhatHasNoCanonicalForm(t *testing.T) {
	t.Parallel()
	for _, body := range []string{
		`{"a":1,"a":2}`, `{"x":"\ud800"}`, `{"n":1e400}`, `{"n":NaN}`, `{"n":Infinity}`, `{"n":9007199254740993}`,
	} {
		require.NotEmpty(t, checkJSON([]byte(body)), body)
	}
}

// Whatever the standard library writes is let through, unless it holds what we refuse.
func TestCheckJSONTakesWhatIsWritten(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		key := rapid.StringMatching(`[a-z]{1,8}`).Draw(t, "key")
		number := rapid.Int64Range(-maxInteger, maxInteger).Draw(t, "number")
		body, err := json.Marshal(map[string]any{key: []any{text, number}})
		if err != nil {
			t.Fatal(err)
		}
		_, refused := control(text)
		if off := checkJSON(body); (len(off) > 0) != refused {
			t.Fatalf("%s: %v", body, off)
		}
	})
}

// A pair of surrogates is whole exactly if the two make one rune.
func TestLoneSurrogate(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		units := rapid.SliceOfN(rapid.Uint16Range(0xD700, 0xE0FF), 1, 6).Draw(t, "units")
		var raw strings.Builder
		for _, u := range units {
			raw.WriteString(`\u` + hex4(u))
		}
		lone := false
		for _, r := range utf16.Decode(units) {
			lone = lone || r == 0xFFFD // U+FFFD itself is out of the range drawn from
		}
		if loneSurrogate([]byte(`"`+raw.String()+`"`)) != lone {
			t.Fatalf("%s: want %v", raw.String(), lone)
		}
	})
}

func hex4(u uint16) string {
	const digits = "0123456789abcdef"
	return string([]byte{digits[u>>12], digits[u>>8&15], digits[u>>4&15], digits[u&15]})
}
