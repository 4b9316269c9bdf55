package expiry

import (
	"slices"
	"time"
)

// KeepIn adds to a thing's answer how long one of its fillings keeps without an assessment in another class than it was
// dated for, from its making: kept is what DateFilling says of it there. It never makes a date later.
func KeepIn(dated Answer, kept PieceFilling, zone *time.Location) Answer {
	a := dated
	a.Limits = slices.Clone(dated.Limits)
	for _, l := range kept.Answer.passedOn(kept.Code) {
		if l.IsCap() && l.ReleasedBy == "" {
			a.Limits = append(a.Limits, l)
		}
	}
	return settle(a, dated.Binds != "", zone, dated.EndsBy)
}

// IsCap tells whether a limit is one that a filling has for want of an assessment.
func (l Limit) IsCap() bool { return l.Name == LimitFoodSafetyCap || l.Name == LimitWaterActivityCap }
