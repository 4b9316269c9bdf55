package expiry_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/civil"
	"firstout/internal/expiry"
)

// chilledBay is the shop's filling dated for the chill.
func chilledBay() expiry.Filling {
	return changed(func(f *expiry.Filling) { f.Storage = "chilled" })
}

func TestCoolRate(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "cool_rates.csv") {
		require.InDelta(t, *value(t, row["rate"]), expiry.CoolRate(*value(t, row["temperature_c"])), 0.001, row["temperature_c"])
	}
}

// The worked example of the storage clock: a life of 14 days, 72 h at 16 °C and 6 h at 28 °C: 0.2679 of it is used and
// 10.25 days are left.
func TestSpellsTakeTheirShareOfTheLife(t *testing.T) {
	t.Parallel()
	before := expiry.DateFilling(blackcurrantBay())
	made := blackcurrantBay().MadeAt
	warm := made.Add(72 * time.Hour)
	now := warm.Add(6 * time.Hour)
	got := expiry.DateWarmed(before, []expiry.Kept{{Planned: 14, Cool: 14}}, []expiry.Spell{
		{From: made, To: warm, TemperatureC: 16}, {From: warm, To: now, TemperatureC: 28, Place: "Counter"},
	}, dublin)
	require.InDelta(t, 0.2143+0.0536, got.UsedShare, 1e-4)
	require.InDelta(t, 90.0/336, got.UsedShare, 1e-9)
	left := limit(t, got, "assessment", "")
	require.InDelta(t, 10.25, left.At.Sub(now).Hours()/24, 0.001)
	require.Equal(t, "LAB-0417, less 12 h for 6 h at 28 °C in the Counter", left.Source)
	require.Equal(t, civil.LastWholeDay(*left.At, dublin), *got.Date)
	require.Equal(t, day("2026-12-08"), *before.Date, "the answer before stays as it was")

	again := expiry.DateWarmed(got, []expiry.Kept{{Planned: 14, Cool: 14}}, []expiry.Spell{
		{From: warm, To: now, TemperatureC: 28}, {From: now, To: now.Add(time.Hour), TemperatureC: 28},
	}, dublin)
	require.Equal(t, 14*time.Hour, limit(t, before, "assessment", "").At.Sub(*limit(t, again, "assessment", "").At), "each hour is counted once")

	same := expiry.DateWarmed(before, []expiry.Kept{{Planned: 14, Cool: 14}}, []expiry.Spell{{From: made, To: now, TemperatureC: 18}}, dublin)
	require.Equal(t, before, same)
}

func TestWhatIsDatedForTheChillLosesMoreInTheCool(t *testing.T) {
	t.Parallel()
	before := expiry.DateFilling(chilledBay())
	from := at("2026-11-26T08:00:00Z")
	spells := []expiry.Spell{{From: from, To: from.Add(8 * time.Hour), TemperatureC: 12}}
	got := expiry.DateWarmed(before, []expiry.Kept{{Planned: 21, Cool: 14}}, spells, dublin)
	require.Equal(t, 4*time.Hour, limit(t, before, "assessment", "").At.Sub(*limit(t, got, "assessment", "").At), "8 h at 21 to 14 days are 12 h of the life")

	chill := []expiry.Spell{{From: from, To: from.Add(8 * time.Hour), TemperatureC: 5}}
	require.Equal(t, before, expiry.DateWarmed(before, []expiry.Kept{{Planned: 21, Cool: 14}}, chill, dublin))
	never := expiry.DateWarmed(before, []expiry.Kept{{Planned: 21}}, spells, dublin)
	require.Equal(t, "food_safety_cap", never.Binds)
	require.Equal(t, from.Add(4*time.Hour), never.DiscardBy.UTC())
}

func TestKeptWarmer(t *testing.T) {
	t.Parallel()
	before := expiry.DateFilling(chilledBay())
	require.Equal(t, day("2026-12-15"), *before.Date)
	out := at("2026-11-28T09:00:00Z")
	got := expiry.DateKept(before, expiry.Kept{Planned: 21, Cool: 14}, out, dublin)
	require.Equal(t, day("2026-12-08"), *got.Date, "14 days from the making, wherever it stood")
	require.Equal(t, got, expiry.DateKept(got, expiry.Kept{Planned: 21, Cool: 14}, out.AddDate(0, 0, 1), dublin), "once is enough")

	thawed := frozenAndThawed(before, expiry.Freezing{At: out, Sealed: true, Zone: dublin}, out.AddDate(0, 0, 10))
	got = expiry.DateKept(thawed, expiry.Kept{Planned: 21, Cool: 14}, out.AddDate(0, 0, 10), dublin)
	require.Equal(t, day("2026-12-18"), *got.Date, "the ten days in the freezer do not count")
}

