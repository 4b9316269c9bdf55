package events

import (
	"fmt"

	"github.com/gowebpki/jcs"
)

// Canonicalize gives the RFC 8785 form of a JSON text: keys sorted by UTF-16 units, no spaces, numbers as
// ECMAScript prints them. Integers beyond ±(2^53−1) must not be in it: they would be rounded. Nothing in this
// package writes them (masses and money are bounded far below).
func Canonicalize(text []byte) ([]byte, error) {
	canonical, err := jcs.Transform(text)
	if err != nil {
		return nil, fmt.Errorf("canonical JSON: %w", err)
	}
	return canonical, nil
}
