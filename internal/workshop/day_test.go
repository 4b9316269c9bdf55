package workshop_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

func TestADeliveryIsALotWithADateAndAnOwnLabel(t *testing.T) {
	t.Parallel()
	s := open(t)
	cmd := delivery("cream-35", 6000, useBy("2026-12-04"))
	cmd.PriceMinor, cmd.TemperatureC, cmd.DeliveryNote = ptr(int64(2940)), ptr(3.8), "DN-1182"
	cmd.Allergens, cmd.MayContain = &[]string{"milk", "eggs"}, &[]string{"nuts:hazelnut"}
	lot := s.do(cmd).(*workshop.Lot)
	require.Equal(t, "L261125-01", string(lot.Code)[:10])
	require.Equal(t, day("2026-12-04"), *lot.Expiry.Date)
	require.Equal(t, "ingredient_use_by", lot.Expiry.Binds)
	require.False(t, lot.Held())
	require.Equal(t, int64(g(6000)), s.onHand(lot.Code, "cold-room"))
	require.Equal(t, "EUR", lot.Currency)
	require.Equal(t, []string{"milk", "eggs"}, *lot.Allergens)

	second := s.do(delivery("cream-35", 1000, useBy("2026-12-05"))).(*workshop.Lot)
	require.Equal(t, "L261125-02", string(second.Code)[:10])
	s.wait(24 * time.Hour)
	third := s.do(delivery("cream-35", 1000, events.DateMark{Kind: "best_before_end", Date: ptr(day("2027-02-01"))})).(*workshop.Lot)
	require.Equal(t, "L261126-01", string(third.Code)[:10], "a new day counts from one")
	require.Equal(t, day("2027-02-28"), *third.Expiry.Date, "a best before end is good through its month")

	crumb := s.do(delivery("biscuit-crumb", 500, events.DateMark{Kind: "none"})).(*workshop.Lot)
	require.Equal(t, day("2027-02-24"), *crumb.Expiry.Date, "kept 90 days from receipt")

	require.EqualValues(t, "invalid-request", s.refuse(delivery("cream-35", 1, events.DateMark{Kind: "use_by"})).Slug)
	bad := delivery("cream-35", 1, useBy("2026-12-04"))
	bad.Allergens = &[]string{"nuts"}
	require.EqualValues(t, "invalid-request", s.refuse(bad).Slug, "the nut is named")
}

// A site's day is its own: 00:30 in Dublin's summer is still yesterday in UTC.
func TestCodesTakeTheSitesLocalDay(t *testing.T) {
	t.Parallel()
	s := open(t)
	s.now = at("2027-06-30T23:30:00Z")
	lot := s.receive("couverture-dark-60", 1000, bestBefore("2027-12-31"))
	require.Equal(t, "L270701-01", string(lot)[:10])
}

// One step back must be known for every lot: Regulation (EC) 178/2002, art. 18(2), and for cream the lot's reference,
// Implementing Regulation (EU) 931/2011, art. 3(1). The limits of the classes are the shop's: 5, 18 and −18 °C.
func TestADeliveryWithAFaultIsRecordedAndHeld(t *testing.T) {
	t.Parallel()
	s := open(t)
	nameless := delivery("cream-35", 1000, useBy("2026-12-04"))
	nameless.SupplierLot = ""
	lot := s.do(nameless).(*workshop.Lot)
	require.True(t, lot.Held())
	require.Equal(t, []string{"ingredient_received", "hold_placed"}, s.types())
	require.Equal(t, "lot_code_missing", s.set.Hold(lot.Holds[0]).Cause)

	warm := delivery("cream-35", 1000, useBy("2026-12-04"))
	warm.TemperatureC = ptr(8.0) // chilled to 5 °C, and the cold room allows 3 more
	require.False(t, s.do(warm).(*workshop.Lot).Held())
	warm.TemperatureC = ptr(8.1)
	lot = s.do(warm).(*workshop.Lot)
	require.True(t, lot.Held())
	require.Equal(t, []string{"ingredient_received", "deviation_opened", "hold_placed"}, s.types())
	deviation := last[events.DeviationOpened](s)
	require.Equal(t, "safety", deviation.Concern)
	require.Equal(t, "too_warm", deviation.Rule)
	require.InDelta(t, 8.0, *deviation.Band.Max, 0)
	require.EqualValues(t, "on-hold", s.refuse(workshop.Open{Lot: lot.Code, Quantity: g(100)}).Slug)

	warm = delivery("couverture-dark-60", 1000, bestBefore("2027-05-31"))
	warm.TemperatureC = ptr(18.5)
	require.True(t, s.do(warm).(*workshop.Lot).Held(), "cool to 18 °C, and the workshop allows no more")
	warm.Ingredient, warm.TemperatureC = "couverture-milk-36", nil
	require.False(t, s.do(warm).(*workshop.Lot).Held(), "not measured")
}

func TestOpeningByHand(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	portion := s.do(workshop.Open{Lot: m.cream, Quantity: g(1000)}).(*workshop.Lot)
	require.Equal(t, m.cream.Part(1), portion.Code)
	require.Equal(t, day("2026-11-28"), *portion.Expiry.Date, "opened on the 25th, keeps 3 days")
	require.Equal(t, "opened_ingredient", portion.Expiry.Binds)
	require.Equal(t, int64(g(5000)), s.onHand(m.cream, ""), "the rest stays unopened")
	require.Equal(t, int64(g(1000)), s.onHand(portion.Code, "cold-room"))
	require.Equal(t, day("2026-12-04"), *s.set.Lot(m.cream).Expiry.Date)

	s.now = at("2026-12-03T09:00:00Z")
	portion = s.do(workshop.Open{Lot: m.cream, Quantity: g(500)}).(*workshop.Lot)
	require.Equal(t, m.cream.Part(2), portion.Code)
	require.Equal(t, day("2026-12-04"), *portion.Expiry.Date, "the lot's own date comes first")
	require.Equal(t, "ingredient_use_by", portion.Expiry.Binds)

	require.EqualValues(t, "wrong-kind-of-thing", s.refuse(workshop.Open{Lot: portion.Code, Quantity: g(1)}).Slug)
}

