package workshop_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// limit finds the one limit of that name and subject.
func limit(t *testing.T, e events.Expiry, name string, subject events.Code) events.Limit {
	t.Helper()
	var found []events.Limit
	for _, l := range e.Limits {
		if l.Name == name && l.Subject == string(subject) {
			found = append(found, l)
		}
	}
	require.Len(t, found, 1, "%s of %q in %v", name, subject, e.Limits)
	return found[0]
}

// dated is a shop with the recipe changed, and one batch and one run of it.
func dated(t *testing.T, change func(*events.Formula)) bench {
	t.Helper()
	s := open(t)
	s.do(workshop.Define{Slug: "blackcurrant-bay", Body: changed(blackcurrantBay(), change)})
	return s.bench()
}

func TestAnAssessmentReleasesTheDatesOfWhatWasBoiled(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	expiry := b.set.Ganache(b.batch).Expiry
	require.Equal(t, day("2026-12-08"), *expiry.Date, "made on 25 November at 10 o'clock, 14 days: the last whole day")
	require.Equal(t, "assessment", expiry.Binds)
	require.Equal(t, "use_by", expiry.Kind)
	require.Equal(t, "assessed", expiry.Status)
	require.Equal(t, at("2026-12-09T00:00:00Z"), *expiry.DiscardBy)
	require.InDelta(t, 0.898, *expiry.WaterActivity.Decision, 1e-9, "measured, and its uncertainty")
	require.Equal(t, "measured_on_formula", expiry.WaterActivity.Basis)
	opened := limit(t, expiry, "opened_ingredient", b.cream.Part(1))
	require.Equal(t, day("2026-11-28"), *opened.Date)
	require.Equal(t, "LAB-0417", opened.ReleasedBy)
	require.Equal(t, "LAB-0417", limit(t, expiry, "ingredient_use_by", b.cream).ReleasedBy)
	require.Equal(t, day("2027-05-31"), *limit(t, expiry, "ingredient_best_before", b.dark).Date)
	require.NotEmpty(t, expiry.Cautions)
	require.Equal(t, expiry.Date, b.set.Run(b.domes).Expiry.Date)
}

func TestOpenedCreamBindsWhereNothingReleasesIt(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*events.Formula){
		"the assessment releases nothing":      func(f *events.Formula) { f.Assessment.Releases = nil },
		"the heat step it requires is not met": func(f *events.Formula) { f.Assessment.Requires = &events.HeatStep{TemperatureC: ptr(95.0)} },
		"the recipe does not heat it":          func(f *events.Formula) { f.Inputs[0].Heated = false },
		"only a part of it is heated": func(f *events.Formula) {
			f.Inputs = append(f.Inputs, events.FormulaInput{Ingredient: "cream-35", Quantity: g(1)})
			f.TolerancePercent = ptr(50.0)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := dated(t, change)
			expiry := b.set.Ganache(b.batch).Expiry
			require.Equal(t, day("2026-11-28"), *expiry.Date)
			require.Equal(t, "opened_ingredient", expiry.Binds)
			require.Equal(t, string(b.cream.Part(1)), expiry.Limits[0].Subject)
			b.now = at("2026-11-29T00:00:00Z")
			require.EqualValues(t, "past-date", b.refuse(workshop.Release{Run: b.domes, Pieces: 1, Place: "counter"}).Slug)
		})
	}
}

