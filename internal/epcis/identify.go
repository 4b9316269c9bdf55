package epcis

import (
	"fmt"
	"strings"

	"firstout/internal/events"
)

// This file names things: with a URI of the standard body's form where there is a number of theirs, else with one under
// the workshop's own name.

// uri is the URI of something of the workshop's own.
func (b Book) uri(parts ...string) string {
	uri := trimmed(b.Base)
	for _, p := range parts {
		uri += "/" + escaped(p)
	}
	return uri
}

// escaped writes a text as one part of a path: whatever RFC 3986 (section 2.3) does not leave free is percent-encoded.
func escaped(text string) string {
	var b strings.Builder
	for _, c := range []byte(text) {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.IndexByte("-._~", c) >= 0 {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	return b.String()
}

func (b Book) place(slug string) string    { return b.uri("place", slug) }
func (b Book) supplier(slug string) string { return b.uri("supplier", slug) }
func (b Book) buyer(slug string) string    { return b.uri("buyer", slug) }

// operator is the workshop as a party.
func (b Book) operator(site string) string { return b.uri("site", site) }

// class is the lot of a thing. A portion or a part of a lot is of that lot: no new lot came to be. Pieces whose design has
// a trade number are of that number's lot.
func (t *telling) class(code events.Code) string {
	switch code.Kind() {
	case events.KindLot:
		return t.uri("lot", string(code.Whole()))
	case events.KindCharge:
		return t.fill(code, t.fillNow(code))
	case events.KindRun:
		if gtin := t.gtin(code); gtin != "" {
			return trimmed(t.Base) + "/01/" + gtin + "/10/" + escaped(string(code))
		}
	default: // a ganache or a box
	}
	return t.uri("lot", string(code))
}

// supplierLot is a lot as its supplier names it.
func (b Book) supplierLot(supplier, ingredient, lot string) string {
	return b.uri("supplier", supplier, "ingredient", ingredient, "lot", lot)
}

// fill is the lot that the chocolate in a vat is after its n-th pouring.
func (b Book) fill(charge events.Code, n int) string {
	return b.uri("lot", string(charge), "fill", fmt.Sprint(n))
}

// fillNow is the number of the fill that was in a vat when the event that is being told happened, that event itself
// included.
func (t *telling) fillNow(charge events.Code) int {
	n := 0
	for _, f := range t.Fills[charge] {
		if f.OccurredAt.After(t.r.OccurredAt) || f.OccurredAt.Equal(t.r.OccurredAt) && f.Position > t.r.Position {
			break
		}
		n++
	}
	return max(n, 1)
}

// gtin is the trade number of a run's design in 14 digits; "" if it has none that checks.
func (t *telling) gtin(run events.Code) string {
	r, known := t.Runs[run]
	if !known {
		return ""
	}
	design := t.Defs.Designs.Numbered(r.Design, r.DesignVersion)
	if design == nil {
		return ""
	}
	return gtin14(design.Body.GTIN)
}

// gtin14 writes a GTIN in 14 digits; "" if its check digit is wrong. From the right, the check digit left out, the digits
// weigh 3, 1, 3, 1 and so on, and the check digit lifts the sum to the next multiple of ten (GS1 General Specifications,
// section 7.9.1).
func gtin14(gtin string) string {
	switch len(gtin) {
	case 8, 12, 13, 14:
	default:
		return ""
	}
	sum := 0
	for i := range gtin {
		digit := int(gtin[len(gtin)-1-i]) - '0'
		if digit < 0 || digit > 9 {
			return ""
		}
		if i%2 == 1 {
			digit *= 3
		}
		sum += digit
	}
	if sum%10 != 0 {
		return ""
	}
	return fmt.Sprintf("%014s", gtin)
}
