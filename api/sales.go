package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// CreateSale records a sale.
func (h *handlers) CreateSale(ctx context.Context, r openapi.CreateSaleRequestObject) (openapi.CreateSaleResponseObject, error) {
	var codes typed
	b := r.Body
	sell := workshop.Sell{
		Done: done(b.OccurredAt, b.AlreadyDone), Place: b.Place, Lines: codes.soldLines(b.Lines), Channel: string(b.Channel),
		Buyer: valueOf(b.Buyer), Reference: valueOf(b.Reference),
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, sell, saleOf)
}

// saleOf shows a sale. Its prices are what the customer was charged: who sells may see them.
func saleOf(sold workshop.Sold, recorded []events.Recorded) any {
	r, e := mainEvent[events.PiecesSold](recorded)
	sale := openapi.Sale{
		ID: r.ID, Place: e.Place, Channel: openapi.Channel(e.Channel), Buyer: optional(e.Buyer), Reference: optional(e.Reference),
		Lines: make([]openapi.SoldLine, len(sold.Lines)), Warnings: sold.Warnings, Deviations: deviationsIn(recorded),
		Recorded: recordedOf(recorded),
	}
	for i, l := range sold.Lines {
		sale.Lines[i] = openapi.SoldLine{Design: optional(l.Design), Allocations: allocationsOf(l.Allocations), PriceMinor: l.PriceMinor}
		sale.Currency = optional(l.Currency)
	}
	return sale
}

func allocationsOf(taken []events.Allocation) []openapi.Allocation {
	allocations := make([]openapi.Allocation, len(taken))
	for i, a := range taken {
		allocations[i] = openapi.Allocation{Grade: gradeOf(a.Code, a.Grade), Pieces: a.Pieces, How: openapi.How(a.How), UseBy: a.Date}
		allocations[i].Run, allocations[i].Box = pieceOrBox(a.Code)
	}
	return allocations
}

// GiveTasters records tasters given away.
func (h *handlers) GiveTasters(ctx context.Context, r openapi.GiveTastersRequestObject) (openapi.GiveTastersResponseObject, error) {
	var codes typed
	b := r.Body
	give := workshop.Give{
		Done: done(b.OccurredAt, b.AlreadyDone), Place: b.Place, Lines: codes.givenLines(b.Lines), Occasion: valueOf(b.Occasion),
		Release: valueOf(b.Release),
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, give, tasterOf)
}

func tasterOf(given workshop.Sold, recorded []events.Recorded) any {
	r, e := mainEvent[events.PiecesGiven](recorded)
	taster := openapi.Taster{
		ID: r.ID, Place: e.Place, Occasion: optional(e.Occasion), Lines: make([]openapi.GivenLine, len(given.Lines)),
		Warnings: given.Warnings, Deviations: deviationsIn(recorded), Recorded: recordedOf(recorded),
	}
	for i, l := range given.Lines {
		taster.Lines[i] = openapi.GivenLine{Design: optional(l.Design), Allocations: allocationsOf(l.Allocations)}
	}
	return taster
}
