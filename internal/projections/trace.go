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
	traceForward = query("forward", "trace_forward")
	traceBack    = query("backward", "trace_back")
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
	Kind        string
	Subject     string // ingredient, formula or design; of a charge its vat
	Site        string
	OccurredAt  time.Time   // when it came to be
	Position    int64       // of the event that made it known
	Of          events.Code // of a part, the whole
	Supplier    string      // of a lot
	SupplierLot string      // of a lot
}

// TraceForward finds everything that a thing went into.
func TraceForward(ctx context.Context, q Querier, code events.Code) (Trace, error) {
	return trace(ctx, q, code, traceForward, []events.Code{code}, []time.Time{})
}

// TraceBack finds everything that went into a thing.
func TraceBack(ctx context.Context, q Querier, code events.Code) (Trace, error) {
	return trace(ctx, q, code, traceBack, []events.Code{code})
}

func trace(ctx context.Context, q Querier, code events.Code, sql string, args ...any) (Trace, error) {
	t := Trace{Of: code}
	var err error
	if t.Edges, err = collect(ctx, q, scanEdge, "trace "+string(code), sql, args...); err != nil {
		return t, err
	}
	codes := []events.Code{code}
	for _, e := range t.Edges {
		codes = append(codes, e.From, e.To)
	}
	slices.Sort(codes)
	t.Nodes, err = NodesOf(ctx, q, slices.Compact(codes))
	return t, err
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
