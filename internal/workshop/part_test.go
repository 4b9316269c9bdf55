package workshop_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// carried moves a quantity of one thing, and gives what became of it.
func (s *shop) carried(m workshop.Move, code events.Code, amount float64) events.MovedLine {
	s.t.Helper()
	line := workshop.HandledLine{Code: code}
	if code.Kind() == events.KindRun {
		line.Pieces = int(amount)
	} else {
		line.Quantity = g(amount)
	}
	m.Lines = []workshop.HandledLine{line}
	moved := s.do(m).(workshop.Moved).Lines
	require.Len(s.t, moved, 1)
	return moved[0]
}

func intoFreezer(from string) workshop.Move {
	return workshop.Move{From: from, To: "freezer", Sealed: true}
}

func outOfFreezer(to string) workshop.Move { return workshop.Move{From: "freezer", To: to} }

func intoBag(place string) workshop.Move {
	return workshop.Move{From: place, To: place, IntoBag: true}
}

// Whatever goes into the freezer or comes out of it goes on under a code of its own.
func TestEverythingPartsAtTheFreezer(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	opened := b.do(workshop.Open{Lot: b.puree, Quantity: g(500)}).(*workshop.Lot).Code
	for _, c := range []struct {
		name   string
		code   events.Code
		from   string
		amount float64
	}{
		{"pieces", b.domes, "counter", 8},
		{"filling", b.batch, "workshop", 200},
		{"a lot", b.cream, "cold-room", 1000},
		{"a portion", opened, "cold-room", 200},
	} {
		t.Run(c.name, func(t *testing.T) {
			b.now = at("2026-11-26T10:00:00Z")
			before := b.set.LinesOf(c.code)
			frozen := b.carried(intoFreezer(c.from), c.code, c.amount)
			require.Equal(t, c.code.Whole(), frozen.NewCode.Whole())
			require.NotEqual(t, c.code, frozen.NewCode)
			require.Equal(t, []string{"stock_moved"}, b.types(), "a part is born with its date")
			require.Equal(t, "frozen", last[events.StockMoved](b.shop).Lines[0].Parting.Cause)
			require.Equal(t, before[0].Dates.Date, frozen.Expiry.Date, "thawed today it would have the date that it had")
			require.Equal(t, frozen.NewCode, b.set.StandingAt("freezer")[0].Code)

			b.wait(48 * time.Hour)
			thawed := b.carried(outOfFreezer("cold-room"), frozen.NewCode, c.amount)
			require.Equal(t, c.code.Whole(), thawed.NewCode.Whole())
			require.Equal(t, "thawed", last[events.StockMoved](b.shop).Lines[0].Parting.Cause)
			require.Equal(t, day("2026-12-19"), *limit(t, *thawed.Expiry, "freezer_limit", "").Date, "21 days after thawing at most")
			require.Empty(t, b.set.StandingAt("freezer"))
			require.Empty(t, b.carried(workshop.Move{From: "cold-room", To: "workshop"}, thawed.NewCode, c.amount/2).NewCode, "elsewhere it stays what it is")
		})
	}
}

// The days in the freezer do not count for a filling; the cream's own use-by stands.
func TestThawedFillingHasTheDaysThatWereLeft(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-11-27T18:00:00Z") // 11 days are left after this one
	frozen := b.carried(intoFreezer("workshop"), b.batch, 200).NewCode
	require.Equal(t, events.Freezing{At: b.now, Sealed: true}, *b.set.Ganache(frozen).Frozen)
	b.now = at("2027-01-10T08:00:00Z")
	shown := workshop.Shown(b.set.Ganache(frozen).Expiry, b.set.Ganache(frozen).Frozen, b.now, time.UTC)
	require.Equal(t, day("2027-01-21"), *shown.Date, "what it would have, thawed today")
	require.False(t, b.lines(frozen, "freezer")[0].Dates.PastAt(b.now))
	thawed := b.carried(outOfFreezer("workshop"), frozen, 200)
	require.Equal(t, day("2027-01-21"), *thawed.Expiry.Date)

	run := b.run(moulding("blackcurrant-dome", thawed.NewCode))
	require.Equal(t, day("2027-01-21"), *run.Expiry.Date)
	require.Equal(t, []events.Code{thawed.NewCode}, run.Ganaches)
	shares := workshop.SharesOf(b.set.Ganache(thawed.NewCode).Mix, workshop.DefaultTrace)
	require.Equal(t, workshop.SharesOf(b.set.Ganache(b.batch).Mix, workshop.DefaultTrace), shares, "it is made of what the batch is made of")
	require.Contains(t, downstream(b.edges, b.cream), run.Code)
}

