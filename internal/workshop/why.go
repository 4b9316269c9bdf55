package workshop

import (
	"fmt"
	"slices"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// WhyRedated says in a sentence why a thing's date changed: by what it lost out of its class, else by what binds it now.
func WhyRedated(e events.Redated) string {
	because := "it has no date yet"
	if len(e.Expiry.Limits) > 0 {
		because = e.Expiry.Limits[0].Source
	}
	lost := slices.IndexFunc(e.Expiry.Limits, func(l events.Limit) bool { return expiry.Limit(l).IsLess() })
	if e.Spells != nil && lost >= 0 {
		because = e.Expiry.Limits[lost].Source
	}
	if d := e.Expiry.Date; d != nil {
		return fmt.Sprintf("%s keeps through %d %s %d: %s.", e.Code, d.Day, d.Month, d.Year, because)
	}
	return fmt.Sprintf("%s has no whole day left: %s.", e.Code, because)
}
