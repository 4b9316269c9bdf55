package projections

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	traceForward = query("onward")
	traceBack    = query("backward")
	traceNodes   = query("trace_nodes")
)

// Trace is the graph of what a thing went into, or came from. The order of time is kept: what left a vat before
// something came into it did not take it along.
type Trace struct {
	Of    events.Code
	Nodes []Node          // in code order, the thing itself among them; untracked ingredients are no nodes
	Edges []workshop.Edge // in the order of time; one of an untracked ingredient has no From
}

// Node is a thing on a trace.
type Node struct {
	Code        events.Code
	Subject     string    // ingredient, formula or design; of a charge its vat
	OccurredAt  time.Time // when it came to be
	Position    int64     // of the event that made it known
	Supplier    string    // of a delivery and its portions
	SupplierLot string    // of these
}

// TraceForward finds everything that a thing went into.
func TraceForward(ctx context.Context, q Querier, code events.Code) (Trace, error) {
	return trace(ctx, q, code, traceForward, workshop.WalkForward)
}

// TraceBack finds everything that went into a thing.
func TraceBack(ctx context.Context, q Querier, code events.Code) (Trace, error) {
	return trace(ctx, q, code, traceBack, workshop.WalkBack)
}

// trace reads all that a walk may go over, in one trip and as it comes, and walks over it. A row is an edge or, without a
// number, a thing.
func trace(ctx context.Context, q Querier, code events.Code, sql string, walk func([]workshop.Edge, events.Code) []workshop.Edge) (Trace, error) {
	t := Trace{Of: code}
	rows, err := q.Query(ctx, sql, code)
	if err != nil {
		return t, wrap(err, "trace "+string(code))
	}
	defer rows.Close()
	known := make(words, 256)
	var n Node
	var e workshop.Edge
	var mass int64
	// What is of the driver's own types is scanned several times faster.
	ofEdge := []any{&e.Position, &e.Number, &e.OccurredAt, known.code(&e.From), known.code(&e.To), &mass, known.text(&e.Ingredient), nil, nil}
	ofNode := []any{&n.Position, nil, &n.OccurredAt, known.code(&n.Code), nil, nil, known.text(&n.Subject), known.text(&n.Supplier), known.text(&n.SupplierLot)}
	var codes []codeKey
	var moments []moment
	for rows.Next() {
		if rows.RawValues()[1] == nil {
			if err := rows.Scan(ofNode...); err != nil {
				return t, wrap(err, "trace "+string(code))
			}
			n.OccurredAt = n.OccurredAt.UTC()
			t.Nodes, codes = append(roomFor(t.Nodes), n), append(roomFor(codes), keyOf(n.Code))
			continue
		}
		if err := rows.Scan(ofEdge...); err != nil {
			return t, wrap(err, "trace "+string(code))
		}
		e.OccurredAt, e.Mass = e.OccurredAt.UTC(), events.Mass(mass)
		t.Edges, moments = append(roomFor(t.Edges), e), append(roomFor(moments), momentOf(e.OccurredAt, e.Position, e.Number))
	}
	if err := rows.Err(); err != nil {
		return t, wrap(err, "trace "+string(code))
	}
	t.Nodes, t.Edges = ordered(t.Nodes, codes, (*codeKey).compare), walk(ordered(t.Edges, moments, (*moment).compare), code)
	t.keepWhatWasReached()
	return t, nil
}

// keepWhatWasReached leaves out the things that no edge of the walk leads to or from.
func (t *Trace) keepWhatWasReached() {
	reached := make(map[events.Code]bool, len(t.Nodes)+1)
	reached[t.Of] = true
	for i := range t.Edges {
		reached[t.Edges[i].From], reached[t.Edges[i].To] = true, true
	}
	t.Nodes = slices.DeleteFunc(t.Nodes, func(n Node) bool { return !reached[n.Code] })
}

// NodesOf finds things as a trace shows them, in code order.
func NodesOf(ctx context.Context, q Querier, codes []events.Code) ([]Node, error) {
	return collect(ctx, q, func(row pgx.CollectableRow) (Node, error) {
		n, err := pgx.RowToStructByName[Node](row)
		n.OccurredAt = n.OccurredAt.UTC()
		return n, err
	}, "find what is on a trace", traceNodes, codes)
}

func scanEdge(row pgx.CollectableRow) (workshop.Edge, error) {
	var e workshop.Edge
	err := row.Scan(&e.Position, &e.Number, &e.From, &e.To, &e.OccurredAt, &e.Mass, &e.Ingredient)
	e.OccurredAt = e.OccurredAt.UTC()
	return e, err
}
