package api

import "firstout/api/openapi"

// backSheet is what a thing is made of as a table: one row per lot.
func backSheet(t openapi.TraceBack) *sheet {
	s := newSheet("of", "lot", "ingredient", "supplier", "supplier_lot", "certainty", "share", "per_piece_g")
	for _, l := range t.Lots {
		s.row(t.Of, l.Lot, l.Ingredient, l.Supplier, l.SupplierLot, l.Certainty, l.Share, l.PerPieceG)
	}
	return s
}

// forwardSheet is what a thing went into as a table: a row for each run with the account of its pieces, then one for
// each sale.
func forwardSheet(t openapi.TraceForward) *sheet {
	s := newSheet("of", "entry", "run", "part_of", "design", "certainty", "released", "on_hand", "sold", "given", "discarded", "boxed",
		"difference", "event", "occurred_at", "place", "channel", "buyer", "reference", "pieces", "how")
	for _, r := range t.Runs {
		p := r.Pieces
		s.row(t.Of, "run", r.Run, r.Of, r.Design, r.Certainty, p.Released, p.OnHand, p.Sold, p.Given, p.Discarded, p.Boxed,
			p.Difference, nil, nil, nil, nil, nil, nil, nil, nil)
	}
	for _, x := range t.Sales {
		s.row(t.Of, "sale", x.Run, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil,
			x.Event, x.OccurredAt, x.Place, valueOf(x.Channel), x.Buyer, x.Reference, x.Pieces, x.How)
	}
	return s
}
