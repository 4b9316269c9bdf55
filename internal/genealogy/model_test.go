package genealogy_test

import (
	"slices"

	"gonum.org/v1/gonum/graph/simple"
	"gonum.org/v1/gonum/graph/traverse"
	"gonum.org/v1/gonum/mat"

	"firstout/internal/events"
)

// A model is a genealogy as equations. Each variable is how much of each lot is in something at one moment: in a vat
// between two things that happen to it, in what was drawn, in a filling, in a run. With perfect mixing each is a sum of
// shares of others. All of them at once are solved by gonum's LU factorization (gonum.org/v1/gonum/mat), and what can be
// in what is what gonum's walk reaches (gonum.org/v1/gonum/graph/traverse): the model works nothing out by itself.
type model struct {
	variables []variable
	sources   []string // lots, and untracked ingredients by their names

	things map[events.Code]made // of a thing that is drawn from: what it is made of, and of how much
	vats   map[string]*vat
}

// A term is a share of another variable. A film is a share of nothing, and yet it may be there.
type term struct {
	of    int
	share float64
}

type variable struct {
	terms  []term
	source int // index of the source that it is, else -1
	grams  float64
	off    float64 // how many milligrams whole milligrams may be off it: less than one for each draw on the way
}

// made is what something is made of.
type made struct {
	is    int
	total events.Mass
	exact bool // of one source: a draw of it rounds nothing
}

type vat struct {
	charge events.Code
	is     int
	total  events.Mass
}

func newModel() *model {
	return &model{things: map[events.Code]made{}, vats: map[string]*vat{}}
}

func (m *model) add(rounds bool, terms ...term) int {
	v := variable{terms: terms, source: -1}
	for _, t := range terms {
		v.off += t.share * m.variables[t.of].off
	}
	if rounds {
		v.off++
	}
	m.variables = append(m.variables, v)
	return len(m.variables) - 1
}

// source is a variable that is one milligram of a lot or an untracked ingredient.
func (m *model) source(name string) int {
	at := slices.Index(m.sources, name)
	if at < 0 {
		at = len(m.sources)
		m.sources = append(m.sources, name)
	}
	m.variables = append(m.variables, variable{source: at, grams: 1})
	return len(m.variables) - 1
}

func (m *model) receive(lot events.Code) {
	m.things[lot] = made{is: m.source(string(lot)), total: 1, exact: true}
}

// draw takes a quantity of a thing that is no vat.
func (m *model) draw(code events.Code, quantity events.Mass) int {
	thing := m.things[code.Whole()]
	return m.add(!thing.exact, term{thing.is, float64(quantity) / float64(thing.total)})
}

// pour puts something into a vat.
func (m *model) pour(into *vat, what int, quantity events.Mass) {
	into.is = m.add(false, term{into.is, 1}, term{what, 1})
	into.total += quantity
}

// take draws from a vat.
func (m *model) take(from *vat, quantity events.Mass) int {
	share := 0.0
	if from.total > 0 {
		share = float64(quantity) / float64(from.total)
	}
	taken := m.add(true, term{from.is, share})
	from.is = m.add(true, term{from.is, 1 - share})
	from.total -= quantity
	return taken
}

// cling leaves a film in a vat.
func (m *model) cling(into *vat, what int) {
	into.is = m.add(false, term{into.is, 1}, term{what, 0})
}

// solve gives how many milligrams of each source are in each variable.
func (m *model) solve() (*mat.Dense, error) {
	n := len(m.variables)
	system, sources := mat.NewDense(n, n, nil), mat.NewDense(n, max(1, len(m.sources)), nil)
	for i, v := range m.variables {
		system.Set(i, i, 1)
		if v.source >= 0 {
			sources.Set(i, v.source, v.grams)
		}
		for _, t := range v.terms {
			system.Set(i, t.of, system.At(i, t.of)-t.share)
		}
	}
	var solved mat.Dense
	err := solved.Solve(system, sources)
	return &solved, err
}

// reached lists the sources that can be in a variable, in the order of their names.
func (m *model) reached(variable int) []string {
	walked := simple.NewDirectedGraph()
	for i := range m.variables {
		walked.AddNode(simple.Node(i))
	}
	for i, v := range m.variables {
		for _, t := range v.terms {
			if !walked.HasEdgeFromTo(int64(i), int64(t.of)) && int64(i) != int64(t.of) {
				walked.SetEdge(walked.NewEdge(simple.Node(i), simple.Node(t.of)))
			}
		}
	}
	var found []string
	var walk traverse.BreadthFirst
	walk.Walk(walked, simple.Node(variable), nil)
	for i, v := range m.variables {
		if v.source >= 0 && walk.Visited(simple.Node(i)) {
			found = append(found, m.sources[v.source])
		}
	}
	slices.Sort(found)
	return slices.Compact(found)
}
