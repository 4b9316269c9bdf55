package expiry

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firstout/internal/civil"
)

// sourceLengthens is the source of a limit that a person set to a later day than an earlier decision had.
const sourceLengthens = "a decision to keep longer"

// Lengthen adds a person's decision that a thing keeps longer than earlier decisions said: through the day last. It
// takes back decisions and nothing else: a limit of any other kind keeps binding, and the answer then is no later than
// that.
func Lengthen(before Answer, last civil.Day, decision string, zone *time.Location) Answer {
	source := fmt.Sprintf("%s: %s", sourceLengthens, decision)
	a := before
	a.Limits = slices.Clone(before.Limits)
	for i, l := range a.Limits {
		decided := strings.HasPrefix(l.Source, sourceShortens) || strings.HasPrefix(l.Source, sourceLengthens)
		if l.Name == LimitShop && l.ReleasedBy == "" && decided && l.Date.Before(last) {
			a.Limits[i].ReleasedBy = source
		}
	}
	a.Limits = append(a.Limits, through(last, Limit{Name: LimitShop, Source: source, Basis: basisShop}))
	return settle(a, before.Binds != "", zone, before.EndsBy)
}