// Without an assessment that holds, the decision table and the band of the water activity date a filling: by table B of the
// US Food Code 2022, 1-201.10, a water activity of 0.88 to 0.90 needs one only above a pH of 5.0, and one above 0.92 does
// from a pH of 4.2 on; until then four hours in the cool.
func TestWhatTheTablesSayWhereNoAssessmentHolds(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(*events.Formula)
		status string
		date   string // "": there is none
		class  *string
	}{
		"no assessment, nothing measured": {
			change: func(f *events.Formula) { f.Assessment, f.Measured = nil, nil }, status: "not_estimated",
		},
		"no assessment": {
			change: func(f *events.Formula) { f.Assessment = nil }, status: "safe_by_table", date: "2026-11-28",
		},
		"the assessment has no days for the class": {
			change: func(f *events.Formula) { f.Assessment.Days = map[string]int{"chilled": 21} }, status: "outside_assessment", date: "2026-11-28",
		},
		"the assessment bounds a pH that nobody measured": {
			change: func(f *events.Formula) { f.Measured.PH = nil }, status: "assessment_needed", class: ptr("chilled"),
		},
		"the measured pH is outside the assessment": {
			change: func(f *events.Formula) { f.Measured.PH = ptr(5.5) }, status: "outside_assessment", class: ptr("chilled"),
		},
		"it is wetter than the assessment allows": {
			change: func(f *events.Formula) { f.Measured.WaterActivity = ptr(0.926) }, status: "outside_assessment", class: ptr("chilled"),
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := dated(t, c.change)
			run := b.set.Run(b.domes)
			require.Equal(t, c.status, run.Expiry.Status)
			if c.date != "" {
				require.Equal(t, day(c.date), *run.Expiry.Date)
				require.Equal(t, "opened_ingredient", run.Expiry.Binds, "what an assessment would release binds")
				b.release(b.domes, 1)
				return
			}
			require.Nil(t, run.Expiry.Date)
			refusal := b.refuse(workshop.Release{Run: b.domes, Pieces: 1, Place: "counter"})
			require.EqualValues(t, "no-whole-day", refusal.Slug)
			require.Equal(t, c.class, refusal.Facts["class"])
			b.do(workshop.Discard{Place: "workshop", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 24}}, Reason: "failed_release", Destination: "refuse"})
		})
	}
}

func TestTheClassThatHasAWholeDayIsNamed(t *testing.T) {
	t.Parallel()
	b := dated(t, func(f *events.Formula) { f.Storage, f.Assessment.Days = "chilled", map[string]int{"chilled": 21} })
	require.Equal(t, day("2026-12-15"), *b.set.Run(b.domes).Expiry.Date)
	refusal := b.refuse(workshop.Release{Run: b.domes, Pieces: 1, Place: "counter"})
	require.EqualValues(t, "no-whole-day", refusal.Slug)
	require.Equal(t, ptr("chilled"), refusal.Facts["class"])
	b.do(workshop.Release{Run: b.domes, Pieces: 1, Place: "cold-room"})
}

func TestTheShopsOwnLimitOnlyShortens(t *testing.T) {
	t.Parallel()
	b := dated(t, func(f *events.Formula) { f.ShopLimitDays = map[string]int{"cool": 10} })
	require.Equal(t, day("2026-12-04"), *b.set.Run(b.domes).Expiry.Date)
	require.Equal(t, "shop_limit", b.set.Run(b.domes).Expiry.Binds)
	b = dated(t, func(f *events.Formula) { f.ShopLimitDays = map[string]int{"cool": 30} })
	require.Equal(t, "assessment", b.set.Run(b.domes).Expiry.Binds)
}

// One day from ten in the morning is today as a date; none at all is over at once.
func TestALimitOfHours(t *testing.T) {
	t.Parallel()
	b := dated(t, func(f *events.Formula) { f.ShopLimitDays = map[string]int{"cool": 1} })
	require.Equal(t, day("2026-11-25"), *b.set.Run(b.domes).Expiry.Date)
	b.release(b.domes, 10)
	b.now = at("2026-11-26T00:00:00Z")
	require.EqualValues(t, "past-date", b.refuse(sale(byDesign("blackcurrant-dome", 1))).Slug)

	s := open(t)
	s.do(workshop.Define{Slug: "blackcurrant-bay", Body: changed(blackcurrantBay(), func(f *events.Formula) { f.ShopLimitDays = map[string]int{"cool": 0} })})
	m := s.stock()
	made := s.ganache(batch(m.inputs(m.dark)...))
	require.Nil(t, made.Expiry.Date, "no whole day")
	require.Equal(t, s.now, *made.Expiry.DiscardBy)
	require.Equal(t, s.now, made.Expiry.EndsBy)
	s.melt("vat-dark", draw(m.dark, 1000))
	require.EqualValues(t, "past-date", s.refuse(moulding("blackcurrant-dome", made.Code)).Slug)
}