// Filling that goes from the freezer straight into the moulds is thawed when it is used.
func TestFrozenFillingUsedAsItIs(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-11-27T18:00:00Z")
	frozen := b.carried(intoFreezer("workshop"), b.batch, 200).NewCode
	b.now = at("2026-12-30T08:00:00Z")
	require.Equal(t, day("2027-01-10"), *b.run(moulding("blackcurrant-dome", frozen)).Expiry.Date)
}

func TestALotOutOfTheFreezerIsOpenedAsAnyOther(t *testing.T) {
	t.Parallel()
	s := open(t)
	cmd := delivery("blackcurrant-puree", 3000, bestBefore("2027-03-31"))
	cmd.Place = "freezer"
	puree := s.do(cmd).(*workshop.Lot).Code
	s.now = at("2026-12-01T10:00:00Z")
	thawed := s.carried(outOfFreezer("cold-room"), puree, 1000)
	require.Equal(t, puree.Part(1), thawed.NewCode)
	require.Equal(t, day("2026-12-22"), *thawed.Expiry.Date)
	require.NotContains(t, thawed.Expiry.Cautions, "It was not sealed in the freezer: its time there counts as life spent.")
	require.False(t, s.set.Lot(thawed.NewCode).Opened)

	portion := s.do(workshop.Open{Lot: thawed.NewCode, Quantity: g(400)}).(*workshop.Lot)
	require.Equal(t, puree.Part(2), portion.Code)
	require.Equal(t, puree, portion.Of)
	require.Equal(t, day("2026-12-06"), *portion.Expiry.Date, "opened on 1 December, 5 days")
	require.Equal(t, "2026-12-22", limit(t, portion.Expiry, "freezer_limit", portion.Code).Date.String())
	require.EqualValues(t, "wrong-kind-of-thing", s.refuse(workshop.Open{Lot: portion.Code, Quantity: g(1)}).Slug)

	again := s.carried(intoFreezer("cold-room"), portion.Code, 100).NewCode
	require.True(t, s.set.Lot(again).Held(), "it was in the freezer before")
	out := s.carried(outOfFreezer("cold-room"), again, 100)
	require.Equal(t, day("2026-12-06"), *limit(t, *out.Expiry, "opened_ingredient", portion.Code).Date, "the portion stays opened")

	stores := stores{
		cream: s.receive("cream-35", 6000, useBy("2026-12-08")), sugar: s.receive("invert-sugar", 500, bestBefore("2027-06-30")),
		dark: s.receive("couverture-dark-60", 1000, bestBefore("2027-05-31")), puree: thawed.NewCode,
	}
	made := s.ganache(batch(stores.inputs(stores.dark)...))
	require.Equal(t, puree.Part(5), last[events.PortionOpened](s).Portion, "drawn from, it opens by itself")
	require.NotNil(t, limit(t, made.Expiry, "freezer_limit", puree.Part(5)))
	frozen := s.carried(intoFreezer("workshop"), made.Code, 100).NewCode
	require.False(t, s.set.Ganache(frozen).Held(), "what its fruit was before it was boiled does not count")
}

// A second freezing is never refused: it has happened. The part waits for the owner.
func TestASecondFreezingIsHeld(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	first := b.carried(intoFreezer("counter"), b.domes, 8).NewCode
	b.wait(24 * time.Hour)
	thawed := b.carried(outOfFreezer("counter"), first, 8).NewCode
	b.as = maker
	again := b.carried(intoFreezer("counter"), thawed, 6)
	require.Equal(t, []string{"stock_moved", "deviation_opened", "hold_placed"}, b.types())
	require.True(t, last[events.StockMoved](b.shop).Lines[0].Parting.Freezing.Again)
	deviation := last[events.DeviationOpened](b.shop)
	require.Equal(t, again.NewCode, deviation.Code)
	require.Equal(t, "safety", deviation.Concern)
	require.Equal(t, "second_freezing", deviation.Rule)
	require.Contains(t, again.Expiry.Cautions, "It was frozen before: its time in the freezer counts as life spent.")
	require.True(t, b.lines(again.NewCode, "freezer")[0].Held)
	require.False(t, b.set.Run(thawed).Held(), "the two that stayed are not")

	b.wait(24 * time.Hour)
	out := b.carried(outOfFreezer("counter"), again.NewCode, 6).NewCode
	require.True(t, b.set.Run(out).Held(), "the hold goes on with what comes out")
	require.EqualValues(t, "on-hold", b.refuse(sale(byCode(out, 1))).Slug)
	decide := workshop.DecideDeviation{Deviation: b.set.Run(again.NewCode).Deviations[0].ID, Decision: "shorten", Date: ptr(day("2026-12-01")), Reason: "sold at once"}
	require.EqualValues(t, "forbidden", b.refuse(decide).Slug, "the owner decides")
	b.as = owner
	b.do(decide)
	require.Equal(t, day("2026-12-01"), *b.set.Run(out).Expiry.Date, "a decision reaches what parted since")
	require.NotEqual(t, day("2026-12-01"), *b.set.Run(thawed).Expiry.Date)
	require.False(t, b.set.Run(out).Held())
	b.do(sale(byCode(out, 1)))
}