func TestDrawingOpensWhatHasAnOpenLifeByItself(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 10000))
	require.Equal(t, []string{"chocolate_melted"}, s.types(), "couverture has no open life")
	made := s.ganache(batch(m.inputs(charge)...))
	require.Equal(t, []string{"portion_opened", "portion_opened", "ganache_made"}, s.types())
	inputs := last[events.GanacheMade](s).Inputs
	require.Equal(t, []events.Code{m.cream.Part(1), charge, m.puree.Part(1), m.sugar},
		[]events.Code{inputs[0].Source, inputs[1].Source, inputs[2].Source, inputs[3].Source})
	require.True(t, inputs[0].Heated)
	require.False(t, inputs[1].Heated)
	require.Equal(t, int64(g(5600)), s.onHand(m.cream, ""))
	require.Zero(t, s.onHand(m.cream.Part(1), ""), "all that was opened is used")
	require.Equal(t, g(1200), made.Yield)
	require.Equal(t, int64(g(1200)), s.onHand(made.Code, "workshop"))

	portion := s.do(workshop.Open{Lot: m.cream, Quantity: g(1000)}).(*workshop.Lot).Code
	again := m.inputs(charge)
	again[0].Source = portion
	s.ganache(batch(again...))
	require.Equal(t, int64(g(600)), s.onHand(portion, ""), "an opened portion is drawn from as it is")

	s.ganache(batch(append(m.inputs(charge), draw(m.paste, 10))...))
	require.False(t, last[events.GanacheMade](s).Inputs[4].Heated, "what the recipe does not have it does not heat")
	s.ganache(batch(append(m.inputs(charge), draw(made.Code, 10))...))
	require.False(t, last[events.GanacheMade](s).Inputs[4].Heated)
}

func TestMeltingStartsAChargeAndThenAddsToIt(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	more := s.receive("couverture-dark-60", 5000, bestBefore("2027-03-31"))
	seed := draw(more, 2000)
	seed.Purpose = "seed"
	charge := s.do(workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(m.dark, 10000), seed}}).(workshop.Melted).Charge
	require.Equal(t, "C261125-01", string(charge.Code)[:10])
	shares := workshop.SharesOf(charge.Mix, workshop.DefaultTrace)
	require.InDelta(t, 0.833333, shares[0].Share, 1e-6, "10000 of 12000 g")
	require.InDelta(t, 0.166667, shares[1].Share, 1e-6)
	melted := last[events.ChocolateMelted](s)
	require.True(t, melted.NewCharge)
	require.Equal(t, []string{"melt", "seed"}, []string{melted.Inputs[0].Purpose, melted.Inputs[1].Purpose})

	require.Equal(t, charge.Code, s.melt("vat-dark", draw(more, 3000)))
	require.False(t, last[events.ChocolateMelted](s).NewCharge)
	require.Equal(t, int64(g(15000)), s.onHand(charge.Code, "vat-dark"))
	require.Equal(t, "C261125-02", string(s.melt("vat-milk", draw(m.milk, 1000)))[:10])
}

func TestAVatMayBeToldToTakeAnotherChocolate(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	cmd := workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(m.dark, 5000), draw(m.milk, 5000)}, OtherChocolate: true}
	charge := s.do(cmd).(workshop.Melted).Charge
	require.Equal(t, "dark", charge.Chocolate, "the tank says what its charge is")
	require.Equal(t, g(10000), charge.Mix.Total())
}

func TestARecipePickedFirstExpiringFirst(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	late := s.receive("cream-35", 3000, useBy("2026-12-10"))
	soon := s.receive("cream-35", 300, useBy("2026-11-29"))
	opened := s.do(workshop.Open{Lot: late, Quantity: g(50)}).(*workshop.Lot).Code
	stale := s.receive("cream-35", 300, useBy("2026-11-24")) // past its date already
	nameless := delivery("cream-35", 300, useBy("2026-11-26"))
	nameless.SupplierLot = ""
	held := s.do(nameless).(*workshop.Lot).Code
	charge := s.melt("vat-dark", draw(m.dark, 2000))

	cmd := batch()
	cmd.PickFefo, cmd.Scale, cmd.Vat = true, 2, "vat-dark"
	s.ganache(cmd)
	made := last[events.GanacheMade](s)
	var got []events.Draw
	for _, input := range made.Inputs {
		got = append(got, events.Draw{Source: input.Source, Quantity: input.Quantity, How: input.How})
	}
	require.Equal(t, []events.Draw{
		{Source: opened, Quantity: g(50), How: "fefo"},           // what is opened first
		{Source: soon.Part(1), Quantity: g(300), How: "fefo"},    // then the earliest date
		{Source: m.cream.Part(1), Quantity: g(450), How: "fefo"}, // and what is left of 800 g from the next
		{Source: charge, Quantity: g(1040), How: "fefo"},         // the tank's chocolate is of the recipe's kind
		{Source: m.puree.Part(1), Quantity: g(440), How: "fefo"},
		{Source: m.sugar, Quantity: g(120), How: "fefo"},
	}, got)
	require.Equal(t, g(2400), made.Yield)
	require.Equal(t, int64(g(300)), s.onHand(stale, ""), "never past its date")
	require.Equal(t, int64(g(300)), s.onHand(held, ""), "never on hold")

	cmd.Vat = "" // no tank named: drops from the shelf
	s.ganache(cmd)
	require.Contains(t, last[events.GanacheMade](s).Touches(), m.dark)
	cmd.Vat = "vat-milk" // not of the recipe's kind
	s.ganache(cmd)
	require.Contains(t, last[events.GanacheMade](s).Touches(), m.dark)
}