// lives is the worked example's: 14 days in the cool and 28 chilled, dated for either.
func lives(t *rapid.T) ([]expiry.Kept, expiry.Answer) {
	f := blackcurrantBay()
	f.Storage = rapid.SampledFrom([]string{"cool", "chilled"}).Draw(t, "kept")
	f.Assessment.Days = map[string]int{"cool": 14, "chilled": 28}
	return f.Lives(), expiry.DateFilling(f)
}

func anySpells(t *rapid.T, made time.Time) []expiry.Spell {
	var spells []expiry.Spell
	now := made
	for range rapid.IntRange(0, 6).Draw(t, "spells") {
		now = now.Add(time.Duration(rapid.IntRange(0, 3000).Draw(t, "minutes between")) * time.Minute)
		to := now.Add(time.Duration(rapid.IntRange(1, 3000).Draw(t, "minutes")) * time.Minute)
		spells = append(spells, expiry.Spell{
			From: now, To: to, TemperatureC: rapid.SampledFrom([]float64{-6, 4, 8, 12, 19, 24, 28, 33}).Draw(t, "°C"), Paused: rapid.Bool().Draw(t, "paused"),
		})
		now = to
	}
	return spells
}

// What is lost is worked out from a life that nothing was taken from: spells may be counted twice, in any order, and in
// pieces, and more warm hours never lengthen a life.
func TestWarmedProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		kept, before := lives(t)
		spells := anySpells(t, blackcurrantBay().MadeAt)
		got := expiry.DateWarmed(before, kept, spells, dublin)
		require.Equal(t, got, expiry.DateWarmed(got, kept, spells, dublin), "counted again, nothing is lost twice")
		require.Equal(t, got.Limits, expiry.DateWarmed(before, kept, shuffled(t, spells), dublin).Limits, "in any order")
		some := rapid.IntRange(0, len(spells)).Draw(t, "known first")
		require.Equal(t, got.Limits, expiry.DateWarmed(expiry.DateWarmed(before, kept, spells[:some], dublin), kept, spells, dublin).Limits, "found one after the other")
		if len(spells) == 0 {
			require.Equal(t, before, got)
			return
		}
		at := rapid.IntRange(0, len(spells)-1).Draw(t, "which")
		first, second := spells[at], spells[at]
		first.To = first.From.Add(time.Duration(float64(first.To.Sub(first.From)) * rapid.Float64Range(0.01, 0.99).Draw(t, "where")))
		second.From = first.To
		split := expiry.DateWarmed(before, kept, append(slices.Delete(slices.Clone(spells), at, at+1), first, second), dublin)
		require.InDelta(t, got.UsedShare, split.UsedShare, 1e-9, "splitting a spell changes nothing")
		require.WithinDuration(t, *limit(t, got, "assessment", "").At, *limit(t, split, "assessment", "").At, time.Second)
		longer := expiry.DateWarmed(before, kept, append(slices.Clone(spells), expiry.Spell{
			From: spells[len(spells)-1].To, To: spells[len(spells)-1].To.Add(5 * time.Hour), TemperatureC: 24,
		}), dublin)
		require.False(t, limit(t, longer, "assessment", "").At.After(*limit(t, got, "assessment", "").At), "more warm hours never lengthen a life")
		require.False(t, got.EndsBy.After(before.EndsBy))
	})
}

// A loss on the last day of a life leaves it the day that it had: at its instant on the next one it would be over later. And what
// takes nothing does not move the day from which a life may have one.
func TestALossLeavesNoLaterEnd(t *testing.T) {
	t.Parallel()
	f := blackcurrantBay()
	before := expiry.DateFilling(f)
	ended := *limit(t, before, "assessment", "").At
	lost := expiry.Spell{From: ended.Add(-hours(60)), To: ended.Add(-hours(2)), TemperatureC: 19}
	got := expiry.DateWarmed(before, f.Lives(), []expiry.Spell{lost}, dublin)
	require.Positive(t, limit(t, got, "assessment", "").LostH)
	require.Equal(t, before.EndsBy, got.EndsBy)
	cold := expiry.Spell{From: ended.Add(-hours(2)), To: ended.Add(-hours(1)), TemperatureC: 4}
	require.Equal(t, got.Limits, expiry.DateWarmed(before, f.Lives(), []expiry.Spell{lost, cold}, dublin).Limits)
}

