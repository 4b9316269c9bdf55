package expiry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

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
		{From: made, To: warm, TemperatureC: 16}, {From: warm, To: now, TemperatureC: 28},
	}, dublin)
	left := limit(t, got, "assessment", "")
	require.InDelta(t, 10.25, left.At.Sub(now).Hours()/24, 0.001)
	require.Equal(t, "LAB-0417, less 12.0 h for a time at 28 °C", left.Source)
	require.Equal(t, civil.LastWholeDay(*left.At, dublin), *got.Date)
	require.Equal(t, day("2026-12-08"), *before.Date, "the answer before stays as it was")

	again := expiry.DateWarmed(got, []expiry.Kept{{Planned: 14, Cool: 14}}, []expiry.Spell{{From: now, To: now.Add(time.Hour), TemperatureC: 28}}, dublin)
	require.Equal(t, 14*time.Hour, limit(t, before, "assessment", "").At.Sub(*limit(t, again, "assessment", "").At), "a second time adds to the first")

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
