package gs1

import "strings"

// A GTIN is a product number that checks.
type GTIN struct {
	Digits string // 14, zeros on the left
	Kind   string // GTIN-8, GTIN-12, GTIN-13, GTIN-14, or RCN-13: restricted to the shop that gave it
}

// ParseGTIN reads a product number of 8, 12, 13 or 14 ASCII digits. A number of nothing but zeros names nothing and is
// refused, though its check digit fits.
func ParseGTIN(text string) (GTIN, error) {
	if !allDigits(text) || text == "" {
		return GTIN{}, invalid("%q is no product number: it has 8, 12, 13 or 14 digits and nothing else", text)
	}
	kind, known := map[int]string{8: "GTIN-8", 12: "GTIN-12", 13: "GTIN-13", 14: "GTIN-14"}[len(text)]
	if !known {
		return GTIN{}, invalid("%q has %d digits: a product number has 8, 12, 13 or 14", text, len(text))
	}
	last := len(text) - 1
	if check := CheckDigit(text[:last]); text[last] != check {
		return GTIN{}, invalid("the last digit of %s should be %c by the others: read the number again", text, check)
	}
	if strings.Trim(text, "0") == "" {
		return GTIN{}, invalid("%s names no product", text)
	}
	if kind == "GTIN-13" && restricted(text[:2]) {
		kind = "RCN-13"
	}
	return GTIN{Digits: strings.Repeat("0", 14-len(text)) + text, Kind: kind}, nil
}

// restricted says whether a 13-digit number that starts so is for circulation inside one company or country only.
func restricted(prefix string) bool {
	return prefix == "02" || prefix == "04" || prefix[0] == '2'
}

// Restricted says that the number means nothing outside the shop that gave it.
func (g GTIN) Restricted() bool { return g.Kind == "RCN-13" }

// VariableMeasure says that a pack of this product must carry its own weight: the number starts with 9.
func (g GTIN) VariableMeasure() bool { return g.Kind == "GTIN-14" && g.Digits[0] == '9' }

// CheckDigit is the last digit of a GTIN, GLN or SSCC from the digits before it: from the right they weigh 3 and 1 in
// turn, and it lifts their sum to the next ten.
func CheckDigit(digits string) byte {
	sum, weight := 0, 3
	for i := len(digits) - 1; i >= 0; i-- {
		sum += int(digits[i]-'0') * weight
		weight = 4 - weight
	}
	return byte('0' + (10-sum%10)%10)
}
