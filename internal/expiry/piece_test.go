package expiry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/expiry"
)

func shell(lot, bestBefore string) expiry.Input {
	return expiry.Input{Code: lot, Kind: "couverture", Mark: expiry.Mark{Kind: "best_before", Date: day(bestBefore)}}
}

// dome gives the shop's piece, moulded the day after its filling was made.
func dome(fillings ...expiry.PieceFilling) expiry.Piece {
	return expiry.Piece{
		MadeAt: at("2026-11-26T09:00:00Z"), Zone: dublin, Fillings: fillings,
		Inputs: []expiry.Input{shell("L261120-02-B", "2027-05-31")},
	}
}

func TestPieceTakesItsEarliestFilling(t *testing.T) {
	t.Parallel()
	later := expiry.DateFilling(blackcurrantBay())
	earlier := expiry.DateFilling(changed(func(f *expiry.Filling) {
		f.Assessment.Days, f.Assessment.DateKind = map[string]int{"cool": 9}, "best_before"
		f.PH = pointer(4.2)
	}))
	got := expiry.DatePiece(dome(
		expiry.PieceFilling{Code: "G261125-01-X", Answer: later}, expiry.PieceFilling{Code: "G261125-02-Y", Answer: earlier},
	))
	require.Equal(t, day("2026-12-03"), *got.Date)
	require.Equal(t, "assessment", got.Binds)
	require.Equal(t, "G261125-02-Y", got.Limits[0].Subject)
	require.Equal(t, day("2026-12-08"), *limit(t, got, "assessment", "G261125-01-X").Date, "the other's limits are listed too")
	require.Equal(t, "LAB-0417", limit(t, got, "ingredient_use_by", "L261125-01-A").ReleasedBy)
	require.Equal(t, day("2027-05-31"), *limit(t, got, "ingredient_best_before", "L261120-02-B").Date)
	require.Equal(t, "use_by", got.Kind, "one filling is a use-by, so the piece is")
	require.Equal(t, day("2026-12-03"), *got.UseBy, "of a use-by every assessment is a use-by limit")
	require.Equal(t, 4.2, *got.PH, "what is shown is the earliest filling's")
	require.Equal(t, "assessed", got.Status)
	require.Equal(t, []string{expiry.CautionLaw, expiry.CautionUseBy, expiry.CautionMeasured}, got.Cautions)

	got = expiry.DatePiece(dome(expiry.PieceFilling{Code: "G261125-02-Y", Answer: earlier}))
	require.Equal(t, "best_before", got.Kind)
	require.Nil(t, got.UseBy)
	require.Equal(t, []string{expiry.CautionLaw, expiry.CautionBestBefore, expiry.CautionMeasured}, got.Cautions)
}

func TestPieceThenTakesItsShell(t *testing.T) {
	t.Parallel()
	p := dome(expiry.PieceFilling{Code: "G261125-01-X", Answer: expiry.DateFilling(blackcurrantBay())})
	p.Inputs = append(p.Inputs, shell("L261101-07-S", "2026-11-30"))
	got := expiry.DatePiece(p)
	require.Equal(t, "ingredient_best_before", got.Binds)
	require.Equal(t, day("2026-11-30"), *got.Date)
	require.Equal(t, day("2026-12-08"), *got.UseBy, "a best before is never a use-by")

	p.Inputs[1].Trace = true
	got = expiry.DatePiece(p)
	require.Equal(t, "assessment", got.Binds)
	require.Equal(t, "below_trace", limit(t, got, "ingredient_best_before", "L261101-07-S").ReleasedBy)
}

func TestPieceWithoutADateWhileAFillingHasNone(t *testing.T) {
	t.Parallel()
	dated := expiry.DateFilling(blackcurrantBay())
	undated := expiry.DateFilling(changed(func(f *expiry.Filling) { f.WaterActivity = &expiry.Measured{Value: 0.95} }))
	got := expiry.DatePiece(dome(
		expiry.PieceFilling{Code: "G261125-01-X", Answer: dated}, expiry.PieceFilling{Code: "G261125-02-Y", Answer: undated},
	))
	require.False(t, got.HasDate())
	require.Empty(t, got.Binds)
	require.Equal(t, "outside_assessment", got.Status)
	require.Equal(t, undated.Instead, got.Instead)
	require.Contains(t, got.Cautions, expiry.CautionNoDate)
	require.NotContains(t, got.Cautions, expiry.CautionUseBy)
	require.Equal(t, day("2026-11-28"), *got.UseBy, "its cream's date still ends its use")
}

