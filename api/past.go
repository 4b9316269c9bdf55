package api

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"firstout/api/openapi"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// A look is what a question is asked of: the book as it stands or, with at or known_at, as it was, as it was known, or as it was
// known to have been.
type look struct {
	h    *handlers
	defs *workshop.Definitions // the catalogue to show it with
	past *projections.Past     // nil: the book as it stands
	at   time.Time             // of the past: the instant
	asOf *openapi.AsOf         // the same in the answer
}

// look reads at and known_at.
func (h *handlers) look(ctx context.Context, at *time.Time, known *string) (look, error) {
	m := momentOf(ctx)
	l := look{h: h, defs: m.defs}
	if at == nil && known == nil {
		return l, nil
	}
	cut, knownAt, err := h.cutOf(ctx, at, known)
	if err != nil {
		return l, err
	}
	if cut.At.After(m.now) {
		return l, impossible(misfit{Pointer: "/query/at", Detail: "expected an instant that is not after now: what is still to happen is not in the book"})
	}
	l.past, l.at = projections.NewPast(h.pool, m.defs, cut), cut.At
	l.defs = m.defs.KnownAt(cut.Known, cut.At)
	l.asOf = &openapi.AsOf{At: cut.At, KnownAt: knownAt, Position: cut.Known}
	return l, nil
}

// cutOf is the cut that at and known_at ask for, one of which is there, and when what is known was recorded.
func (h *handlers) cutOf(ctx context.Context, at *time.Time, known *string) (cut workshop.Cut, knownAt *time.Time, err error) {
	stands, now := callOf(ctx).mark.Position, momentOf(ctx).now
	if at != nil {
		cut.At = at.UTC()
	}
	if known == nil {
		cut.Known = stands
		return cut, nil, nil
	}
	position, instant, err := parseKnownAt(*known)
	switch {
	case err != nil:
		return cut, nil, err
	case instant == nil && position > stands:
		return cut, nil, impossible(misfit{Pointer: "/query/known_at", Detail: fmt.Sprintf("expected a position that the book has reached: it stands at %d", stands)})
	case instant == nil && position == 0:
		instant = pointerTo(time.Unix(0, 0).UTC()) // of an empty book

	case instant == nil:
		recordedAt, err := projections.RecordedAt(ctx, h.pool, position)
		if err != nil {
			return cut, nil, err
		}
		instant = &recordedAt
	case instant.After(now):
		return cut, nil, impossible(misfit{Pointer: "/query/known_at", Detail: "expected an instant that is not after now: nobody knows yet what will be recorded"})
	default:
		if position, err = projections.PositionAt(ctx, h.pool, *instant); err != nil {
			return cut, nil, err
		}
	}
	cut.Known = min(position, stands)
	if at == nil {
		cut.At = *instant
	}
	return cut, instant, nil
}

// parseKnownAt reads a known_at: a position, or an instant.
func parseKnownAt(text string) (position int64, instant *time.Time, err error) {
	if position, err = strconv.ParseInt(text, 10, 64); err == nil {
		return position, nil, nil
	}
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return 0, nil, impossible(misfit{Pointer: "/query/known_at", Detail: knownAtWords}) // such as the 31st of February
	}
	at = at.UTC()
	return 0, &at, nil
}

const knownAtWords = "expected an instant with its offset, such as 2026-11-25T18:00:00Z, or a position in the log as a number"

// settled says whether what a known_at asks for can never change any more: everything recorded by then is recorded.
func (m Mark) settled(known, at string) bool {
	position, instant, err := parseKnownAt(known)
	if err != nil || position > m.Position || instant != nil && !instant.Before(m.moment.recordedAt) {
		return false
	}
	if at == "" {
		return true
	}
	occurred, err := time.Parse(time.RFC3339Nano, at)
	return err == nil && !occurred.After(m.moment.now)
}

// found holds what was found under a code that stands in a URL against what the caller may read.
func (l look) found(ctx context.Context, code events.Code, thing *projections.Thing) error {
	if thing != nil && ownThing(ctx, code, thing) == nil {
		return nil
	}
	unknown := unknownThing(code)
	if l.past != nil {
		unknown.Detail = fmt.Sprintf("There was no %s %s in the book at that moment, as it was known: ask about a later one, or look at the label again.", code.Kind(), code)
	}
	return unknown
}

// thing reads a code that stands in a URL and the thing that it names, as the book stands.
func (l look) thing(ctx context.Context, typed string) (*projections.Thing, error) {
	code, refusal := workshop.ParseCode(typed)
	if refusal != nil {
		return nil, refusal
	}
	thing, err := projections.OneThing(ctx, l.h.pool, code)
	if err != nil {
		return nil, err
	}
	return thing, l.found(ctx, code, thing)
}