func TestWaterComesWithoutALot(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.do(workshop.Define{Slug: "thin", Body: events.Formula{Name: "Thin", Storage: "cool", Inputs: []events.FormulaInput{
		{Ingredient: "water", Quantity: g(100)}, {Ingredient: "invert-sugar", Quantity: g(300)},
	}}})
	cmd := workshop.MakeGanache{Formula: "thin", Place: "workshop", Inputs: []workshop.DrawLine{
		{Ingredient: "water", Quantity: g(100)}, draw(m.sugar, 300),
	}}
	made := s.ganache(cmd)
	require.Empty(t, made.Deviations)
	shares := workshop.SharesOf(made.Mix, workshop.DefaultTrace)
	require.Equal(t, workshop.LotShare{Ingredient: "water", Certain: true, Share: 0.25, Mass: g(100)}, shares[0])
	cmd.Inputs, cmd.PickFefo = nil, true
	require.Equal(t, made.Mix, s.ganache(cmd).Mix)
	cmd.PickFefo, cmd.Inputs = false, []workshop.DrawLine{{Ingredient: "invert-sugar", Quantity: g(100)}}
	require.EqualValues(t, "wrong-kind-of-thing", s.refuse(cmd).Slug, "it comes in lots")
}

// The share of the cream in a run that nobody weighed and nothing decorates, as the contract has it.
func TestARunInOneRequest(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 10000))
	made := s.ganache(batch(m.inputs(charge)...))
	cmd := moulding("blackcurrant-dome", made.Code)
	cmd.Moulds = 6
	cmd.TurnedOut = &workshop.TurnOut{Good: 136, Seconds: 2, Broken: 4, Eaten: 1, LeftInMould: 1}
	run := s.run(cmd)
	require.Equal(t, []string{"shells_cast", "moulds_filled", "moulds_capped", "pieces_turned_out"}, s.types())
	require.Equal(t, "turned_out", run.State)
	require.Equal(t, 144, run.Cavities)
	require.Equal(t, g(4*144), run.Shell)
	require.Equal(t, g(6.5*144), run.Filled)
	require.Equal(t, g(1.2*144), run.CapMass)
	require.Equal(t, g(11.7), run.PieceMass)
	require.Equal(t, day("2026-12-08"), *run.Expiry.Date)

	share := workshop.LotShare{}
	for _, l := range workshop.SharesOf(run.Mix, workshop.DefaultTrace) {
		if l.Lot == m.cream {
			share = l
		}
	}
	require.True(t, share.Certain)
	require.InDelta(t, 400.0/1200*6.5/11.7, share.Share, 1e-8)
	require.InDelta(t, 0.185185, share.Share, 1e-6)
	require.InDelta(t, 2.167, share.Share*float64(run.PieceMass)/1000, 5e-4)

	require.Equal(t, []string{"milk", "soybeans"}, run.Allergens.Contains)
	require.Empty(t, run.Allergens.MayContain, "what it contains it need not be said to may contain")
	lines := s.lines(run.Code, "")
	require.Len(t, lines, 2)
	for i, want := range []struct {
		grade  string
		pieces int64
	}{{"first", 136}, {"second", 2}} {
		require.Equal(t, want.grade, lines[i].Grade)
		require.Equal(t, want.pieces, lines[i].Amount)
		require.True(t, lines[i].Unreleased)
	}
	require.Equal(t, int64(g(1200-6.5*144)), s.onHand(made.Code, ""))
	require.Equal(t, int64(g(10000-520-5.2*144)), s.onHand(charge, ""))
}

func TestWhatIsWeighedStandsOverWhatTheDesignSays(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 10000))
	made := s.ganache(batch(m.inputs(charge)...))
	cmd := moulding("blackcurrant-dome", made.Code)
	cmd.Casting.Drawn, cmd.Casting.Returned = ptr(g(300)), ptr(g(204))
	cmd.Filling[0].Quantity = ptr(g(150))
	cmd.Capping.Returned = ptr(g(20)) // drawn: what came back and what the design says stays
	run := s.run(cmd)
	require.Equal(t, g(96), run.Shell)
	require.Equal(t, g(150), run.Filled)
	require.Equal(t, g(28.8), run.CapMass)
	capped := last[events.MouldsCapped](s)
	require.Equal(t, events.ChocolateDraw{Vat: "vat-dark", Charge: charge, Drawn: g(48.8), Returned: g(20), Basis: "assumed"}, capped.Draw)
	require.Equal(t, "weighed", last[events.ShellsCast](s).Draw.Basis)
	require.Equal(t, run.Mix.Total()/24, run.PieceMass)

	cmd.Casting.Drawn, cmd.Casting.Returned = ptr(g(100)), nil // drawn alone: nothing came back
	require.Equal(t, g(100), s.run(cmd).Shell)
}

