package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/civil"
	"firstout/internal/workshop"
)

// GetBalances answers what came, what went and what was left in a period.
func (h *handlers) GetBalances(ctx context.Context, r openapi.GetBalancesRequestObject) (openapi.GetBalancesResponseObject, error) {
	l, err := h.look(ctx, r.Params.At, r.Params.KnownAt)
	if err != nil {
		return nil, err
	}
	from, to, err := periodIn(r.Params.From, r.Params.To)
	if err != nil {
		return nil, err
	}
	found, err := l.period(ctx, from, to)
	if err != nil {
		return nil, err
	}
	answer := openapi.PeriodBalances{From: from, To: to, Lines: []openapi.PeriodBalance{}, AsOf: l.asOf}
	for _, b := range found {
		answer.Lines = append(answer.Lines, periodLine(b))
	}
	if callOf(ctx).accepts == mediaCSV {
		return periodSheet(answer).answer(), nil
	}
	return openapi.GetBalances200JSONResponse(answer), nil
}

// periodIn reads the first and the last day of a report.
func periodIn(first, last string) (from, to civil.Day, err error) {
	if from, err = dayIn("/query/from", first); err != nil {
		return from, to, err
	}
	if to, err = dayIn("/query/to", last); err != nil {
		return from, to, err
	}
	if to.Before(from) || to.Sub(from) > maxPeriodDays {
		err = impossible(misfit{Pointer: "/query/to", Detail: "expected a day not before from, and at most ten years after it"})
	}
	return from, to, err
}

func periodLine(b workshop.PeriodBalance) openapi.PeriodBalance {
	line := openapi.PeriodBalance{
		Kind: openapi.PeriodBalanceKind(b.Kind.String()), Subject: b.Subject, OpeningG: b.Opening.Mass, ClosingG: b.Closing.Mass,
		DifferenceG: b.Difference.Mass, In: balanceSums(b.In), Out: balanceSums(b.Out),
	}
	if ofPieces(b) {
		line.OpeningPieces, line.ClosingPieces, line.DifferencePieces = &b.Opening.Pieces, &b.Closing.Pieces, &b.Difference.Pieces
	}
	return line
}

// ofPieces says whether what is balanced is counted.
func ofPieces(b workshop.PeriodBalance) bool {
	pieces := b.Opening.Pieces | b.Closing.Pieces | b.Difference.Pieces
	for _, sum := range append(b.In, b.Out...) {
		pieces |= sum.Pieces
	}
	return pieces != 0
}

func balanceSums(sums []workshop.CauseSum) []openapi.BalanceSum {
	told := []openapi.BalanceSum{}
	for _, s := range sums {
		sum := openapi.BalanceSum{Cause: s.Cause, QuantityG: s.Mass}
		if s.Pieces != 0 {
			sum.Pieces = pointerTo(int(s.Pieces))
		}
		told = append(told, sum)
	}
	return told
}

func periodSheet(a openapi.PeriodBalances) *sheet {
	s := newSheet("kind", "subject", "entry", "cause", "quantity_g", "pieces")
	for _, l := range a.Lines {
		kind := string(l.Kind)
		s.row(kind, l.Subject, "opening", nil, l.OpeningG, l.OpeningPieces)
		for _, sum := range l.In {
			s.row(kind, l.Subject, "in", sum.Cause, sum.QuantityG, piecesCell(sum.Pieces))
		}
		for _, sum := range l.Out {
			s.row(kind, l.Subject, "out", sum.Cause, sum.QuantityG, piecesCell(sum.Pieces))
		}
		s.row(kind, l.Subject, "difference", nil, l.DifferenceG, l.DifferencePieces)
		s.row(kind, l.Subject, "closing", nil, l.ClosingG, l.ClosingPieces)
	}
	return s
}

func piecesCell(pieces *int) any {
	if pieces == nil {
		return nil
	}
	return *pieces
}

// balanceSheet is the balance of one thing as a table.
func balanceSheet(b openapi.Balance) *sheet {
	s := newSheet("code", "entry", "to", "quantity_g")
	s.row(b.Code, "in", nil, b.InG)
	for _, o := range b.Out {
		s.row(b.Code, "out", o.To, o.QuantityG)
	}
	s.row(b.Code, "discarded", nil, b.DiscardedG)
	if b.ProcessLossG != nil {
		s.row(b.Code, "process_loss", nil, *b.ProcessLossG)
	}
	s.row(b.Code, "on_hand", nil, b.OnHandG)
	s.row(b.Code, "difference", nil, b.DifferenceG)
	return s
}
