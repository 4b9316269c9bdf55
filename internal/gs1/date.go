package gs1

import (
	"fmt"
	"strconv"

	"firstout/internal/civil"
)

// FormatDate writes a day as the date AIs have it, yymmdd. It never writes day 00.
func FormatDate(day civil.Day) string {
	return fmt.Sprintf("%02d%02d%02d", day.Year%100, int(day.Month), day.Day)
}

// ParseDate reads the yymmdd of a date AI. Of a day 00 the last day of that month is meant. year is the one in which it is
// read: of the centuries the one is meant that puts the date from 49 years before it to 50 after it.
func ParseDate(text string, year int) (civil.Day, error) {
	if len(text) != 6 || !allDigits(text) {
		return civil.Day{}, invalid("%q is no date: it has six digits, yymmdd", text)
	}
	short, _ := strconv.Atoi(text[:2])
	full := year - year%100 + short
	switch apart := short - year%100; {
	case apart >= 51:
		full -= 100
	case apart <= -50:
		full += 100
	}
	day := text[4:]
	whole := day == "00"
	if whole {
		day = "01"
	}
	date, err := civil.ParseDay(fmt.Sprintf("%04d-%s-%s", full, text[2:4], day))
	if err != nil {
		return civil.Day{}, invalid("%q is no day of the calendar", text)
	}
	if whole {
		date = date.EndOfMonth()
	}
	return date, nil
}
