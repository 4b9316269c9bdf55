package genealogy_test

import (
	"cmp"
	"fmt"
	"slices"

	"gonum.org/v1/gonum/graph"
	"gonum.org/v1/gonum/graph/simple"
	"gonum.org/v1/gonum/graph/traverse"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// This file walks the edges of the book with gonum: its nodes are the edges, joined where what came by the one may have
// left by the other.

func before(a, b workshop.Edge) bool {
	return cmp.Or(a.OccurredAt.Compare(b.OccurredAt), cmp.Compare(a.Position, b.Position), cmp.Compare(a.Number, b.Number)) < 0
}

// leadsOn says that what came by the one edge may have left by the other: out of a tank later, out of anything else also
// where it was only written down later; and of shells that were melted again only what they were cast of. (No boxes are
// packed here.)
func leadsOn(in, out workshop.Edge) bool {
	melted := out.From.Kind() == events.KindRun && out.To.Kind() == events.KindCharge && out.Mass > 0
	inOrder := before(in, out) || out.From.Kind() != events.KindCharge && in.Position < out.Position
	return in.To == out.From && inOrder && (!melted || in.From.Kind() == events.KindCharge)
}

func walkBack(edges []workshop.Edge, code events.Code) []workshop.Edge {
	return walk(edges, code, true)
}

func walkForward(edges []workshop.Edge, code events.Code) []workshop.Edge {
	return walk(edges, code, false)
}

func walk(edges []workshop.Edge, code events.Code, back bool) []workshop.Edge {
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
	var w traverse.BreadthFirst
	w.Visit = func(n graph.Node) { reached = append(reached, edges[n.ID()]) }
	for i, e := range edges {
		if start := simple.Node(i); !w.Visited(start) && (back && e.To == code || !back && e.From == code) {
			w.Walk(joined, start, nil)
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

// lotsBack lists the sources that the edges lead back to from a thing, in the order of their names.
func lotsBack(edges []workshop.Edge, code events.Code, things map[events.Code]made) []string {
	found := []string{}
	for _, e := range walkBack(edges, code) {
		if e.From == "" {
			found = append(found, e.Ingredient)
		} else if things[e.From.Whole()].exact {
			found = append(found, string(e.From.Whole()))
		}
	}
	slices.Sort(found)
	return slices.Compact(found)
}

// told writes edges without their positions, which differ where a book has more in it.
func told(edges []workshop.Edge) []string {
	lines := []string{}
	for _, e := range edges {
		lines = append(lines, fmt.Sprintf("%s %s%s>%s %d", e.OccurredAt.Format("15:04"), e.From, e.Ingredient, e.To, e.Mass))
	}
	return lines
}
