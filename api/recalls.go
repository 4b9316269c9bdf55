package api

import (
	"context"
	"fmt"
	"net/http"

	"github.com/google/uuid"

	"firstout/api/openapi"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

func (s stored) VisitOpenRecallResponse(w http.ResponseWriter) error   { return s.write(w) }
func (s stored) VisitNarrowRecallResponse(w http.ResponseWriter) error { return s.write(w) }
func (s stored) VisitCloseRecallResponse(w http.ResponseWriter) error  { return s.write(w) }

func (f inForm) VisitGetRecallResponse(w http.ResponseWriter) error       { return f.write(w) }
func (f inForm) VisitGetRecallNoticeResponse(w http.ResponseWriter) error { return f.write(w) }

// OpenRecall holds what a recall reaches and accounts for it.
func (h *handlers) OpenRecall(ctx context.Context, r openapi.OpenRecallRequestObject) (openapi.OpenRecallResponseObject, error) {
	var codes typed
	b := r.Body
	open := workshop.OpenRecall{
		Done: done(b.OccurredAt, b.AlreadyDone), Code: codes.codeIfAny(b.Code), Supplier: valueOf(b.Supplier), SupplierLots: b.SupplierLots,
		ReceivedFrom: b.ReceivedFrom, ReceivedTo: b.ReceivedTo, Reach: string(b.Reach), Drill: valueOf(b.Drill), Reason: b.Reason,
		ToldBy: valueOf(b.ToldBy), ToldAt: b.ToldAt,
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, open, recordedRecall)
}

// NarrowRecall lets go what only may contain what is recalled.
func (h *handlers) NarrowRecall(ctx context.Context, r openapi.NarrowRecallRequestObject) (openapi.NarrowRecallResponseObject, error) {
	b := r.Body
	return do(ctx, h, workshop.NarrowRecall{Done: done(b.OccurredAt, b.AlreadyDone), Recall: r.ID, Reason: b.Reason}, recordedRecall)
}

// CloseRecall ends a recall.
func (h *handlers) CloseRecall(ctx context.Context, r openapi.CloseRecallRequestObject) (openapi.CloseRecallResponseObject, error) {
	var codes typed
	b := r.Body
	closing := workshop.CloseRecall{Done: done(b.OccurredAt, b.AlreadyDone), Recall: r.ID, Rest: string(valueOf(b.Rest)), Reason: b.Reason}
	for _, d := range b.Decisions {
		closing.Decisions = append(closing.Decisions, events.RecallDecision{Code: codes.code(d.Code), Decision: string(d.Decision), Note: valueOf(d.Note)})
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, closing, recordedRecall)
}

func recordedRecall(answer workshop.RecallAnswer, recorded []events.Recorded) any {
	shown := recallOf(*answer.Recall)
	shown.Account, shown.Recorded = pointerTo(recallAccountOf(answer.Account, standInFor)), pointerTo(recordedOf(recorded))
	return shown
}

// recallCautions stand beside every recall.
var recallCautions = []string{
	"The account rests on what was written into the book: look in the shop and on the labels as well.",
	"A presumed sale may have been of any run that stood there: think of all that could_be names.",
	"Tell the competent authority and your buyers as local food law asks of you; a qualified person decides what is recalled.",
}

func recallOf(r workshop.Recall) openapi.Recall {
	o := r.Opened
	shown := openapi.Recall{
		ID: r.ID, Code: optional(string(o.Code)), Supplier: optional(o.Supplier), SupplierLots: o.SupplierLots,
		ReceivedFrom: o.ReceivedFrom, ReceivedTo: o.ReceivedTo, Roots: plainCodes(o.Roots), Reach: openapi.Certainty(r.Reach),
		Drill: o.Drill, Reason: o.Reason, ToldBy: optional(o.ToldBy), ToldAt: o.ToldAt, Open: r.Closed == nil, OpenedAt: r.OpenedAt,
		AccountedAt: r.RecordedAt, SecondsToAccount: max(0, r.RecordedAt.Sub(r.OpenedAt).Seconds()), Hold: r.Hold,
		Narrowed: recallStepOf(r.Narrowed), Closed: recallStepOf(r.Closed), Cautions: recallCautions,
	}
	if o.ToldAt != nil {
		shown.SecondsSinceTold = pointerTo(max(0, r.RecordedAt.Sub(*o.ToldAt).Seconds()))
	}
	return shown
}

func recallStepOf(s *workshop.RecallStep) *openapi.RecallStep {
	if s == nil {
		return nil
	}
	return &openapi.RecallStep{At: s.At, Reason: s.Reason}
}

// recallAccountOf shows an account; contact says how it shows a buyer's.
func recallAccountOf(a workshop.RecallAccount, contact func(workshop.RecallSale) *string) openapi.RecallAccount {
	account := openapi.RecallAccount{
		Lines: []openapi.RecallLine{}, Sales: []openapi.RecallSale{}, Pieces: int(a.Pieces), UnaccountedPieces: int(a.Missing),
		PercentReconciled: a.Percent,
	}
	for _, l := range a.Lines {
		account.Lines = append(account.Lines, recallLineOf(l))
	}
	for _, s := range a.Sales {
		sale := openapi.RecallSale{
			Event: s.Event, OccurredAt: s.OccurredAt, Pieces: int(s.Pieces), Place: s.Place, Channel: openapi.Channel(s.Channel),
			Reference: optional(s.Reference), Buyer: optional(s.Buyer), Contact: contact(s), How: openapi.How(s.How),
		}
		sale.Run, sale.Box = pieceOrBox(s.Code)
		if len(s.CouldBe) > 0 {
			sale.CouldBe = plainCodes(s.CouldBe)
		}
		account.Sales = append(account.Sales, sale)
	}
	return account
}

func recallLineOf(l workshop.RecallLine) openapi.RecallLine {
	unit, in := unitOf(l.Code)
	a := l.Amounts
	line := openapi.RecallLine{
		Code: string(l.Code), Kind: openapi.RecallLineKind(nodeKind(l.Code)), Certainty: openapi.Certainty(l.Certainty), Name: l.Name,
		Held: l.Held, Unit: unit, Made: in(a.Made), PartedIn: in(a.PartedIn), PartedOut: in(a.PartedOut), Sold: in(a.Sold),
		Given: in(a.Given), Discarded: in(a.Discarded), Boxed: in(a.Boxed), Opened: in(a.Opened), Used: in(a.Used),
		Unaccounted: in(a.Missing), OnHand: in(a.OnHand), Places: []openapi.Standing{},
	}
	var lines []workshop.StockLine
	for _, stands := range l.Lines {
		lines = append(lines, *stands)
	}
	line.Places = standings(lines)
	line.UseBy = l.Date
	if l.Decision != nil {
		line.Decision, line.Note = pointerTo(openapi.RecallDecision(l.Decision.Decision)), optional(l.Decision.Note)
	}
	return line
}

// unitOf is what a thing is counted in, and how its amounts are told in that.
func unitOf(code events.Code) (openapi.RecallLineUnit, func(int64) float64) {
	counted := func(n int64) float64 { return float64(n) }
	switch code.Kind() {
	case events.KindRun:
		return "pieces", counted
	case events.KindBox:
		return "boxes", counted
	default:
		return "g", func(mg int64) float64 { return float64(mg) / float64(events.Gram) }
	}
}

// GetRecall answers about a recall with its account as the book stands.
func (h *handlers) GetRecall(ctx context.Context, r openapi.GetRecallRequestObject) (openapi.GetRecallResponseObject, error) {
	found, err := h.recall(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	shown := recallOf(*found.Recall)
	shown.Account = pointerTo(recallAccountOf(found.Account, contactOf))
	if callOf(ctx).accepts == mediaCSV {
		return recallSheet(*shown.Account), nil
	}
	return openapi.GetRecall200JSONResponse(shown), nil
}

func (h *handlers) recall(ctx context.Context, id uuid.UUID) (*workshop.RecallAnswer, error) {
	found, err := projections.AccountOf(ctx, h.pool, momentOf(ctx).defs, id)
	if err != nil {
		return nil, err
	}
	if found == nil {
		return nil, &workshop.Refusal{
			Slug: workshop.RefusedUnknownCode, InURL: true, Facts: workshop.Facts{"recall": id},
			Detail: fmt.Sprintf("There is no recall %s in the book.", id),
		}
	}
	return found, nil
}

// recallSheet is an account as a table: a row for each thing, then one for each sale.
func recallSheet(a openapi.RecallAccount) inForm {
	s := newSheet("row", "code", "kind", "name", "certainty", "held", "use_by", "unit", "made", "parted_in", "parted_out", "sold", "given", "discarded",
		"boxed", "opened", "used", "unaccounted", "on_hand", "decision", "occurred_at", "place", "channel", "reference", "buyer", "contact", "how", "could_be")
	for _, l := range a.Lines {
		s.row("thing", l.Code, string(l.Kind), l.Name, string(l.Certainty), l.Held, l.UseBy, string(l.Unit), l.Made, l.PartedIn, l.PartedOut, l.Sold,
			l.Given, l.Discarded, l.Boxed, l.Opened, l.Used, l.Unaccounted, l.OnHand, string(valueOf(l.Decision)), nil, nil, nil, nil, nil, nil, nil, nil)
	}
	for _, sale := range a.Sales {
		code, unit := valueOf(sale.Run), "pieces"
		if sale.Box != nil {
			code, unit = *sale.Box, "boxes"
		}
		s.row("sale", code, nil, nil, nil, nil, nil, unit, nil, nil, nil, sale.Pieces, nil, nil, nil, nil, nil, nil, nil, nil, sale.OccurredAt,
			sale.Place, string(sale.Channel), sale.Reference, sale.Buyer, sale.Contact, string(sale.How), spaced(sale.CouldBe))
	}
	return s.answer()
}

// ListRecalls lists recalls in the order in which they were opened.
func (h *handlers) ListRecalls(ctx context.Context, r openapi.ListRecallsRequestObject) (openapi.ListRecallsResponseObject, error) {
	page, err := pageOf(ctx, r.Params.Limit, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	filter := projections.RecallFilter{Open: valueOf(r.Params.Open), Limit: page.limit + 1}
	if err := page.follows(&filter.After); err != nil {
		return nil, err
	}
	found, err := projections.Recalls(ctx, h.pool, filter)
	if err != nil {
		return nil, err
	}
	rows, next, err := turn(ctx, page, found, func(a projections.At[workshop.Recall]) any { return a.Position })
	if err != nil {
		return nil, err
	}
	answer := openapi.RecallPage{Recalls: []openapi.Recall{}, NextCursor: next}
	for _, a := range rows {
		answer.Recalls = append(answer.Recalls, recallOf(a.Is))
	}
	return openapi.ListRecalls200JSONResponse(answer), nil
}

// GetRecallNotice drafts a notice of what was sold.
func (h *handlers) GetRecallNotice(ctx context.Context, r openapi.GetRecallNoticeRequestObject) (openapi.GetRecallNoticeResponseObject, error) {
	found, err := h.recall(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	m := momentOf(ctx)
	checkpoint, err := h.newestCheckpoint(ctx)
	if err != nil {
		return nil, err
	}
	return asText(noticeOf(*found, m.defs, civil.DayOf(m.now, m.defs.Zone(found.Recall.Site)), valueOf(checkpoint))), nil
}
