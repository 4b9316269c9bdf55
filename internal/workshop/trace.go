package workshop

import (
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
