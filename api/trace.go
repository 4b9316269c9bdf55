package api

import (
	"context"
	"fmt"
	"math"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// TraceBack answers what a thing is made of: every lot that may be in it, with its supplier.
func (h *handlers) TraceBack(ctx context.Context, r openapi.TraceBackRequestObject) (openapi.TraceBackResponseObject, error) {
	l, err := h.look(ctx, r.Params.At, r.Params.KnownAt)
	if err != nil {
		return nil, err
	}
	t, err := l.trace(ctx, r.Code, false, r.Params.With != nil)
	if err != nil {
		return nil, err
	}
	code, thing, trace := t.Of, t.thing, t.Trace
	answer := openapi.TraceBack{
		Of: string(code), Nodes: traceNodes(trace), Edges: traceEdges(trace), Lots: []openapi.TraceLot{}, AsOf: l.asOf,
	}
	mix, cavities := mixOf(thing)
	if len(mix) == 0 { // a lot, or a portion of one, is made of itself
		mix = workshop.Mix{{Lot: code.Whole(), Mass: 1}}
	}
	if err := t.withNodesOf(ctx, &trace, mix); err != nil {
		return nil, err
	}
	about := map[events.Code]projections.Node{}
	for _, n := range trace.Nodes {
		about[n.Code] = n
	}
	for _, share := range workshop.SharesOf(mix, l.defs.TraceAt(siteOf(thing))) {
		answer.Lots = append(answer.Lots, traceLot(share, about[share.Lot], cavities))
	}
	if thing.Run != nil {
		answer.Allergens = pointerTo(allergensAt(l.defs, thing.Run.Site, thing.Run.Allergens))
		answer.Cautions = boardCautions
	}
	if thing.Box != nil {
		answer.Allergens = pointerTo(allergensAt(l.defs, thing.Box.Site, thing.Box.Allergens))
		answer.Cautions = boardCautions
	}
	if r.Params.With != nil {
		if err := t.addCare(ctx, answer.Nodes, answer.Edges); err != nil {
			return nil, err
		}
	}
	switch callOf(ctx).accepts {
	case mediaCSV:
		return backSheet(answer).answer(), nil
	case mediaEPCIS:
		return t.epcis(ctx, trace, toldBack)
	}
	return openapi.TraceBack200JSONResponse(answer), nil
}

// mixOf is what a thing is made of, and over how many pieces that is spread; 0 if it is none.
func mixOf(t *projections.Thing) (workshop.Mix, int) {
	switch {
	case t.Run != nil:
		return t.Run.Mix, t.Run.Cavities
	case t.Box != nil:
		return t.Box.Mix, 1
	case t.Ganache != nil:
		return t.Ganache.Mix, 0
	case t.Charge != nil:
		return t.Charge.Mix, 0
	case t.Lot != nil:
		return t.Lot.Mix, 0
	}
	return nil, 0
}

func traceLot(share workshop.LotShare, about projections.Node, cavities int) openapi.TraceLot {
	lot := openapi.TraceLot{Certainty: openapi.MayContain, Share: roundTo(share.Share, 6)}
	if share.Certain {
		lot.Certainty = openapi.Contains
	}
	ingredient := about.Subject
	if share.Lot == "" {
		ingredient = share.Ingredient
	} else {
		lot.Lot = pointerTo(string(share.Lot))
	}
	lot.Ingredient = optional(ingredient)
	lot.Supplier, lot.SupplierLot = optional(about.Supplier), optional(about.SupplierLot)
	if cavities > 0 {
		lot.PerPieceG = pointerTo(roundTo(float64(share.Mass)/float64(events.Gram)/float64(cavities), 3))
	}
	return lot
}

func roundTo(x float64, decimals int) float64 {
	scale := math.Pow10(decimals)
	return math.Round(x*scale) / scale
}

// optional is a text that is left out where it is empty.
func optional[T ~string](text T) *T {
	if text == "" {
		return nil
	}
	return &text
}

func traceNodes(t projections.Trace) []openapi.TraceNode {
	nodes := make([]openapi.TraceNode, 0, len(t.Nodes))
	for _, n := range t.Nodes {
		node := openapi.TraceNode{Code: string(n.Code), Kind: openapi.TraceNodeKind(nodeKind(n.Code)), OccurredAt: &n.OccurredAt}
		switch n.Code.Kind() {
		case events.KindLot:
			node.Ingredient, node.Supplier, node.SupplierLot = optional(n.Subject), optional(n.Supplier), optional(n.SupplierLot)
		case events.KindCharge:
			node.Vat = optional(n.Subject)
		case events.KindGanache:
			node.Formula = optional(n.Subject)
		default: // boxes have none
			node.Design = optional(n.Subject)
		}
		nodes = append(nodes, node)
	}
	return nodes
}

// nodeKind is the word for a node: a portion is told from its lot.
func nodeKind(code events.Code) string {
	if code.Kind() == events.KindLot && code.IsPart() {
		return "portion"
	}
	return code.Kind().String()
}

// traceEdges sums the edges between two things. An untracked ingredient has no code and stands among the lots only.
func traceEdges(t projections.Trace) []openapi.TraceEdge {
	edges := []openapi.TraceEdge{}
	at := map[[2]events.Code]int{}
	for _, e := range t.Edges {
		if e.From == "" {
			continue
		}
		pair := [2]events.Code{e.From, e.To}
		if i, met := at[pair]; met {
			edges[i].QuantityG += e.Mass
			continue
		}
		at[pair] = len(edges)
		edges = append(edges, openapi.TraceEdge{From: string(e.From), To: string(e.To), QuantityG: e.Mass})
	}
	return edges
}

// TraceForward answers what a thing went into, where those pieces are and who had them.
func (h *handlers) TraceForward(ctx context.Context, r openapi.TraceForwardRequestObject) (openapi.TraceForwardResponseObject, error) {
	l, err := h.look(ctx, r.Params.At, r.Params.KnownAt)
	if err != nil {
		return nil, err
	}
	t, err := l.trace(ctx, r.Code, true, r.Params.With != nil)
	if err != nil {
		return nil, err
	}
	code, trace := t.Of, t.Trace
	answer := openapi.TraceForward{
		Of: string(code), Nodes: traceNodes(trace), Edges: traceEdges(trace),
		Runs: []openapi.TraceRun{}, Sales: []openapi.TraceSale{}, Boxes: []openapi.TraceBox{},
		AsOf: l.asOf,
	}
	if r.Params.With != nil {
		if err := t.addCare(ctx, answer.Nodes, answer.Edges); err != nil {
			return nil, err
		}
	}
	if callOf(ctx).accepts == mediaEPCIS {
		return t.epcis(ctx, trace, toldForward)
	}
	if err := h.account(ctx, &answer, t); err != nil {
		return nil, err
	}
	if callOf(ctx).accepts == mediaCSV {
		return forwardSheet(answer).answer(), nil
	}
	return openapi.TraceForward200JSONResponse(answer), nil
}

// account tells what became of the pieces of the runs that a trace forward leads to, of the boxes that they are in, and who had them.
func (h *handlers) account(ctx context.Context, answer *openapi.TraceForward, trace traced) error {
	var sold []events.Code
	for _, n := range trace.Nodes {
		if k := n.Code.Kind(); k == events.KindRun || k == events.KindBox {
			sold = append(sold, n.Code)
		}
	}
	if len(sold) == 0 {
		return nil
	}
	if err := h.traceSold(ctx, trace, sold, answer); err != nil {
		return err
	}
	sales, err := trace.sales(ctx, sold)
	if err != nil {
		return err
	}
	for _, s := range sales {
		sale := openapi.TraceSale{
			Event: s.Event, OccurredAt: s.OccurredAt, Pieces: int(s.Pieces), How: openapi.How(s.How),
			Place: optional(s.Place), Channel: optional(openapi.Channel(s.Channel)), Buyer: optional(s.Buyer), Reference: optional(s.Reference),
		}
		sale.Run, sale.Box = pieceOrBox(s.Code)
		answer.Sales = append(answer.Sales, sale)
	}
	return nil
}

// traceSold accounts for the pieces of the runs, and for the boxes, that a thing went into.
func (h *handlers) traceSold(ctx context.Context, trace traced, codes []events.Code, answer *openapi.TraceForward) error {
	things, accounts, err := trace.account(ctx, codes)
	if err != nil {
		return err
	}
	byCode := map[events.Code]projections.Account{}
	for _, a := range accounts {
		byCode[a.Code] = a
	}
	answer.Runs = traceRuns(trace.Of, things, byCode, trace.defs)
	answer.Boxes = traceBoxes(trace.Of, things, byCode, answer.Runs)
	return nil
}

// traceBoxes shows the boxes among some things. One is as certain as any of the runs in it that are among them; of a thing
// that is a box or went into no run, it is certain.
func traceBoxes(of events.Code, things []projections.Thing, accounts map[events.Code]projections.Account, runs []openapi.TraceRun) []openapi.TraceBox {
	certainty := map[string]openapi.Certainty{}
	for _, r := range runs {
		certainty[r.Run] = r.Certainty
	}
	boxes := []openapi.TraceBox{}
	for _, t := range things {
		if t.Box == nil {
			continue
		}
		a := accounts[t.Code]
		box := openapi.TraceBox{
			Box: string(t.Code), Of: optional(string(t.Box.Of)), Name: optional(t.Box.Name), Certainty: openapi.MayContain,
			Contents: boxContentsOf(t.Box.Contents), Boxes: boxesSum(a), Places: standings(t.Lines),
		}
		for _, c := range t.Box.Contents {
			if certainty[string(c.Run)] == openapi.Contains || of.Kind() == events.KindBox {
				box.Certainty = openapi.Contains
			}
		}
		boxes = append(boxes, box)
	}
	return boxes
}

func boxesSum(a projections.Account) openapi.BoxesPackedSum {
	return openapi.BoxesPackedSum{
		Packed: int(a.Packed + a.PartedIn - a.PartedOut), OnHand: int(a.OnHand), Sold: int(a.Sold), Given: int(a.Given),
		Discarded: int(a.Discarded), Opened: int(a.Opened), Difference: int(-a.Found),
	}
}

// traceRuns shows the runs among some things.
func traceRuns(
	of events.Code, things []projections.Thing, accounts map[events.Code]projections.Account, defs *workshop.Definitions,
) []openapi.TraceRun {
	runs := make([]openapi.TraceRun, 0, len(things))
	for _, t := range things {
		if t.Run == nil {
			continue
		}
		a := accounts[t.Code]
		run := openapi.TraceRun{
			Run: string(t.Code), Design: optional(t.Run.Design), Of: optional(string(t.Run.Of)), Certainty: certaintyIn(of, t.Run, defs.TraceAt(t.Run.Site)),
			Pieces: openapi.PiecesReleased{
				Released: int(a.Released + a.PartedIn - a.PartedOut), OnHand: int(a.OnHand), Sold: int(a.Sold), Given: int(a.Given), Discarded: int(a.Discarded),
				Boxed: int(a.Boxed), Difference: int(-a.Found),
			},
			Places: standings(t.Lines),
		}
		if gone := t.Run.Broken + t.Run.Eaten + t.Run.LeftInMould; gone > 0 && t.Run.Of == "" {
			run.DiscardedBeforeRelease = &gone
		}
		runs = append(runs, run)
	}
	return runs
}

// certaintyIn says whether a run contains a thing or only may: of a lot by its share, of what lies between by
// whether any of its mass is there.
func certaintyIn(of events.Code, run *workshop.Run, trace workshop.Trace) openapi.Certainty {
	if of.Kind() != events.KindLot {
		return openapi.Contains
	}
	whole := run.Mix.Total()
	for _, p := range run.Mix {
		if p.Lot == of.Whole() && p.Certain(whole, trace) {
			return openapi.Contains
		}
	}
	return openapi.MayContain
}

// find reads a code that stands in a URL and the thing that it names.
func (h *handlers) find(ctx context.Context, typed string) (events.Code, *projections.Thing, error) {
	l := look{h: h}
	t, err := l.thing(ctx, typed)
	if err != nil {
		return "", nil, err
	}
	return t.Code, t, nil
}

// findA reads a code that stands in the URL of one kind of thing.
func (h *handlers) findA(ctx context.Context, kind events.Kind, typed string) (events.Code, *projections.Thing, error) {
	code, refusal := workshop.ParseCode(typed)
	if refusal == nil && code.Kind() != kind {
		refusal = &workshop.Refusal{
			Slug: workshop.RefusedWrongKind, Facts: workshop.Facts{"code": code},
			Detail: fmt.Sprintf("%s is a %s: name a %s.", code, code.Kind(), kind),
		}
	}
	if refusal != nil {
		return "", nil, refusal
	}
	return h.find(ctx, typed)
}