func TestWhatWasMeasuredOnTheBatchStandsOverItsFormula(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	charge := s.melt("vat-dark", draw(m.dark, 5000))
	cmd := batch(m.inputs(charge)...)
	cmd.PH, cmd.WaterActivity = ptr(5.3), &events.MeasuredValue{Value: 0.9, Uncertainty: ptr(0.01)}
	expiry := s.ganache(cmd).Expiry
	require.Equal(t, "outside_assessment", expiry.Status)
	require.NotNil(t, expiry.Instead)
	require.InDelta(t, 0.91, *expiry.WaterActivity.Decision, 1e-9)

	off := batch(m.inputs(charge)...)
	off.Inputs[0].Quantity = g(500)
	expiry = s.ganache(off).Expiry
	require.Equal(t, "not_estimated", expiry.Status, "what was measured on the recipe serves no batch that is off it")
}

func TestARunOfTwoFillingsTakesTheEarliest(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Define{Slug: "short-lived", Body: changed(blackcurrantBay(), func(f *events.Formula) {
		f.Name, f.Assessment.Days = "Short-lived", map[string]int{"cool": 9}
	})})
	cmd := batch(b.inputs(b.charge)...)
	cmd.Formula = "short-lived"
	short := b.ganache(cmd).Code
	b.do(workshop.Define{Slug: "double", Body: changed(blackcurrantDome(), func(d *events.Design) {
		d.Fillings = append(d.Fillings, events.DesignFilling{Formula: "short-lived", Quantity: g(2)})
	})})
	run := b.run(moulding("double", b.batch, short))
	require.Equal(t, day("2026-12-03"), *run.Expiry.Date)
	require.Equal(t, string(short), run.Expiry.Limits[0].Subject)
	require.Equal(t, day("2026-12-08"), *limit(t, run.Expiry, "assessment", b.batch).Date)
	require.Equal(t, []events.Code{b.batch, short}, run.Ganaches)

	straight := b.run(moulding("twin-dome", b.batch, b.paste))
	require.Equal(t, day("2027-02-28"), *limit(t, straight.Expiry, "ingredient_best_before", b.paste).Date, "a lot filled in straight")
}

// A lot that is filled in straight is a filling: its own date binds, of whatever kind it is, and without one there is none.
func TestALotFilledInStraightIsAFilling(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Define{Slug: "syrup-dome", Body: changed(blackcurrantDome(), func(d *events.Design) {
		d.Fillings = []events.DesignFilling{{Ingredient: "invert-sugar", Quantity: g(6)}}
	})})
	soon := b.receive("invert-sugar", 500, bestBefore("2026-12-01"))
	run := b.run(moulding("syrup-dome", soon))
	require.Equal(t, day("2026-12-01"), *run.Expiry.Date)
	require.Equal(t, string(soon), run.Expiry.Limits[0].Subject)
	bare := b.receive("invert-sugar", 500, events.DateMark{Kind: "none"})
	run = b.run(moulding("syrup-dome", bare))
	require.Nil(t, run.Expiry.Date)
	require.EqualValues(t, "no-whole-day", b.refuse(workshop.Release{Run: run.Code, Pieces: 1, Place: "counter"}).Slug)
}

func TestReworkPassesItsDateOn(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.now = at("2026-12-01T10:00:00Z")
	made := b.ganache(batch(append(b.inputs(b.charge), draw(b.batch, 200))...))
	require.Equal(t, day("2026-12-08"), *made.Expiry.Date, "not the fortnight of the new batch")
	require.Equal(t, string(b.batch), made.Expiry.Limits[0].Subject)
	require.Equal(t, g(1400), made.Mix.Total())
	require.Len(t, made.Mix, 4, "the same lots")
}

func TestTheShellsBestBeforeBinds(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	made := s.ganache(batch(m.inputs(m.dark)...)).Code
	old := s.receive("couverture-dark-60", 5000, bestBefore("2026-12-01"))
	charge := s.melt("vat-dark", draw(old, 1000), draw(m.dark, 4000))
	run := s.run(moulding("blackcurrant-dome", made))
	require.Equal(t, day("2026-12-01"), *run.Expiry.Date)
	require.Equal(t, "ingredient_best_before", run.Expiry.Binds)
	require.Equal(t, "use_by", run.Expiry.Kind)
	require.Equal(t, day("2026-12-08"), *run.Expiry.UseBy, "past the shell's best before it may still be sold")
	s.release(run.Code, 10)
	s.now = at("2026-12-02T10:00:00Z")
	s.do(sale(byDesign("blackcurrant-dome", 1)))

	s.do(workshop.Empty{Vat: "vat-dark", Cleaned: true, Rest: "discard"})
	require.NotEqual(t, charge, s.melt("vat-dark", draw(m.dark, 5000), draw(old, 5)))
	traced := s.run(moulding("blackcurrant-dome", made))
	require.Equal(t, day("2026-12-08"), *traced.Expiry.Date)
	require.Equal(t, "below_trace", limit(t, traced.Expiry, "ingredient_best_before", old).ReleasedBy, "5 g in 5005 g is less than 0.1 %")
}