// Thawed filling in pieces counts: they must not be frozen.
func TestPiecesOfThawedFillingAreNotFrozenAgain(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	thawed := b.carried(outOfFreezer("workshop"), b.carried(intoFreezer("workshop"), b.batch, 300).NewCode, 300).NewCode
	run := b.run(moulding("blackcurrant-dome", thawed)).Code
	require.True(t, b.set.Run(b.carried(intoFreezer("workshop"), run, 5).NewCode).Held())
	require.False(t, b.set.Run(b.carried(intoFreezer("workshop"), b.domes, 5).NewCode).Held())
}

func TestHoldsGoOnWithAPart(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	hold := b.do(workshop.PlaceHold{Code: b.batch, Reason: "a call"}).(workshop.HoldAnswer).Hold.ID
	frozen := b.carried(intoFreezer("workshop"), b.batch, 100).NewCode
	thawed := b.carried(outOfFreezer("workshop"), frozen, 50).NewCode
	require.True(t, b.set.Ganache(frozen).Held())
	require.True(t, b.set.Ganache(thawed).Held())
	b.do(workshop.LiftHold{Hold: hold, Reason: "all clear"})
	require.False(t, b.set.Ganache(frozen).Held())
	require.False(t, b.set.Ganache(thawed).Held())

	held := b.do(workshop.PlaceHold{Code: frozen, Reason: "the bag was torn"}).(workshop.HoldAnswer).Hold
	require.Equal(t, []events.Code{frozen, thawed}, held.Codes, "what parted from it, and not its batch")
	held = b.do(workshop.PlaceHold{Code: b.batch, Reason: "a call"}).(workshop.HoldAnswer).Hold
	require.Equal(t, []events.Code{b.batch, frozen, thawed}, held.Codes)
	require.EqualValues(t, "on-hold", b.refuse(moulding("blackcurrant-dome", thawed)).Slug)
}

// Filling in a piping bag keeps for four hours; pieces filled in time have the filling's own date.
func TestAPipingBagKeepsForFourHours(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-11-26T09:00:00Z")
	bag := b.carried(intoBag("workshop"), b.batch, 400)
	require.Equal(t, b.batch.Part(1), bag.NewCode)
	require.Equal(t, "piping_bag", bag.Expiry.Binds)
	require.Nil(t, bag.Expiry.Date)
	require.Equal(t, at("2026-11-26T13:00:00Z"), *bag.Expiry.DiscardBy)
	require.Equal(t, "bagged", last[events.StockMoved](b.shop).Lines[0].Parting.Cause)
	require.True(t, last[events.StockMoved](b.shop).IntoBag)

	shells := moulding("blackcurrant-dome")
	shells.TurnedOut = nil
	run := b.run(shells).Code // begun before the bag's end
	b.now = at("2026-11-26T12:59:59Z")
	filled := b.run(moulding("blackcurrant-dome", bag.NewCode))
	require.Equal(t, day("2026-12-08"), *filled.Expiry.Date)
	require.Equal(t, "filled_in_time", limit(t, filled.Expiry, "piping_bag", bag.NewCode).ReleasedBy)

	b.now = at("2026-11-26T13:00:00Z")
	late := workshop.MakeRun{Run: run, Filling: []workshop.FillingStep{{Source: bag.NewCode}}}
	require.EqualValues(t, "past-date", b.refuse(late).Slug)
	inTime := late
	inTime.Filling = []workshop.FillingStep{{Source: bag.NewCode, OccurredAt: ptr(at("2026-11-26T12:30:00Z")), Quantity: ptr(g(10))}}
	require.Equal(t, day("2026-12-08"), *b.run(inTime).Expiry.Date, "judged when it was piped")
	late.Done = already
	tooLate := b.run(late)
	require.Equal(t, []string{"past-date"}, last[events.MouldsFilled](b.shop).RuleBroken)
	require.True(t, tooLate.Held())
	require.Equal(t, at("2026-11-26T13:00:00Z"), *tooLate.Expiry.DiscardBy)
}

