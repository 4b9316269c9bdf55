package workshop_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// TestADayWrittenDownInNoOrder writes a day of one tank down in no order at all, with shells melted again, rests set as blocks and
// emptyings without cleaning.
func TestADayWrittenDownInNoOrder(t *testing.T) {
	t.Parallel()
	for seed := range uint64(60) {
		s := newWorkshop(t)
		m := s.stock()
		lots := []events.Code{m.dark, s.receive("couverture-dark-60", 30000, bestBefore("2027-03-31")), s.receive("couverture-dark-60", 30000, bestBefore("2026-12-24"))}
		start := at("2026-11-25T11:00:00Z")
		s.now = start
		s.melt("vat-dark", draw(lots[0], 4000))
		s.now = start.Add(3 * time.Hour)
		random := rand.New(rand.NewPCG(seed, 3))
		for range 120 {
			when := start.Add(time.Duration(random.IntN(110)) * time.Minute)
			var cmd workshop.Command
			switch random.IntN(8) {
			case 0, 1:
				cmd = meltAt(when, draw(lots[random.IntN(3)], float64(random.IntN(900)+1)))
			case 2:
				cmd = workshop.Empty{Done: late(when), Vat: "vat-dark", Cleaned: random.IntN(2) == 0, Rest: []string{"discard", "block"}[random.IntN(2)], Place: "workshop"}
			default:
				cast := moulding("dark-drop")
				cast.OccurredAt, cast.Moulds = &when, random.IntN(3)+1
				cast.TurnedOut = &workshop.TurnOut{Good: 22, Unfilled: 2, UnfilledTo: []string{"", "vat-dark"}[random.IntN(2)]}
				cmd = cast
			}
			outcome := s.carry(cmd)
			if outcome.Refusal == nil {
				s.keep(outcome)
			}
		}
		require.NotEmpty(t, s.log, "seed %d", seed)
		s.checkBook()
		s.checkMixing(seed)
	}
}

// checkMixing folds every charge from what happened in it, and holds each draw, what it went into and what of that came back into
// a charge to it.
func (s *shop) checkMixing(seed uint64) {
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
			require.Equal(s.t, taken, op.Mix, "seed %d: %s, drawn from %s", seed, op.Other, charge)
		}
		require.Equal(s.t, mix, s.set.Charge(charge).Mix, "seed %d: %s", seed, charge)
	}
	for code, mix := range drawn {
		switch code.Kind() {
		case events.KindRun:
			require.Equal(s.t, mix, s.set.Run(code).Mix, "seed %d: %s", seed, code)
			require.Equal(s.t, shells[code], s.set.Run(code).ShellMix, "seed %d: %s", seed, code)
		case events.KindLot:
			require.Equal(s.t, mix, s.set.Lot(code).Mix, "seed %d: %s", seed, code)
		}
	}
	for charge, all := range ops {
		for _, op := range all {
			if op.Kind == workshop.OpIn && op.Other.Kind() == events.KindRun {
				require.Equal(s.t, shells[op.Other].Of(op.Mass), op.Mix, "seed %d: shells of %s in %s", seed, op.Other, charge)
			}
		}
	}
}
