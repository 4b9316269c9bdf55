package api

import (
	"cmp"
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// StartRun records a moulding, as much of it as is done.
func (h *handlers) StartRun(ctx context.Context, r openapi.StartRunRequestObject) (openapi.StartRunResponseObject, error) {
	var codes typed
	b := r.Body
	return h.mould(ctx, &codes, workshop.MakeRun{
		Done: done(b.OccurredAt, b.AlreadyDone), Design: b.Design, Mould: b.Mould, Moulds: b.Moulds, Place: b.Place,
		Casting: chocolateStep(b.Casting), Filling: codes.fillings(b.Filling), Decorations: codes.decorations(b.Decorations),
		Capping: chocolateStep(b.Capping), TurnedOut: turnOut(b.TurnedOut),
	})
}

// CastShells records the shells of a run cast.
func (h *handlers) CastShells(ctx context.Context, r openapi.CastShellsRequestObject) (openapi.CastShellsResponseObject, error) {
	var codes typed
	b := r.Body
	return h.mould(ctx, &codes, workshop.MakeRun{
		Done: done(b.OccurredAt, b.AlreadyDone), Run: codes.code(r.Code), Casting: chocolateStep(&openapi.Casting{
			Vat: b.Vat, DrawnG: b.DrawnG, ReturnedG: b.ReturnedG, TemperatureC: b.TemperatureC,
		}),
	})
}

// FillMoulds records a filling piped into the shells of a run.
func (h *handlers) FillMoulds(ctx context.Context, r openapi.FillMouldsRequestObject) (openapi.FillMouldsResponseObject, error) {
	var codes typed
	b := r.Body
	return h.mould(ctx, &codes, workshop.MakeRun{
		Done: done(b.OccurredAt, b.AlreadyDone), Run: codes.code(r.Code), Filling: codes.fillings([]openapi.Filling{{
			Source: b.Source, QuantityG: b.QuantityG, TemperatureC: b.TemperatureC, Place: b.Place,
		}}),
	})
}

// DecoratePieces records colours or toppings put on.
func (h *handlers) DecoratePieces(ctx context.Context, r openapi.DecoratePiecesRequestObject) (openapi.DecoratePiecesResponseObject, error) {
	var codes typed
	b := r.Body
	return h.mould(ctx, &codes, workshop.MakeRun{
		Done: done(b.OccurredAt, b.AlreadyDone), Run: codes.code(r.Code),
		Decorations: codes.decorations([]openapi.Decoration{{Stage: b.Stage, Inputs: b.Inputs}}),
	})
}

// CapMoulds records the pieces of a run closed.
func (h *handlers) CapMoulds(ctx context.Context, r openapi.CapMouldsRequestObject) (openapi.CapMouldsResponseObject, error) {
	var codes typed
	b := r.Body
	return h.mould(ctx, &codes, workshop.MakeRun{
		Done: done(b.OccurredAt, b.AlreadyDone), Run: codes.code(r.Code), Capping: chocolateStep(&openapi.Casting{
			Vat: b.Vat, DrawnG: b.DrawnG, ReturnedG: b.ReturnedG, TemperatureC: b.TemperatureC,
		}),
	})
}

// TurnOutPieces records what came out of the moulds.
func (h *handlers) TurnOutPieces(ctx context.Context, r openapi.TurnOutPiecesRequestObject) (openapi.TurnOutPiecesResponseObject, error) {
	var codes typed
	b := r.Body
	return h.mould(ctx, &codes, workshop.MakeRun{
		Done: done(b.OccurredAt, b.AlreadyDone), Run: codes.code(r.Code), TurnedOut: turnOut(&openapi.TurningOut{
			Good: b.Good, Seconds: b.Seconds, Broken: b.Broken, Unfilled: b.Unfilled, Eaten: b.Eaten, LeftInMould: b.LeftInMould,
			BrokenTo: b.BrokenTo, UnfilledTo: b.UnfilledTo,
		}),
	})
}

// mould has a run, or a step of one, carried out and shows the run with what was done now.
func (h *handlers) mould(ctx context.Context, codes *typed, work workshop.MakeRun) (stored, error) {
	if err := codes.err(); err != nil {
		return stored{}, err
	}
	return do(ctx, h, work, func(made workshop.RunAnswer, recorded []events.Recorded) any {
		run := runOf(projections.Thing{Run: made.Run}, deviationsIn(recorded))
		addWork(&run, recorded)
		run.Recorded = pointerTo(recordedOf(recorded))
		return run
	})
}

func chocolateStep(c *openapi.Casting) *workshop.ChocolateStep {
	if c == nil {
		return nil
	}
	return &workshop.ChocolateStep{
		Vat: c.Vat, Drawn: c.DrawnG, Returned: c.ReturnedG, TemperatureC: c.TemperatureC, OccurredAt: c.OccurredAt,
	}
}

func turnOut(t *openapi.TurningOut) *workshop.TurnOut {
	if t == nil {
		return nil
	}
	return &workshop.TurnOut{
		Good: t.Good, Seconds: valueOf(t.Seconds), Broken: valueOf(t.Broken), Unfilled: valueOf(t.Unfilled), Eaten: valueOf(t.Eaten),
		LeftInMould: valueOf(t.LeftInMould), BrokenTo: valueOf(t.BrokenTo), UnfilledTo: valueOf(t.UnfilledTo).Vat, OccurredAt: t.OccurredAt,
	}
}

// ReleasePieces passes pieces of a run through the gate.
func (h *handlers) ReleasePieces(ctx context.Context, r openapi.ReleasePiecesRequestObject) (openapi.ReleasePiecesResponseObject, error) {
	var codes typed
	b := r.Body
	release := workshop.Release{
		Done: done(b.OccurredAt, b.AlreadyDone), Run: codes.code(r.Code), Pieces: b.Pieces, Place: b.Place,
		Grade: cmp.Or(string(valueOf(b.Grade)), workshop.GradeFirst),
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, release, func(released workshop.Released, recorded []events.Recorded) any {
		return openapi.Release{
			Run: string(released.Run.Code), Released: released.Pieces, Grade: openapi.Grade(release.Grade), Place: release.Place,
			UseBy: expiryOf(released.Expiry), Deviations: deviationsIn(recorded), Recorded: recordedOf(recorded),
		}
	})
}
