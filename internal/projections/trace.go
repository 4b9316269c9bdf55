package projections

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	traceForward = query("forward", "trace")
	traceBack    = query("backward", "trace")
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
	return trace(ctx, q, code, traceBack, code)
}

// trace reads a walk: edges and nodes in one trip, as they come.
func trace(ctx context.Context, q Querier, code events.Code, sql string, args ...any) (Trace, error) {
	t := Trace{Of: code}
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return t, wrap(err, "trace "+string(code))
	}
	var n Node
	var e workshop.Edge
	var codes []codeKey
	var moments []moment
	_, err = pgx.ForEachRow(rows, []any{
		&n.Kind, &n.Position, &e.Number, &n.OccurredAt, &n.Code, &n.Of, &e.Mass, &n.Subject, &n.Site, &n.Supplier, &n.SupplierLot,
	}, func() error {
		n.OccurredAt = n.OccurredAt.UTC()
		if n.Kind != "" {
			t.Nodes, codes = append(t.Nodes, n), append(codes, keyOf(n.Code))
			return nil
		}
		e.Position, e.OccurredAt, e.From, e.To, e.Ingredient = n.Position, n.OccurredAt, n.Code, n.Of, n.Subject
		t.Edges, moments = append(t.Edges, e), append(moments, moment{at: e.OccurredAt, position: e.Position, number: e.Number})
		return nil
	})
	t.Nodes, t.Edges = ordered(t.Nodes, codes, codeKey.compare), ordered(t.Edges, moments, moment.compare)
	return t, wrap(err, "trace "+string(code))
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
