package projections_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/graph"
	"gonum.org/v1/gonum/graph/simple"
	"gonum.org/v1/gonum/graph/traverse"

	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// before says which of two edges comes first in the order of time.
func before(a, b workshop.Edge) bool {
	if !a.OccurredAt.Equal(b.OccurredAt) {
		return a.OccurredAt.Before(b.OccurredAt)
	}
	if a.Position != b.Position {
		return a.Position < b.Position
	}
	return a.Number < b.Number
}

// shellsMelted says that an edge is shells put back into a vat, which carry only what they were cast of.
func shellsMelted(e workshop.Edge) bool {
	return e.From.Kind() == events.KindRun && e.To.Kind() == events.KindCharge && e.Mass > 0
}

// leadsOn says that what came by the one edge may have left by the other: out of a tank later; out of what is made at once
// also where it was written down later, or where it is pieces in a box.
func leadsOn(in, out workshop.Edge) bool {
	if in.To != out.From || shellsMelted(out) && in.From.Kind() != events.KindCharge {
		return false
	}
	written := in.Position < out.Position || in.Position == out.Position && in.Number < out.Number
	return before(in, out) || out.From.Kind() != events.KindCharge && (written || out.To.Kind() == events.KindBox)
}

// reachable gives the edges that lead forward from a code, or with back, back from it. The walk itself is gonum's
// (gonum.org/v1/gonum/graph/traverse): its nodes are the edges of the book, joined where one leads on to
// the other.
func reachable(edges []workshop.Edge, code events.Code, back bool) []workshop.Edge {
	joined := simple.NewDirectedGraph()
	for i := range edges {
		joined.AddNode(simple.Node(i))
	}
	for i, in := range edges {
		for j, out := range edges {
			if i == j || !leadsOn(in, out) {
				continue
			}
			from, to := simple.Node(i), simple.Node(j)
			if back {
				from, to = to, from
			}
			joined.SetEdge(joined.NewEdge(from, to))
		}
	}
	var reached []workshop.Edge
	var walk traverse.BreadthFirst
	walk.Visit = func(n graph.Node) { reached = append(reached, edges[n.ID()]) }
	for i, e := range edges {
		if start := simple.Node(i); !walk.Visited(start) && (!back && e.From == code || back && e.To == code) {
			walk.Walk(joined, start, nil)
		}
	}
	slices.SortFunc(reached, func(a, b workshop.Edge) int {
		if before(a, b) {
			return -1
		}
		return 1
	})
	return reached
}

// randomEdges joins so many lots, charges, ganaches, runs and boxes each as a workshop can, at random times, some of them the
// same.
func randomEdges(r *rand.Rand, each int) (codes []events.Code, edges []workshop.Edge) {
	pick := func(kinds ...events.Kind) events.Code {
		return events.NewCode(kinds[r.IntN(len(kinds))], storyDay, 1+r.IntN(each), 0)
	}
	const lot, tank, filling, moulding = events.KindLot, events.KindCharge, events.KindGanache, events.KindRun
	for position := int64(1); position <= int64(10+r.IntN(40)); position++ {
		e := workshop.Edge{
			Position: position, Number: r.IntN(2), OccurredAt: clock(8, r.IntN(20)), Mass: events.Mass(r.IntN(2)) * events.Gram,
		}
		switch r.IntN(10) {
		case 0:
			e.From, e.To = pick(lot), pick(tank, moulding)
		case 1, 2:
			e.From, e.To = pick(lot), pick(filling)
		case 3, 4:
			e.From, e.To = pick(tank), pick(moulding, filling, tank, lot)
		case 5, 6:
			e.From, e.To = pick(filling), pick(moulding, moulding, filling)
		case 7:
			e.From, e.To = pick(moulding), pick(tank)
		case 8:
			e.From, e.To, e.Ingredient = "", pick(filling), "water"
		case 9:
			e.From, e.To = pick(moulding), pick(events.KindBox)
		}
		if e.From != e.To {
			edges = append(edges, e)
		}
	}
	for _, e := range edges {
		codes = append(codes, e.To)
		if e.From != "" {
			codes = append(codes, e.From)
		}
	}
	slices.SortFunc(codes, events.Code.Compare)
	return slices.Compact(codes), edges
}

// insertGraph writes edges and the least of the things that they join.
func insertGraph(ctx context.Context, tx pgx.Tx, codes []events.Code, edges []workshop.Edge) error {
	b := &pgx.Batch{}
	for _, c := range codes {
		day, sequence, part := c.Numbers()
		b.Queue(`INSERT INTO things (code, kind, day, sequence, part, subject, site, occurred_at, position, unfinished, supplier, supplier_lot, state)
			VALUES ($1, $2, $3, $4, $5, '', '', now(), 1, false, '', '', jsonb_build_object('code', $1::text))`, c, c.Kind().String(), day, sequence, part)
	}
	for _, e := range edges {
		b.Queue(`INSERT INTO edges (position, number, from_code, to_code, occurred_at, mass_mg, ingredient)
			VALUES ($1, $2, $3, $4, $5, $6, $7)`, e.Position, e.Number, e.From, e.To, e.OccurredAt, int64(e.Mass), e.Ingredient)
	}
	return tx.SendBatch(ctx, b).Close()
}

// nodesOf lists what a graph joins, and the code asked about.
func nodesOf(edges []workshop.Edge, code events.Code) []events.Code {
	codes := []events.Code{code}
	for _, e := range edges {
		codes = append(codes, e.From, e.To)
	}
	codes = slices.DeleteFunc(codes, func(c events.Code) bool { return c == "" })
	slices.SortFunc(codes, events.Code.Compare)
	return slices.Compact(codes)
}