func TestARunStepByStepWithDecorations(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	run := b.run(workshop.MakeRun{Design: "violet-dome", Mould: "dome-24", Moulds: 2, Place: "workshop"})
	require.Equal(t, []string{"run_started"}, b.types())
	require.Equal(t, "started", run.State)
	step := func(state string, cmd workshop.MakeRun) {
		t.Helper()
		b.wait(time.Hour)
		cmd.Run = run.Code
		run = b.run(cmd)
		require.Equal(t, state, run.State)
	}
	step("started", workshop.MakeRun{Decorations: []workshop.DecorationStep{{Stage: "before_casting", Inputs: []workshop.DecorationInput{{Source: b.violet}}}}})
	require.Equal(t, g(0.3*48), run.Decorated)
	require.Equal(t, "assumed", last[events.PiecesDecorated](b.shop).Inputs[0].Basis)
	step("cast", workshop.MakeRun{Casting: &workshop.ChocolateStep{Vat: "vat-dark"}})
	b.wait(20 * time.Hour) // shells may wait for a day
	step("filled", workshop.MakeRun{Filling: []workshop.FillingStep{{Source: b.batch, TemperatureC: ptr(31.0)}}})
	step("capped", workshop.MakeRun{Capping: &workshop.ChocolateStep{Vat: "vat-dark"}})
	step("capped", workshop.MakeRun{Decorations: []workshop.DecorationStep{{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: b.paste, Quantity: ptr(g(12))}}}}})
	step("turned_out", workshop.MakeRun{TurnedOut: &workshop.TurnOut{Good: 47, Broken: 1, BrokenTo: "seconds"}})
	require.Equal(t, g(0.3*48)+g(12), run.Decorated)
	require.Equal(t, (g(11.7*48)+g(0.3*48)+g(12))/48, run.PieceMass)
	require.Equal(t, []string{"milk", "nuts:hazelnut", "soybeans"}, run.Allergens.Contains)
	require.Equal(t, int64(48), b.onHand(run.Code, "workshop"), "the broken one stands with the seconds")
	require.Equal(t, at("2026-11-25T10:00:00Z"), run.At, "a run's time is that of its first request")
}

// A part of a run may be written with an earlier time of its own; the run's time is the request's.
func TestPartsOfARunHaveTheirOwnTimes(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.wait(3 * time.Hour)
	cmd := moulding("blackcurrant-dome", b.batch)
	cmd.Casting.OccurredAt = ptr(b.now.Add(-2 * time.Hour))
	cmd.Filling[0].OccurredAt = ptr(b.now.Add(-time.Hour))
	run := b.run(cmd)
	require.Equal(t, b.now, run.At)
	require.Equal(t, []string{"run_started", "shells_cast", "moulds_filled", "moulds_capped", "pieces_turned_out"}, b.types())
	require.Equal(t, b.now.Add(-2*time.Hour), b.recorded()[1].OccurredAt)
	require.Equal(t, b.now.Add(-time.Hour), b.recorded()[2].OccurredAt)

	cmd.Casting.OccurredAt = ptr(b.now.Add(time.Minute))
	require.EqualValues(t, "in-the-future", b.refuse(cmd).Slug, "a part is never later than its run")
	cmd.Casting.OccurredAt = ptr(b.now.Add(-4 * time.Hour))
	refusal := b.refuse(cmd)
	require.EqualValues(t, "not-enough", refusal.Slug, "nothing was melted yet at the part's own time")
	require.Equal(t, events.Mass(0), refusal.Facts["available"])
}

func TestUnfilledShellsGoBackIntoTheVat(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	before := b.onHand(b.charge, "")
	cmd := moulding("blackcurrant-dome", b.batch)
	cmd.TurnedOut = &workshop.TurnOut{Good: 20, Unfilled: 4, UnfilledTo: "vat-dark"}
	run := b.run(cmd)
	require.Equal(t, before-int64(g(5.2*24))+int64(g(4*4)), b.onHand(b.charge, ""))
	require.Equal(t, int64(20), b.onHand(run.Code, ""))
	back := last[events.PiecesTurnedOut](b.shop).UnfilledTo
	require.Equal(t, g(16), back.Quantity)

	kept := moulding("blackcurrant-dome", b.batch)
	kept.TurnedOut = &workshop.TurnOut{Good: 20, Unfilled: 4}
	run = b.run(kept)
	require.Equal(t, "unfilled", b.lines(run.Code, "")[1].Grade)

	wrong := moulding("blackcurrant-dome", b.batch)
	b.melt("vat-milk", draw(b.milk, 1000))
	wrong.TurnedOut = &workshop.TurnOut{Good: 20, Unfilled: 4, UnfilledTo: "vat-milk"}
	require.EqualValues(t, "wrong-chocolate", b.refuse(wrong).Slug)
}

// Chocolate scraped off the caps has met the filling: what is cast of the same tank later may contain it.
func TestScrapingsOffTheCapsCarryTheFillingBackAsMayContain(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 10000))
	clean := s.run(moulding("dark-drop"))
	require.Equal(t, []string{"soybeans"}, clean.Allergens.Contains)
	require.Equal(t, []string{"milk"}, clean.Allergens.MayContain, "the couverture's own precaution")

	made := s.ganache(batch(m.inputs(charge)...))
	cmd := moulding("twin-dome", made.Code, m.paste)
	s.run(cmd)
	require.Len(t, s.set.Charge(charge).Mix, 1, "nothing was scraped back")
	cmd.Capping.Returned = ptr(g(50))
	total := s.set.Charge(charge).Mix.Total()
	run := s.run(cmd)
	after := s.set.Charge(charge)
	require.Len(t, after.Mix, 5, "dark, and films of cream, purée, sugar and hazelnut")
	require.Equal(t, total-run.Shell-run.CapMass, after.Mix.Total(), "films have no mass")

	met := s.run(moulding("dark-drop"))
	require.Equal(t, []string{"soybeans"}, met.Allergens.Contains)
	require.Equal(t, []string{"milk", "nuts:hazelnut"}, met.Allergens.MayContain)
	require.Equal(t, day("2027-05-31"), *met.Expiry.Date, "a film binds no date")
	for _, share := range workshop.SharesOf(met.Mix, workshop.DefaultTrace) {
		require.Equal(t, share.Lot == m.dark, share.Certain)
	}
}

