package workshop_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

func (s *shop) hold(code events.Code, downstream bool) *workshop.Hold {
	s.t.Helper()
	return s.do(workshop.PlaceHold{Code: code, Downstream: downstream, Reason: "supplier called"}).(workshop.HoldAnswer).Hold
}

func (s *shop) lift(hold uuid.UUID) {
	s.t.Helper()
	s.do(workshop.LiftHold{Hold: hold, Reason: "all clear"})
}

func TestAHoldDownstreamTakesInEverythingMadeOfALot(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	portion := b.do(workshop.Open{Lot: b.cream, Quantity: g(1000)}).(*workshop.Lot).Code
	capping := moulding("blackcurrant-dome", b.batch)
	capping.Capping.Returned = ptr(g(20)) // the tank gets a film of the cream
	scraped := b.run(capping).Code
	b.wait(time.Hour)
	drop := b.run(moulding("dark-drop")).Code
	hold := b.hold(b.cream, true)
	require.ElementsMatch(t, []events.Code{b.charge, b.batch, b.cream, b.cream.Part(1), portion, b.domes, scraped, drop}, hold.Codes)
	for _, code := range hold.Codes {
		_, held := b.marks(code)
		require.True(t, held, code)
	}
	require.EqualValues(t, "on-hold", b.refuse(moulding("dark-drop")).Slug, "the tank is held, even for a film")
	require.EqualValues(t, "on-hold", b.refuse(workshop.Release{Run: drop, Pieces: 1, Place: "counter"}).Slug)

	// Held stock may be moved, counted, checked and discarded.
	b.do(workshop.Move{From: "workshop", To: "cold-room", Lines: []workshop.HandledLine{{Code: drop, Pieces: 4}}})
	b.do(workshop.Count{Place: "cold-room", Lines: []workshop.HandledLine{{Code: drop, Pieces: 3}}})
	b.do(workshop.Check{Code: drop, Kind: "visual", Result: "pass"})
	b.do(workshop.Discard{Place: "cold-room", Lines: []workshop.HandledLine{{Code: drop, Pieces: 3}}, Reason: "recall", Destination: "refuse"})

	b.lift(hold.ID)
	require.EqualValues(t, "wrong-state", b.refuse(workshop.LiftHold{Hold: hold.ID, Reason: "again"}).Slug)
	b.release(drop, 1)
	for _, code := range hold.Codes {
		_, held := b.marks(code)
		require.False(t, held, code)
	}
}

// What was cast before the lot came into the tank has nothing of it.
func TestAHoldDownstreamTakesInNoDrawMadeBeforeTheLotCameIn(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.melt("vat-dark", draw(m.dark, 2000))
	before := s.run(moulding("dark-drop")).Code
	s.wait(time.Hour)
	recalled := s.receive("couverture-dark-60", 1000, bestBefore("2027-05-31"))
	charge := s.melt("vat-dark", draw(recalled, 1000))
	s.wait(time.Hour)
	after := s.run(moulding("dark-drop")).Code
	hold := s.hold(recalled, true)
	require.ElementsMatch(t, []events.Code{charge, after, recalled}, hold.Codes)
	require.NotContains(t, hold.Codes, before)
	s.release(before, 10)
}

func TestAHoldOnALotTakesInItsPortionsOnly(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	hold := b.hold(b.cream, false)
	require.Equal(t, []events.Code{b.cream, b.cream.Part(1)}, hold.Codes)
	b.release(b.domes, 10)
}

func TestTwoHoldsAreLiftedOneByOne(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	one, two := b.hold(b.domes, false), b.hold(b.domes, false)
	b.lift(one.ID)
	require.EqualValues(t, "on-hold", b.refuse(workshop.Release{Run: b.domes, Pieces: 1, Place: "counter"}).Slug)
	b.lift(two.ID)
	b.release(b.domes, 1)
}

