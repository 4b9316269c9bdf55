package expiry

import (
	"slices"
	"time"
)

// Unpack dates a filling that was packed hot and is open again, as it is while it is piped: from the answer that it had
// closed, and from what DateFilling says of the same batch not packed hot. It never makes a date later.
func Unpack(closed, open Answer, zone *time.Location) Answer {
	a := closed
	a.Limits = slices.Clone(closed.Limits)
	for _, l := range open.Limits {
		if l.IsCap() {
			a.Limits = append(a.Limits, l)
		}
	}
	if open.Kind == KindUseBy {
		a.Kind = KindUseBy
	}
	a.Status, a.Instead, a.UsedShare = open.Status, open.Instead, max(closed.UsedShare, open.UsedShare)
	a.Cautions = together(cautionsOf(a.Kind, closed.Binds != ""), ofItsOwn(closed.Cautions), ofItsOwn(open.Cautions))
	return settle(a, closed.Binds != "", zone, closed.EndsBy)
}
