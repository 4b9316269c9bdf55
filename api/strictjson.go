package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"strconv"
	"strings"
	"unicode/utf8"
)

// maxInteger is the largest whole number that every JSON reader takes for the same one.
const maxInteger = 1<<53 - 1

// checkJSON reads a body token by token for what a schema cannot see, and what readers disagree about: a key given
// twice, text after the value, characters that are none, numbers that round. It gives every place that is off, in
// the order of the text; after bad syntax it stops.
func checkJSON(body []byte) []misfit {
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.UseNumber()
	w := walker{decoder: decoder, text: body}
	if err := w.value(""); err != nil {
		return append(w.off, w.syntax(err))
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		w.add("", "text follows the JSON value: send one value and nothing after it")
	}
	return w.off
}

// A walker goes once through a JSON text.
type walker struct {
	decoder *json.Decoder
	text    []byte
	depth   int
	off     []misfit
}

func (w *walker) add(pointer, format string, args ...any) {
	w.off = append(w.off, misfit{Pointer: pointer, Detail: fmt.Sprintf(format, args...)})
}

// token gives the next token and its own bytes.
func (w *walker) token() (json.Token, []byte, error) {
	from := w.decoder.InputOffset()
	token, err := w.decoder.Token()
	if err != nil {
		return nil, nil, err
	}
	raw := bytes.TrimLeft(w.text[from:w.decoder.InputOffset()], " \t\r\n,:")
	return token, raw, nil
}

var errTooDeep = errors.New("too deep")

func (w *walker) value(pointer string) error {
	token, raw, err := w.token()
	if err != nil {
		return err
	}
	switch token := token.(type) {
	case json.Delim:
		if w.depth++; w.depth > maxDepth {
			return errTooDeep
		}
		if token == '{' {
			err = w.object(pointer)
		} else {
			err = w.array(pointer)
		}
		w.depth--
		return err
	case string:
		w.checkString(pointer, token, raw)
	case json.Number:
		w.checkNumber(pointer, token)
	}
	return nil
}

func (w *walker) object(pointer string) error {
	seen := map[string]bool{}
	for w.decoder.More() {
		token, raw, err := w.token()
		if err != nil {
			return err
		}
		key, _ := token.(string)
		member := pointer + "/" + escapePointer(key)
		if seen[key] {
			w.add(member, "this key is given twice: send it once")
		}
		seen[key] = true
		w.checkString(member, key, raw)
		if err := w.value(member); err != nil {
			return err
		}
	}
	_, err := w.decoder.Token() // its end
	return err
}

func (w *walker) array(pointer string) error {
	for i := 0; w.decoder.More(); i++ {
		if err := w.value(pointer + "/" + strconv.Itoa(i)); err != nil {
			return err
		}
	}
	_, err := w.decoder.Token() // its end
	return err
}

func (w *walker) checkString(pointer, text string, raw []byte) {
	if !utf8.Valid(raw) {
		w.add(pointer, "this text is not in UTF-8: send UTF-8")
	}
	if loneSurrogate(raw) {
		w.add(pointer, "this text holds half of a surrogate pair: send the whole character")
	}
	if c, found := control(text); found {
		w.add(pointer, "this text holds the control character U+%04X: leave it out (tab and line feed may stay)", c)
	}
}

func (w *walker) checkNumber(pointer string, number json.Number) {
	value, err := number.Float64()
	switch {
	case err != nil || math.IsInf(value, 0) || math.Abs(value) > maxInteger:
		w.add(pointer, "this number is beyond ±(2^53 − 1) and would not be read alike by everybody: send a smaller one")
	case !kept(number.String(), value):
		w.add(pointer, "this number has more digits than every reader keeps: send it rounded")
	}
}

// kept says whether a double holds every digit of a number as it is written. Fifteen digits it always does.
func kept(written string, value float64) bool {
	if value == 0 {
		mantissa, _, _ := strings.Cut(strings.ToLower(written), "e")
		return strings.Trim(mantissa, "-0.") == ""
	}
	if len(written) <= 16 { // a sign or a point among them
		return true
	}
	exact, ok := new(big.Rat).SetString(written)
	held, okToo := new(big.Rat).SetString(strconv.FormatFloat(value, 'g', -1, 64))
	return ok && okToo && exact.Cmp(held) == 0
}

// syntax says where a text stops being JSON.
func (w *walker) syntax(err error) misfit {
	if errors.Is(err, errTooDeep) {
		return misfit{Detail: fmt.Sprintf("the body is nested deeper than %d levels: send what the document says", maxDepth)}
	}
	at := w.decoder.InputOffset()
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) {
		at = syntax.Offset
	}
	line := 1 + bytes.Count(w.text[:min(at, int64(len(w.text)))], []byte("\n"))
	return misfit{Detail: fmt.Sprintf("the body is no JSON from line %d on: send one JSON object", line)}
}

// control finds the first C0 control other than tab and line feed, or DEL.
func control(text string) (rune, bool) {
	for _, c := range text {
		if c < ' ' && c != '\t' && c != '\n' || c == 0x7f {
			return c, true
		}
	}
	return 0, false
}

// loneSurrogate finds \uD800 to \uDFFF in a JSON string's own bytes that are not a high one followed by a low one.
// The standard reader would put U+FFFD in its place without a word.
func loneSurrogate(raw []byte) bool {
	for i := 0; i < len(raw); i++ {
		if raw[i] != '\\' {
			continue
		}
		i++ // what is escaped; a backslash among it
		if i >= len(raw) || raw[i] != 'u' {
			continue
		}
		unit, ok := hexUnit(raw, i+1)
		if !ok || unit < 0xD800 || unit > 0xDFFF {
			continue
		}
		low, paired := uint64(0), false
		if i+6 < len(raw) && raw[i+5] == '\\' && raw[i+6] == 'u' {
			low, paired = hexUnit(raw, i+7)
		}
		if unit > 0xDBFF || !paired || low < 0xDC00 || low > 0xDFFF {
			return true
		}
		i += 10
	}
	return false
}

func hexUnit(raw []byte, from int) (uint64, bool) {
	if from+4 > len(raw) {
		return 0, false
	}
	unit, err := strconv.ParseUint(string(raw[from:from+4]), 16, 16)
	return unit, err == nil
}

// escapePointer writes one key as a step of a JSON Pointer (RFC 6901).
func escapePointer(key string) string {
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(key)
}