// A clock that stood still in a freezer that was too warm loses the time at −6 °C, and at 12 °C as much as it would in
// the cool.
func TestAStoppedClockLosesTheTimeItRan(t *testing.T) {
	t.Parallel()
	f := blackcurrantBay()
	f.Assessment.Days = map[string]int{"cool": 14, "chilled": 28}
	f.Storage = "chilled"
	into := at("2026-11-27T09:00:00Z")
	frozen := expiry.DateFrozen(expiry.DateFilling(f), expiry.Freezing{At: into, Sealed: true, Zone: dublin})
	whole := *limit(t, frozen, "assessment", "").At
	got := expiry.DateWarmed(frozen, f.Lives(), []expiry.Spell{
		{From: into.Add(hours(10)), To: into.Add(hours(20)), TemperatureC: -6, Paused: true, Place: "Freezer"},
		{From: into.Add(hours(20)), To: into.Add(hours(22)), TemperatureC: 12, Paused: true, Place: "Freezer"},
	}, dublin)
	require.Equal(t, 14*time.Hour, whole.Sub(*limit(t, got, "assessment", "").At), "ten chilled, and two in the cool that count double")
	require.Equal(t, "freezer", limit(t, got, "assessment", "").ReleasedBy, "it stands still all the same")
	require.Equal(t, "LAB-0417, less 14 h for 10 h at -6 °C in the Freezer, and 2 h at 12 °C in the Freezer", limit(t, got, "assessment", "").Source)
	thawed := expiry.DateThawed(got, expiry.Freezing{At: into, Sealed: true, Zone: dublin}, into.AddDate(0, 0, 5))
	require.Equal(t, thawed.Limits, expiry.DateWarmed(thawed, f.Lives(), []expiry.Spell{
		{From: into.Add(hours(10)), To: into.Add(hours(20)), TemperatureC: -6, Paused: true, Place: "Freezer"},
		{From: into.Add(hours(20)), To: into.Add(hours(22)), TemperatureC: 12, Paused: true, Place: "Freezer"},
	}, dublin).Limits, "and loses nothing twice when it is thawed")
}

// A filling that the tables date loses by its band's days; where a product assessment is wanting it has four hours in all
// out of the chill, from the first time above 5 °C (US Food Code 3-501.19, from memory).
func TestWhatTheTablesDateIsWarmedToo(t *testing.T) {
	t.Parallel()
	f := blackcurrantBay()
	f.Assessment, f.Inputs, f.ShopLimitDays, f.Storage = nil, nil, nil, "chilled"
	f.Parts = []expiry.Part{expiry.LotPart("cream", 100, map[string]float64{"water": 59, "milk_fat": 35}, nil)}
	for _, c := range []struct {
		waterActivity float64
		binds         string
	}{{0.80, "water_activity_cap"}, {0.94, "food_safety_cap"}} {
		f.WaterActivity = &expiry.Measured{Value: c.waterActivity}
		before := expiry.DateFilling(f)
		from := f.MadeAt.Add(hours(30))
		spells := []expiry.Spell{{From: from, To: from.Add(hours(8)), TemperatureC: 12, Place: "Cold room"}}
		got := expiry.DateWarmed(before, f.Lives(), spells, dublin)
		require.Equal(t, c.binds, got.Binds)
		if c.binds == "food_safety_cap" {
			require.Equal(t, from.Add(hours(4)), got.EndsBy.UTC())
			require.Equal(t, "4 hours in all out of the chill: 8 h at 12 °C in the Cold room", got.Limits[0].Source)
			require.Equal(t, got, expiry.DateWarmed(got, f.Lives(), spells, dublin))
			earlier := []expiry.Spell{{From: from.Add(-hours(2)), To: from.Add(hours(8)), TemperatureC: 12, Place: "Cold room"}}
			require.Equal(t, expiry.DateWarmed(before, f.Lives(), earlier, dublin), expiry.DateWarmed(got, f.Lives(), earlier, dublin))
			continue
		}
		kept := f.Lives()[0]
		ratio := float64(kept.Planned) / float64(kept.Cool)
		require.Greater(t, ratio, 1.0)
		require.InDelta(t, 8*(ratio-1), limit(t, before, c.binds, "").At.Sub(*limit(t, got, c.binds, "").At).Hours(), 1.0/3600)
	}
}