func TestPiecesWithoutAFilling(t *testing.T) {
	t.Parallel()
	solid := dome()
	got := expiry.DatePiece(solid)
	require.Equal(t, "best_before", got.Kind)
	require.Equal(t, day("2027-05-31"), *got.Date)
	require.Equal(t, "not_estimated", got.Status)
	require.Equal(t, &expiry.WaterActivity{Basis: "none"}, got.WaterActivity)

	solid.Inputs = append(solid.Inputs, expiry.Input{Code: "L261126-03-R", Kind: "fruit", Mark: expiry.Mark{Kind: "use_by", Date: day("2026-11-29")}})
	got = expiry.DatePiece(solid)
	require.Equal(t, "use_by", got.Kind, "fresh fruit on top")
	require.Equal(t, day("2026-11-29"), *got.UseBy)

	got = expiry.DatePiece(expiry.Piece{MadeAt: solid.MadeAt, Zone: dublin})
	require.False(t, got.HasDate())
	require.Equal(t, solid.MadeAt, got.EndsBy.UTC())
	require.Contains(t, got.Cautions, expiry.CautionNoDate)
}

func TestPieceFilledWithALotStraight(t *testing.T) {
	t.Parallel()
	paste := expiry.DateLot(expiry.Input{Code: "L261110-01-N", Kind: "nut", Mark: expiry.Mark{Kind: "best_before", Date: day("2027-01-31")}},
		at("2026-11-10T09:00:00Z"), dublin)
	got := expiry.DatePiece(dome(expiry.PieceFilling{Code: "L261110-01-N", Answer: paste}))
	require.Equal(t, "best_before", got.Kind)
	require.Equal(t, day("2027-01-31"), *got.Date)
	require.Equal(t, []string{expiry.CautionLaw, expiry.CautionBestBefore}, got.Cautions)

	puree := expiry.DateLot(expiry.Input{
		Code: "L261125-05.1-P", Lot: "L261125-05-Q", Kind: "fruit", Mark: expiry.Mark{Kind: "best_before", Date: day("2027-06-30")},
		Opened: &expiry.Opening{On: day("2026-11-25"), LifeDays: 5},
	}, at("2026-11-25T09:00:00Z"), dublin)
	got = expiry.DatePiece(dome(expiry.PieceFilling{Code: "L261125-05.1-P", Answer: puree}))
	require.Equal(t, "use_by", got.Kind)
	require.Equal(t, day("2026-11-30"), *got.UseBy)

	unmarked := expiry.DateLot(expiry.Input{Code: "L261110-02-U", Kind: "nut"}, at("2026-11-10T09:00:00Z"), dublin)
	got = expiry.DatePiece(dome(expiry.PieceFilling{Code: "L261110-02-U", Answer: unmarked}))
	require.False(t, got.HasDate(), "what keeps for a time that nobody knows dates nothing")
}

func TestPipingBag(t *testing.T) {
	t.Parallel()
	hours := whole(t, rows(t, "life_rules.csv")[0]["value"])
	bagged := at("2026-11-26T09:00:00Z")
	bag := expiry.DateBagged(expiry.DateFilling(blackcurrantBay()), bagged, dublin)
	end := bagged.Add(time.Duration(hours) * time.Hour)
	require.Equal(t, "piping_bag", bag.Binds)
	require.False(t, bag.HasDate())
	require.Equal(t, end, bag.EndsBy.UTC())
	require.Equal(t, end, bag.DiscardBy.UTC())

	inTime := expiry.DatePiece(dome(expiry.PieceFilling{Code: "G261125-01.1-Z", Answer: bag, FilledAt: end.Add(-time.Second)}))
	require.Equal(t, day("2026-12-08"), *inTime.Date)
	require.Equal(t, "filled_in_time", limit(t, inTime, "piping_bag", "G261125-01.1-Z").ReleasedBy)

	tooLate := expiry.DatePiece(dome(expiry.PieceFilling{Code: "G261125-01.1-Z", Answer: bag, FilledAt: end}))
	require.Equal(t, "piping_bag", tooLate.Binds)
	require.Equal(t, end, tooLate.DiscardBy.UTC())

	overnight := expiry.DateBagged(expiry.DateFilling(blackcurrantBay()), at("2026-11-26T21:00:00Z"), dublin)
	require.Equal(t, day("2026-11-26"), *overnight.Date, "the day itself is whole when the bag outlasts it")
}

