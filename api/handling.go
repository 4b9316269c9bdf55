package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// MoveStock records stock carried from one place to another.
func (h *handlers) MoveStock(ctx context.Context, r openapi.MoveStockRequestObject) (openapi.MoveStockResponseObject, error) {
	var codes typed
	b := r.Body
	move := workshop.Move{
		Done: done(b.OccurredAt, b.AlreadyDone), From: b.From, To: b.To, Lines: codes.handledLines(b.Lines), Sealed: valueOf(b.Sealed),
		IntoBag: valueOf(b.IntoBag),
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, move, moveOf)
}

func moveOf(moved workshop.Moved, recorded []events.Recorded) any {
	r, e := mainEvent[events.StockMoved](recorded)
	return openapi.Move{
		ID: r.ID, From: e.From, To: e.To, Sealed: &e.Sealed, IntoBag: &e.IntoBag, Lines: movedLinesOf(moved.Lines),
		Deviations: deviationsIn(recorded), Recorded: recordedOf(recorded),
	}
}

// movedLinesOf tells what was moved, and what parts of it became.
func movedLinesOf(moved []events.MovedLine) []openapi.MovedLine {
	lines := make([]openapi.MovedLine, len(moved))
	for i, l := range moved {
		line := openapi.MovedLine{Code: string(l.Code), NewCode: optional(string(l.NewCode)), Relabel: l.NewCode != ""}
		line.Pieces, line.QuantityG = amountOf(l.StockOf, l.Amount)
		if l.NewCode != "" {
			line.UseBy, line.Cause = pointerTo(expiryOf(*l.Expiry)), pointerTo(openapi.PartingCause(l.Parting.Cause))
		}
		lines[i] = line
	}
	return lines
}

// amountOf tells a quantity in the unit of its thing.
func amountOf(of events.StockOf, a events.Amount) (pieces *int, quantity *events.Mass) {
	if k := of.Code.Kind(); k == events.KindRun || k == events.KindBox {
		return &a.Pieces, nil
	}
	return nil, &a.Quantity
}

// DiscardStock records stock thrown away, or gone otherwise than by a sale.
func (h *handlers) DiscardStock(ctx context.Context, r openapi.DiscardStockRequestObject) (openapi.DiscardStockResponseObject, error) {
	var codes typed
	b := r.Body
	discard := workshop.Discard{
		Done: done(b.OccurredAt, b.AlreadyDone), Place: valueOf(b.Place), Lines: codes.handledLines(b.Lines), Reason: string(b.Reason),
		Destination: string(b.Destination), Note: valueOf(b.Note),
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, discard, discardOf)
}

func discardOf(discarded workshop.Discarded, recorded []events.Recorded) any {
	r, _ := mainEvent[events.StockDiscarded](recorded)
	e := discarded.Event
	discard := openapi.Discard{
		ID: r.ID, Place: optional(e.Place), Reason: openapi.DiscardReason(e.Reason), Destination: openapi.Destination(e.Destination),
		Note: optional(e.Note), Lines: make([]openapi.DiscardedLine, len(e.Lines)), Recorded: recordedOf(recorded),
	}
	for i, l := range e.Lines {
		line := openapi.DiscardedLine{Code: string(l.Code), Design: optional(l.Design), WeightG: l.Weight}
		line.Pieces, line.QuantityG = amountOf(l.StockOf, l.Amount)
		discard.Lines[i] = line
	}
	return discard
}

// CountStock records what a count found.
func (h *handlers) CountStock(ctx context.Context, r openapi.CountStockRequestObject) (openapi.CountStockResponseObject, error) {
	var codes typed
	b := r.Body
	count := workshop.Count{
		Done: done(b.OccurredAt, b.AlreadyDone), Place: b.Place, Lines: codes.foundLines(b.Lines), Complete: valueOf(b.Complete),
		Reason: valueOf(b.Reason),
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, count, countOf)
}

func countOf(counted workshop.Counted, recorded []events.Recorded) any {
	r, _ := mainEvent[events.StockCounted](recorded)
	e := counted.Event
	count := openapi.Count{
		ID: r.ID, Place: e.Place, Complete: e.Complete, Reason: optional(e.Reason), Lines: make([]openapi.CountedLine, len(e.Lines)),
		Recorded: recordedOf(recorded),
	}
	for i, l := range e.Lines {
		line := openapi.CountedLine{Code: string(l.Code)}
		line.Pieces, line.QuantityG = amountOf(l.StockOf, l.Found)
		line.HadPieces, line.HadG = amountOf(l.StockOf, l.Had)
		if line.Pieces != nil {
			if line.Grade = gradeOf(l.Code, l.Grade); line.Grade != nil {
				line.Released = pointerTo(!l.Unreleased)
			}
			line.DifferencePieces = pointerTo(l.Found.Pieces - l.Had.Pieces)
		} else {
			line.DifferenceG = pointerTo(l.Found.Quantity - l.Had.Quantity)
		}
		count.Lines[i] = line
	}
	return count
}
