package gs1

import "strings"

// symbologies are what readers put before the data of a symbol that starts with FNC1: GS1-128, DataMatrix, QR.
var symbologies = []string{"]C1", "]d2", "]Q3"}

// LotIn gives the lot number in what a reader sends of one of our symbols: a Digital Link URI, an element string, or the
// text in brackets. is says whether it is one of these at all and has a lot.
func LotIn(scanned string) (lot string, is bool) {
	elements, err := parse(scanned)
	if err != nil {
		return "", false
	}
	for _, e := range elements {
		if e.AI == AILot {
			return e.Value, true
		}
	}
	return "", false
}

func parse(scanned string) ([]Element, error) {
	if _, is := cutScheme(scanned); is {
		return ParseLink(scanned)
	}
	if strings.HasPrefix(scanned, "(") {
		return ParseText(scanned)
	}
	for _, symbology := range symbologies {
		scanned = strings.TrimPrefix(scanned, symbology)
	}
	return ParseElementString(scanned)
}

// ParseElementString reads what a symbol carries, without what a reader puts before it.
func ParseElementString(text string) ([]Element, error) {
	var elements []Element
	for text != "" {
		ai, is, err := leadingAI(text)
		if err != nil {
			return nil, err
		}
		value := text[len(ai):]
		if is.predefined {
			value = value[:min(is.most, len(value))]
			text = strings.TrimPrefix(text[len(ai)+len(value):], separator)
		} else {
			value, text, _ = strings.Cut(value, separator)
		}
		elements = append(elements, Element{AI: ai, Value: value})
	}
	return elements, Check(elements)
}

// leadingAI is the AI that a text starts with. No AI starts with another.
func leadingAI(text string) (string, identifier, error) {
	for _, length := range []int{2, 4} {
		if len(text) < length {
			break
		}
		if is, known := lookUp(text[:length]); known {
			return text[:length], is, nil
		}
	}
	return "", identifier{}, invalid("%q does not start with an AI known here", text)
}

// ParseText reads what people read: each AI in brackets, its value after it. A value may hold brackets of its own: only
// one with an AI known here in it starts another.
func ParseText(text string) ([]Element, error) {
	var elements []Element
	for text != "" {
		ai, rest, is := bracketed(text)
		if !is {
			return nil, invalid("%q does not start with an AI in brackets", text)
		}
		end := 0
		for end < len(rest) {
			if _, _, next := bracketed(rest[end:]); next {
				break
			}
			end++
		}
		elements = append(elements, Element{AI: ai, Value: rest[:end]})
		text = rest[end:]
	}
	return elements, Check(elements)
}

// bracketed reads an AI in brackets at the start of a text.
func bracketed(text string) (ai, rest string, is bool) {
	if !strings.HasPrefix(text, "(") {
		return "", "", false
	}
	ai, rest, is = strings.Cut(text[1:], ")")
	if _, known := lookUp(ai); !known {
		return "", "", false
	}
	return ai, rest, is
}