// Nothing gives a bag more time: not another place, not another bag, not the freezer, not the bowl of the next batch.
func TestNothingGivesABagMoreTime(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-11-26T09:00:00Z")
	end := at("2026-11-26T13:00:00Z")
	bag := b.carried(intoBag("workshop"), b.batch, 400).NewCode
	b.wait(time.Hour)
	require.Empty(t, b.carried(workshop.Move{From: "workshop", To: "cold-room"}, bag, 300).NewCode)
	require.Equal(t, end, *b.set.Ganache(bag).Expiry.DiscardBy)
	second := b.carried(intoBag("cold-room"), bag, 200)
	require.Equal(t, end, *second.Expiry.DiscardBy)
	frozen := b.carried(intoFreezer("cold-room"), second.NewCode, 100).NewCode
	require.Equal(t, end, *b.set.Ganache(frozen).Expiry.DiscardBy)
	require.Equal(t, end, *b.carried(outOfFreezer("workshop"), frozen, 50).Expiry.DiscardBy)

	rest := draw(bag, 50)
	rest.Place = "workshop"
	made := b.ganache(batch(append(b.inputs(b.charge), rest)...))
	require.Equal(t, end, *made.Expiry.DiscardBy)
}

func TestOnlyFillingGoesIntoABag(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	for _, line := range []workshop.HandledLine{{Code: b.domes, Pieces: 2}, {Code: b.cream, Quantity: g(10)}} {
		m := intoBag("workshop")
		m.Lines = []workshop.HandledLine{line}
		require.EqualValues(t, "wrong-kind-of-thing", b.refuse(m).Slug)
	}
	m := intoBag("workshop")
	m.Lines = []workshop.HandledLine{{Code: b.batch, Quantity: g(5000)}}
	require.EqualValues(t, "not-enough", b.refuse(m).Slug)
	m.IntoBag = false
	require.EqualValues(t, "invalid-request", b.refuse(m).Slug, "nothing is carried to where it stands")
}

// What comes back from a place that was too warm is not what stayed in the cool.
func TestBackFromAPlaceThatWasOutOfItsClass(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	require.Empty(t, b.carried(workshop.Move{From: "counter", To: "stall"}, b.domes, 10).NewCode)
	b.now = at("2026-11-25T12:00:00Z")
	b.do(workshop.Check{Slug: "stall", Kind: "temperature", Value: ptr(28.0)})
	require.Equal(t, []string{"checked", "deviation_opened", "stock_moved", "deviation_opened"}, b.types(), "what stood at the stall since ten parts from what stands at the counter")
	require.Equal(t, b.domes.Part(1), last[events.StockMoved](b.shop).Lines[0].NewCode)
	b.now = at("2026-11-25T18:00:00Z")
	back := b.carried(workshop.Move{From: "stall", To: "counter"}, b.domes, 4)
	require.Equal(t, b.domes.Part(2), back.NewCode, "the old label still names what stands there")
	require.Equal(t, []string{"stock_moved", "deviation_opened", "hold_placed"}, b.types())
	require.Equal(t, "out_of_class", last[events.StockMoved](b.shop).Lines[0].Parting.Cause)
	deviation := last[events.DeviationOpened](b.shop)
	require.Equal(t, "out_of_class", deviation.Rule)
	require.Equal(t, "safety", deviation.Concern)
	require.Equal(t, "stall", deviation.Place)
	require.InDelta(t, 28, *deviation.Value, 0)
	require.Equal(t, at("2026-12-08T18:00:00Z"), limit(t, *back.Expiry, "assessment", b.batch).At.UTC(), "eight hours at 28 °C are twenty-four of the life")
	require.Equal(t, "LAB-0417, less 16 h for 8 h at 28 °C in the Stall", limit(t, *back.Expiry, "assessment", b.batch).Source)
	require.Equal(t, day("2026-12-07"), *back.Expiry.Date)
	require.Equal(t, int64(10), b.onHand(b.domes, "counter"), "what stayed stands under its own code")
	require.Equal(t, int64(4), b.onHand(back.NewCode, "counter"))

	require.EqualValues(t, "on-hold", b.refuse(sale(byCode(back.NewCode, 1))).Slug)
	b.do(workshop.DecideDeviation{Deviation: b.set.Run(back.NewCode).Deviations[0].ID, Decision: "accept", Reason: "looked at, no bloom"})
	b.do(sale(byCode(back.NewCode, 1)))

	place := b.set.DeviationsAt("stall")[0]
	b.do(workshop.DecideDeviation{Deviation: place.ID, Decision: "accept", Reason: "out of the sun"})
	require.Empty(t, b.carried(workshop.Move{From: "stall", To: "counter"}, b.domes, 4).NewCode, "once it is decided, nothing parts any more")
}

