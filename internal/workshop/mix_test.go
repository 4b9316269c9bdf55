package workshop_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// lots are codes to mix.
func lots(n int) []events.Code {
	codes := make([]events.Code, n)
	for i := range codes {
		codes[i] = events.NewCode(events.KindLot, civil.Day{Year: 2026, Month: 11, Day: 1 + i%28}, 1+i, 0)
	}
	return codes
}

// A pouring is one thing that happens to a vat: a lot comes in, or something of everything goes out.
type pouring struct {
	lot      int // -1: a draw
	quantity events.Mass
}

// tank is the history of a vat as numbers alone: what comes in, and the share of the whole that stays.
type tank struct {
	pourings []pouring
	before   []events.Mass // what was in it before each
}

// solve gives the mass in mg of each lot after each pouring by linear algebra: with perfect mixing the state after a
// draw of q from T is (1 − q/T) times the one before, and a pour adds to one lot. These equations for all states at
// once, (I − A) X = B, are solved by gonum's LU factorization (gonum.org/v1/gonum/mat, a reference library).
func (k tank) solve(t TB, lots int) *mat.Dense {
	n := len(k.pourings)
	system, sources := mat.NewDense(n, n, nil), mat.NewDense(n, lots, nil)
	for i, p := range k.pourings {
		system.Set(i, i, 1)
		stays := 1.0
		if p.lot < 0 {
			stays = 0
			if k.before[i] > 0 {
				stays = 1 - float64(p.quantity)/float64(k.before[i])
			}
		} else {
			sources.Set(i, p.lot, float64(p.quantity))
		}
		if i > 0 {
			system.Set(i, i-1, -stays)
		}
	}
	var states mat.Dense
	require.NoError(t, states.Solve(system, sources))
	return &states
}

func TestMixingAgreesWithLinearAlgebra(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		codes := lots(rapid.IntRange(1, 7).Draw(t, "lots"))
		var k tank
		var vat workshop.Mix
		var after, taken []workshop.Mix
		for range rapid.IntRange(1, 40).Draw(t, "pourings") {
			p := pouring{lot: rapid.IntRange(-len(codes), len(codes)-1).Draw(t, "lot")}
			k.before = append(k.before, vat.Total())
			drawn := workshop.Mix(nil)
			if p.lot < 0 {
				p.lot = -1
				p.quantity = events.Mass(rapid.Int64Range(0, int64(vat.Total())).Draw(t, "drawn"))
				drawn, vat = vat.Take(p.quantity)
			} else {
				p.quantity = events.Mass(rapid.Int64Range(1, 20_000_000).Draw(t, "poured"))
				vat = vat.Plus(workshop.Mix{{Lot: codes[p.lot], Mass: p.quantity}})
			}
			k.pourings, after, taken = append(k.pourings, p), append(after, vat), append(taken, drawn)
		}

		states := k.solve(t, len(codes))
		draws := 0.0
		for i, p := range k.pourings {
			for lot, code := range codes {
				if p.lot < 0 {
					share := 0.0
					if k.before[i] > 0 {
						share = float64(p.quantity) / float64(k.before[i])
					}
					before := 0.0
					if i > 0 {
						before = states.At(i-1, lot)
					}
					require.InDelta(t, before*share, mass(taken[i], code), draws+1, "draw %d, %s", i, code)
				}
				limit := draws
				if p.lot < 0 {
					limit++
				}
				require.InDelta(t, states.At(i, lot), mass(after[i], code), limit+1e-3, "after %d, %s", i, code)
			}
			if p.lot < 0 {
				draws++
			}
		}
	})
}

// mass is the mass in mg of a lot in a mix.
func mass(m workshop.Mix, lot events.Code) float64 {
	for _, p := range m {
		if p.Lot == lot {
			return float64(p.Mass)
		}
	}
	return 0
}

func members(m workshop.Mix) []events.Code {
	var codes []events.Code
	for _, p := range m {
		codes = append(codes, p.Lot)
	}
	return codes
}

