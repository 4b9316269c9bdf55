package events

import "slices"

// Types lists the event types that this program knows, in alphabetical order.
func Types() []string {
	var types []string
	for name := range decoders {
		types = append(types, name[:len(name)-2])
	}
	slices.Sort(types)
	return slices.Compact(types)
}
