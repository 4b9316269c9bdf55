package workshop_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

func (s *shop) count(place string, code events.Code, pieces int, when workshop.Done) events.StockCounted {
	s.t.Helper()
	return s.do(workshop.Count{
		Done: when, Place: place, Lines: []workshop.HandledLine{{Code: code, Pieces: pieces}},
	}).(workshop.Counted).Event
}

func late(when time.Time) workshop.Done { return workshop.Done{OccurredAt: &when} }

// soldAt is a sale that is written down after it was made.
func soldAt(when time.Time, lines ...workshop.PieceLine) workshop.Sell {
	cmd := sale(lines...)
	cmd.OccurredAt = &when
	return cmd
}

func TestWhatIsTypedAfterACountChangesItsDifferenceAndNotWhatIsOnHand(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20) // at ten
	b.now = at("2026-11-25T18:00:00Z")
	counted := b.count("counter", b.domes, 17, workshop.Done{})
	require.Equal(t, 20, counted.Lines[0].Had.Pieces)
	b.now = at("2026-11-25T19:00:00Z")

	// Three were sold at noon: that is why three were missing.
	b.do(soldAt(at("2026-11-25T12:00:00Z"), byDesign("blackcurrant-dome", 3)))
	require.EqualValues(t, 17, b.onHand(b.domes, "counter"))
	moved := b.movements[len(b.movements)-2:]
	require.Equal(t, "sold", moved[0].Cause)
	require.Equal(t, "absorbed_by_count", moved[1].Cause)
	require.Equal(t, at("2026-11-25T18:00:00Z"), moved[1].OccurredAt, "on the day of the count")
	require.EqualValues(t, 3, moved[1].Delta)

	// What comes after the count changes what is on hand.
	b.do(soldAt(at("2026-11-25T18:30:00Z"), byDesign("blackcurrant-dome", 2)))
	require.EqualValues(t, 15, b.onHand(b.domes, "counter"))

	// Before it, only what the book had at that moment can have been sold: 20 came, 3 went at noon.
	require.EqualValues(t, 17, b.refuse(soldAt(at("2026-11-25T13:00:00Z"), byDesign("blackcurrant-dome", 18))).Facts["available"])
	b.do(soldAt(at("2026-11-25T13:00:00Z"), byDesign("blackcurrant-dome", 17)))
	require.EqualValues(t, 15, b.onHand(b.domes, "counter"))
}

func TestACountOfNothingCanStillBeExplained(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	b.now = at("2026-11-25T18:00:00Z")
	b.do(workshop.Count{Place: "counter", Complete: true})
	require.Zero(t, b.onHand(b.domes, "counter"))
	b.now = at("2026-11-25T19:00:00Z")
	require.EqualValues(t, "not-enough", b.refuse(sale(byDesign("blackcurrant-dome", 1))).Slug)
	sold := b.do(soldAt(at("2026-11-25T15:00:00Z"), byDesign("blackcurrant-dome", 20))).(workshop.Sold)
	require.Equal(t, "single_run_on_place", sold.Lines[0].Allocations[0].How)
	require.Zero(t, b.onHand(b.domes, "counter"))
}

func TestACountTypedLateStandsAtItsOwnTime(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	b.now = at("2026-11-25T12:00:00Z")
	b.do(sale(byDesign("blackcurrant-dome", 4)))
	b.now = at("2026-11-25T16:00:00Z")

	// At eleven there were 18: two less than the book had. Four have been sold since.
	counted := b.count("counter", b.domes, 18, done("2026-11-25T11:00:00Z"))
	require.Equal(t, 20, counted.Lines[0].Had.Pieces)
	require.EqualValues(t, 14, b.onHand(b.domes, "counter"))

	// One of ten in the morning is before that, and changes nothing of now.
	b.count("counter", b.domes, 19, done("2026-11-25T10:30:00Z"))
	require.EqualValues(t, 14, b.onHand(b.domes, "counter"))

	refused := b.refuse(workshop.Count{
		Done: done("2026-11-25T11:30:00Z"), Place: "counter", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 3}},
	})
	require.EqualValues(t, "not-enough", refused.Slug, "four were sold since")
	require.EqualValues(t, 4, refused.Facts["wanted"])
	require.EqualValues(t, 3, refused.Facts["available"])
}