// Parts add up to the milligram, nothing falls below nothing, and no lot is ever dropped, however little of it is left.
func TestMixingAddsUpAndForgetsNoLot(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		codes := lots(12)
		var vat workshop.Mix
		seen := map[events.Code]bool{}
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			before := slices.Clone(vat)
			switch rapid.IntRange(0, 3).Draw(t, "step") {
			case 0, 1:
				code := rapid.SampledFrom(codes).Draw(t, "lot")
				quantity := events.Mass(rapid.Int64Range(1, 1<<rapid.IntRange(1, 39).Draw(t, "size")).Draw(t, "poured"))
				seen[code] = true
				vat = vat.Plus(workshop.Mix{{Lot: code, Mass: quantity}})
				require.Equal(t, before.Total()+quantity, vat.Total())
			case 2:
				quantity := events.Mass(rapid.Int64Range(0, int64(vat.Total())).Draw(t, "drawn"))
				var taken workshop.Mix
				taken, vat = vat.Take(quantity)
				if before.Total() > 0 {
					require.Equal(t, quantity, taken.Total())
				}
				require.Equal(t, before.Total()-taken.Total(), vat.Total())
				require.Equal(t, members(before), members(taken))
			case 3:
				code := rapid.SampledFrom(codes).Draw(t, "film")
				seen[code] = true
				vat = vat.Plus(workshop.Mix{{Lot: code, Mass: 5}}.Film())
				require.Equal(t, before.Total(), vat.Total())
			}
			for _, p := range vat {
				require.GreaterOrEqual(t, p.Mass, events.Mass(0))
			}
			require.Len(t, vat, len(seen))
			require.True(t, slices.IsSortedFunc(vat, func(a, b workshop.MixPart) int { return a.Lot.Compare(b.Lot) }))
			require.Equal(t, members(before), members(before.Film()))
			require.Zero(t, before.Film().Total())
		}
	})
}

// What is made of a ganache or a block has its lots in its proportions, whatever the quantity, also a larger one.
func TestOfKeepsProportions(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var m workshop.Mix
		for _, code := range lots(rapid.IntRange(1, 8).Draw(t, "lots")) {
			m = m.Plus(workshop.Mix{{Lot: code, Mass: events.Mass(rapid.Int64Range(0, 1_000_000_000_000).Draw(t, "mass"))}})
		}
		quantity := events.Mass(rapid.Int64Range(0, 1_000_000_000_000).Draw(t, "quantity"))
		of := m.Of(quantity)
		require.Equal(t, members(m), members(of))
		if m.Total() == 0 {
			require.Zero(t, of.Total())
			return
		}
		require.Equal(t, quantity, of.Total())
		for i, p := range of {
			exact := float64(quantity) * (float64(m[i].Mass) / float64(m.Total()))
			require.LessOrEqual(t, math.Abs(float64(p.Mass)-exact), 1+exact*1e-12, "less than a milligram off")
		}
	})
}

// A tank of the shop that is drawn from and topped up, worked out by hand.
func TestATanksHistoryWorkedOutByHand(t *testing.T) {
	t.Parallel()
	s := open(t)
	one := s.receive("couverture-dark-60", 9000, bestBefore("2027-05-31"))
	two := s.receive("couverture-dark-60", 9000, bestBefore("2027-05-31"))
	charge := s.melt("vat-dark", draw(one, 6000), draw(two, 2000)) // 3 : 1
	cast := moulding("dark-drop")
	cast.Casting.Drawn, cast.Casting.Returned = ptr(g(4500)), ptr(g(500)) // 4000 g stay: half of it
	run := s.run(cast)
	require.Equal(t, workshop.Mix{{Lot: one, Mass: g(3000)}, {Lot: two, Mass: g(1000)}}, run.Mix)
	s.melt("vat-dark", draw(two, 2000)) // 3000 and 3000
	cast.Casting.Drawn, cast.Casting.Returned = ptr(g(1000)), nil
	require.Equal(t, workshop.Mix{{Lot: one, Mass: g(500)}, {Lot: two, Mass: g(500)}}, s.run(cast).Mix)
	require.Equal(t, workshop.Mix{{Lot: one, Mass: g(2500)}, {Lot: two, Mass: g(2500)}}, s.set.Charge(charge).Mix)
}

func TestBelowTheStatedTraceALotOnlyMayBeContained(t *testing.T) {
	t.Parallel()
	whole := events.Mass(1_000_000)
	require.True(t, workshop.MixPart{Mass: 1000}.Certain(whole, workshop.DefaultTrace), "0.1 %")
	require.False(t, workshop.MixPart{Mass: 999}.Certain(whole, workshop.DefaultTrace))
	require.False(t, workshop.MixPart{}.Certain(0, workshop.DefaultTrace), "a film is no certainty")
	require.Empty(t, workshop.SharesOf(nil, workshop.DefaultTrace))
	shares := workshop.SharesOf(workshop.Mix{{Lot: lots(2)[0], Mass: 3}, {Lot: lots(2)[1]}}, workshop.DefaultTrace)
	require.Equal(t, []workshop.LotShare{{Lot: lots(2)[0], Certain: true, Share: 1, Mass: 3}, {Lot: lots(2)[1]}}, shares)
}
