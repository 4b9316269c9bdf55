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

// SharesOf lists what a mix is made of, in code order. Shares add to one; a film has none.
func SharesOf(m Mix) []LotShare {
	whole := m.Total()
	shares := make([]LotShare, 0, len(m))
	for _, p := range m {
		share := LotShare{Lot: p.Lot, Ingredient: p.Ingredient, Certain: p.Certain(whole), Mass: p.Mass}
		if whole > 0 {
			share.Share = float64(p.Mass) / float64(whole)
		}
		shares = append(shares, share)
	}
	return shares
}