// frozenAndThawed is what a thing has that was in the freezer until an instant.
func frozenAndThawed(before expiry.Answer, f expiry.Freezing, until time.Time) expiry.Answer {
	return expiry.DateThawed(expiry.DateFrozen(before, f), f, until)
}

func TestFreezer(t *testing.T) {
	t.Parallel()
	rules := rows(t, "life_rules.csv")
	freezerDays, daysAfterThaw := whole(t, rules[1]["value"]), whole(t, rules[2]["value"])
	before := expiry.DatePiece(dome(expiry.PieceFilling{Code: "G261125-01-X", Answer: expiry.DateFilling(blackcurrantBay())}))
	frozen := at("2026-11-27T18:00:00Z") // 11 days are left after this one
	thaw := func(before expiry.Answer, on string, sealed bool) expiry.Answer {
		return frozenAndThawed(before, expiry.Freezing{At: frozen, Sealed: sealed, Zone: dublin}, at(on+"T08:00:00Z"))
	}

	got := thaw(before, "2027-01-10", true)
	require.Equal(t, day("2027-01-21"), *got.Date, "thawed with the 11 days that were left")
	require.Equal(t, day("2027-01-21"), *got.UseBy)
	require.Equal(t, "assessment", got.Binds)
	require.Equal(t, day("2027-01-10").AddDays(daysAfterThaw), *limit(t, got, "freezer_limit", "").Date)
	require.Contains(t, got.Cautions, expiry.CautionThawed)
	require.Equal(t, day("2026-12-08"), *before.Date, "the answer before stays as it was")

	got = thaw(before, "2026-11-27", true)
	require.Equal(t, day("2026-12-08"), *got.Date, "frozen and thawed on one day gains nothing")

	long := expiry.DatePiece(dome())
	got = thaw(long, "2027-01-10", true)
	require.Equal(t, "freezer_limit", got.Binds)
	require.Equal(t, day("2027-01-10").AddDays(daysAfterThaw), *got.Date)
	require.Nil(t, got.UseBy, "of a best before the freezer's limit is none of use")

	got = thaw(before, "2027-05-28", true)
	require.Equal(t, day("2026-11-27").AddDays(freezerDays+2), day("2027-05-28"))
	require.Equal(t, day("2026-11-27").AddDays(freezerDays), *got.Date, "over by the time it came out")
	require.Equal(t, "freezer_limit", got.Binds)
	got = thaw(before, "2027-05-26", true)
	require.Equal(t, "ingredient_best_before", got.Binds, "the shell's date is a civil day and stands")
	require.Equal(t, day("2027-05-31"), *got.Date)

	got = thaw(before, "2026-12-01", false)
	require.Equal(t, day("2026-12-08"), *got.Date, "not sealed: the clock ran on")
	require.Contains(t, got.Cautions, expiry.CautionUnsealed)

	again := frozenAndThawed(thaw(before, "2026-12-01", true), expiry.Freezing{
		At: at("2026-12-02T08:00:00Z"), Sealed: true, Again: true, Zone: dublin,
	}, at("2026-12-05T08:00:00Z"))
	require.Equal(t, day("2026-12-12"), *again.Date, "the first time moved it by four days, the second by none")
	require.Contains(t, again.Cautions, expiry.CautionRefrozen)
	require.NotContains(t, again.Cautions, expiry.CautionUnsealed)
}