// What comes out of a held thing is held with it, and freed with it.
func TestLiftingAHoldFreesWhatCameOutOfTheHeldThing(t *testing.T) {
	t.Parallel()
	t.Run("a part that went into the freezer", func(t *testing.T) {
		t.Parallel()
		b := open(t).bench()
		hold := b.hold(b.domes, false)
		b.do(workshop.Move{From: "workshop", To: "freezer", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 10}}, Sealed: true})
		part := b.domes.Part(1)
		require.True(t, b.lines(part, "freezer")[0].Held)
		require.Contains(t, b.set.Hold(hold.ID).Codes, part, "the hold says all that it took in")
		b.lift(hold.ID)
		require.False(t, b.lines(part, "freezer")[0].Held)
	})
	t.Run("a tank emptied and not cleaned, and its block", func(t *testing.T) {
		t.Parallel()
		b := open(t).bench()
		hold := b.hold(b.charge, false)
		emptied := b.do(workshop.Empty{Vat: "vat-dark", Rest: "block", Place: "workshop"}).(workshop.Emptied)
		block := emptied.Event.Block.Lot
		require.True(t, b.set.Charge(emptied.NextCharge).Held())
		require.True(t, b.lines(block, "")[0].Held)
		b.lift(hold.ID)
		require.False(t, b.set.Charge(emptied.NextCharge).Held())
		require.False(t, b.lines(block, "")[0].Held)
	})
	t.Run("a portion opened all the same", func(t *testing.T) {
		t.Parallel()
		b := open(t).bench()
		hold := b.hold(b.cream, false)
		portion := b.do(workshop.Open{Done: already, Lot: b.cream, Quantity: g(100)}).(*workshop.Lot).Code
		require.Len(t, b.set.Lot(portion).Holds, 2, "the lot's, and one of its own for the broken rule")
		b.lift(hold.ID)
		require.Len(t, b.set.Lot(portion).Holds, 1)
	})
}

func TestALineOffTheRecipeIsAQualityDeviation(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 10000))
	lines := m.inputs(charge)
	lines[0].Quantity = g(420) // 5 % more cream makes 1.67 % more in all: 400 × 1220/1200 is 406.67, and 5 % of that 20.33
	require.Empty(t, s.ganache(batch(lines...)).Deviations)
	lines[0].Quantity = g(440)
	answer := s.do(batch(lines...)).(workshop.GanacheAnswer)
	require.Len(t, answer.Deviations, 1)
	deviation := answer.Deviations[0]
	require.Equal(t, "quality", deviation.Concern)
	require.Equal(t, "off_formula", deviation.Rule)
	require.InDelta(t, 440, *deviation.Value, 0)
	require.InDelta(t, 413.333*0.95, *deviation.Band.Min, 1e-3)
	require.InDelta(t, 413.333*1.05, *deviation.Band.Max, 1e-3)

	half := []workshop.DrawLine{draw(m.cream, 200), draw(charge, 260), draw(m.puree, 110), draw(m.sugar, 30)}
	require.Empty(t, s.ganache(batch(half...)).Deviations, "half a batch is no deviation")
	without := s.do(batch(half[:3]...)).(workshop.GanacheAnswer).Deviations
	require.Contains(t, without[len(without)-1].Detail, "invert-sugar", "an ingredient left out is one")
	stranger := []workshop.DrawLine{half[0], half[1], half[2], half[3], draw(m.paste, 30)}
	require.Len(t, s.ganache(batch(stranger...)).Deviations, 1, "and so is one that the recipe does not have")

	earlier := s.ganache(batch(m.inputs(charge)...))
	require.Empty(t, s.ganache(batch(append(m.inputs(charge), draw(earlier.Code, 100))...)).Deviations, "rework counts for no line")
	bar := append([]workshop.DrawLine{}, half...)
	bar[1].Source = m.dark
	require.Empty(t, s.ganache(batch(bar...)).Deviations, "drops for what the tank would have given")
}