func TestWhatTheWarmthDoesNotConcernGoesOnAsItWas(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	before := b.now
	b.wait(time.Hour)
	b.do(workshop.Check{Slug: "workshop", Kind: "temperature", Value: ptr(24.0)})
	require.Empty(t, b.carried(workshop.Move{From: "workshop", To: "counter"}, b.dark, 500).NewCode, "couverture only gets soft")
	late := workshop.Move{From: "workshop", To: "counter"}
	late.OccurredAt = &before
	require.Empty(t, b.carried(late, b.domes, 2).NewCode, "it had left before")

	b.do(workshop.Check{Slug: "cold-room", Kind: "temperature", Value: ptr(12.0)})
	require.NotEmpty(t, b.carried(workshop.Move{From: "cold-room", To: "workshop"}, b.cream, 500).NewCode, "cream does not")
}

// A freezer that was too warm: the clock ran from then on.
func TestOutOfAFreezerThatWasTooWarm(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	b.now = at("2026-11-27T18:00:00Z") // 11 days are left
	frozen := b.carried(intoFreezer("counter"), b.domes, 8).NewCode
	b.now = at("2026-12-05T08:00:00Z")
	b.do(workshop.Check{Slug: "freezer", Kind: "temperature", Value: ptr(-6.0)})
	b.now = at("2026-12-07T08:00:00Z")
	out := b.carried(outOfFreezer("counter"), frozen, 8)
	require.Equal(t, day("2026-12-15"), *out.Expiry.Date, "ten days in the freezer, less two since it was found and one before it")
	require.True(t, b.set.Run(out.NewCode).Held())
	require.Equal(t, "out_of_class", last[events.DeviationOpened](b.shop).Rule)
}

// Pieces dated for the chill keep shorter where they stand warmer, and do not get it back.
func TestPiecesCarriedToAWarmerPlaceKeepShorter(t *testing.T) {
	t.Parallel()
	b := dated(t, func(f *events.Formula) {
		f.Storage, f.ShopLimitDays = "chilled", nil
		f.Assessment.Days = map[string]int{"chilled": 21, "cool": 14}
	})
	b.do(workshop.Release{Run: b.domes, Pieces: 20, Place: "cold-room"})
	require.Equal(t, day("2026-12-15"), *b.set.Run(b.domes).Expiry.Date)
	out := b.carried(workshop.Move{From: "cold-room", To: "counter"}, b.domes, 8)
	require.Equal(t, b.domes.Part(1), out.NewCode)
	require.Equal(t, "warmer", last[events.StockMoved](b.shop).Lines[0].Parting.Cause)
	require.Equal(t, day("2026-12-08"), *out.Expiry.Date)
	require.Equal(t, []string{"stock_moved"}, b.types(), "nothing is wrong with it")
	require.Equal(t, day("2026-12-15"), *b.set.Run(b.domes).Expiry.Date, "what stays in the chill keeps")
	require.Empty(t, b.carried(workshop.Move{From: "counter", To: "stall"}, out.NewCode, 2).NewCode)
	require.Empty(t, b.carried(workshop.Move{From: "counter", To: "cold-room"}, out.NewCode, 2).NewCode)
	require.Equal(t, day("2026-12-08"), *b.set.Run(out.NewCode).Expiry.Date)
}