// What stands in the freezer is dated by how long it may stay there; what had run out before it went in stays so.
func TestInTheFreezer(t *testing.T) {
	t.Parallel()
	freezerDays := whole(t, rows(t, "life_rules.csv")[1]["value"])
	before := expiry.DateFilling(blackcurrantBay())
	freezing := expiry.Freezing{At: at("2026-11-27T18:00:00Z"), Sealed: true, Zone: dublin}
	inside := expiry.DateFrozen(before, freezing)
	require.Equal(t, "freezer_limit", inside.Binds)
	require.Equal(t, day("2026-11-27").AddDays(freezerDays), *inside.Date)
	require.Equal(t, day("2026-11-27").AddDays(freezerDays), *inside.UseBy)
	require.Equal(t, "freezer", limit(t, inside, "assessment", "").ReleasedBy)
	require.Empty(t, limit(t, before, "assessment", "").ReleasedBy, "the answer before stays as it was")

	for name, running := range map[string]expiry.Freezing{
		"not sealed": {At: freezing.At, Zone: dublin}, "again": {At: freezing.At, Sealed: true, Again: true, Zone: dublin},
	} {
		require.Equal(t, *before.Date, *expiry.DateFrozen(before, running).Date, name)
	}

	late := expiry.DateFrozen(before, expiry.Freezing{At: at("2026-12-20T18:00:00Z"), Sealed: true, Zone: dublin})
	require.Equal(t, *before.Date, *late.Date, "past its date it went in, and so it comes out")

	shortened := expiry.Shorten(inside, day("2026-12-20"), "the bag was open", dublin)
	require.Equal(t, day("2026-12-20"), *shortened.Date)
	thawed := expiry.DateThawed(shortened, freezing, at("2026-12-15T08:00:00Z"))
	require.Equal(t, day("2026-12-20"), *thawed.Date, "a decision names a day, and the freezer moves none")
}

func TestFreezerMovesNoIngredientsDate(t *testing.T) {
	t.Parallel()
	before := expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment.Releases = nil }))
	got := frozenAndThawed(before, expiry.Freezing{At: at("2026-11-26T18:00:00Z"), Sealed: true, Zone: dublin}, at("2026-12-10T08:00:00Z"))
	require.Equal(t, day("2026-11-28"), *got.Date)
	require.Equal(t, "opened_ingredient", got.Binds)
}

// The hours of food out of temperature control go on in the freezer, and in the chill.
func TestFreezerGivesNoHoursBack(t *testing.T) {
	t.Parallel()
	hours := whole(t, rows(t, "life_rules.csv")[0]["value"])
	out := at("2026-11-26T09:00:00Z")
	for name, before := range map[string]expiry.Answer{
		"piping_bag":      expiry.DateBagged(expiry.DateFilling(blackcurrantBay()), out, dublin),
		"food_safety_cap": expiry.DateKept(expiry.DateFilling(blackcurrantBay()), expiry.Kept{Planned: 14}, out, dublin),
	} {
		require.Equal(t, name, before.Binds)
		require.False(t, before.HasDate())
		require.Equal(t, out.Add(time.Duration(hours)*time.Hour), before.DiscardBy.UTC())
		got := frozenAndThawed(before, expiry.Freezing{At: at("2026-11-26T10:00:00Z"), Sealed: true, Zone: dublin}, at("2026-12-10T08:00:00Z"))
		require.Equal(t, name, got.Binds)
		require.Equal(t, before.EndsBy, got.EndsBy)
	}
}

func TestFreezerKeepsTheHoursOfWhatHadOnlyHours(t *testing.T) {
	t.Parallel()
	before := expiry.DateFilling(changed(func(f *expiry.Filling) { f.ShopLimitDays = map[string]int{"cool": 0} }))
	frozen := before.EndsBy.Add(-90 * time.Minute)
	thawed := frozen.AddDate(0, 0, 30).Add(5 * time.Hour)
	got := frozenAndThawed(before, expiry.Freezing{At: frozen, Sealed: true, Zone: dublin}, thawed)
	require.Equal(t, thawed.Add(90*time.Minute), got.EndsBy)
	require.False(t, got.HasDate())

	undated := expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment = nil }))
	got = frozenAndThawed(undated, expiry.Freezing{At: frozen, Sealed: true, Zone: dublin}, thawed)
	require.False(t, got.HasDate(), "the freezer gives no date to what has none")
	require.Empty(t, got.Binds)
}

func TestShorten(t *testing.T) {
	t.Parallel()
	before := expiry.DateFilling(blackcurrantBay())
	got := expiry.Shorten(before, day("2026-12-01"), "cooled too slowly", dublin)
	require.Equal(t, day("2026-12-01"), *got.Date)
	require.Equal(t, day("2026-12-01"), *got.UseBy)
	require.Equal(t, "shop_limit", got.Binds)
	require.Equal(t, "a decision to shorten: cooled too slowly", got.Limits[0].Source)
	require.Equal(t, day("2026-12-08"), *expiry.Shorten(before, day("2027-01-01"), "", dublin).Date, "it never lengthens")

	undated := expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment = nil }))
	require.False(t, expiry.Shorten(undated, day("2026-12-01"), "", dublin).HasDate(), "nor dates what has no date")
}
