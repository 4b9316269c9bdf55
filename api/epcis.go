package api

import (
	"context"

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

// epcisOf tells a trace in the words of EPCIS.
func (h *handlers) epcisOf(ctx context.Context, trace projections.Trace, types []string) (inForm, error) {
	recorded, err := projections.Told(ctx, h.pool, trace, types)
	if err != nil {
		return inForm{}, err
	}
	recorded, wrong := declared(recorded)
	m := momentOf(ctx)
	b := epcis.Book{Base: h.identifiers, Defs: m.defs, Errors: wrong}
	if b.Runs, err = h.runsTouched(ctx, recorded); err != nil {
		return inForm{}, err
	}
	if b.Fills, err = h.fillsTouched(ctx, recorded); err != nil {
		return inForm{}, err
	}
	if b.OnHand, err = h.amountsTouched(ctx, recorded); err != nil {
		return inForm{}, err
	}
	body, err := b.Document(m.now, recorded)
	return inForm{mediaType: mediaEPCIS, body: body}, err
}

// touched lists what of a kind some events concern, each once.
func touched(recorded []events.Recorded, kind events.Kind) []events.Code {
	met, codes := map[events.Code]bool{}, []events.Code{}
	for _, r := range recorded {
		for _, code := range r.Codes() {
			if code.Kind() == kind && !met[code] {
				met[code], codes = true, append(codes, code)
			}
		}
	}
	return codes
}

func (h *handlers) runsTouched(ctx context.Context, recorded []events.Recorded) (map[events.Code]workshop.Run, error) {
	things, err := projections.ThingsOf(ctx, h.pool, touched(recorded, events.KindRun))
	runs := make(map[events.Code]workshop.Run, len(things))
	for _, t := range things {
		runs[t.Code] = *t.Run
	}
	return runs, err
}

func (h *handlers) fillsTouched(ctx context.Context, recorded []events.Recorded) (map[events.Code][]epcis.Fill, error) {
	into, err := projections.PouringsInto(ctx, h.pool, touched(recorded, events.KindCharge))
	fills := make(map[events.Code][]epcis.Fill, len(into))
	for charge, list := range into {
		for _, p := range list {
			fills[charge] = append(fills[charge], epcis.Fill(p))
		}
	}
	return fills, err
}

// amountsTouched finds how much there was of what was checked and held.
func (h *handlers) amountsTouched(ctx context.Context, recorded []events.Recorded) (map[epcis.At]events.Amount, error) {
	var concerns []projections.Concern
	for _, r := range recorded {
		switch r.Data.(type) {
		case events.Checked, events.HoldPlaced, events.HoldLifted:
			for _, code := range r.Codes() {
				concerns = append(concerns, projections.Concern{Position: r.Position, Code: code, OccurredAt: r.OccurredAt})
			}
		}
	}
	found, err := projections.AmountsAt(ctx, h.pool, concerns)
	amounts := make(map[epcis.At]events.Amount, len(found))
	for c, a := range found {
		amounts[epcis.At{Position: c.Position, Code: c.Code}] = a
	}
	return amounts, err
}