func TestEmptyingAVatThatIsCleanedEndsTheCarryOver(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	first := s.melt("vat-dark", draw(m.dark, 3000))
	emptied := s.do(workshop.Empty{Vat: "vat-dark", Cleaned: true, Rest: "discard"}).(workshop.Emptied)
	require.Empty(t, emptied.NextCharge)
	require.Equal(t, "process_loss", emptied.Event.Reason)
	require.Zero(t, s.onHand(first, ""))
	require.NotNil(t, s.set.Charge(first).EndedAt)
	require.Equal(t, s.now, *s.set.Vat("vat-dark").CleanedAt)
	require.EqualValues(t, "wrong-state", s.refuse(workshop.Empty{Vat: "vat-dark", Cleaned: true, Rest: "discard"}).Slug)
	second := s.melt("vat-dark", draw(m.dark, 1000))
	require.NotEqual(t, first, second)
}

func TestEmptyingWithoutCleaningPassesFilmsOn(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.do(workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(m.milk, 1000)}, OtherChocolate: true})
	emptied := s.do(workshop.Empty{Vat: "vat-dark", Rest: "block", Place: "workshop"}).(workshop.Emptied)
	block := emptied.Event.Block.Lot
	require.Equal(t, "couverture-milk-36", s.set.Lot(block).Ingredient)
	require.Equal(t, int64(g(1000)), s.onHand(block, "workshop"))
	require.Equal(t, day("2027-04-30"), *s.set.Lot(block).Expiry.Date, "the block carries its lots' dates")
	next := s.set.Charge(emptied.NextCharge)
	require.Equal(t, workshop.Mix{{Lot: m.milk}}, next.Mix)
	require.Equal(t, next.Code, s.melt("vat-dark", draw(m.dark, 2000)), "what is melted next goes into the charge that follows")

	again := s.do(workshop.Empty{Vat: "vat-dark", Rest: "discard"}).(workshop.Emptied)
	third := s.set.Charge(again.NextCharge)
	require.Equal(t, workshop.Mix{{Lot: m.dark}, {Lot: m.milk}}, third.Mix, "any number of times")
	s.melt("vat-dark", draw(m.dark, 2000))
	drop := s.run(moulding("dark-drop"))
	require.Equal(t, []string{"soybeans"}, drop.Allergens.Contains)
	require.Equal(t, []string{"milk"}, drop.Allergens.MayContain)
	require.Equal(t, day("2027-05-31"), *drop.Expiry.Date)

	mixed := workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(m.milk, 300)}, OtherChocolate: true}
	s.do(mixed)
	mostlyDark := s.do(workshop.Empty{Vat: "vat-dark", Cleaned: true, Rest: "block", Place: "workshop"}).(workshop.Emptied).Event.Block
	require.Equal(t, "couverture-dark-60", mostlyDark.Ingredient, "a block is called by what most of it is")

	s.melt("vat-milk", draw(m.milk, 1000))
	s.melt("vat-milk", draw(block, 500)) // a block is melted again with the lots it carries
	require.Equal(t, workshop.Mix{{Lot: m.milk, Mass: g(1500)}}, s.set.Charge(s.set.Vat("vat-milk").Charge).Mix)
}

func TestDrawnToNothingIsStillTheSameCharge(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 120))
	s.run(moulding("dark-drop"))
	require.Zero(t, s.onHand(charge, ""))
	require.Equal(t, charge, s.melt("vat-dark", draw(m.dark, 1000)))
	s.do(workshop.Discard{Lines: []workshop.HandledLine{{Code: charge, Quantity: g(1000)}}, Reason: "process_loss", Destination: "refuse"})
	require.Zero(t, s.onHand(charge, ""))
	require.NotEmpty(t, s.do(workshop.Empty{Vat: "vat-dark", Rest: "discard"}).(workshop.Emptied).NextCharge)
}

// Shells may be turned out in turns; never more of them than there are cavities.
func TestTurningOutInTurns(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	cmd := moulding("blackcurrant-dome", b.batch)
	cmd.TurnedOut = &workshop.TurnOut{Good: 14}
	run := b.run(cmd).Code
	refusal := b.refuse(workshop.MakeRun{Run: run, TurnedOut: &workshop.TurnOut{Good: 10, LeftInMould: 1}})
	require.EqualValues(t, "wrong-state", refusal.Slug)
	require.Equal(t, workshop.Facts{"run": run, "cast": 24, "turned_out": 25}, refusal.Facts)
	made := b.run(workshop.MakeRun{Run: run, TurnedOut: &workshop.TurnOut{Good: 8, Broken: 2, Place: "cold-room"}})
	require.Equal(t, 24, made.TurnedOut())
	require.Equal(t, []int{22, 2}, []int{made.Good, made.Broken})
	require.Equal(t, int64(8), b.onHand(run, "cold-room"))
	gone := b.movements[len(b.movements)-1]
	require.Equal(t, workshop.CauseDiscarded, gone.Cause)
	require.Equal(t, g(2*11.7), gone.Weight, "what broke went to the bin, and weighs")
}

