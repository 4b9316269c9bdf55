package workshop

import (
	"fmt"
	"strings"
	"time"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// CautionEstimated are the words that stand beside every date that rests on an estimate.
const CautionEstimated = expiry.CautionEstimated

// SchemeSlug is the name of the life scheme: a book has one.
const SchemeSlug = "life-scheme"

// SchemeOf is a version of the shop's life scheme as expiry takes it. What it leaves out is as it is shipped; version 0 is
// the shipped one.
func SchemeOf(version int, s events.LifeScheme) expiry.Scheme {
	scheme := expiry.DefaultScheme()
	scheme.BestBeforeBinds = expiry.DateBindingKinds()
	if version == 0 {
		return scheme
	}
	scheme.Version = fmt.Sprintf("%s-%d", SchemeSlug, version)
	if s.BestBeforeBinds != nil {
		scheme.BestBeforeBinds = append([]string{}, *s.BestBeforeBinds...)
	}
	if len(s.Bands) == 0 {
		return scheme
	}
	scheme.Bands = nil
	for _, b := range s.Bands {
		scheme.Bands = append(scheme.Bands, expiry.Band{
			Max: b.WaterActivityMax, MaxIncluded: b.Included, Cool: expiry.Keeps(b.Cool), Chilled: expiry.Keeps(b.Chilled),
		})
	}
	return scheme
}

// Scheme is the life scheme in force at an instant; nil while the shop has none of its own, for then the shipped one is.
func (d *Definitions) Scheme(at time.Time) *expiry.Scheme {
	for i := len(d.schemes) - 1; i >= 0; i-- {
		if !d.schemes[i].From.After(at) {
			return d.schemes[i].Body
		}
	}
	return nil
}

// binds is the shop's own rule, at an instant, on whether the best-before of a kind of ingredient passes on; nil: the
// shipped one.
func (d *Desk) binds(kind string, at time.Time) *bool {
	if scheme := d.Set.Defs.Scheme(at); scheme != nil {
		return scheme.Binds(kind)
	}
	return nil
}

func (c Define) mayScheme(d *Desk) *Refusal {
	if d.Actor.Is(roleOwner) {
		return nil
	}
	return forbidden("How long fillings keep is the owner's to set: ask the owner.")
}

// checkScheme refuses bands that leave a gap, or let a wetter filling keep longer.
func checkScheme(s events.LifeScheme) *Refusal {
	for i, b := range s.Bands {
		if b.Cool.Days > 0 && b.Cool.Hours > 0 {
			return invalid(fmt.Sprintf("/bands/%d/cool", i), "Give days or hours, and not both.")
		}
	}
	if len(s.Bands) == 0 {
		return nil
	}
	if err := SchemeOf(1, s).Check(); err != nil {
		where, what, _ := strings.Cut(err.Error(), ": ")
		return invalid("/"+strings.ReplaceAll(where, ".", "/"), "%s", sentence(what))
	}
	return nil
}
