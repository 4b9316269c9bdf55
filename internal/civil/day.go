// Package civil holds the calendar date and the ways between a date and an instant in a time zone.
//
// It knows nothing of food: a use-by, an opened life and a day's waste all count in civil days, and none of them in
// hours, since a local day lasts 23, 24 or 25 of them, and now and then none at all.
package civil

import (
	"cmp"
	"fmt"
	"time"
)

// A Day is a calendar date, not a midnight: it has no zone and no length until one asks for its bounds in a zone.
// The zero Day is no day; only IsZero, Compare, String and the encodings may be asked of it.
// Days are comparable with ==. The calendar is the Gregorian one, years 1 to 9999.
type Day struct {
	Year  int
	Month time.Month
	Day   int
}

// layout is the calendar date of RFC 3339 (full-date).
const layout = "2006-01-02"

// ParseDay reads a date written as in RFC 3339: 2026-12-08. A date that the calendar does not have is an error.
func ParseDay(text string) (Day, error) {
	t, err := time.Parse(layout, text)
	if err != nil || t.Year() == 0 {
		return Day{}, fmt.Errorf("%q is not a date: write year, month and day as in 2026-12-08", text)
	}
	return dateOf(t), nil
}

// DayOf gives the date that a calendar on the wall shows at the instant t in the zone loc.
func DayOf(t time.Time, loc *time.Location) Day {
	return dateOf(t.In(loc))
}

func dateOf(t time.Time) Day {
	year, month, day := t.Date()
	return Day{Year: year, Month: month, Day: day}
}

// IsZero tells whether d is no day.
func (d Day) IsZero() bool { return d == Day{} }

// String gives the date as in 2026-12-08, and nothing for no day.
func (d Day) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// AddDays gives the date n days later, or earlier when n is negative.
func (d Day) AddDays(n int) Day {
	return dateOf(time.Date(d.Year, d.Month, d.Day+n, 0, 0, 0, 0, time.UTC))
}

// Sub gives the number of days from other to d: 1 when d is the morrow of other.
func (d Day) Sub(other Day) int {
	return int((d.midnightUTC().Unix() - other.midnightUTC().Unix()) / secondsPerDay)
}

// secondsPerDay holds in UTC as Go counts it, which has neither leap seconds nor changes of the clock.
const secondsPerDay = 24 * 60 * 60

func (d Day) midnightUTC() time.Time {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC)
}

// Compare gives -1 when d comes before other, 0 when both are the same day, 1 when it comes after. No day comes first.
func (d Day) Compare(other Day) int {
	return cmp.Or(cmp.Compare(d.Year, other.Year), cmp.Compare(d.Month, other.Month), cmp.Compare(d.Day, other.Day))
}

// Before tells whether d is an earlier day than other.
func (d Day) Before(other Day) bool { return d.Compare(other) < 0 }

// After tells whether d is a later day than other.
func (d Day) After(other Day) bool { return d.Compare(other) > 0 }

// Weekday gives the day of the week.
func (d Day) Weekday() time.Weekday { return d.midnightUTC().Weekday() }

// EndOfMonth gives the last day of d's month: what a "best before end" of that month means.
func (d Day) EndOfMonth() Day {
	return Day{Year: d.Year, Month: d.Month + 1, Day: 1}.AddDays(-1)
}