// Dark chocolate works from 30.5 to 33 °C (common practice, no source).
func TestTemperaturesOutsideTheirBandsAreQualityDeviations(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	cmd := moulding("blackcurrant-dome", b.batch)
	cmd.Casting.TemperatureC, cmd.Filling[0].TemperatureC, cmd.Capping.TemperatureC = ptr(32.0), ptr(32.0), ptr(30.5)
	require.Empty(t, b.do(cmd).(workshop.RunAnswer).Deviations, "dark works from 30.5 to 33 °C; this recipe is piped at 32 °C at most")
	cmd.Casting.TemperatureC, cmd.Filling[0].TemperatureC, cmd.Capping.TemperatureC = ptr(33.5), ptr(32.5), ptr(30.0)
	answer := b.do(cmd).(workshop.RunAnswer)
	require.Len(t, answer.Deviations, 3)
	for _, deviation := range answer.Deviations {
		require.Equal(t, "quality", deviation.Concern)
		require.Equal(t, "temperature", deviation.Rule)
		require.NotNil(t, deviation.Band)
	}
	b.release(answer.Run.Code, 24) // quality bars no release
}

func TestSafetyIsTheOwnersToDecide(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	failed := b.do(workshop.Check{Code: b.domes, Kind: "metal", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	refusal := b.refuse(workshop.Release{Run: b.domes, Pieces: 1, Place: "counter"})
	require.EqualValues(t, "undecided-deviation", refusal.Slug)
	require.Equal(t, []string{failed.ID.String()}, refusal.Facts["deviations"])

	accept := workshop.DecideDeviation{Deviation: failed.ID, Decision: "accept", Reason: "the detector was set too fine"}
	b.as = maker
	require.EqualValues(t, "forbidden", b.refuse(accept).Slug)
	visual := b.do(workshop.Check{Code: b.domes, Kind: "visual", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	b.do(workshop.DecideDeviation{Deviation: visual.ID, Decision: "accept", Reason: "a scuff"})
	b.as = owner
	b.do(accept)
	require.EqualValues(t, "wrong-state", b.refuse(accept).Slug, "decided already")
	b.release(b.domes, 1)
	require.Empty(t, b.set.Run(b.domes).Deviations)
}

func TestAcceptingADeviationLiftsTheHoldThatCameWithIt(t *testing.T) {
	t.Parallel()
	s := open(t)
	warm := delivery("cream-35", 1000, useBy("2026-12-04"))
	warm.TemperatureC = ptr(9.0)
	lot := s.do(warm).(*workshop.Lot)
	s.do(workshop.DecideDeviation{Deviation: lot.Deviations[0].ID, Decision: "accept", Reason: "the probe was warm"})
	require.Equal(t, []string{"deviation_decided", "hold_lifted"}, s.types())
	s.do(workshop.Open{Lot: lot.Code, Quantity: g(100)})
}

// A decision to discard stands though another hold on the thing is lifted.
func TestDecidedToDiscardIsHeldUntilItIsDone(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	other := b.hold(b.domes, false)
	failed := b.do(workshop.Check{Code: b.domes, Kind: "metal", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	b.do(workshop.DecideDeviation{Deviation: failed.ID, Decision: "discard", Reason: "a splinter"})
	b.lift(other.ID)
	require.EqualValues(t, "on-hold", b.refuse(workshop.Release{Run: b.domes, Pieces: 1, Place: "counter"}).Slug)
	b.do(workshop.Discard{Place: "workshop", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 24}}, Reason: "contamination", Destination: "refuse"})
}

func TestShorteningADeviationRedatesWhatHasTheDateFromIt(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	capping := moulding("blackcurrant-dome", b.batch)
	capping.Capping.Returned = ptr(g(20))
	b.run(capping)
	b.wait(time.Hour)
	drop := b.run(moulding("dark-drop")).Code // has a film of the batch, and no date from it
	b.release(b.domes, 10)
	b.do(workshop.Move{From: "counter", To: "freezer", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 4}}, Sealed: true})
	slow := b.do(workshop.Check{Code: b.batch, Kind: "visual", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]

	shorten := workshop.DecideDeviation{Deviation: slow.ID, Decision: "shorten", Date: ptr(day("2026-12-20")), Reason: "cooled slowly"}
	require.EqualValues(t, "invalid-request", b.refuse(shorten).Slug, "later than it has")
	shorten.Date = nil
	require.EqualValues(t, "invalid-request", b.refuse(shorten).Slug)
	shorten.Date = ptr(day("2026-12-01"))
	b.do(shorten)
	for _, code := range []events.Code{b.batch, b.domes, b.domes.Part(1)} {
		expiry, _ := b.marks(code)
		require.Equal(t, day("2026-12-01"), *expiry.Date, code)
		require.Equal(t, "shop_limit", expiry.Binds)
		require.Equal(t, day("2026-12-01"), *expiry.UseBy)
	}
	redated := last[events.Redated](b.shop)
	require.Equal(t, day("2026-12-08"), *redated.Old)
	require.Equal(t, day("2027-05-31"), *b.set.Run(drop).Expiry.Date)
	for _, line := range b.lines(b.domes, "") {
		require.Equal(t, day("2026-12-01"), *line.Dates.Date)
	}

	b.now = at("2026-12-10T10:00:00Z") // a decided day stands through the freezer
	b.do(workshop.Move{From: "freezer", To: "counter", Lines: []workshop.HandledLine{{Code: b.domes.Part(1), Pieces: 4}}})
	require.Equal(t, day("2026-12-01"), *b.set.Run(b.domes.Part(2)).Expiry.Date)
}

func TestAShortenedLotPassesItsDateOn(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	bad := s.do(workshop.Check{Code: m.paste, Kind: "visual", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	s.do(workshop.DecideDeviation{Deviation: bad.ID, Decision: "shorten", Date: ptr(day("2026-12-02")), Reason: "opened by a mouse"})
	require.Equal(t, day("2026-12-02"), *s.set.Lot(m.paste).Expiry.Date)
	charge := s.melt("vat-dark", draw(m.dark, 5000))
	made := s.ganache(batch(m.inputs(charge)...)).Code
	run := s.run(moulding("twin-dome", made, m.paste))
	require.Equal(t, day("2026-12-02"), *run.Expiry.Date)
	require.Equal(t, "shop_limit", run.Expiry.Binds)
	require.Equal(t, string(m.paste), run.Expiry.Limits[0].Subject)

	bad = s.do(workshop.Check{Code: m.sugar, Kind: "visual", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	s.do(workshop.DecideDeviation{Deviation: bad.ID, Decision: "shorten", Date: ptr(day("2026-11-30")), Reason: "the pail was cracked"})
	mixed := s.ganache(batch(m.inputs(charge)...))
	require.Equal(t, day("2026-11-30"), *mixed.Expiry.Date, "in a batch as well")
	require.Equal(t, string(m.sugar), mixed.Expiry.Limits[0].Subject)
}

func TestAPlaceOrATankHasNoDateToShorten(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	hot := b.do(workshop.Check{Slug: "cold-room", Kind: "temperature", Value: ptr(12.0)}).(workshop.CheckAnswer).Deviations[0]
	shorten := workshop.DecideDeviation{Deviation: hot.ID, Decision: "shorten", Date: ptr(day("2026-11-30")), Reason: "door left open"}
	require.EqualValues(t, "invalid-request", b.refuse(shorten).Slug)
	b.do(workshop.DecideDeviation{Deviation: hot.ID, Decision: "accept", Reason: "for ten minutes"})
	grey := b.do(workshop.Check{Code: b.charge, Kind: "temper", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	shorten.Deviation = grey.ID
	require.EqualValues(t, "invalid-request", b.refuse(shorten).Slug)
}

// ---- what is done already and broke a rule ----

func TestAFactThatBrokeASafetyRuleIsRecordedAndHeld(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-12-05T10:00:00Z") // the cream's use-by was yesterday
	cmd := batch(b.inputs(b.charge)...)
	require.EqualValues(t, "past-date", b.refuse(cmd).Slug)
	cmd.Done = already
	made := b.ganache(cmd)
	require.Equal(t, []string{"portion_opened", "portion_opened", "ganache_made", "deviation_opened", "hold_placed"}, b.types())
	require.Equal(t, []string{"past-date"}, last[events.GanacheMade](b.shop).RuleBroken)
	require.True(t, made.Held())
	deviation := last[events.DeviationOpened](b.shop)
	require.Equal(t, "safety", deviation.Concern)
	require.Equal(t, made.Code, deviation.Code)

	b.do(workshop.DecideDeviation{Deviation: made.Deviations[0].ID, Decision: "accept", Reason: "boiled, and tasted"})
	require.False(t, b.set.Ganache(made.Code).Held(), "a hold born of a broken rule is lifted by the decision")
}

func TestAShortageOfWhatIsDoneIsFirstBookedAsFound(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 10)
	cmd := sale(byDesign("blackcurrant-dome", 12))
	cmd.Done = already
	sold := b.do(cmd).(workshop.Sold)
	require.Equal(t, []string{"stock_counted", "pieces_sold", "deviation_opened"}, b.types())
	counted := last[events.StockCounted](b.shop)
	require.Equal(t, "book_short", counted.Reason)
	require.Equal(t, events.CountedLine{
		StockOf: events.StockOf{Code: b.domes, Grade: "first"}, Found: events.Amount{Pieces: 12}, Had: events.Amount{Pieces: 10},
	}, counted.Lines[0])
	require.Equal(t, []string{"not-enough"}, last[events.PiecesSold](b.shop).RuleBroken)
	require.Equal(t, "quality", last[events.DeviationOpened](b.shop).Concern)
	total := 0
	for _, a := range sold.Lines[0].Allocations {
		total += a.Pieces
	}
	require.Equal(t, 12, total)
	require.Zero(t, b.onHand(b.domes, "counter"))

	melt := workshop.Melt{Done: already, Vat: "vat-milk", Inputs: []workshop.DrawLine{draw(b.milk, 6000)}}
	charge := b.do(melt).(workshop.Melted).Charge
	require.Equal(t, g(6000), charge.Mix.Total())
	require.Zero(t, b.onHand(b.milk, ""))
	require.False(t, charge.Held(), "a shortage concerns quality")
}

// What a tank lacked came in of lots that nobody knows; it may contain all that the charge had seen.
func TestMoreDrawnFromATankThanTheBookHad(t *testing.T) {
	t.Parallel()
	for _, had := range []float64{100, 120} { // 120 g are drawn to nothing first
		s := open(t)
		m := s.stock()
		charge := s.melt("vat-dark", draw(m.dark, had))
		if had == 120 {
			s.run(moulding("dark-drop"))
		}
		cmd := moulding("dark-drop")
		require.EqualValues(t, "not-enough", s.refuse(cmd).Slug)
		cmd.Done = already
		run := s.run(cmd)
		require.Equal(t, "stock_counted", s.types()[0])
		require.Zero(t, s.onHand(charge, ""))
		known := had
		if had == 120 {
			known = 0
		}
		require.Equal(t, workshop.Mix{{Mass: g(120 - known)}, {Lot: m.dark, Mass: g(known)}}, run.Mix)
		if known == 0 {
			require.Empty(t, run.Allergens.Contains)
			require.Equal(t, []string{"milk", "soybeans"}, run.Allergens.MayContain)
			require.EqualValues(t, "no-whole-day", s.refuse(workshop.Release{Run: run.Code, Pieces: 1, Place: "counter"}).Slug, "no lot that dates it")
		} else {
			require.Equal(t, []string{"soybeans"}, run.Allergens.Contains)
			s.release(run.Code, 24)
		}
	}
	s := open(t)
	cmd := moulding("dark-drop")
	cmd.Done = already
	refusal := s.refuse(cmd)
	require.EqualValues(t, "not-enough", refusal.Slug, "a tank with no charge has nothing that it could have been")
	require.Equal(t, workshop.Facts{"wanted": g(120), "available": events.Mass(0), "unit": "g", "place": "vat-dark"}, refusal.Facts)
}

func TestHeldPiecesSoldAlreadyOpenADeviationOnThemAlone(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 10)
	other := b.domesOf("2026-11-27T10:00:00Z", 10)
	b.hold(b.domes, false)
	cmd := sale(byCode(b.domes, 2), byCode(other, 2))
	cmd.Done = already
	b.do(cmd)
	require.Equal(t, []string{"pieces_sold", "deviation_opened"}, b.types())
	require.Equal(t, []string{"on-hold"}, last[events.PiecesSold](b.shop).RuleBroken)
	require.Equal(t, b.domes, last[events.DeviationOpened](b.shop).Code)
	b.do(workshop.Release{Run: other, Pieces: 1, Place: "counter"})

	cmd = sale(byDesign("blackcurrant-dome", 12)) // 8 sound, then 4 of the held
	require.EqualValues(t, "on-hold", b.refuse(cmd).Slug)
	cmd.Done = already
	sold := b.do(cmd).(workshop.Sold)
	require.Equal(t, []events.Allocation{
		{Code: other, Grade: "first", Pieces: 9, How: "presumed", Date: ptr(day("2026-12-10"))},
		{Code: b.domes, Grade: "first", Pieces: 3, How: "presumed", Date: ptr(day("2026-12-08"))},
	}, sold.Lines[0].Allocations)
}

func TestUnreleasedPiecesSoldAlready(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Move{From: "workshop", To: "counter", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 5}}})
	cmd := sale(byCode(b.domes, 7))
	require.EqualValues(t, "not-enough", b.refuse(cmd).Slug)
	cmd.Done = already
	sold := b.do(cmd).(workshop.Sold)
	require.Equal(t, []string{"not-released", "not-enough"}, last[events.PiecesSold](b.shop).RuleBroken)
	require.Zero(t, b.onHand(b.domes, "counter"))
	for _, a := range sold.Lines[0].Allocations {
		require.True(t, a.Unreleased)
	}
}

func TestAReleaseDoneAlreadyAgainstARule(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.hold(b.domes, false)
	b.do(workshop.Release{Done: already, Run: b.domes, Pieces: 10, Place: "counter"})
	require.Equal(t, []string{"on-hold"}, last[events.PiecesReleased](b.shop).RuleBroken)
	require.Len(t, b.set.Run(b.domes).Holds, 2)
}

// One melt of a held lot does not hold what was drawn from the tank before.
func TestABrokenMeltHoldsTheChargeAndNotWhatWasDrawnBefore(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	bad := b.receive("couverture-dark-60", 1000, bestBefore("2027-05-31"))
	b.hold(bad, false)
	b.wait(time.Hour)
	cmd := workshop.Melt{Done: already, Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(bad, 500)}}
	require.True(t, b.do(cmd).(workshop.Melted).Charge.Held())
	require.Equal(t, []events.Code{b.charge}, last[events.HoldPlaced](b.shop).Codes)
	require.False(t, b.set.Run(b.domes).Held())
}

// What a run that broke a rule gave to the tank in the same command is held with it.
func TestABrokenRunHoldsTheTankItWasScrapedBackInto(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.hold(b.batch, false)
	cmd := moulding("blackcurrant-dome", b.batch)
	cmd.Capping.Returned = ptr(g(20))
	cmd.Done = already
	run := b.run(cmd)
	require.True(t, run.Held())
	require.ElementsMatch(t, []events.Code{b.charge, run.Code}, last[events.HoldPlaced](b.shop).Codes)
	require.Equal(t, []string{"on-hold"}, last[events.MouldsFilled](b.shop).RuleBroken)
	require.Empty(t, last[events.ShellsCast](b.shop).RuleBroken)
	require.Len(t, run.Deviations, 1)
}

func TestAnOpeningSaysWhichRuleItBroke(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.hold(b.cream, false)
	b.do(workshop.Open{Done: already, Lot: b.cream, Quantity: g(10)})
	require.Equal(t, []string{"on-hold"}, last[events.PortionOpened](b.shop).RuleBroken)
}
