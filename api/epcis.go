package api

import (
	"context"
	"slices"

	"firstout/internal/epcis"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// DefaultIdentifiers is the URI under which the things of a book have theirs where no own domain is set: one that leads
// nowhere, by RFC 6761.
const DefaultIdentifiers = "https://firstout.invalid"

// What concerns the things of a trace and is told with it, beside what made them and joined them. Back, that is how it
// came to be what it is; forward, what became of it too. Corrections say what of it was wrong.
var (
	toldBack = []string{
		events.Checked{}.EventType(), events.HoldPlaced{}.EventType(), events.HoldLifted{}.EventType(),
		events.PiecesTurnedOut{}.EventType(), events.PiecesReleased{}.EventType(), events.Redated{}.EventType(),
		events.CommandCorrected{}.EventType(),
	}
	toldForward = append([]string{
		events.StockMoved{}.EventType(), events.PiecesSold{}.EventType(), events.PiecesGiven{}.EventType(),
		events.StockDiscarded{}.EventType(), events.StockCounted{}.EventType(),
	}, toldBack...)
)

// epcis tells a trace in the words of EPCIS.
func (t traced) epcis(ctx context.Context, trace projections.Trace, types []string) (inForm, error) {
	told, err := t.told(ctx, trace, types)
	if err != nil {
		return inForm{}, err
	}
	b := epcis.Book{Base: t.h.identifiers, Defs: t.defs}
	recorded, wrong := declared(told)
	b.Errors = wrong
	if t.past == nil {
		err = t.h.addTouched(ctx, &b, recorded)
	} else {
		err = t.addTouchedThen(ctx, &b, recorded)
	}
	if err != nil {
		return inForm{}, err
	}
	body, err := b.Document(momentOf(ctx).now, recorded)
	return inForm{mediaType: mediaEPCIS, body: body}, err
}

// told gives what a trace is told with, and what was put right of it: of the past, what had been recorded and had occurred.
func (t traced) told(ctx context.Context, trace projections.Trace, types []string) (told []workshop.PutRight, err error) {
	var recorded []events.Recorded
	if t.past == nil {
		recorded, err = projections.Told(ctx, t.h.pool, trace, types)
	} else {
		recorded, err = t.past.Told(ctx, trace, types)
	}
	told = workshop.AsCorrected(recorded, false)
	return slices.DeleteFunc(told, func(r workshop.PutRight) bool { return !t.hasOccurred(r.Recorded) }), err
}

// touched lists what of some kinds some events concern, each once.
func touched(recorded []events.Recorded, kinds ...events.Kind) []events.Code {
	met, codes := map[events.Code]bool{}, []events.Code{}
	for _, r := range recorded {
		for _, code := range r.Codes() {
			if slices.Contains(kinds, code.Kind()) && !met[code] {
				met[code], codes = true, append(codes, code)
			}
		}
	}
	return codes
}

// addTouched finds what a document needs to know of the things that its events concern.
func (h *handlers) addTouched(ctx context.Context, b *epcis.Book, recorded []events.Recorded) error {
	things, err := projections.ThingsOf(ctx, h.pool, touched(recorded, events.KindRun))
	if err != nil {
		return err
	}
	b.Runs = make(map[events.Code]workshop.Run, len(things))
	for _, t := range things {
		b.Runs[t.Code] = *t.Run
	}
	into, err := projections.PouringsInto(ctx, h.pool, touched(recorded, events.KindCharge))
	if err != nil {
		return err
	}
	b.Fills = fillsOf(into)
	amounts, err := projections.AmountsAt(ctx, h.pool, concernsOf(recorded))
	b.OnHand = make(map[epcis.At]events.Amount, len(amounts))
	for c, a := range amounts {
		b.OnHand[epcis.At{Position: c.Position, Code: c.Code}] = a
	}
	return err
}

// addTouchedThen is addTouched of the past.
func (l look) addTouchedThen(ctx context.Context, b *epcis.Book, recorded []events.Recorded) error {
	concerns := concernsOf(recorded)
	codes := touched(recorded, events.KindRun, events.KindCharge)
	for _, c := range concerns {
		codes = append(codes, c.Code)
	}
	then, err := l.past.Happenings(ctx, codes)
	if err != nil {
		return err
	}
	b.Runs = map[events.Code]workshop.Run{}
	for _, code := range touched(recorded, events.KindRun) {
		if run := then.Run(code); run != nil {
			b.Runs[code] = *run
		}
	}
	b.Fills = fillsOf(then.PouringsInto(touched(recorded, events.KindCharge)))
	b.OnHand = map[epcis.At]events.Amount{}
	for _, c := range concerns {
		b.OnHand[epcis.At{Position: c.Position, Code: c.Code}] = then.AmountAt(c)
	}
	return nil
}

func fillsOf(into map[events.Code][]projections.Pouring) map[events.Code][]epcis.Fill {
	fills := make(map[events.Code][]epcis.Fill, len(into))
	for charge, list := range into {
		for _, p := range list {
			fills[charge] = append(fills[charge], epcis.Fill(p))
		}
	}
	return fills
}

// concernsOf lists what was checked and held: of that a document says how much there was.
func concernsOf(recorded []events.Recorded) []projections.Concern {
	var concerns []projections.Concern
	for _, r := range recorded {
		switch r.Data.(type) {
		case events.Checked, events.HoldPlaced, events.HoldLifted:
			for _, code := range r.Codes() {
				concerns = append(concerns, projections.Concern{Position: r.Position, Code: code, OccurredAt: r.OccurredAt})
			}
		}
	}
	return concerns
}