// traced is a trace with what is asked beside it.
type traced struct {
	projections.Trace
	look
	thing *projections.Thing
	then  *projections.PastTrace // of the past
}

// trace follows what a code that stands in a URL names, back or forward, to be told with care or without.
func (l look) trace(ctx context.Context, typed string, forward, care bool) (t traced, err error) {
	t.look = l
	follow := projections.TraceBack
	if forward {
		follow = projections.TraceForward
	}
	if l.past == nil {
		if t.thing, err = l.thing(ctx, typed); err == nil {
			t.Trace, err = follow(ctx, l.h.pool, t.thing.Code)
		}
		return t, err
	}
	code, refusal := workshop.ParseCode(typed)
	if refusal != nil {
		return t, refusal
	}
	if t.then, err = l.past.Trace(ctx, code, forward, care); err != nil {
		return t, err
	}
	if t.then != nil {
		t.thing, t.Trace = t.then.Thing, t.then.Trace
	}
	return t, l.found(ctx, code, t.thing)
}

// withNodesOf adds the lots of a mix that the graph does not name: films that came back with scrapings.
func (t traced) withNodesOf(ctx context.Context, trace *projections.Trace, mix workshop.Mix) error {
	on := map[events.Code]bool{}
	for _, n := range trace.Nodes {
		on[n.Code] = true
	}
	var absent []events.Code
	for _, p := range mix {
		if p.Lot != "" && !on[p.Lot] {
			absent = append(absent, p.Lot)
		}
	}
	if t.then != nil {
		trace.Nodes = append(trace.Nodes, t.then.NodesOf(absent)...)
		return nil
	}
	if len(absent) == 0 {
		return nil
	}
	nodes, err := projections.NodesOf(ctx, t.h.pool, absent)
	trace.Nodes = append(trace.Nodes, nodes...)
	return err
}

// account gives things with their open lines of stock, and what became of what was released of them.
func (t traced) account(ctx context.Context, codes []events.Code) ([]projections.Thing, []projections.Account, error) {
	if t.then != nil {
		return t.then.ThingsOf(codes), t.then.Accounts(codes), nil
	}
	things, err := projections.ThingsOf(ctx, t.h.pool, codes)
	if err != nil {
		return nil, nil, err
	}
	accounts, err := projections.Accounts(ctx, t.h.pool, codes)
	return things, accounts, err
}

// care gathers what was found of some things on a trace, and what stood against them.
func (t traced) care(ctx context.Context, codes []events.Code) (projections.Care, error) {
	if t.then != nil {
		return t.then.CareOf(ctx, t.h.pool, codes)
	}
	return projections.CareOf(ctx, t.h.pool, codes)
}

// hasOccurred says whether an event counts for what is asked of.
func (l look) hasOccurred(r events.Recorded) bool { return l.past == nil || l.past.HasOccurred(r) }

func (t traced) sales(ctx context.Context, codes []events.Code) ([]projections.Sale, error) {
	if t.then != nil {
		return t.then.SalesOf(ctx, t.h.pool, codes)
	}
	return projections.SalesOf(ctx, t.h.pool, codes)
}

// balance finds what a mass balance is drawn up from.
func (l look) balance(ctx context.Context, code events.Code) (found *projections.Balance, err error) {
	if l.past == nil {
		found, err = projections.BalanceOf(ctx, l.h.pool, code)
	} else {
		found, err = l.past.Balance(ctx, code)
	}
	if err != nil {
		return nil, err
	}
	if found == nil {
		return nil, l.found(ctx, code, nil)
	}
	return found, l.found(ctx, code, &found.Thing)
}

// period draws up the balances of a period.
func (l look) period(ctx context.Context, from, to civil.Day) ([]workshop.PeriodBalance, error) {
	if l.past != nil {
		return l.past.PeriodBalances(ctx, from, to, ownPlaces(ctx))
	}
	return projections.PeriodBalances(ctx, l.h.pool, from, to, ownPlaces(ctx))
}

// stock lists lines of stock: of the book as it stands with what stands in a freezer dated as if it were thawed now, of the
// past with the dates that were recorded.
func (l look) stock(ctx context.Context, filter projections.StockFilter) ([]workshop.StockLine, error) {
	if l.past != nil {
		return l.past.Stock(ctx, filter)
	}
	found, err := projections.Stock(ctx, l.h.pool, filter)
	if err != nil {
		return nil, err
	}
	lines := make([]*workshop.StockLine, len(found))
	for i := range found {
		lines[i] = &found[i]
	}
	_, err = l.h.frozenDates(ctx, momentOf(ctx), lines)
	return found, err
}
