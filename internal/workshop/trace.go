package workshop

import (
	"cmp"
	"maps"
	"slices"

	"firstout/internal/events"
)

// LotShare is one lot's part in a thing: how certainly it is in it, and how much of it.
type LotShare struct {
	Lot        events.Code
	Ingredient string // of an untracked part, which has no lot
	Certain    bool   // at least the stated trace; else it only may be contained
	Share      float64
	Mass       events.Mass
}

// SharesOf lists what a mix is made of, in code order. Shares add to one; a film has none. trace is that of
// the site where the thing was made.
func SharesOf(m Mix, trace Trace) []LotShare {
	whole := m.Total()
	shares := make([]LotShare, 0, len(m))
	for _, p := range m {
		share := LotShare{Lot: p.Lot, Ingredient: p.Ingredient, Certain: p.Certain(whole, trace), Mass: p.Mass}
		if whole > 0 {
			share.Share = float64(p.Mass) / float64(whole)
		}
		shares = append(shares, share)
	}
	return shares
}

// Millionth is how finely likelihoods are told: in whole millionths.
const Millionth = 1_000_000

// Likelihoods gives, in millionths that add up to a million, how likely each of some runs is to be the one that a piece
// came from: as its weight is to all of them. Where none has any weight there is nothing to go by, and all are 0.
func Likelihoods(weights []int64) []int64 {
	likely := make([]int64, len(weights))
	heavy := make([]uint64, len(weights))
	for i, w := range weights {
		heavy[i] = uint64(max(0, w))
	}
	for i, part := range apportion(Millionth, heavy) {
		likely[i] = int64(part)
	}
	return likely
}

// after says whether an edge comes after another in the order in which a trace keeps to time.
func (e Edge) after(o Edge) bool { return e.Compare(o) > 0 }

// Compare orders edges by time, then by their places in the log.
func (e Edge) Compare(o Edge) int {
	return cmp.Or(e.OccurredAt.Compare(o.OccurredAt), e.written(o))
}

// written orders edges by their places in the log.
func (e Edge) written(o Edge) int {
	return cmp.Or(cmp.Compare(e.Position, o.Position), cmp.Compare(e.Number, o.Number))
}

// melted says that an edge is shells put back into a vat: they carry what the run was cast of, and nothing else of it.
func (e Edge) melted() bool {
	return e.From.Kind() == events.KindRun && e.To.Kind() == events.KindCharge && e.Mass > 0
}

// leadsOn says whether what came into a thing by one edge may have left it by another. Out of a tank goes what was in it at
// that time. What is made at once is in whatever came of it, and so what was written down before is in what was written
// down after, also where the times contradict that because one of the two was corrected; and what pieces get is theirs in
// their boxes too.
func (e Edge) leadsOn(out Edge) bool {
	switch {
	case out.melted() && e.From.Kind() != events.KindCharge:
		return false
	case out.after(e):
		return true
	case out.From.Kind() == events.KindCharge:
		return false
	default:
		return out.To.Kind() == events.KindBox || out.written(e) > 0
	}
}

// walked is a thing on a walk over edges, and whether what is followed is in the shells of it only.
type walked struct {
	code   events.Code
	shells bool
}

// WalkForward lists the edges over which a thing went on, in the order of time: what left a tank before the thing came
// into it does not lead on. It is queries/forward.sql over edges in memory.
func WalkForward(edges []Edge, of events.Code) []Edge {
	from := map[events.Code][]Edge{}
	for _, e := range edges {
		from[e.From] = append(from[e.From], e)
	}
	return walk(walked{code: of}, func(at walked, by []Edge) (on []Edge, next []walked) {
		for _, e := range from[at.code] {
			if by == nil || slices.ContainsFunc(by, func(in Edge) bool { return in.leadsOn(e) }) {
				on, next = append(on, e), append(next, walked{code: e.To, shells: e.From.Kind() == events.KindCharge})
			}
		}
		return on, next
	}, 1)
}

// WalkBack lists the edges over which what is in a thing came, in the order of time: what came into a tank after it was
// drawn from is not in what was drawn. It is queries/backward.sql over edges in memory.
func WalkBack(edges []Edge, of events.Code) []Edge {
	to := map[events.Code][]Edge{}
	for _, e := range edges {
		to[e.To] = append(to[e.To], e)
	}
	return walk(walked{code: of}, func(at walked, by []Edge) (on []Edge, next []walked) {
		for _, e := range to[at.code] {
			if by == nil || slices.ContainsFunc(by, e.leadsOn) {
				on, next = append(on, e), append(next, walked{code: e.From, shells: e.melted()})
			}
		}
		return on, next
	}, -1)
}

// walk follows edges from one thing on, and from each thing again where it is reached by an edge that leads to more: one
// that is earlier than those before it, or with the other sign later.
func walk(start walked, lead func(walked, []Edge) ([]Edge, []walked), sign int) []Edge {
	reached := map[walked][]Edge{start: nil} // what started it leads everywhere
	met := map[OpKey]Edge{}
	for pending := []walked{start}; len(pending) > 0; pending = pending[1:] {
		edges, next := lead(pending[0], reached[pending[0]])
		for i, e := range edges {
			met[e.key()] = e
			by, before := reached[next[i]]
			if !before || by != nil && !covered(by, e, sign) {
				reached[next[i]] = append(by, e)
				pending = append(pending, next[i])
			}
		}
	}
	return slices.SortedFunc(maps.Values(met), Edge.Compare)
}

// covered says that an edge leads to nothing more than some others do.
func covered(by []Edge, e Edge, sign int) bool {
	var inTime, inWriting, boxed bool
	for _, b := range by {
		inTime = inTime || sign*b.Compare(e) <= 0
		inWriting = inWriting || sign*b.written(e) <= 0
		boxed = boxed || b.To.Kind() == events.KindBox
	}
	return inTime && inWriting && (boxed || e.To.Kind() != events.KindBox)
}