func TestTheCapsBestBeforeBinds(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Define{Slug: "pied-dome", Body: changed(blackcurrantDome(), func(d *events.Design) { d.CapChocolate = "milk" })})
	b.melt("vat-milk", draw(b.receive("couverture-milk-36", 1000, bestBefore("2026-12-02")), 1000))
	cmd := moulding("pied-dome", b.batch)
	require.EqualValues(t, "wrong-chocolate", b.refuse(cmd).Slug)
	cmd.Capping.Vat = "vat-milk"
	require.Equal(t, day("2026-12-02"), *b.run(cmd).Expiry.Date)
}

// Where nothing else is written with it, too, a beginning or a step has to have happened when it could.
func TestARunWithNoStepIsJudgedAllTheSame(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	begin := workshop.MakeRun{Design: "dark-drop", Mould: "dome-24", Moulds: 1, Place: "workshop", Done: done("2026-11-25T11:00:00Z")}
	require.EqualValues(t, "in-the-future", b.refuse(begin).Slug)
	require.EqualValues(t, "before-it-existed", b.refuse(workshop.MakeRun{Run: b.domes, Done: done("2026-11-25T09:00:00Z")}).Slug)
}

func TestSolidPiecesTakeTheirChocolatesBestBefore(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.melt("vat-dark", draw(m.dark, 1000))
	run := s.run(moulding("dark-drop"))
	require.Equal(t, "best_before", run.Expiry.Kind)
	require.Equal(t, day("2027-05-31"), *run.Expiry.Date)
	require.Equal(t, "not_estimated", run.Expiry.Status)
	require.Nil(t, run.Expiry.DiscardBy)
	s.release(run.Code, 10)
	s.now = at("2027-07-01T10:00:00Z")
	require.Len(t, s.do(sale(byDesign("dark-drop", 1))).(workshop.Sold).Warnings, 1, "past a best before it is sold with a warning")
}

// A date is good until its day ends where the site is: in Dublin's summer that is 23:00 in UTC.
func TestADateIsInclusiveInTheSitesZone(t *testing.T) {
	t.Parallel()
	s := open(t)
	s.now = at("2027-06-01T09:00:00Z")
	m := stores{
		cream: s.receive("cream-35", 6000, useBy("2027-06-12")), puree: s.receive("blackcurrant-puree", 3000, bestBefore("2027-09-30")),
		sugar: s.receive("invert-sugar", 2000, bestBefore("2027-12-30")), dark: s.receive("couverture-dark-60", 20000, bestBefore("2027-12-31")),
	}
	charge := s.melt("vat-dark", draw(m.dark, 5000))
	run := s.run(moulding("blackcurrant-dome", s.ganache(batch(m.inputs(charge)...)).Code)).Code
	s.release(run, 20)
	require.Equal(t, day("2027-06-14"), *s.set.Run(run).Expiry.Date)
	s.now = at("2027-06-14T22:59:59Z")
	s.do(sale(byDesign("blackcurrant-dome", 1)))
	s.now = at("2027-06-14T23:00:00Z")
	require.EqualValues(t, "past-date", s.refuse(sale(byDesign("blackcurrant-dome", 1))).Slug)
	yesterday := sale(byDesign("blackcurrant-dome", 1))
	yesterday.Done = done("2027-06-14T20:00:00Z")
	s.do(yesterday) // judged when it happened
}

