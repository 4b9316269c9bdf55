package workshop_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// TestADayWrittenDownInNoOrder writes a day of two tanks down in no order at all: shells melted again in the one and the other, rests
// set as blocks and used again, emptyings without cleaning, fillings made of what is in the tanks, scrapings.
func TestADayWrittenDownInNoOrder(t *testing.T) {
	t.Parallel()
	carried := map[string]int{}
	for seed := range uint64(60) {
		s := newWorkshop(t)
		m := s.stock()
		d := anyDay{shop: s, chance: rand.New(rand.NewPCG(seed, 3))}
		blocks := []events.Code{m.dark, s.receive("couverture-dark-60", 30000, bestBefore("2027-03-31")), s.receive("couverture-dark-60", 30000, bestBefore("2026-12-24"))}
		start := at("2026-11-25T11:00:00Z")
		s.now = start
		charges := []events.Code{s.melt("vat-dark", draw(m.dark, 4000)), s.melt("vat-milk", draw(m.milk, 3000))}
		fillings := []events.Code{}
		s.now = start.Add(3 * time.Hour)
		for range 120 {
			when := start.Add(time.Duration(d.number(1, 110)) * time.Minute)
			vat := oneOf(d, "vat-dark", "vat-dark", "vat-milk")
			var cmd workshop.Command
			switch d.number(0, 9) {
			case 0, 1:
				cmd = workshop.Melt{Done: late(when), Vat: vat, Inputs: []workshop.DrawLine{draw(oneOf(d, blocks...), float64(d.number(1, 900)))}, OtherChocolate: true}
			case 2:
				cmd = workshop.Empty{Done: late(when), Vat: vat, Cleaned: d.odds(50), Rest: oneOf(d, "discard", "block"), Place: "workshop"}
			case 3, 4:
				made := batch(draw(m.cream, 40), draw(oneOf(d, append(charges, blocks...)...), 52), draw(m.puree, 22), draw(m.sugar, 6))
				made.OccurredAt = &when
				cmd = made
			default:
				run := moulding("dark-drop")
				if len(fillings) > 0 && d.odds(60) {
					run = moulding("blackcurrant-dome", oneOf(d, fillings...))
					run.Filling[0].Quantity = ptr(g(float64(d.number(1, 40))))
					run.Capping.Vat, run.Capping.Drawn, run.Capping.Returned = vat, ptr(g(30)), ptr(g(float64(d.number(0, 9))))
				}
				run.OccurredAt = &when
				run.TurnedOut = &workshop.TurnOut{Good: 20, Unfilled: 4, UnfilledTo: oneOf(d, "", "vat-dark", "vat-milk")}
				cmd = run
			}
			outcome := s.carry(cmd)
			if outcome.Refusal != nil {
				carried[string(outcome.Refusal.Slug)]++
				continue
			}
			s.keep(outcome)
			carried[fmt.Sprintf("%T", cmd)]++
			for _, r := range outcome.Recorded {
				switch e := r.Data.(type) {
				case events.GanacheMade:
					fillings = append(fillings, e.Ganache)
				case events.ChocolateMelted:
					charges = append(charges, e.Charge)
				case events.VatEmptied:
					if e.Block != nil {
						blocks = append(blocks, e.Block.Lot)
					}
				}
			}
		}
		s.checkBook()
		s.checkMixing()
	}
	t.Log(carried)
	for _, command := range []string{"Melt", "Empty", "MakeGanache", "MakeRun"} {
		require.Greater(t, carried["workshop."+command], 60, "%v", carried)
	}
}

// checkMixing folds every charge from what happened in it, and holds to it what each draw took, what it went into, and what of that
// came into a charge again; and everything that was made of a filling or a block to what that is made of.
func (s *shop) checkMixing() {
	s.t.Helper()
	ops := map[events.Code][]workshop.ChargeOp{}
	for _, op := range s.set.Ops.Dirty() {
		ops[op.Charge] = append(ops[op.Charge], *op)
	}
	drawn, shells := map[events.Code]workshop.Mix{}, map[events.Code]workshop.Mix{}
	for charge, all := range ops {
		slices.SortFunc(all, workshop.ChargeOp.Compare)
		var mix workshop.Mix
		for _, op := range all {
			taken := op.Mix
			switch op.Kind {
			case workshop.OpIn, workshop.OpFilm:
				mix = mix.Plus(op.Mix)
			case workshop.OpFound:
				mix = mix.Plus(workshop.Mix{{Mass: op.Mass}})
			case workshop.OpEnded:
				mix = mix.Film()
			case workshop.OpOut:
				taken, mix = mix.Take(op.Mass)
				drawn[op.Other] = drawn[op.Other].Plus(taken)
				if op.Use == "shell" {
					shells[op.Other] = shells[op.Other].Plus(taken)
				}
			}
			require.Equal(s.t, taken, op.Mix, "%s, drawn from %s", op.Other, charge)
		}
		require.Equal(s.t, mix, s.set.Charge(charge).Mix, "%s", charge)
	}
	made := drawn
	for _, e := range s.edges {
		switch {
		case e.From == "":
			made[e.To] = made[e.To].Plus(workshop.Mix{{Ingredient: e.Ingredient, Mass: e.Mass, Direct: true}})
		case e.From.Kind() == events.KindGanache, e.From.Kind() == events.KindLot && e.To.Kind() != events.KindLot:
			made[e.To] = made[e.To].Plus(s.set.MixOf(e.From, e.Mass))
		}
	}
	for code, mix := range made {
		switch code.Kind() {
		case events.KindRun:
			if code.Whole() == code {
				sameParts(s.t, mix, s.set.Run(code).Mix, code)
				sameParts(s.t, shells[code], s.set.Run(code).ShellMix, code)
			}
		case events.KindGanache:
			if code.Whole() == code {
				sameParts(s.t, mix, s.set.Ganache(code).Mix, code)
			}
		case events.KindLot:
			sameParts(s.t, mix, s.set.Lot(code).Mix, code)
		}
	}
	for charge, all := range ops {
		for _, op := range all {
			switch {
			case op.Kind != workshop.OpIn:
			case op.Other.Kind() == events.KindRun:
				sameParts(s.t, shells[op.Other.Whole()].Of(op.Mass), op.Mix, charge)
			case op.Other != "":
				sameParts(s.t, s.set.MixOf(op.Other, op.Mass), op.Mix, charge)
			}
		}
	}
}

// sameParts leaves out lots of which nothing is left: they stay where they were once thought to be.
func sameParts(t TB, want, got workshop.Mix, of events.Code) {
	t.Helper()
	whole := func(m workshop.Mix) (some workshop.Mix) {
		for _, p := range m {
			if p.Mass != 0 {
				p.Direct = false
				some = append(some, p)
			}
		}
		return some
	}
	require.Equal(t, whole(want), whole(got), "%s", of)
}
