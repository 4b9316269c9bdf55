package events

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Mass is a quantity in whole milligrams. In JSON it is a number of grams with at most three decimals
// (fields end in _g); anything finer is refused rather than rounded.
type Mass int64

// Gram is one gram.
const Gram Mass = 1000

// MaxMass bounds a single quantity: a thousand tonnes, far inside what JSON numbers hold exactly.
const MaxMass = 1_000_000_000 * Gram

// Grams gives the mass as a decimal number of grams without trailing zeros.
func (m Mass) Grams() string {
	sign := ""
	if m < 0 {
		sign, m = "-", -m
	}
	text := fmt.Sprintf("%s%d.%03d", sign, m/1000, m%1000)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// MarshalJSON writes grams.
func (m Mass) MarshalJSON() ([]byte, error) { return []byte(m.Grams()), nil }

// UnmarshalJSON reads grams exactly; more than three decimals or a mass beyond MaxMass is an error.
func (m *Mass) UnmarshalJSON(text []byte) error {
	if bytes.Equal(text, []byte("null")) {
		return nil
	}
	mass, err := ParseGrams(string(text))
	if err != nil {
		return err
	}
	*m = mass
	return nil
}

// ParseGrams reads a decimal JSON number of grams.
func ParseGrams(text string) (Mass, error) {
	mantissa, exponentText, _ := strings.Cut(strings.ToLower(text), "e")
	exponent := 0
	if exponentText != "" {
		var err error
		if exponent, err = strconv.Atoi(exponentText); err != nil || exponent < -40 || exponent > 40 {
			return 0, fmt.Errorf("%q is not a number of grams", text)
		}
	}
	whole, decimals, _ := strings.Cut(mantissa, ".")
	digits := strings.TrimLeft(strings.TrimPrefix(whole, "-")+decimals, "0")
	shift := exponent - len(decimals) + 3 // milligrams
	for shift < 0 && strings.HasSuffix(digits, "0") {
		digits, shift = digits[:len(digits)-1], shift+1
	}
	if digits == "" {
		return 0, nil
	}
	if shift < 0 {
		return 0, fmt.Errorf("%s g is finer than a milligram: give at most three decimals", text)
	}
	if len(digits)+shift > 13 {
		return 0, fmt.Errorf("%s g is more than %s g", text, MaxMass.Grams())
	}
	n, err := strconv.ParseInt(digits+strings.Repeat("0", shift), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is not a number of grams", text)
	}
	if Mass(n) > MaxMass {
		return 0, fmt.Errorf("%s g is more than %s g", text, MaxMass.Grams())
	}
	if strings.HasPrefix(whole, "-") {
		n = -n
	}
	return Mass(n), nil
}

// Times gives the mass of n like pieces.
func (m Mass) Times(n int) Mass { return m * Mass(n) }

// Share gives m × part ÷ whole, rounded to the nearest milligram, halves up; whole must be positive.
func (m Mass) Share(part, whole Mass) Mass {
	return Mass(math.Round(float64(m) * (float64(part) / float64(whole))))
}