func TestPiecesThatPassTheGateWhereTheyStandAreNotCountedTwice(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-11-25T12:00:00Z")
	b.count("workshop", b.domes, 24, workshop.Done{}) // as the book has them: not released yet
	b.now = at("2026-11-25T15:00:00Z")
	b.do(workshop.Release{Done: done("2026-11-25T11:00:00Z"), Run: b.domes, Pieces: 24, Place: "workshop"})
	require.EqualValues(t, 24, b.onHand(b.domes, "workshop"))
	require.EqualValues(t, "wrong-state", b.refuse(workshop.Release{Done: done("2026-11-25T11:00:00Z"), Run: b.domes, Pieces: 1, Place: "workshop"}).Slug)
}

func TestASaleBeforeAHoldAndTypedAfterIt(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	b.now = at("2026-11-25T12:00:00Z")
	hold := b.hold(b.domes, false)
	b.now = at("2026-11-25T13:00:00Z")
	before := at("2026-11-25T11:00:00Z")
	require.EqualValues(t, "on-hold", b.refuse(soldAt(before, byDesign("blackcurrant-dome", 2))).Slug, "as the book stands")

	for _, line := range []workshop.PieceLine{byDesign("blackcurrant-dome", 2), byCode(b.domes, 3)} {
		cmd := soldAt(before, line)
		cmd.AlreadyDone = true
		b.do(cmd)
		require.Equal(t, []string{"pieces_sold"}, b.types(), "no rule was broken then")
		require.Empty(t, last[events.PiecesSold](b.shop).RuleBroken)
	}
	listed := b.set.Hold(hold.ID).SoldBefore
	require.Len(t, listed, 2)
	require.Equal(t, []int{2, 3}, []int{listed[0].Pieces, listed[1].Pieces})

	// Sold after it was placed: a rule was broken, and it is no news to the hold.
	cmd := soldAt(at("2026-11-25T12:30:00Z"), byDesign("blackcurrant-dome", 1))
	cmd.AlreadyDone = true
	b.do(cmd)
	require.Equal(t, []string{"on-hold"}, last[events.PiecesSold](b.shop).RuleBroken)
	require.Len(t, b.set.Hold(hold.ID).SoldBefore, 2)
}

func meltAt(when time.Time, inputs ...workshop.DrawLine) workshop.Melt {
	return workshop.Melt{Done: late(when), Vat: "vat-dark", Inputs: inputs}
}

// share is how much of a mix is of a lot, in whole per cent.
func share(m workshop.Mix, lot events.Code) int {
	for _, p := range m {
		if p.Lot == lot {
			return int((p.Mass*100 + m.Total()/2) / m.Total())
		}
	}
	return -1
}

func TestAMeltTypedLateIsInEverythingDrawnAfterIt(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	other := s.receive("couverture-dark-60", 5000, bestBefore("2026-12-05")) // before the filling's own date
	s.now = at("2026-11-25T11:00:00Z")
	charge := s.melt("vat-dark", draw(m.dark, 3000))
	early := s.run(moulding("dark-drop")).Code // 24 × 5 g
	s.now = at("2026-11-25T12:00:00Z")
	made := s.ganache(batch(m.inputs(charge)...)).Code
	s.now = at("2026-11-25T13:00:00Z")
	drop := s.run(moulding("dark-drop")).Code
	domes := s.run(moulding("blackcurrant-dome", made)).Code
	s.release(domes, 24)
	require.Equal(t, day("2026-12-08"), *s.set.Run(domes).Expiry.Date)
	require.Equal(t, day("2027-05-31"), *s.set.Run(drop).Expiry.Date)
	s.now = at("2026-11-25T17:00:00Z")

	// At half past eleven as much again went in as was there: 2880 g of another lot.
	s.do(meltAt(at("2026-11-25T11:30:00Z"), draw(other, 2880)))

	require.Equal(t, -1, share(s.set.Run(early).Mix, other), "cast before")
	require.Equal(t, 50, share(s.set.Run(drop).Mix, other))
	require.Equal(t, 50, share(s.set.Charge(charge).Mix, other))
	require.Equal(t, 22, share(s.set.Ganache(made).Mix, other), "half of 520 g in 1200 g")
	// 24 pieces: 5.2 g of couverture each, half of it of that lot, and 6.5 g of filling.
	require.Equal(t, 34, share(s.set.Run(domes).Mix, other), "(2.6 + 6.5 × 0.2167) of 11.7 g")

	// Dates follow in the same command, earlier by themselves.
	require.Equal(t, day("2026-12-05"), *s.set.Run(drop).Expiry.Date)
	require.Equal(t, day("2026-12-05"), *s.set.Run(domes).Expiry.Date)
	require.Equal(t, day("2026-12-05"), *s.set.Ganache(made).Expiry.Date)
	require.Equal(t, []string{"chocolate_melted", "redated", "redated", "redated"}, s.types())
	require.Equal(t, "late_entry", last[events.Redated](s).Cause)
	require.Equal(t, "ingredient_best_before", s.set.Run(domes).Expiry.Binds)
}

