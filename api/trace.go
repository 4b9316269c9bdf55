package api

import (
	"context"
	"fmt"
	"math"
	"slices"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// TraceBack answers what a thing is made of: every lot that may be in it, with its supplier.
func (h *handlers) TraceBack(ctx context.Context, r openapi.TraceBackRequestObject) (openapi.TraceBackResponseObject, error) {
	code, thing, err := h.find(ctx, r.Code)
	if err != nil {
		return nil, err
	}
	trace, err := projections.TraceBack(ctx, h.pool, code)
	if err != nil {
		return nil, err
	}
	m := momentOf(ctx)
	answer := openapi.TraceBack{Of: string(code), Nodes: traceNodes(trace), Edges: traceEdges(trace), Lots: []openapi.TraceLot{}}
	mix, cavities := mixOf(thing)
	if len(mix) == 0 { // a lot, or a portion of one, is made of itself
		mix = workshop.Mix{{Lot: code.Whole(), Mass: 1}}
	}
	if err := h.withNodesOf(ctx, &trace, mix); err != nil {
		return nil, err
	}
	about := map[events.Code]projections.Node{}
	for _, n := range trace.Nodes {
		about[n.Code] = n
	}
	for _, share := range workshop.SharesOf(mix, m.defs.TraceAt(siteOf(thing))) {
		answer.Lots = append(answer.Lots, traceLot(share, about[share.Lot], cavities))
	}
	if thing.Run != nil {
		answer.Allergens = pointerTo(allergensAt(m.defs, thing.Run.Site, thing.Run.Allergens))
		answer.Cautions = boardCautions
	}
	if r.Params.With != nil {
		if err := h.addCare(ctx, trace, answer.Nodes, answer.Edges); err != nil {
			return nil, err
		}
	}
	switch callOf(ctx).accepts {
	case mediaCSV:
		return backSheet(answer).answer(), nil
	case mediaEPCIS:
		return h.epcisOf(ctx, trace, toldBack)
	}
	return openapi.TraceBack200JSONResponse(answer), nil
}

// withNodesOf adds the lots of a mix that the graph does not name: films that came back with scrapings.
func (h *handlers) withNodesOf(ctx context.Context, trace *projections.Trace, mix workshop.Mix) error {
	var absent []events.Code
	for _, p := range mix {
		if p.Lot != "" && !slices.ContainsFunc(trace.Nodes, func(n projections.Node) bool { return n.Code == p.Lot }) {
			absent = append(absent, p.Lot)
		}
	}
	if len(absent) == 0 {
		return nil
	}
	nodes, err := projections.NodesOf(ctx, h.pool, absent)
	trace.Nodes = append(trace.Nodes, nodes...)
	return err
}

// mixOf is what a thing is made of, and over how many pieces that is spread; 0 if it is none.
func mixOf(t *projections.Thing) (workshop.Mix, int) {
	switch {
	case t.Run != nil:
		return t.Run.Mix, t.Run.Cavities
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
		default:
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
	code, _, err := h.find(ctx, r.Code)
	if err != nil {
		return nil, err
	}
	trace, err := projections.TraceForward(ctx, h.pool, code)
	if err != nil {
		return nil, err
	}
	answer := openapi.TraceForward{
		Of: string(code), Nodes: traceNodes(trace), Edges: traceEdges(trace),
		Runs: []openapi.TraceRun{}, Sales: []openapi.TraceSale{}, Boxes: []string{},
	}
	if r.Params.With != nil {
		if err := h.addCare(ctx, trace, answer.Nodes, answer.Edges); err != nil {
			return nil, err
		}
	}
	if callOf(ctx).accepts == mediaEPCIS {
		return h.epcisOf(ctx, trace, toldForward)
	}
	if err := h.account(ctx, &answer, trace); err != nil {
		return nil, err
	}
	if callOf(ctx).accepts == mediaCSV {
		return forwardSheet(answer).answer(), nil
	}
	return openapi.TraceForward200JSONResponse(answer), nil
}

// account tells what became of the pieces of the runs that a trace forward leads to, and who had them.
func (h *handlers) account(ctx context.Context, answer *openapi.TraceForward, trace projections.Trace) error {
	var runs []events.Code
	for _, n := range trace.Nodes {
		if n.Code.Kind() == events.KindRun {
			runs = append(runs, n.Code)
		}
	}
	if len(runs) == 0 {
		return nil
	}
	var err error
	if answer.Runs, err = h.traceRuns(ctx, trace.Of, runs); err != nil {
		return err
	}
	sales, err := projections.SalesOf(ctx, h.pool, runs)
	if err != nil {
		return err
	}
	for _, s := range sales {
		answer.Sales = append(answer.Sales, openapi.TraceSale{
			Event: s.Event, OccurredAt: s.OccurredAt, Run: string(s.Code), Pieces: int(s.Pieces), How: openapi.How(s.How),
			Place: optional(s.Place), Channel: optional(openapi.Channel(s.Channel)), Buyer: optional(s.Buyer), Reference: optional(s.Reference),
		})
	}
	return nil
}

// traceRuns accounts for the pieces of the runs that a thing went into.
func (h *handlers) traceRuns(ctx context.Context, of events.Code, codes []events.Code) ([]openapi.TraceRun, error) {
	things, err := projections.ThingsOf(ctx, h.pool, codes)
	if err != nil {
		return nil, err
	}
	accounts, err := projections.Accounts(ctx, h.pool, codes)
	if err != nil {
		return nil, err
	}
	defs := momentOf(ctx).defs
	byRun := map[events.Code]projections.Account{}
	for _, a := range accounts {
		byRun[a.Code] = a
	}
	runs := make([]openapi.TraceRun, 0, len(things))
	for _, t := range things {
		a := byRun[t.Code]
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
	return runs, nil
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
	code, refusal := workshop.ParseCode(typed)
	if refusal != nil {
		return "", nil, refusal
	}
	thing, err := projections.OneThing(ctx, h.pool, code)
	if err != nil {
		return "", nil, err
	}
	if thing == nil {
		return "", nil, &workshop.Refusal{
			Slug: workshop.RefusedUnknownCode, InURL: true, Facts: workshop.Facts{"code": code},
			Detail: fmt.Sprintf("There is no %s %s in the book: look at the label again.", code.Kind(), code),
		}
	}
	return code, thing, ownThing(ctx, thing)
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