func sameTrace(t *testing.T, want []workshop.Edge, got projections.Trace) {
	t.Helper()
	require.Equal(t, fmt.Sprint(want), fmt.Sprint(got.Edges))
	var nodes []events.Code
	for _, n := range got.Nodes {
		nodes = append(nodes, n.Code)
	}
	require.Equal(t, nodesOf(want, got.Of), nodes)
}

// TestAWalkOverEdgesReachesWhatTheOrderOfTimeLetsItReach takes many more books than go through the database below, in which
// more meets at each thing.
func TestAWalkOverEdgesReachesWhatTheOrderOfTimeLetsItReach(t *testing.T) {
	t.Parallel()
	for seed := range uint64(1000) {
		codes, edges := randomEdges(rand.New(rand.NewPCG(seed, 1)), 2)
		given := slices.Concat(edges, edges[:len(edges)/4]) // some of them twice
		for _, code := range codes {
			require.Equal(t, fmt.Sprint(reachable(edges, code, false)), fmt.Sprint(workshop.WalkForward(given, code)), "seed %d, %s", seed, code)
			require.Equal(t, fmt.Sprint(reachable(edges, code, true)), fmt.Sprint(workshop.WalkBack(given, code)), "seed %d, %s", seed, code)
		}
	}
}

func TestATraceReachesWhatTheOrderOfTimeLetsItReach(t *testing.T) {
	t.Parallel()
	pool := pgtest.New(t).App
	for seed := range uint64(60) {
		codes, edges := randomEdges(rand.New(rand.NewPCG(seed, 0)), 2+2*int(seed%2))
		tx, err := pool.Begin(t.Context())
		require.NoError(t, err)
		require.NoError(t, insertGraph(t.Context(), tx, codes, edges))
		needs := make([]workshop.Need, 0, len(codes))
		for _, code := range codes {
			forward, err := projections.TraceForward(t.Context(), tx, code)
			require.NoError(t, err)
			sameTrace(t, reachable(edges, code, false), forward)
			back, err := projections.TraceBack(t.Context(), tx, code)
			require.NoError(t, err)
			sameTrace(t, reachable(edges, code, true), back)
			needs = append(needs, workshop.NeedDownstream(code))
		}
		set := workshop.NewSet(&workshop.Definitions{}, false)
		load(t, tx, set, needs...)
		for _, code := range codes {
			want := nodesOf(reachable(edges, code, false), code)
			want = slices.DeleteFunc(want, func(c events.Code) bool { return c == code })
			require.ElementsMatch(t, want, set.DownstreamOf(code), "seed %d, %s", seed, code)
		}
		require.NoError(t, tx.Rollback(t.Context()))
	}
}

func TestATraceOfTheStory(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	back, err := projections.TraceBack(t.Context(), b.pool, frozenPart)
	require.NoError(t, err)
	for i, position := range []int64{16, 17, 13, 22, 37, 14, 15} {
		require.Equal(t, position, back.Nodes[i].Position)
		back.Nodes[i].Position = 0
	}
	require.Equal(t, []projections.Node{
		{Code: charge, Subject: "vat-dark", OccurredAt: clock(8, 0)},
		{Code: ganache, Subject: "bay", OccurredAt: clock(8, 30)},
		{Code: dark, Subject: "couverture-dark-60", OccurredAt: clock(7, 0), Supplier: "example-dairy", SupplierLot: "D-1"},
		{Code: run, Subject: "bay-dome", OccurredAt: clock(9, 0)},
		{Code: frozenPart, Subject: "bay-dome", OccurredAt: clock(9, 0)},
		{Code: cream, Subject: "cream-35", OccurredAt: clock(7, 10), Supplier: "example-dairy", SupplierLot: "CR-7731"},
		{Code: portion, Subject: "cream-35", OccurredAt: clock(7, 10), Supplier: "example-dairy", SupplierLot: "CR-7731"},
	}, back.Nodes)
	var told []string
	for _, e := range back.Edges {
		told = append(told, fmt.Sprintf("%s %s%s>%s %s g", e.OccurredAt.Format(time.TimeOnly), e.From, e.Ingredient, e.To, e.Mass.Grams()))
	}
	require.Equal(t, []string{
		fmt.Sprintf("07:10:00 %s>%s 1000 g", cream, portion),
		fmt.Sprintf("08:00:00 %s>%s 6000 g", dark, charge),
		fmt.Sprintf("08:30:00 %s>%s 400 g", portion, ganache),
		fmt.Sprintf("08:30:00 %s>%s 520 g", charge, ganache),
		fmt.Sprintf("08:30:00 water>%s 30 g", ganache),
		fmt.Sprintf("09:00:00 %s>%s 300 g", charge, run),
		fmt.Sprintf("09:00:00 %s>%s 500 g", ganache, run),
		fmt.Sprintf("09:00:00 %s>%s 100 g", charge, run),
		fmt.Sprintf("13:00:00 %s>%s 250 g", run, frozenPart),
	}, told)

	forward, err := projections.TraceForward(t.Context(), b.pool, lateDark)
	require.NoError(t, err)
	require.Equal(t, []events.Code{charge, nextCharge, lateDark, lateRun, block}, nodesOf(forward.Edges, lateDark))
	require.Len(t, forward.Nodes, 5)
}