func TestTheFreezerStopsTheClock(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 20)
	b.now = at("2026-11-27T18:00:00Z") // 11 days are left after this one
	freeze := func(pieces int, sealed bool) events.Code {
		t.Helper()
		moved := b.do(workshop.Move{From: "counter", To: "freezer", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: pieces}}, Sealed: sealed}).(workshop.Moved)
		part := moved.Lines[0].NewCode
		require.Equal(t, b.domes, b.set.Run(part).Of)
		require.Equal(t, day("2026-12-08"), *moved.Lines[0].Expiry.Date)
		require.Equal(t, []string{"stock_moved"}, b.types(), "a part is born with its date")
		return part
	}
	sealed, bare := freeze(8, true), freeze(4, false)
	require.Equal(t, b.domes.Part(1), sealed)
	require.Equal(t, b.domes.Part(2), bare)
	require.Equal(t, int64(8), b.onHand(b.domes, "counter"))

	b.now = at("2027-01-10T08:00:00Z")
	thaw := func(part events.Code, pieces int) events.Code {
		t.Helper()
		return b.do(workshop.Move{From: "freezer", To: "counter", Lines: []workshop.HandledLine{{Code: part, Pieces: pieces}}}).(workshop.Moved).Lines[0].NewCode
	}
	thawed := b.set.Run(thaw(sealed, 5))
	require.Equal(t, b.domes.Part(3), thawed.Code)
	require.Equal(t, day("2027-01-21"), *thawed.Expiry.Date, "thawed with the 11 days that were left")
	require.Nil(t, thawed.Frozen)
	require.Equal(t, workshop.Parted{From: sealed, At: b.now, Cause: "thawed"}, *thawed.Parted)
	b.do(sale(byCode(thawed.Code, 1)))

	unsealed := thaw(bare, 4)
	require.Equal(t, day("2026-12-08"), *b.set.Run(unsealed).Expiry.Date, "not sealed: the clock ran on")
	require.EqualValues(t, "past-date", b.refuse(sale(byCode(unsealed, 1))).Slug)

	again := b.do(workshop.Move{From: "counter", To: "freezer", Lines: []workshop.HandledLine{{Code: thawed.Code, Pieces: 4}}, Sealed: true}).(workshop.Moved).Lines[0].NewCode
	b.now = at("2027-01-15T08:00:00Z")
	require.Equal(t, day("2027-01-21"), *b.set.Run(thaw(again, 4)).Expiry.Date, "the clock stands still once")
}

// Grades and pieces on either side of the gate that part together are one part with one label.
func TestOneMoveMakesOnePartOfARun(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Release{Run: b.domes, Pieces: 10, Place: "workshop"})
	moved := b.do(workshop.Move{From: "workshop", To: "freezer", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 15}}, Sealed: true}).(workshop.Moved)
	require.Len(t, moved.Lines, 2)
	require.Equal(t, moved.Lines[0].NewCode, moved.Lines[1].NewCode)
	require.Equal(t, 1, b.set.Run(b.domes).Parts)
	part := b.domes.Part(1)
	require.Equal(t, int64(15), b.onHand(part, "freezer"))
	require.True(t, b.lines(part, "freezer")[1].Unreleased)

	b.do(workshop.Move{From: "freezer", To: "counter", Lines: []workshop.HandledLine{{Code: part, Pieces: 15}}})
	out := b.domes.Part(2)
	require.EqualValues(t, "not-released", b.refuse(sale(byCode(out, 12))).Slug, "the freezer is no way past the gate")
	b.release(out, 5)
	b.do(sale(byCode(out, 12)))
}

// A part that passes the gate when its run never did is released all the same.
func TestAPartPassesTheGateByItself(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.do(workshop.Move{From: "workshop", To: "freezer", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 10}}, Sealed: true})
	b.do(workshop.Move{From: "freezer", To: "counter", Lines: []workshop.HandledLine{{Code: b.domes.Part(1), Pieces: 10}}})
	part := b.domes.Part(2)
	b.do(workshop.Release{Run: part, Pieces: 10, Place: "counter"})
	cmd := sale(byCode(part, 12))
	require.EqualValues(t, "not-enough", b.refuse(cmd).Slug)
	cmd.Done = already
	b.do(cmd)
	require.Equal(t, []string{"not-enough"}, last[events.PiecesSold](b.shop).RuleBroken)
	require.Zero(t, b.onHand(part, ""))
}

// The safety of a run is the safety of its parts.
func TestAPartIsReleasedOnlyWhenItsRunMayBe(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	failed := b.do(workshop.Check{Code: b.domes, Kind: "metal", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	b.do(workshop.Move{From: "workshop", To: "freezer", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 15}}, Sealed: true})
	b.do(workshop.Move{From: "freezer", To: "workshop", Lines: []workshop.HandledLine{{Code: b.domes.Part(1), Pieces: 15}}})
	release := workshop.Release{Run: b.domes.Part(2), Pieces: 5, Place: "counter"}
	require.EqualValues(t, "undecided-deviation", b.refuse(release).Slug)
	b.do(workshop.DecideDeviation{Deviation: failed.ID, Decision: "accept", Reason: "a false alarm"})
	b.do(release)
}

