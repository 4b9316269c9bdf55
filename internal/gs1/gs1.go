// Package gs1 writes and reads what the GS1 system puts into symbols and links: product numbers, lots and dates as
// Application Identifiers (AIs) with values, joined into an element string, shown to people in brackets, or written as a
// Digital Link URI. It knows the AIs that stand on a label of a small workshop, not all of them. Formats are those of the
// GS1 Barcode Syntax Dictionary.
package gs1

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// An Element is one Application Identifier with its value.
type Element struct {
	AI    string
	Value string
}

// The Application Identifiers that a label of ours carries.
const (
	AIProduct    = "01" // GTIN, 14 digits
	AILot        = "10"
	AIBestBefore = "15" // yymmdd
	AIUseBy      = "17" // yymmdd
	AINetWeight  = "3103"
)

// ErrInvalid is what every error of this package wraps.
var ErrInvalid = errors.New("not as GS1 writes it")

func invalid(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrInvalid, fmt.Sprintf(format, args...))
}

// An identifier is what the dictionary says of an AI.
type identifier struct {
	least, most int    // length of the value
	digits      bool   // digits only; else the 82 characters of lots
	predefined  bool   // of a length that needs no separator after it
	check       string // gtin or date: what else holds of it
}

// identifiers are the AIs known here.
var identifiers = map[string]identifier{
	"01": {14, 14, true, true, "gtin"},
	"10": {1, 20, false, false, ""},
	"11": {6, 6, true, true, "date"}, // produced
	"13": {6, 6, true, true, "date"}, // packed
	"15": {6, 6, true, true, "date"},
	"16": {6, 6, true, true, "date"}, // sell by
	"17": {6, 6, true, true, "date"},
	"21": {1, 20, false, false, ""}, // serial
	"22": {1, 20, false, false, ""}, // variant
	"30": {1, 8, true, false, ""},   // count
	"37": {1, 8, true, false, ""},   // count in a logistic unit
}

// lookUp finds what is known of an AI.
func lookUp(ai string) (identifier, bool) {
	if len(ai) == 4 && ai[:3] == "310" && ai[3] >= '0' && ai[3] <= '5' { // net weight in kg, with so many decimals
		return identifier{6, 6, true, true, ""}, true
	}
	known, is := identifiers[ai]
	return known, is
}

// Check says what is wrong with elements that are to stand together: a value that its AI cannot have, an AI given twice
// with two values, one without the product number that it needs, or beside it where it must not be. Dates may be of any
// century.
func Check(elements []Element) error {
	values := map[string]string{}
	for _, e := range elements {
		if err := checkValue(e); err != nil {
			return err
		}
		if other, again := values[e.AI]; again && other != e.Value {
			return invalid("AI %s is given twice, as %q and %q", e.AI, other, e.Value)
		}
		values[e.AI] = e.Value
	}
	if _, has := values[AIProduct]; !has {
		return invalid("there is no product number (AI 01), which the others need")
	}
	if _, has := values["37"]; has {
		return invalid("AI 37 does not stand beside AI 01: count pieces with AI 30")
	}
	return nil
}

func checkValue(e Element) error {
	is, known := lookUp(e.AI)
	switch {
	case !known:
		return invalid("AI %q is not known here", e.AI)
	case len(e.Value) < is.least || len(e.Value) > is.most:
		return invalid("the value %q of AI %s has %d characters, not %d to %d", e.Value, e.AI, len(e.Value), is.least, is.most)
	case is.digits && !allDigits(e.Value):
		return invalid("the value %q of AI %s has other characters than digits", e.Value, e.AI)
	case !is.digits && !inCharacterSet(e.Value):
		return invalid("the value %q of AI %s has a character that is none of the 82 allowed", e.Value, e.AI)
	case is.check == "gtin":
		_, err := ParseGTIN(e.Value)
		return err
	case is.check == "date":
		_, err := ParseDate(e.Value, 2000) // which century is all the same
		return err
	}
	return nil
}

func allDigits(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool { return r < '0' || r > '9' })
}

// inCharacterSet says whether a text has only the 82 characters that lots and serial numbers may have.
func inCharacterSet(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool {
		letter := r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9'
		return !letter && !strings.ContainsRune(`!"%&'()*+,-./_:;<=>?`, r)
	})
}

// separator ends a value whose length is not known beforehand, where another follows: FNC1, as readers send it.
const separator = "\x1d"

// inOrder puts the elements of predefined length first, so that a separator is seldom needed; else they stay as they are.
func inOrder(elements []Element) []Element {
	ordered := slices.Clone(elements)
	slices.SortStableFunc(ordered, func(a, b Element) int { return rank(a) - rank(b) })
	return ordered
}

func rank(e Element) int {
	switch is, _ := lookUp(e.AI); {
	case e.AI == AIProduct:
		return 0
	case is.predefined:
		return 1
	}
	return 2
}

// ElementString is the elements as a symbol carries them, without the FNC1 that the symbol starts with.
func ElementString(elements []Element) string {
	var text strings.Builder
	open := false
	for _, e := range inOrder(elements) {
		if open {
			text.WriteString(separator)
		}
		text.WriteString(e.AI + e.Value)
		is, _ := lookUp(e.AI)
		open = !is.predefined
	}
	return text.String()
}

// Text is the elements as people read them beside a symbol, each AI in brackets.
func Text(elements []Element) string {
	var text strings.Builder
	for _, e := range inOrder(elements) {
		text.WriteString("(" + e.AI + ")" + e.Value)
	}
	return text.String()
}

// Kilograms is the net weight of so many mg, in kg with three decimals, never more than it is. known is false of no weight,
// and of one that six digits cannot say.
func Kilograms(mg int64) (weight Element, known bool) {
	grams := mg / 1000
	return Element{AI: AINetWeight, Value: fmt.Sprintf("%06d", grams)}, grams > 0 && grams < 1e6
}
