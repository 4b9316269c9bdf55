package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
)

// A dated is a date that an event gave a thing, and what happened.
type dated struct {
	by     events.Recorded
	expiry events.Expiry
	cause  string
}

// datesOf gives each date that a thing had, oldest first, from its history; where that is cut short, from the events that
// say dates alone. What is in a tank has none.
func (h *handlers) datesOf(ctx context.Context, code events.Code, history []events.Recorded) ([]openapi.DateHad, error) {
	if code.Kind() == events.KindCharge {
		return nil, nil
	}
	if len(history) >= projections.MaxHistory {
		var err error
		if history, err = projections.Dating(ctx, h.pool, []events.Code{code}); err != nil {
			return nil, err
		}
	}
	return datesIn(history, code, sightOf(actorOf(ctx))), nil
}

// datesIn finds the dates of a thing in events that are in the order of positions. A step of the work that left the date
// as it was is not told.
func datesIn(recorded []events.Recorded, code events.Code, sees sight) []openapi.DateHad {
	had := []openapi.DateHad{}
	var last *events.Expiry
	for _, r := range recorded {
		for _, d := range datedBy(r, code) {
			_, anew := r.Data.(events.Redated)
			if last != nil && !anew && sameDate(*last, d.expiry) {
				continue
			}
			last = &d.expiry
			had = append(had, dateHad(d, sees))
		}
	}
	return had
}

// datedBy is what an event says of the date of a thing: nothing, or once.
func datedBy(r events.Recorded, code events.Code) []dated {
	of := func(subject events.Code, e events.Expiry, cause string) []dated {
		if subject != code {
			return nil
		}
		return []dated{{by: r, expiry: e, cause: cause}}
	}
	switch e := r.Data.(type) {
	case events.IngredientReceived:
		return of(e.Lot, e.Expiry, "received")
	case events.PortionOpened:
		return of(e.Portion, e.Expiry, "opened")
	case events.VatEmptied:
		if e.Block != nil {
			return of(e.Block.Lot, e.Block.Expiry, "set")
		}
	case events.GanacheMade:
		return of(e.Ganache, e.Expiry, "made")
	case events.RunStarted:
		return of(e.Run, e.Expiry, "started")
	case events.ShellsCast:
		return of(e.Run, e.Expiry, "cast")
	case events.PiecesDecorated:
		return of(e.Run, e.Expiry, "decorated")
	case events.MouldsFilled:
		return of(e.Run, e.Expiry, "filled")
	case events.MouldsCapped:
		return of(e.Run, e.Expiry, "capped")
	case events.StockMoved:
		for _, l := range e.Lines { // of several lines that become one part, each says the same
			if l.NewCode == code && l.Expiry != nil && l.Parting != nil {
				return of(l.NewCode, *l.Expiry, l.Parting.Cause)
			}
		}
	case events.Redated:
		return of(e.Code, e.Expiry, e.Cause)
	}
	return nil
}

// sameDate tells whether two answers give the same date for the same reason.
func sameDate(a, b events.Expiry) bool {
	sourceA, subjectA := bindingOf(a)
	sourceB, subjectB := bindingOf(b)
	return a.Kind == b.Kind && a.Binds == b.Binds && a.Status == b.Status && a.EndsBy.Equal(b.EndsBy) && sourceA == sourceB && subjectA == subjectB
}

// bindingOf is what says so where a date binds, and whose limit it is.
func bindingOf(e events.Expiry) (source, subject string) {
	if e.Binds == "" || len(e.Limits) == 0 {
		return "", ""
	}
	return e.Limits[0].Source, e.Limits[0].Subject
}

func dateHad(d dated, sees sight) openapi.DateHad {
	e := d.expiry
	source, subject := bindingOf(e)
	had := openapi.DateHad{
		Date: e.Date, UseBy: e.UseBy, DiscardBy: e.DiscardBy, Kind: openapi.DateHadKind(e.Kind), Binds: e.Binds, Source: source,
		Subject: optional(subject), Status: openapi.DateHadStatus(e.Status), Tables: e.Tables, Cause: d.cause,
		Event: d.by.ID, OccurredAt: d.by.OccurredAt, RecordedAt: d.by.RecordedAt,
	}
	if sees.author {
		had.Author = &d.by.Actor
	}
	return had
}