func TestAPortionKeepsTheLifeItWasOpenedWith(t *testing.T) {
	t.Parallel()
	s := open(t)
	s.do(workshop.Define{Slug: "blackcurrant-bay", Body: changed(blackcurrantBay(), func(f *events.Formula) { f.Assessment.Releases = nil })})
	m := s.stock()
	portion := s.do(workshop.Open{Lot: m.cream, Quantity: g(1000)}).(*workshop.Lot).Code
	s.wait(time.Hour)
	s.do(workshop.Define{Slug: "cream-35", Body: events.Ingredient{Name: "Cream 35 %", Kind: "dairy", Storage: "chilled", OpenLifeDays: ptr(7), Allergens: &[]string{"milk"}}})
	lines := m.inputs(m.dark)
	lines[0].Source = portion
	require.Equal(t, day("2026-11-28"), *s.ganache(batch(lines...)).Expiry.Date)
}

// A block carries the limits of its lots, opened or not.
func TestAnOpenedBlockKeepsTheDatesOfItsLots(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.melt("vat-dark", draw(m.dark, 1000))
	block := s.do(workshop.Empty{Vat: "vat-dark", Cleaned: true, Rest: "block", Place: "workshop"}).(workshop.Emptied).Event.Block.Lot
	s.do(workshop.Define{Slug: "couverture-dark-60", Body: events.Ingredient{
		Name: "Dark couverture drops", Kind: "couverture", Chocolate: "dark", Storage: "cool", Allergens: &[]string{"soybeans"}, OpenLifeDays: ptr(365),
	}})
	portion := s.do(workshop.Open{Lot: block, Quantity: g(400)}).(*workshop.Lot)
	require.Equal(t, day("2027-05-31"), *portion.Expiry.Date)
	require.Equal(t, string(m.dark), portion.Expiry.Limits[0].Subject)
	s.melt("vat-dark", draw(portion.Code, 400))
	require.Equal(t, workshop.Mix{{Lot: m.dark, Mass: g(400)}}, s.set.Charge(s.set.Vat("vat-dark").Charge).Mix)
}

func TestWhatIsPutOnAfterTurningOutDatesThePiecesThatStandThere(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	s.melt("vat-dark", draw(m.dark, 1000))
	drop := s.run(moulding("dark-drop")).Code
	s.run(workshop.MakeRun{Run: drop, Decorations: []workshop.DecorationStep{{
		Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: m.puree, Quantity: ptr(g(10))}},
	}}})
	require.Equal(t, day("2026-11-30"), *s.lines(drop, "workshop")[0].Dates.Date)
	s.release(drop, 10)
	s.now = at("2026-12-01T10:00:00Z")
	require.EqualValues(t, "past-date", s.refuse(sale(byDesign("dark-drop", 1))).Slug)
}

// ---- definitions ----

func TestDefinitionsHaveVersions(t *testing.T) {
	t.Parallel()
	s := open(t)
	for _, definition := range catalogue() {
		answer := s.do(definition).(workshop.Defined)
		require.False(t, answer.Changed, "the same content makes no new version")
		require.Equal(t, 1, answer.Version)
	}
	s.wait(time.Hour)
	dearer := changed(blackcurrantDome(), func(d *events.Design) { d.PriceMinor = ptr(int64(200)) })
	answer := s.do(workshop.Define{Slug: "blackcurrant-dome", Body: dearer}).(workshop.Defined)
	require.True(t, answer.Changed)
	require.Equal(t, 2, answer.Version)
	require.EqualValues(t, 180, *s.set.Defs.Designs.InForce("blackcurrant-dome", s.now.Add(-time.Minute)).Body.PriceMinor)
	require.EqualValues(t, 200, *s.set.Defs.Designs.InForce("blackcurrant-dome", s.now).Body.PriceMinor)
	require.EqualValues(t, 180, *s.set.Defs.Designs.InForce("blackcurrant-dome", at("2020-01-01T00:00:00Z")).Body.PriceMinor, "before the first, the first")
}

