package workshop

import (
	"bytes"

	"firstout/internal/events"
)

// readMix reads a list of parts whose texts have no escapes; false if the JSON is anything else, right or wrong.
func readMix(text []byte) (Mix, bool) {
	in := mixReader{text: text}
	mix := make(Mix, 0, bytes.Count(text, []byte{'{'}))
	if !in.next('[') {
		return nil, false
	}
	for first := true; !in.next(']'); first = false {
		if !first && !in.next(',') {
			return nil, false
		}
		part, plain := in.part()
		if !plain {
			return nil, false
		}
		mix = append(mix, part)
	}
	in.space()
	return mix, len(in.text) == 0
}

// mixReader is the rest of a text.
type mixReader struct{ text []byte }

// space takes what may stand between two signs. (bytes.TrimLeft makes a set of the four for each call.)
func (r *mixReader) space() {
	for len(r.text) > 0 && (r.text[0] == ' ' || r.text[0] == '\t' || r.text[0] == '\r' || r.text[0] == '\n') {
		r.text = r.text[1:]
	}
}

// next takes a sign, if it is the next one.
func (r *mixReader) next(sign byte) bool {
	r.space()
	if len(r.text) == 0 || r.text[0] != sign {
		return false
	}
	r.text = r.text[1:]
	return true
}

func (r *mixReader) part() (part MixPart, plain bool) {
	if !r.next('{') {
		return part, false
	}
	for first := true; !r.next('}'); first = false {
		if !first && !r.next(',') {
			return part, false
		}
		key, is := r.string()
		if !is || !r.next(':') || !r.value(string(key), &part) {
			return part, false
		}
	}
	return part, true
}

func (r *mixReader) value(key string, part *MixPart) bool {
	switch key {
	case "lot":
		lot, is := r.string()
		part.Lot = events.Code(lot)
		return is
	case "ingredient":
		ingredient, is := r.string()
		part.Ingredient = string(ingredient)
		return is
	case "direct":
		r.space()
		rest, is := bytes.CutPrefix(r.text, []byte("true"))
		part.Direct, r.text = true, rest
		return is
	case "g":
		r.space()
		number := r.text[:len(r.text)-len(bytes.TrimLeft(r.text, "-0123456789."))]
		r.text = r.text[len(number):]
		return jsonNumber(number) && part.Mass.UnmarshalJSON(number) == nil
	}
	return false
}

// jsonNumber says whether digits, points and signs are a number as JSON has it.
func jsonNumber(text []byte) bool {
	whole, decimals, pointed := bytes.Cut(bytes.TrimPrefix(text, []byte{'-'}), []byte{'.'})
	digits := func(text []byte) bool { return len(text) > 0 && len(bytes.Trim(text, "0123456789")) == 0 }
	return digits(whole) && (len(whole) == 1 || whole[0] != '0') && (!pointed || digits(decimals))
}

// string takes a string that has no escapes and nothing beyond ASCII in it.
func (r *mixReader) string() ([]byte, bool) {
	if !r.next('"') {
		return nil, false
	}
	for i, sign := range r.text {
		switch {
		case sign == '"':
			text := r.text[:i]
			r.text = r.text[i+1:]
			return text, true
		case sign == '\\' || sign < ' ' || sign > '~':
			return nil, false
		}
	}
	return nil, false
}