func TestReleaseLetsPiecesOut(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 5000))
	cmd := moulding("blackcurrant-dome", s.ganache(batch(m.inputs(charge)...)).Code)
	cmd.TurnedOut = &workshop.TurnOut{Good: 20, Seconds: 4}
	run := s.run(cmd).Code
	released := s.release(run, 15)
	require.Equal(t, 15, released.Pieces)
	require.Equal(t, "use_by", released.Expiry.Kind)
	require.Equal(t, day("2026-12-08"), *released.Expiry.Date)
	require.Equal(t, int64(15), s.onHand(run, "counter"))
	require.Equal(t, int64(9), s.onHand(run, "workshop"))
	require.Equal(t, 15, s.set.Run(run).Released)
	s.do(workshop.Release{Run: run, Pieces: 4, Grade: "second", Place: "counter"})
	refusal := s.refuse(workshop.Release{Run: run, Pieces: 6, Place: "counter"})
	require.EqualValues(t, "wrong-state", refusal.Slug, "more than good")
	require.Equal(t, 5, refusal.Facts["available"])

	require.EqualValues(t, "not-enough", s.refuse(sale(byDesign("blackcurrant-dome", 16))).Slug, "seconds are sold by their code only")
	line := byCode(run, 4)
	line.Grade = "second"
	s.do(sale(line))
	require.Equal(t, int64(15), s.onHand(run, "counter"))
}

// What waits at the place itself passes the gate before what waits elsewhere.
func TestAReleaseTakesWhatWaitsThereFirst(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Move{From: "workshop", To: "counter", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 10}}})
	for _, place := range []string{"counter", "workshop"} {
		b.do(workshop.Release{Run: b.domes, Pieces: 3, Place: place})
		require.Equal(t, place, last[events.PiecesReleased](b.shop).From)
	}
	b.release(b.domes, 9)
	require.Equal(t, int64(10+2), b.onHand(b.domes, "counter"))
}

func TestASaleByDesignIsCertainOnlyWhereOneRunStands(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	sold := b.do(sale(byDesign("blackcurrant-dome", 6))).(workshop.Sold)
	require.Equal(t, []events.Allocation{{Code: b.domes, Grade: "first", Pieces: 6, How: "single_run_on_place", Date: ptr(day("2026-12-08"))}}, sold.Lines[0].Allocations)
	require.EqualValues(t, 1080, *sold.Lines[0].PriceMinor, "6 × 1.80")
	require.Equal(t, "EUR", sold.Lines[0].Currency)
	require.Empty(t, sold.Warnings)

	later := b.domesOf("2026-11-27T10:00:00Z", 10)
	sold = b.do(sale(byDesign("blackcurrant-dome", 16))).(workshop.Sold)
	require.Equal(t, []events.Allocation{
		{Code: b.domes, Grade: "first", Pieces: 14, How: "presumed", Date: ptr(day("2026-12-08"))},
		{Code: later, Grade: "first", Pieces: 2, How: "presumed", Date: ptr(day("2026-12-10"))},
	}, sold.Lines[0].Allocations, "the earlier date first")

	sold = b.do(sale(byCode(later, 3))).(workshop.Sold)
	require.Equal(t, "scanned", sold.Lines[0].Allocations[0].How)
	require.Equal(t, "blackcurrant-dome", sold.Lines[0].Design)

	line := byDesign("blackcurrant-dome", 1)
	line.PriceMinor = ptr(int64(100))
	sold = b.do(sale(line)).(workshop.Sold)
	require.EqualValues(t, 100, *sold.Lines[0].PriceMinor, "the price that was charged")
	require.Equal(t, "single_run_on_place", sold.Lines[0].Allocations[0].How, "the other run is sold out")
}

// Held pieces count where a run physically stands, though they may not be sold.
func TestAHeldRunStillMakesASalePresumed(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	later := b.domesOf("2026-11-27T10:00:00Z", 10)
	b.do(workshop.PlaceHold{Code: b.domes, Reason: "a customer called"})
	sold := b.do(sale(byDesign("blackcurrant-dome", 2))).(workshop.Sold)
	require.Equal(t, later, sold.Lines[0].Allocations[0].Code)
	require.Equal(t, "presumed", sold.Lines[0].Allocations[0].How)
}

func TestTwoLinesOfOneSaleShareWhatStands(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 10)
	refusal := b.refuse(sale(byDesign("blackcurrant-dome", 6), byDesign("blackcurrant-dome", 5)))
	require.EqualValues(t, "not-enough", refusal.Slug)
	require.Equal(t, workshop.Facts{"wanted": 5, "available": 4, "unit": "pieces", "place": "counter"}, refusal.Facts)
	b.do(sale(byDesign("blackcurrant-dome", 6), byCode(b.domes, 4)))
	require.Zero(t, b.onHand(b.domes, "counter"))
}

func TestASaleToTradeNamesItsBuyer(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 10)
	cmd := sale(byDesign("blackcurrant-dome", 6))
	cmd.Channel = "trade"
	require.EqualValues(t, "invalid-request", b.refuse(cmd).Slug)
	cmd.Buyer = "nobody"
	require.EqualValues(t, "unknown-code", b.refuse(cmd).Slug)
	cmd.Buyer = "harbour-cafe"
	b.do(cmd)
	require.Equal(t, "harbour-cafe", b.movements[len(b.movements)-1].Buyer)
}

// After a use-by food is deemed unsafe, and no other date does that: Regulation (EU) 1169/2011, art. 24(1).
func TestPastABestBeforeTheCounterIsWarned(t *testing.T) {
	t.Parallel()
	s := open(t)
	old := s.receive("couverture-dark-60", 5000, bestBefore("2026-11-26"))
	s.melt("vat-dark", draw(old, 5000))
	drop := s.run(moulding("dark-drop")).Code
	s.release(drop, 20)
	require.Empty(t, s.do(sale(byDesign("dark-drop", 1))).(workshop.Sold).Warnings)
	s.wait(48 * time.Hour)
	warnings := s.do(sale(byDesign("dark-drop", 1))).(workshop.Sold).Warnings
	require.Len(t, warnings, 1)
	require.Contains(t, warnings[0], "taste first")
}

