package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// CreateLot records a delivery.
func (h *handlers) CreateLot(ctx context.Context, r openapi.CreateLotRequestObject) (openapi.CreateLotResponseObject, error) {
	b := r.Body
	mark, err := h.state.Mark(ctx) // the catalogue: an answer shows the allergens of the ingredient
	if err != nil {
		return nil, err
	}
	receive := workshop.Receive{
		Done: done(b.OccurredAt, b.AlreadyDone), Ingredient: b.Ingredient, Supplier: b.Supplier, SupplierLot: valueOf(b.SupplierLot),
		Quantity: b.QuantityG, DateMark: b.DateMark, PriceMinor: b.PriceMinor, TemperatureC: b.ReceivedTemperatureC,
		DeliveryNote: valueOf(b.DeliveryNote), Place: b.Place, Allergens: listIfAny(b.Allergens), MayContain: listIfAny(b.MayContain),
		Composition: valueOf(b.Composition),
	}
	sees := sightOf(actorOf(ctx))
	return do(ctx, h, receive, func(l *workshop.Lot, recorded []events.Recorded) any {
		lot := lotOf(projections.Thing{Lot: l, Lines: standingAt(l.Code, receive.Place, l.Received)}, mark.moment.defs, sees)
		lot.Deviations, lot.Recorded = deviationsIn(recorded), pointerTo(recordedOf(recorded))
		return lot
	})
}

// OpenLot opens a part of a lot.
func (h *handlers) OpenLot(ctx context.Context, r openapi.OpenLotRequestObject) (openapi.OpenLotResponseObject, error) {
	var codes typed
	b := r.Body
	open := workshop.Open{
		Done: done(b.OccurredAt, b.AlreadyDone), Lot: codes.code(r.Code), Place: valueOf(b.Place), Quantity: b.QuantityG,
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, open, func(l *workshop.Lot, recorded []events.Recorded) any {
		_, opened := mainEvent[events.PortionOpened](recorded)
		portion := portionOf(projections.Thing{Lot: l, Lines: standingAt(l.Code, opened.Place, opened.Quantity)})
		portion.Deviations, portion.Recorded = deviationsIn(recorded), pointerTo(recordedOf(recorded))
		return portion
	})
}

// standingAt is the stock of a thing that has just come to be: all of it at one place.
func standingAt(code events.Code, place string, quantity events.Mass) []workshop.StockLine {
	return []workshop.StockLine{{StockKey: workshop.StockKey{Code: code, Place: place}, Amount: int64(quantity)}}
}
