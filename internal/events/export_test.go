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