func TestTasters(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 10)
	b.do(workshop.Give{Place: "counter", Lines: []workshop.PieceLine{byDesign("blackcurrant-dome", 4)}, Occasion: "open day"})
	require.Equal(t, []string{"pieces_given"}, b.types())
	require.Equal(t, int64(6), b.onHand(b.domes, "counter"))

	mould := workshop.Give{Place: "workshop", Lines: []workshop.PieceLine{byCode(b.domes, 3)}}
	require.EqualValues(t, "not-released", b.refuse(mould).Slug)
	mould.Release = true
	b.do(mould)
	require.Equal(t, []string{"pieces_released", "pieces_given"}, b.types())
	require.Equal(t, int64(11), b.onHand(b.domes, "workshop"))
	require.Equal(t, 13, b.set.Run(b.domes).Released)

	mould.Lines = []workshop.PieceLine{byDesign("blackcurrant-dome", 2), byDesign("blackcurrant-dome", 1)}
	b.do(mould)
	require.Equal(t, []string{"pieces_released", "pieces_released", "pieces_given"}, b.types(), "by design, too")
	require.Equal(t, 16, b.set.Run(b.domes).Released)

	b.do(workshop.Release{Run: b.domes, Pieces: 2, Place: "workshop"})
	mould.Lines = []workshop.PieceLine{byCode(b.domes, 3)}
	b.do(mould)
	require.Equal(t, 1, last[events.PiecesReleased](b.shop).Pieces, "two had passed the gate: one more does")
	require.Equal(t, int64(5), b.onHand(b.domes, "workshop"))

	b.do(workshop.Release{Run: b.domes, Pieces: 2, Place: "workshop"})
	mould.Lines = []workshop.PieceLine{byDesign("blackcurrant-dome", 3)}
	b.do(mould)
	require.Equal(t, int64(2), b.onHand(b.domes, "workshop"), "and so by design")

	b.do(workshop.PlaceHold{Code: b.domes, Reason: "metal found"})
	mould.Lines = []workshop.PieceLine{byCode(b.domes, 1)}
	require.EqualValues(t, "on-hold", b.refuse(mould).Slug, "the same gate")
}

func TestDiscards(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 10)
	discard := workshop.Discard{Place: "workshop", Reason: "damaged", Destination: "refuse", Note: "dropped", Lines: []workshop.HandledLine{
		{Code: b.domes, Pieces: 2}, {Code: b.domes, Pieces: 3}, {Code: b.batch, Quantity: g(100)}, {Code: b.dark, Quantity: g(500)},
	}}
	event := b.do(discard).(workshop.Discarded).Event
	require.Equal(t, g(23.4), event.Lines[0].Weight)
	require.True(t, event.Lines[0].Unreleased, "pieces that wait for release may be discarded")
	require.Equal(t, int64(9), b.onHand(b.domes, "workshop"))

	discard.Lines = []workshop.HandledLine{{Code: b.domes, Pieces: 5}, {Code: b.domes, Pieces: 5}}
	refusal := b.refuse(discard)
	require.EqualValues(t, "not-enough", refusal.Slug)
	require.Equal(t, workshop.Facts{"wanted": 5, "available": int64(4), "unit": "pieces", "place": "workshop", "code": b.domes}, refusal.Facts)

	discard.Place, discard.Lines = "", []workshop.HandledLine{{Code: b.charge, Quantity: g(100)}, {Code: b.charge, Quantity: g(200)}}
	before := b.onHand(b.charge, "")
	b.do(discard)
	require.Equal(t, before-int64(g(300)), b.onHand(b.charge, ""))
	discard.Lines = []workshop.HandledLine{{Code: b.charge, Quantity: g(9000)}, {Code: b.charge, Quantity: g(9000)}}
	require.EqualValues(t, "not-enough", b.refuse(discard).Slug)
	discard.Lines = []workshop.HandledLine{{Code: b.batch, Quantity: g(1)}}
	require.EqualValues(t, "invalid-request", b.refuse(discard).Slug, "a ganache stood somewhere")
}

// A line of stock that is used up does not hide the next one.
func TestDiscardingWhatIsLeftOfTheOtherGrade(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Release{Run: b.domes, Pieces: 10, Place: "workshop"})
	b.do(workshop.Move{From: "workshop", To: "counter", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 10}}})
	b.do(workshop.Discard{Place: "workshop", Reason: "trial", Destination: "refuse", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 14}}})
	require.Zero(t, b.onHand(b.domes, "workshop"))
}

func TestMovesCarryStockWithItsDates(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	moved := b.do(workshop.Move{From: "counter", To: "cold-room", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 5}}, Sealed: true}).(workshop.Moved)
	require.Empty(t, moved.Lines[0].NewCode, "nothing parts here")
	require.Equal(t, int64(5), b.onHand(b.domes, "cold-room"))
	b.do(workshop.Move{From: "workshop", To: "cold-room", Lines: []workshop.HandledLine{{Code: b.dark, Quantity: g(500)}, {Code: b.batch, Quantity: g(100)}}})
	require.Equal(t, int64(g(500)), b.onHand(b.dark, "cold-room"))

	refusal := b.refuse(workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(b.dark, 10)}})
	require.EqualValues(t, "wrong-kind-of-thing", refusal.Slug, "it stands in two places: say which")
	line := draw(b.dark, 10)
	line.Place = "cold-room"
	b.melt("vat-dark", line)
	require.Equal(t, int64(g(490)), b.onHand(b.dark, "cold-room"))
	b.do(workshop.Move{From: "cold-room", To: "workshop", Lines: []workshop.HandledLine{{Code: b.dark, Quantity: g(490)}}})
	b.melt("vat-dark", draw(b.dark, 10)) // in one place again
	require.EqualValues(t, "invalid-request", b.refuse(workshop.Move{From: "counter", To: "counter", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 1}}}).Slug)
}