// A batch typed late is of the version that was in force when it was made.
func TestTheVersionInForceWhenItHappened(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.stock()
	before := s.now
	s.wait(2 * time.Hour)
	s.do(workshop.Define{Slug: "blackcurrant-bay", Body: changed(blackcurrantBay(), func(f *events.Formula) { f.Assessment.Days = map[string]int{"cool": 7} })})
	late := batch(m.inputs(m.dark)...)
	late.OccurredAt = ptr(before.Add(time.Hour))
	made := s.ganache(late)
	require.Equal(t, 1, made.FormulaVersion)
	require.Equal(t, day("2026-12-08"), *made.Expiry.Date)
	made = s.ganache(batch(m.inputs(m.dark)...))
	require.Equal(t, 2, made.FormulaVersion)
	require.Equal(t, day("2026-12-01"), *made.Expiry.Date)
}

func TestDefinitionsNameWhatIsThere(t *testing.T) {
	t.Parallel()
	s := open(t)
	for slug, body := range map[string]any{
		"place":   events.Place{Name: "Attic", Site: "nowhere", Storage: "cool"},
		"vat":     events.Vat{Name: "Tank", Chocolate: "dark", Site: "nowhere"},
		"formula": changed(blackcurrantBay(), func(f *events.Formula) { f.Inputs[0].Ingredient = "nothing" }),
		"filling": changed(blackcurrantDome(), func(d *events.Design) { d.Fillings[0].Formula = "nothing" }),
		"topping": changed(blackcurrantDome(), func(d *events.Design) { d.Decorations = []events.DesignDecoration{{Ingredient: "nothing"}} }),
	} {
		require.EqualValues(t, "unknown-code", s.refuse(workshop.Define{Slug: slug, Body: body}).Slug, slug)
	}
	for slug, body := range map[string]any{
		"zone":       events.Site{Name: "Site", TimeZone: "Europe/Nowhere"},
		"local":      events.Site{Name: "Site", TimeZone: "Local"},
		"handles":    events.Site{Name: "Site", TimeZone: "Europe/Dublin", Handles: []string{"almonds"}},
		"nut":        events.Ingredient{Name: "Nut", Kind: "nut", Allergens: &[]string{"nuts"}},
		"cereal":     events.Ingredient{Name: "Crumb", Kind: "other", MayContain: []string{"gluten:"}},
		"named-milk": events.Ingredient{Name: "Milk", Kind: "dairy", Allergens: &[]string{"milk:cow"}},
		"couverture": events.Ingredient{Name: "Drops", Kind: "couverture"},
		"not-one":    events.Ingredient{Name: "Cream", Kind: "dairy", Chocolate: "white"},
		"both": changed(blackcurrantDome(), func(d *events.Design) {
			d.Fillings = []events.DesignFilling{{Formula: "blackcurrant-bay", Ingredient: "hazelnut-paste"}}
		}),
	} {
		require.EqualValues(t, "invalid-request", s.refuse(workshop.Define{Slug: slug, Body: body}).Slug, slug)
	}
}

// The fourteen of Annex II of Regulation (EU) 1169/2011; nuts and cereals are named.
func TestTheLawsListOfAllergens(t *testing.T) {
	t.Parallel()
	s := open(t)
	list := []string{
		"gluten:wheat", "crustaceans", "eggs", "fish", "peanuts", "soybeans", "milk", "nuts:almond", "celery", "mustard", "sesame",
		"sulphites", "lupin", "molluscs",
	}
	require.Len(t, list, 14)
	s.do(workshop.Define{Slug: "everything", Body: events.Ingredient{Name: "Everything", Kind: "other", Allergens: &list, MayContain: list}})
}

