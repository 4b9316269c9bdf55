package civil_test

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"
	"time"
	_ "time/tzdata" // the zones of the Go release that builds the test, whatever the machine has

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/civil"
)

// rows reads a table of testdata/expiry without its head.
func rows(t *testing.T, name string) [][]string {
	t.Helper()
	file, err := os.Open("../../testdata/expiry/" + name)
	require.NoError(t, err)
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(records), 1)
	return records[1:]
}

func zone(t require.TestingT, name string) *time.Location {
	loc, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loc
}

func instant(t require.TestingT, text string) time.Time {
	at, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return at
}

func TestDayEndsAsTheTimeZoneDatabaseSays(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "day_ends.csv") {
		loc, d := zone(t, row[0]), day(t, row[1])
		require.Equal(t, row[2], d.EndIn(loc).UTC().Format(time.RFC3339), "%s %s: %s (%s)", row[0], row[1], row[3], row[4])
		require.Equal(t, d.EndIn(loc), d.AddDays(1).StartIn(loc))
	}
}

func TestCivilDaysLaterAsTheTimeZoneDatabaseSays(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "days_later.csv") {
		n, err := strconv.Atoi(row[2])
		require.NoError(t, err)
		got := civil.AddCivil(instant(t, row[1]), n, zone(t, row[0]))
		require.Equal(t, row[3], got.UTC().Format(time.RFC3339), "%s %s + %d: %s (%s)", row[0], row[1], n, row[4], row[5])
	}
}

// step divides every change of a clock in the years tested, and every offset from UTC in force.
const step = 15 * time.Minute

// dayEnds finds the end of each day from first through last by looking at the local date every quarter of an hour from
// the far end back, with no knowledge of where the clock changes.
func dayEnds(loc *time.Location, first, last civil.Day) map[civil.Day]time.Time {
	ends := map[civil.Day]time.Time{}
	d := last
	for at := time.Date(last.Year, last.Month, last.Day+2, 12, 0, 0, 0, time.UTC); !d.Before(first); at = at.Add(-step) {
		for shown := civil.DayOf(at, loc); !d.Before(first) && !shown.After(d); d = d.AddDays(-1) {
			ends[d] = at.Add(step)
		}
	}
	return ends
}

// requireDayEnds holds EndIn and LastWholeDay against dayEnds, in every zone of the database, links included.
func requireDayEnds(t *testing.T, first, last string) {
	t.Helper()
	zones := rows(t, "zones.csv")
	require.Len(t, zones, 598)
	for _, row := range zones {
		loc := zone(t, row[0])
		ends := dayEnds(loc, day(t, first), day(t, last))
		require.Len(t, ends, day(t, last).Sub(day(t, first))+1)
		for d, end := range ends {
			got := d.EndIn(loc)
			if !got.Equal(end) || civil.LastWholeDay(end, loc) != d || civil.LastWholeDay(end.Add(-1), loc) != d.AddDays(-1) {
				require.Failf(t, "wrong end", "%s %s ends at %s, not %s", row[0], d, end, got)
			}
		}
	}
}

func TestEveryDayOf2026InEveryZone(t *testing.T) {
	t.Parallel()
	requireDayEnds(t, "2026-01-01", "2026-12-31")
}

// The last days of a leap year, which has a day that the time package forgets, and of the years around it.
func TestTheTurnOfEveryYearInEveryZone(t *testing.T) {
	t.Parallel()
	for _, year := range []string{"2027", "2028", "2029"} {
		requireDayEnds(t, year+"-12-28", year+"-12-31")
	}
	requireDayEnds(t, "2029-01-01", "2029-01-03")
}

// daysLater is AddCivil found by trying: the first instant at which the clock on the wall shows the time wanted, or a
// later one because it skipped it.
func daysLater(t time.Time, n int, loc *time.Location) time.Time {
	wallAt := func(at time.Time) time.Time {
		l := at.In(loc)
		return time.Date(l.Year(), l.Month(), l.Day(), l.Hour(), l.Minute(), l.Second(), l.Nanosecond(), time.UTC)
	}
	wanted := wallAt(t).AddDate(0, 0, n)
	at := wanted.Add(-15 * time.Hour)
	for wallAt(at.Add(step)).Before(wanted) {
		at = at.Add(step)
	}
	low, high := at, at.Add(step)
	for high.Sub(low) > 1 {
		if middle := low.Add(high.Sub(low) / 2); wallAt(middle).Before(wanted) {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

// lives are how many days things keep here: two weeks, and with FIRSTOUT_LONG=1 every life up to a month and some longer ones.
func lives() []int {
	if os.Getenv("FIRSTOUT_LONG") != "1" {
		return []int{14}
	}
	all := []int{42, 60, 90, 120, 180, 270, 365, 730}
	for days := range 31 {
		all = append(all, days+1)
	}
	return all
}

func TestCivilDaysLaterFromEveryDayOf2026InEveryZone(t *testing.T) {
	t.Parallel()
	lives := lives()
	for i, row := range rows(t, "zones.csv") {
		loc := zone(t, row[0])
		for n := range 365 {
			at := time.Date(2026, 1, 1+n, (7*i+n)%24, (11*n)%60, (13*n)%60, n, time.UTC)
			for _, days := range lives {
				want, got := daysLater(at, days, loc), civil.AddCivil(at, days, loc)
				if !got.Equal(want) {
					require.Failf(t, "wrong instant", "%s: %s and %d days is %s, not %s", row[0], at, days, want, got)
				}
			}
		}
	}
}

func TestZoneProperties(t *testing.T) {
	t.Parallel()
	zones := rows(t, "zones.csv")
	rapid.Check(t, func(t *rapid.T) {
		loc := zone(t, rapid.SampledFrom(zones).Draw(t, "zone")[0])
		// 1835 to 2105: local mean times, date lines moved, wars' double summer times, and rules that go on for ever.
		at := time.Unix(rapid.Int64Range(-4_260_000_000, 4_260_000_000).Draw(t, "second"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns"))
		d := civil.DayOf(at, loc)
		require.True(t, d.EndIn(loc).After(at), "a day that shows is not over")
		require.False(t, d.AddDays(1).EndIn(loc).Before(d.EndIn(loc)), "days end in their order")
		require.True(t, civil.DayOf(d.EndIn(loc), loc).After(d), "once over, another day shows")
		require.False(t, civil.DayOf(d.EndIn(loc).Add(-1), loc).After(d), "and just before it did not")
		whole := civil.LastWholeDay(at, loc)
		require.False(t, whole.EndIn(loc).After(at))
		require.True(t, whole.AddDays(1).EndIn(loc).After(at))

		n := rapid.IntRange(-400, 400).Draw(t, "n")
		later := civil.AddCivil(at, n, loc)
		require.LessOrEqual(t, civil.DayOf(later, loc).Sub(d.AddDays(n)), 1, "at most the day after a skipped one")
		require.GreaterOrEqual(t, civil.DayOf(later, loc).Sub(d.AddDays(n)), 0)
		require.False(t, civil.AddCivil(at, 0, loc).After(at), "the first of two like times")
	})
}

func FuzzDayText(f *testing.F) {
	for _, seed := range []string{"2026-12-08", "2028-02-29", "0001-01-01", "9999-12-31", "2026-2-3", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		d, err := civil.ParseDay(text)
		if err != nil {
			require.True(t, d.IsZero())
			return
		}
		require.Equal(t, text, d.String())
	})
}