func TestCounts(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	counted := b.do(workshop.Count{Place: "counter", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 17}}, Reason: "evening count"}).(workshop.Counted)
	require.Equal(t, events.Amount{Pieces: 17}, counted.Event.Lines[0].Found)
	require.Equal(t, events.Amount{Pieces: 20}, counted.Event.Lines[0].Had)
	require.Equal(t, int64(17), b.onHand(b.domes, "counter"))
	require.Equal(t, b.now, *b.lines(b.domes, "counter")[0].CountedAt)

	later := b.domesOf("2026-11-27T10:00:00Z", 10)
	b.do(workshop.Count{Place: "counter", Lines: []workshop.HandledLine{{Code: later, Pieces: 11}}, Complete: true})
	require.Equal(t, int64(11), b.onHand(later, "counter"), "more than the book had")
	require.Zero(t, b.onHand(b.domes, "counter"), "what is not listed is none")
	require.Equal(t, int64(4), b.onHand(b.domes, "workshop"), "elsewhere nothing was counted")

	twice := []workshop.HandledLine{{Code: later, Pieces: 1}, {Code: later, Pieces: 2}}
	require.EqualValues(t, "invalid-request", b.refuse(workshop.Count{Place: "counter", Lines: twice}).Slug)
	require.EqualValues(t, "wrong-kind-of-thing", b.refuse(workshop.Count{Place: "workshop", Lines: []workshop.HandledLine{{Code: b.charge, Quantity: g(1)}}}).Slug)
}

// A count of a code covers all that stands there of it, whatever its grade and on whichever side of the gate.
func TestACountOfACodeCoversItsGrades(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 5000))
	cmd := moulding("blackcurrant-dome", s.ganache(batch(m.inputs(charge)...)).Code)
	cmd.TurnedOut = &workshop.TurnOut{Good: 14, Seconds: 6}
	run := s.run(cmd).Code
	s.do(workshop.Release{Run: run, Pieces: 5, Place: "workshop"})
	amounts := func() (all []int64) {
		for _, l := range s.set.LinesOf(run) {
			all = append(all, l.Amount)
		}
		return all
	}
	require.Equal(t, []int64{5, 9, 6}, amounts(), "released, waiting, seconds")
	count := func(pieces int, complete bool) {
		s.do(workshop.Count{Place: "workshop", Lines: []workshop.HandledLine{{Code: run, Pieces: pieces}}, Complete: complete})
	}
	count(20, true)
	require.Equal(t, []int64{5, 9, 6}, amounts(), "all there")
	count(22, false)
	require.Equal(t, []int64{7, 9, 6}, amounts(), "two more of the first line")
	s.do(workshop.Count{Place: "workshop", Lines: []workshop.HandledLine{{Code: run, Pieces: 2, Grade: "second"}}})
	require.Equal(t, []int64{7, 9, 2}, amounts())
	count(8, true)
	require.Equal(t, int64(8), s.onHand(run, "workshop"))
	count(0, false)
	require.Zero(t, s.onHand(run, "workshop"))
}

// A count is no way past the gate: what is found of a run of which nothing was released waits for release.
func TestPiecesFoundAreNotReleasedByTheCount(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Count{Place: "counter", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 3}}})
	require.EqualValues(t, "not-released", b.refuse(sale(byDesign("blackcurrant-dome", 1))).Slug)
	b.release(b.domes, 1)
	b.do(workshop.Count{Place: "stall", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 3}}})
	require.False(t, b.lines(b.domes, "stall")[0].Unreleased)
}

func TestChecks(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	check := func(c workshop.Check) []*workshop.Deviation {
		t.Helper()
		return b.do(c).(workshop.CheckAnswer).Deviations
	}
	require.Empty(t, check(workshop.Check{Code: b.batch, Kind: "water_activity", Value: ptr(0.893), Method: "lab"}))
	require.Empty(t, check(workshop.Check{Code: b.domes, Kind: "metal", Result: "pass"}))
	require.Equal(t, "safety", check(workshop.Check{Code: b.domes, Kind: "metal", Result: "fail"})[0].Concern)
	require.Equal(t, "quality", check(workshop.Check{Code: b.domes, Kind: "visual", Result: "fail"})[0].Concern)
	require.Empty(t, check(workshop.Check{Slug: "cold-room", Kind: "temperature", Value: ptr(8.0)}), "5 °C and the place's 3")
	found := check(workshop.Check{Slug: "cold-room", Kind: "temperature", Value: ptr(8.1)})
	require.Equal(t, "safety", found[0].Concern, "stock stands in it")
	require.Equal(t, "cold-room", found[0].Place)
	require.Equal(t, "quality", check(workshop.Check{Slug: "freezer", Kind: "temperature", Value: ptr(-10.0)})[0].Concern, "nothing stands in it")
	require.Empty(t, check(workshop.Check{Slug: "vat-dark", Kind: "temperature", Value: ptr(31.5)}))
	require.Equal(t, "vat-dark", check(workshop.Check{Slug: "vat-dark", Kind: "temperature", Value: ptr(34.0)})[0].Place)
	require.EqualValues(t, "invalid-request", b.refuse(workshop.Check{Code: b.domes, Kind: "temper"}).Slug)
	require.EqualValues(t, "unknown-code", b.refuse(workshop.Check{Slug: "attic", Kind: "temperature", Value: ptr(1.0)}).Slug)
}