func TestWhoMayDefineWhat(t *testing.T) {
	t.Parallel()
	s := open(t)
	s.as = maker
	for slug, body := range map[string]any{
		"site":              events.Site{Name: "Site", TimeZone: "Europe/Dublin"},
		"place":             events.Place{Name: "Attic", Site: "quay-lane", Storage: "cool"},
		"buyer":             workshop.Buyer{Name: "Buyer"},
		"blackcurrant-bay":  changed(blackcurrantBay(), func(f *events.Formula) { f.Assessment.Days = map[string]int{"cool": 99} }),
		"blackcurrant-dome": changed(blackcurrantDome(), func(d *events.Design) { d.PriceMinor = nil }),
		"new-recipe":        blackcurrantBay(),
		"limited":           events.Formula{Name: "Limited", Storage: "cool", ShopLimitDays: map[string]int{"cool": 5}},
	} {
		require.EqualValues(t, "forbidden", s.refuse(workshop.Define{Slug: slug, Body: body}).Slug, slug)
	}
	for slug, body := range map[string]any{
		"supplier": workshop.Supplier{Name: "Supplier"},
		"mould":    events.Mould{Name: "Mould", Cavities: 12},
		"vat":      events.Vat{Name: "Tank", Chocolate: "white", Site: "quay-lane"},
		"lemon":    events.Ingredient{Name: "Lemon", Kind: "fruit"},
		"lemon-ganache": events.Formula{Name: "Lemon", Storage: "cool", Inputs: []events.FormulaInput{
			{Ingredient: "cream-35", Quantity: g(1)},
		}},
		"blackcurrant-bay":  changed(blackcurrantBay(), func(f *events.Formula) { f.Name = "Blackcurrant and bay" }),
		"blackcurrant-dome": changed(blackcurrantDome(), func(d *events.Design) { d.Name = "Dome" }),
	} {
		require.True(t, s.do(workshop.Define{Slug: slug, Body: body}).(workshop.Defined).Changed, slug)
	}
}

func TestAKeyBoundToASiteWritesNothingElsewhere(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 10)
	anybody, atTheStall := b.as, workshop.Actor{ID: "stall", Roles: []string{"counter"}, Site: "market"}
	says := func(cmd workshop.Command, slug workshop.Slug) {
		t.Helper()
		b.as = atTheStall
		require.Equal(t, slug, b.refuse(cmd).Slug)
		b.as = anybody
	}
	hold := workshop.PlaceHold{Code: b.domes, Reason: "?"}
	says(sale(byDesign("blackcurrant-dome", 1)), workshop.RefusedForbidden)
	says(workshop.Empty{Vat: "vat-dark", Rest: "discard"}, workshop.RefusedForbidden)
	says(hold, workshop.RefusedUnknownCode) // the stall never had any

	b.do(workshop.Move{From: "counter", To: "freezer", Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 4}}, Sealed: true})
	part := b.domes.Part(1)
	b.do(workshop.Move{From: "freezer", To: "stall", Lines: []workshop.HandledLine{{Code: part, Pieces: 4}}})
	thawed := b.domes.Part(2)
	says(hold, workshop.RefusedForbidden) // it has a part there
	b.as = atTheStall
	b.do(workshop.PlaceHold{Code: thawed, Reason: "?"})
	b.as = anybody
	b.do(workshop.Discard{Place: "stall", Lines: []workshop.HandledLine{{Code: thawed, Pieces: 4}}, Reason: "damaged", Destination: "refuse"})
	says(workshop.PlaceHold{Code: thawed, Reason: "?"}, workshop.RefusedForbidden) // it is gone
	says(workshop.PlaceHold{Code: b.batch, Reason: "?"}, workshop.RefusedUnknownCode)
}

// TestChilledFillingReleasedToACoolPlace: a filling dated for the chill keeps no longer at a warmer counter than its
// assessment says of cool storage.
func TestChilledFillingReleasedToACoolPlace(t *testing.T) {
	t.Parallel()
	b := dated(t, func(f *events.Formula) {
		f.Storage, f.ShopLimitDays = "chilled", nil
		f.Assessment.Days = map[string]int{"chilled": 14, "cool": 6}
	})
	require.Equal(t, day("2026-12-08"), *b.set.Run(b.domes).Expiry.Date)
	released := b.release(b.domes, 10)
	require.Equal(t, day("2026-11-30"), *released.Expiry.Date, "made on 25 November, 6 days: the last whole day")
	require.Contains(t, b.types(), "redated")
}

// TestPiecesWithoutTheirFillingWrittenDown: their shell alone must not date them.
func TestPiecesWithoutTheirFillingWrittenDown(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	empty := moulding("blackcurrant-dome", b.batch)
	empty.Filling, empty.Capping = nil, nil
	run := b.run(empty).Code
	refusal := b.refuse(workshop.Release{Run: run, Pieces: 1, Place: "counter"})
	require.Equal(t, workshop.RefusedNoWholeDay, refusal.Slug)
	require.Nil(t, refusal.Facts["class"])
}
