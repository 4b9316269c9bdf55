package workshop

import (
	"cmp"
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

// WalkForward lists the edges over which a thing went on, in the order of time and each once: what left a tank before the
// thing came into it does not lead on. Of what is given much may lie elsewhere. (queries/forward.sql is the same from several
// things at once.)
func WalkForward(edges []Edge, of events.Code) []Edge { return walk(edges, of, false) }

// WalkBack lists the edges over which what is in a thing came, in the order of time and each once: what came into a tank
// after it was drawn from is not in what was drawn. Of what is given much may lie elsewhere.
func WalkBack(edges []Edge, of events.Code) []Edge { return walk(edges, of, true) }

// walk follows edges from one thing on, which leads everywhere, or back. It takes them in the order in which they happened, and
// so finds all at once; only where the times contradict what was made of what does it find more when it looks again.
func walk(edges []Edge, of events.Code, back bool) []Edge {
	if !slices.IsSortedFunc(edges, Edge.Compare) {
		edges = slices.SortedFunc(slices.Values(edges), Edge.Compare)
	}
	reached := make(map[events.Code][]*Edge, len(edges))
	on, found := make([]bool, len(edges)), 0
	for before := -1; found > before; {
		before = found
		for i := range edges {
			if back {
				i = len(edges) - 1 - i
			}
			e := &edges[i]
			near, far := e.From, e.To
			if back {
				near, far = far, near
			}
			if on[i] || near != of && !e.led(reached[near], back) {
				continue
			}
			on[i] = true
			found++
			if by := reached[far]; !e.covered(by, back) {
				reached[far] = append(by, e)
			}
		}
	}
	walked := make([]Edge, 0, found)
	for i, e := range edges {
		if on[i] && (i == 0 || e.key() != edges[i-1].key()) {
			walked = append(walked, e)
		}
	}
	return walked
}

// led says whether a walk that reached a thing by some edges goes on over this one.
func (e *Edge) led(by []*Edge, back bool) bool {
	return slices.ContainsFunc(by, func(b *Edge) bool {
		if back {
			return e.leadsOn(*b)
		}
		return b.leadsOn(*e)
	})
}

// covered says that a walk goes on over nothing from this edge that it does not go over from some others too: they are before
// it (on a walk back, after it) in time and in writing, and what they carry on is not less.
func (e *Edge) covered(by []*Edge, back bool) bool {
	sign := 1
	if back {
		sign = -1
	}
	var inTime, inWriting, boxed bool
	for _, b := range by {
		if back && b.melted() != e.melted() || !back && (b.From.Kind() == events.KindCharge) != (e.From.Kind() == events.KindCharge) {
			continue
		}
		inTime = inTime || sign*b.Compare(*e) <= 0
		inWriting = inWriting || sign*b.written(*e) <= 0
		boxed = boxed || b.To.Kind() == events.KindBox
	}
	return inTime && inWriting && (boxed || e.To.Kind() != events.KindBox)
}
