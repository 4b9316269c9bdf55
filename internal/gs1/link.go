package gs1

import (
	"fmt"
	"slices"
	"strings"
)

// qualifiers narrow a product number down in the path of a link, in this order only.
var qualifiers = []string{"22", AILot, "21"}

// Link writes elements as a Digital Link URI under a base such as https://example.com: the product number and what
// narrows it down in the path, the rest in the query.
func Link(base string, elements []Element) (string, error) {
	if err := Check(elements); err != nil {
		return "", err
	}
	path, query := strings.TrimSuffix(base, "/"), ""
	for _, ai := range append([]string{AIProduct}, qualifiers...) {
		if at := slices.IndexFunc(elements, func(e Element) bool { return e.AI == ai }); at >= 0 {
			path += "/" + ai + "/" + escape(elements[at].Value)
		}
	}
	for _, e := range elements {
		if e.AI == AIProduct || slices.Contains(qualifiers, e.AI) {
			continue
		}
		if query != "" {
			query += "&"
		}
		query += e.AI + "=" + escape(e.Value)
	}
	if query != "" {
		path += "?" + query
	}
	return path, nil
}

// ParseLink reads a Digital Link URI. A shorter product number is padded to 14 digits, path parts before it are passed
// over, and so are keys of the query that are no AIs known here.
func ParseLink(uri string) ([]Element, error) {
	rest, is := cutScheme(uri)
	if !is {
		return nil, invalid("%q does not start with http:// or https://", uri)
	}
	rest, _, _ = strings.Cut(rest, "#")
	rest, query, _ := strings.Cut(rest, "?")
	elements, err := parsePath(strings.Split(rest, "/")[1:])
	if err != nil {
		return nil, err
	}
	for pair := range strings.SplitSeq(query, "&") {
		ai, value, _ := strings.Cut(pair, "=")
		if _, known := lookUp(ai); !known {
			continue
		}
		plain, err := unescape(value)
		if err != nil {
			return nil, err
		}
		elements = append(elements, Element{AI: ai, Value: plain})
	}
	if err := Check(elements); err != nil {
		return nil, err
	}
	return unique(elements), nil
}

// cutScheme takes the scheme off a web address.
func cutScheme(uri string) (rest string, is bool) {
	for _, scheme := range []string{"https://", "http://"} {
		if len(uri) > len(scheme) && strings.EqualFold(uri[:len(scheme)], scheme) {
			return uri[len(scheme):], true
		}
	}
	return "", false
}

// parsePath reads the pairs from the product number on. The parts are told apart before any of them is unescaped.
func parsePath(parts []string) ([]Element, error) {
	for i, part := range parts {
		if part == AIProduct && (len(parts)-i)%2 == 0 {
			return parsePairs(parts[i:])
		}
	}
	return nil, invalid("the path has no product number (/01/…) with a value to each key after it")
}

func parsePairs(parts []string) ([]Element, error) {
	var elements []Element
	next := 0
	for i := 0; i < len(parts); i += 2 {
		value, err := unescape(parts[i+1])
		if err != nil {
			return nil, err
		}
		if i == 0 && len(value) < 14 {
			value = strings.Repeat("0", 14-len(value)) + value
		}
		if i > 0 {
			at := slices.Index(qualifiers[next:], parts[i])
			if at < 0 {
				return nil, invalid("after the product number the path has 22, 10 and 21 in that order, not %q", parts[i])
			}
			next += at + 1
		}
		elements = append(elements, Element{AI: parts[i], Value: value})
	}
	return elements, nil
}

// unique leaves out what was said before with the same value.
func unique(elements []Element) []Element {
	var once []Element
	for _, e := range elements {
		if !slices.Contains(once, e) {
			once = append(once, e)
		}
	}
	return once
}

// escape percent-encodes everything but the characters that a URI never needs to.
func escape(value string) string {
	var text strings.Builder
	for _, c := range []byte(value) {
		if c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || strings.IndexByte("-._~", c) >= 0 {
			text.WriteByte(c)
		} else {
			fmt.Fprintf(&text, "%%%02X", c)
		}
	}
	return text.String()
}

// unescape reads percent-encoding. A plus is a plus.
func unescape(text string) (string, error) {
	var value strings.Builder
	for i := 0; i < len(text); i++ {
		if text[i] != '%' {
			value.WriteByte(text[i])
			continue
		}
		if i+3 > len(text) {
			return "", invalid("%q ends within an escape", text)
		}
		high, low := hexadecimal(text[i+1]), hexadecimal(text[i+2])
		if high < 0 || low < 0 {
			return "", invalid("%q has a %% without two hexadecimal digits", text)
		}
		value.WriteByte(byte(high<<4 | low))
		i += 2
	}
	return value.String(), nil
}

func hexadecimal(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	case c >= 'A' && c <= 'F':
		return int(c-'A') + 10
	}
	return -1
}
