package oracle

import "time"

// Day is a day of the calendar, counted from 1 January 1970. NoDay is none.
type Day int

// NoDay stands where there is no date.
const NoDay = Day(-1 << 40)

const secondsOfDay = 86400

// DayOf is the calendar day that it is at an instant in a zone.
func DayOf(t time.Time, zone *time.Location) Day {
	y, m, d := t.In(zone).Date()
	return Day(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / secondsOfDay)
}

// Date is that day of the calendar.
func Date(y int, m time.Month, d int) Day {
	return Day(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / secondsOfDay)
}

func (d Day) date() (y, m, n int) {
	t := time.Unix(int64(d)*secondsOfDay, 0).UTC()
	return t.Year(), int(t.Month()), t.Day()
}

// String writes the day as yyyy-mm-dd, or "none".
func (d Day) String() string {
	if d == NoDay {
		return "none"
	}
	return time.Unix(int64(d)*secondsOfDay, 0).UTC().Format(time.DateOnly)
}

// end is the instant at which the day is over in a zone.
func (d Day) end(zone *time.Location) time.Time {
	y, m, n := d.date()
	return time.Date(y, time.Month(m), n+1, 0, 0, 0, 0, zone)
}