func TestAMeltTypedLateThatBringsAnAllergenHoldsWhatIsReleased(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.melt("vat-dark", draw(m.dark, 3000))
	s.now = at("2026-11-25T12:00:00Z")
	drop := s.run(moulding("dark-drop")).Code
	s.release(drop, 20)
	waiting := s.run(moulding("dark-drop")).Code
	s.now = at("2026-11-25T15:00:00Z")
	labelled := delivery("couverture-dark-60", 2000, bestBefore("2027-05-31"))
	labelled.Allergens = &[]string{"soybeans", "nuts:almond"}
	nutty := s.do(labelled).(*workshop.Lot).Code
	cmd := meltAt(at("2026-11-25T11:00:00Z"), draw(nutty, 500))
	require.EqualValues(t, "before-it-existed", s.refuse(cmd).Slug)

	labelled.OccurredAt = ptr(at("2026-11-25T10:30:00Z"))
	nutty = s.do(labelled).(*workshop.Lot).Code
	cmd.Inputs = []workshop.DrawLine{draw(nutty, 500)}
	s.do(cmd)
	require.Contains(t, s.set.Run(drop).Allergens.Contains, "nuts:almond")
	require.True(t, s.set.Run(drop).Held(), "what is released is held")
	require.Equal(t, "allergen-not-on-label", last[events.DeviationOpened](s).Rule)
	require.False(t, s.set.Run(waiting).Held(), "what is not released meets the gate")
	require.EqualValues(t, "allergen-not-on-label", s.refuse(workshop.Release{Run: waiting, Pieces: 1, Place: "counter"}).Slug)
}

func TestADrawTypedLateNeedsWhatTheVatHeldThen(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.now = at("2026-11-25T11:00:00Z")
	charge := s.melt("vat-dark", draw(m.dark, 200))
	s.now = at("2026-11-25T13:00:00Z")
	s.melt("vat-dark", draw(m.dark, 5000))
	s.now = at("2026-11-25T15:00:00Z")
	cast := moulding("dark-drop")
	cast.Moulds, cast.TurnedOut.Good = 2, 48 // 240 g
	cast.OccurredAt = ptr(at("2026-11-25T12:00:00Z"))
	refused := s.refuse(cast)
	require.EqualValues(t, "not-enough", refused.Slug)
	require.Equal(t, g(200), refused.Facts["available"])

	cast.AlreadyDone = true
	run := s.run(cast)
	require.Equal(t, []string{"stock_counted", "shells_cast", "pieces_turned_out", "deviation_opened"}, s.types())
	unknown := run.Mix[slices.IndexFunc(run.Mix, func(p workshop.MixPart) bool { return p.Lot == "" })]
	require.Equal(t, g(40), unknown.Mass, "of lots that nobody knows")
	require.Equal(t, g(5000), s.set.Charge(charge).Mix.Total())

	cast.OccurredAt = ptr(at("2026-11-25T10:30:00Z"))
	require.EqualValues(t, "not-enough", s.refuse(cast).Slug, "there was nothing in the tank yet: it cannot have come from there")
}

func TestAVatThatWasEmptiedSinceIsFoundByTheTimeOfTheDraw(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.now = at("2026-11-25T11:00:00Z")
	first := s.melt("vat-dark", draw(m.dark, 1000))
	s.now = at("2026-11-25T13:00:00Z")
	s.do(workshop.Empty{Vat: "vat-dark", Cleaned: true, Rest: "discard"})
	s.now = at("2026-11-25T14:00:00Z")
	second := s.melt("vat-dark", draw(m.dark, 1000))
	s.now = at("2026-11-25T15:00:00Z")
	cast := moulding("dark-drop")
	cast.OccurredAt = ptr(at("2026-11-25T12:00:00Z"))
	s.run(cast)
	require.Equal(t, first, last[events.ShellsCast](s).Draw.Charge)
	require.Equal(t, g(1000), s.set.Charge(second).Mix.Total(), "the tank of now has nothing to do with it")
	require.Zero(t, s.set.Charge(first).Mix.Total())

	// A melt of before the first in that tank began what is in it; while the tank was clean, the next one.
	s.do(meltAt(at("2026-11-25T13:30:00Z"), draw(m.dark, 100)))
	require.Equal(t, second, last[events.ChocolateMelted](s).Charge)
	require.Equal(t, at("2026-11-25T13:30:00Z"), s.set.Charge(second).At)

	require.EqualValues(t, "wrong-state", s.refuse(workshop.Empty{Done: done("2026-11-25T13:45:00Z"), Vat: "vat-dark", Cleaned: true, Rest: "discard"}).Slug, "used since")
}