func TestWhatWasNeverAssessedForTheCoolHasFourHoursThere(t *testing.T) {
	t.Parallel()
	b := dated(t, func(f *events.Formula) {
		f.Storage, f.ShopLimitDays = "chilled", nil
		f.Assessment.Days = map[string]int{"chilled": 21}
	})
	b.do(workshop.Release{Run: b.domes, Pieces: 20, Place: "cold-room"})
	out := b.carried(workshop.Move{From: "cold-room", To: "counter"}, b.domes, 8)
	require.Equal(t, "food_safety_cap", out.Expiry.Binds)
	require.Equal(t, b.now.Add(4*time.Hour), *out.Expiry.DiscardBy)

	b.carried(workshop.Move{From: "workshop", To: "cold-room"}, b.batch, 500)
	bench := b.carried(workshop.Move{From: "cold-room", To: "workshop"}, b.batch, 300)
	require.Equal(t, "piping_bag", bench.Expiry.Binds, "it is piped within four hours")
	require.Equal(t, day("2026-12-15"), *b.run(moulding("blackcurrant-dome", bench.NewCode)).Expiry.Date)
}

// The gate is no way into the freezer or out of it: a release does not part histories.
func TestAReleaseDoesNotPassTheFreezersDoor(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	require.EqualValues(t, "wrong-state", b.refuse(workshop.Release{Run: b.domes, Pieces: 5, Place: "freezer"}).Slug)
	part := b.carried(intoFreezer("workshop"), b.domes, 10).NewCode
	require.EqualValues(t, "wrong-state", b.refuse(workshop.Release{Run: part, Pieces: 5, Place: "counter"}).Slug)
	b.do(workshop.Release{Run: part, Pieces: 5, Place: "freezer"})
	require.EqualValues(t, "wrong-kind-of-thing", b.refuse(workshop.Sell{Place: "freezer", Channel: "counter", Lines: []workshop.PieceLine{byCode(part, 1)}}).Slug, "a freezer sells only if it is said to")
}

// A part did not exist before it parted.
func TestNothingHappensToAPartBeforeItParted(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-11-26T10:00:00Z")
	frozen := b.carried(intoFreezer("workshop"), b.batch, 300).NewCode
	b.wait(time.Hour)
	out := outOfFreezer("workshop")
	out.Done = done("2026-11-26T09:00:00Z")
	out.Lines = []workshop.HandledLine{{Code: frozen, Quantity: g(100)}}
	require.EqualValues(t, "before-it-existed", b.refuse(out).Slug)
	out.Done = done("2026-11-26T10:30:00Z")
	b.do(out)
	require.Equal(t, at("2026-11-26T10:30:00Z"), b.set.Ganache(frozen.Whole().Part(2)).Parted.At, "a move typed late")
	cmd := moulding("blackcurrant-dome", frozen.Whole().Part(2))
	cmd.Done = done("2026-11-26T10:20:00Z")
	require.EqualValues(t, "before-it-existed", b.refuse(cmd).Slug)

	short := outOfFreezer("workshop")
	short.Lines = []workshop.HandledLine{{Code: frozen, Quantity: g(900)}}
	require.EqualValues(t, "not-enough", b.refuse(short).Slug)
	short.Done = already
	b.do(short)
	require.Equal(t, []string{"stock_counted", "stock_moved", "deviation_opened"}, b.types())
	require.Equal(t, g(900), b.set.Ganache(frozen.Whole().Part(3)).Yield)
}

// A melt that is written down late is in the parts as well: its lot's date limits them, however long they were frozen.
func TestALateMeltReachesTheParts(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	old := b.receive("couverture-dark-60", 9000, bestBefore("2026-12-31"))
	melted := b.now
	b.wait(time.Hour)
	late := b.run(moulding("dark-drop")).Code
	b.now = at("2026-11-27T18:00:00Z")
	frozen := b.carried(intoFreezer("counter"), b.domes, 8).NewCode
	drops := b.carried(intoFreezer("workshop"), late, 8).NewCode
	b.now = at("2027-01-10T08:00:00Z")
	b.do(workshop.Melt{Done: workshop.Done{OccurredAt: &melted}, Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(old, 5000)}})
	require.Equal(t, day("2026-12-31"), *b.set.Run(late).Expiry.Date)
	require.Equal(t, day("2026-12-31"), *b.set.Run(drops).Expiry.Date)
	require.Equal(t, workshop.SharesOf(b.set.Run(late).Mix, workshop.DefaultTrace), workshop.SharesOf(b.set.Run(drops).Mix, workshop.DefaultTrace))
	require.NotEqual(t, day("2026-12-31"), *b.set.Run(frozen).Expiry.Date, "what was made before has nothing of it")
}
