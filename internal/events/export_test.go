package events

import "slices"

// Types lists the event types that this program knows, in alphabetical order.
func Types() []string {
	var types []string
	for name := range newest {
		types = append(types, name)
	}
	slices.Sort(types)
	return types
}

// Glance reads an envelope without encoding/json; is says whether it could.
func Glance(text []byte) (said any, is bool) {
	var e envelope
	is = scanEnvelope(text, &e)
	return e, is
}

// ReadSlowly reads it with encoding/json.
func ReadSlowly(text []byte) (said any, err error) {
	var e envelope
	err = decodeStrictly(text, &e)
	return e, err
}