func TestAnEmptyingJustNowIsAfterWhatAClockAheadWroteDown(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 1000))
	cast := moulding("dark-drop")
	cast.OccurredAt = ptr(s.now.Add(2 * time.Minute))
	s.run(cast)
	s.do(workshop.Empty{Vat: "vat-dark", Cleaned: true, Rest: "discard"})
	require.Equal(t, s.now.Add(2*time.Minute), *s.set.Charge(charge).EndedAt)
}

func TestARunReleasedBeforeItWasCastIsRefused(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-11-25T12:00:00Z")
	run := b.run(workshop.MakeRun{Design: "dark-drop", Mould: "dome-24", Moulds: 1, Place: "workshop"}).Code
	b.now = at("2026-11-25T13:00:00Z")
	b.do(workshop.MakeRun{Run: run, Casting: &workshop.ChocolateStep{Vat: "vat-dark"}})
	b.now = at("2026-11-25T14:00:00Z")
	require.EqualValues(t, "wrong-state", b.refuse(workshop.MakeRun{Run: run, Done: done("2026-11-25T12:30:00Z"), TurnedOut: &workshop.TurnOut{Good: 24}}).Slug)
	b.do(workshop.MakeRun{Run: run, TurnedOut: &workshop.TurnOut{Good: 24}})
	b.now = at("2026-11-25T15:00:00Z")
	for when, slug := range map[string]string{
		"2026-11-25T11:00:00Z": "before-it-existed",
		"2026-11-25T12:30:00Z": "wrong-state", // begun, not cast
		"2026-11-25T13:30:00Z": "wrong-state", // cast, in the moulds
	} {
		require.EqualValues(t, slug, b.refuse(workshop.Release{Done: done(when), Run: run, Pieces: 5, Place: "counter"}).Slug, when)
	}
	b.do(workshop.Release{Done: done("2026-11-25T14:30:00Z"), Run: run, Pieces: 5, Place: "counter"})
}

// Whatever the order in which a day is typed, the vat and everything drawn from it are made of the same.
func TestTheOrderOfTypingChangesNothingOfWhatIsInTheVat(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		type made struct {
			shop *shop
			runs map[int]events.Code
			vat  events.Code
		}
		start := at("2026-11-25T11:00:00Z")
		kinds := make([]int, rapid.IntRange(2, 9).Draw(t, "deeds"))
		for i := range kinds {
			kinds[i] = rapid.IntRange(0, 2).Draw(t, "deed")
		}
		play := func(order []int, typedLater bool) made {
			s := newWorkshop(t)
			m := s.stock()
			lots := []events.Code{m.dark, s.receive("couverture-dark-60", 20000, bestBefore("2027-03-31")), s.receive("couverture-dark-60", 20000, bestBefore("2026-12-24"))}
			s.now = start
			vat := s.melt("vat-dark", draw(lots[0], 9000))
			out := made{shop: s, runs: map[int]events.Code{}, vat: vat}
			for _, i := range order {
				when := start.Add(time.Duration(i+1) * time.Minute)
				if typedLater {
					s.now = start.Add(3 * time.Hour)
				} else {
					s.now = when
				}
				switch kinds[i] {
				case 0:
					s.do(meltAt(when, draw(lots[(i+1)%3], float64(100+137*i))))
				default:
					cast := moulding("dark-drop")
					cast.OccurredAt = &when
					out.runs[i] = s.run(cast).Code
				}
			}
			return out
		}
		order := make([]int, len(kinds))
		for i := range order {
			order[i] = i
		}
		asDone := play(order, false)
		typed := rapid.Permutation(order).Draw(t, "typed")
		asTyped := play(typed, true)
		require.Equal(t, asDone.shop.set.Charge(asDone.vat).Mix, asTyped.shop.set.Charge(asTyped.vat).Mix)
		for i, run := range asDone.runs {
			want, got := asDone.shop.set.Run(run), asTyped.shop.set.Run(asTyped.runs[i])
			require.Equal(t, want.Mix, got.Mix, "run %d", i)
			require.Equal(t, want.Allergens, got.Allergens)
			require.Equal(t, want.Expiry.Date, got.Expiry.Date)
		}
		asTyped.shop.checkBook()
	})
}
