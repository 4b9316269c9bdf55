package civil

import "time"

// reach is further from UTC than any zone is or was (the furthest, Manila before 1845, was 15 h 56 min), so that whatever
// happens to one local date happens within reach of that date in UTC.
const reach = 24 * time.Hour

// A segment is a stretch of time over which a zone keeps one offset.
type segment struct {
	start, end time.Time // half open
	offset     time.Duration
}

// segments gives, in order and without a gap, the stretches of loc between two instants. Neighbours may have the same
// offset.
func segments(from, to time.Time, loc *time.Location) []segment {
	met := make([]segment, 0, 3)
	for from.Before(to) {
		local := from.In(loc)
		_, seconds := local.Zone()
		_, end := local.ZoneBounds()
		switch {
		case end.IsZero() || end.After(to):
			end = to
		case !end.After(from):
			// The library takes every year for one of 365 days where a zone follows a rule, so that on 31 December of
			// a leap year it gives an end that is past. The clock does not change again before the year is over.
			end = from.Truncate(24 * time.Hour).Add(24 * time.Hour)
		}
		met = append(met, segment{start: from, end: end, offset: time.Duration(seconds) * time.Second})
		from = end
	}
	return met
}

// EndIn gives the instant at which the day is over in loc: from it on the local date is always later than d.
// Where the clock goes back over midnight that is the second midnight. A day that loc skipped (30 December 2011 in
// Samoa) is over when the day before it is.
func (d Day) EndIn(loc *time.Location) time.Time {
	midnight := d.AddDays(1).midnightUTC()
	var over time.Time
	for _, s := range segments(midnight.Add(-reach), midnight.Add(reach), loc) {
		localMidnight := midnight.Add(-s.offset)
		switch {
		case !s.start.Before(localMidnight): // d is over all through it
		case s.end.Before(localMidnight):
			over = s.end
		default:
			over = localMidnight
		}
	}
	return over.In(loc)
}

// StartIn gives the instant at which the day before d is over in loc, so that days follow one another without a gap
// or an overlap: d lasts from StartIn until just before EndIn, and a day that loc skipped lasts no time.
func (d Day) StartIn(loc *time.Location) time.Time {
	return d.AddDays(-1).EndIn(loc)
}

// LastWholeDay gives the last day that is over in loc by the instant t: the date to print, since a printed date is
// good until its end, for what is good until t.
func LastWholeDay(t time.Time, loc *time.Location) Day {
	d := DayOf(t, loc)
	for d.EndIn(loc).After(t) {
		d = d.AddDays(-1)
	}
	return d
}

// AddCivil gives the instant n civil days after t at the same local time in loc. A local time that the clock skips
// moves forward to the first that it shows; of a local time shown twice it takes the first, so that nothing is good for
// longer because the clock went back (with n = 0 too).
func AddCivil(t time.Time, n int, loc *time.Location) time.Time {
	local := t.In(loc)
	year, month, day := local.Date()
	hour, minute, second := local.Clock()
	wall := time.Date(year, month, day+n, hour, minute, second, local.Nanosecond(), time.UTC)
	for _, s := range segments(wall.Add(-reach), wall.Add(reach), loc) {
		at := wall.Add(-s.offset)
		if at.Before(s.start) {
			return s.start.In(loc)
		}
		if at.Before(s.end) {
			return at.In(loc)
		}
	}
	panic("civil: a zone more than 24 h from UTC")
}
