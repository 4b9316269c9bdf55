package api

import (
	"context"
	"time"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// MeltChocolate records chocolate melted into a vat.
func (h *handlers) MeltChocolate(ctx context.Context, r openapi.MeltChocolateRequestObject) (openapi.MeltChocolateResponseObject, error) {
	var codes typed
	b := r.Body
	melt := workshop.Melt{
		Done: done(b.OccurredAt, b.AlreadyDone), Vat: r.Slug, Inputs: codes.meltInputs(b.Inputs), OtherChocolate: valueOf(b.OtherChocolate),
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, melt, func(melted workshop.Melted, recorded []events.Recorded) any {
		charge := melted.Charge
		return openapi.Melt{
			Charge: string(charge.Code), Vat: charge.Vat, QuantityG: charge.Mix.Total(), Lots: notNil(chargeLotsOf(charge.Mix, melted.Trace, nil)),
			Deviations: deviationsIn(recorded), Recorded: recordedOf(recorded),
		}
	})
}

// EmptyVat records a vat emptied.
func (h *handlers) EmptyVat(ctx context.Context, r openapi.EmptyVatRequestObject) (openapi.EmptyVatResponseObject, error) {
	b := r.Body
	empty := workshop.Empty{
		Done: done(b.OccurredAt, b.AlreadyDone), Vat: r.Slug, Cleaned: b.Cleaned, Rest: string(b.Rest), Place: valueOf(b.Place),
		Reason: string(valueOf(b.Reason)), Destination: string(valueOf(b.Destination)),
	}
	return do(ctx, h, empty, func(emptied workshop.Emptied, recorded []events.Recorded) any {
		e := emptied.Event
		answer := openapi.Emptying{
			Vat: e.Vat, Charge: string(e.Charge), Cleaned: e.Cleaned, Rest: openapi.EmptyingRest(e.Rest), QuantityG: e.Quantity,
			Reason: optional(openapi.DiscardReason(e.Reason)), Destination: optional(openapi.Destination(e.Destination)),
			NextCharge: optional(string(emptied.NextCharge)), Recorded: recordedOf(recorded),
		}
		if e.Block != nil {
			r, _ := mainEvent[events.VatEmptied](recorded)
			answer.Block = pointerTo(blockOf(*e.Block, e.Quantity, r.OccurredAt))
		}
		return answer
	})
}

// blockOf shows the lot that the rest of a vat was set into, as it is when it comes to be. Its allergens are its
// lots', which the question about it tells.
func blockOf(b events.Block, quantity events.Mass, at time.Time) openapi.Lot {
	return openapi.Lot{
		Code: string(b.Lot), Ingredient: b.Ingredient, ReceivedAt: at, DateMark: openapi.DateMark{Kind: "none"}, QuantityG: quantity,
		OnHandG: quantity, Places: standings(standingAt(b.Lot, b.Place, quantity)), UseBy: expiryOf(b.Expiry), MayContain: []string{},
	}
}
