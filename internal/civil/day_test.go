package civil_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/civil"
)

func day(t require.TestingT, text string) civil.Day {
	d, err := civil.ParseDay(text)
	require.NoError(t, err)
	return d
}

func TestDayIsReadStrictly(t *testing.T) {
	t.Parallel()
	require.Equal(t, civil.Day{Year: 2026, Month: time.December, Day: 8}, day(t, "2026-12-08"))
	require.Equal(t, "2028-02-29", day(t, "2028-02-29").String())
	for _, wrong := range []string{
		"", "2026-12-8", "26-12-08", "2026-13-01", "2026-02-29", "2026-11-31", "2026-00-10", "2026-01-00", "0000-01-01",
		"2026-12-08T00:00:00Z", " 2026-12-08", "2026/12/08", "08.12.2026", "10000-01-01", "-001-01-01",
	} {
		_, err := civil.ParseDay(wrong)
		require.Errorf(t, err, "%q", wrong)
		require.ErrorContains(t, err, "2026-12-08", "the error shows how to write a date")
	}
}

func TestDayArithmetic(t *testing.T) {
	t.Parallel()
	d := day(t, "2026-11-25")
	require.Equal(t, day(t, "2026-11-28"), d.AddDays(3))
	require.Equal(t, day(t, "2025-11-25"), d.AddDays(-365))
	require.Equal(t, 3, d.AddDays(3).Sub(d))
	require.Equal(t, time.Wednesday, d.Weekday())
	require.True(t, d.Before(d.AddDays(1)))
	require.True(t, d.After(d.AddDays(-31)))
	require.Equal(t, day(t, "2028-02-29"), day(t, "2028-02-10").EndOfMonth())
	require.Equal(t, day(t, "2026-12-31"), day(t, "2026-12-01").EndOfMonth())
	require.True(t, civil.Day{}.IsZero())
	require.Negative(t, civil.Day{}.Compare(day(t, "0001-01-01")))
}

// The Julian day number of the Gregorian calendar (Fliegel and Van Flandern 1968, Communications of the ACM 11:657)
// counts days without any calendar library.
func julianDayNumber(d civil.Day) int {
	y, m, dd := d.Year, int(d.Month), d.Day
	a := (m - 14) / 12
	return (1461*(y+4800+a))/4 + (367*(m-2-12*a))/12 - (3*((y+4900+a)/100))/4 + dd - 32075
}

func anyDay(t *rapid.T, label string) civil.Day {
	return civil.Day{Year: 1, Month: time.January, Day: 1}.AddDays(rapid.IntRange(0, 3_652_058).Draw(t, label))
}

func TestDayProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := anyDay(t, "a"), anyDay(t, "b")
		require.Equal(t, julianDayNumber(a)-julianDayNumber(b), a.Sub(b))
		require.Equal(t, a, b.AddDays(a.Sub(b)))
		require.Equal(t, a.Sub(b) > 0, a.After(b))
		require.Equal(t, a.Sub(b) < 0, a.Before(b))
		require.Equal(t, a, day(t, a.String()))
		// The day of the week follows from the Julian day number: day 0 was a Monday.
		require.Equal(t, time.Weekday((julianDayNumber(a)+1)%7), a.Weekday())
	})
}

func TestDayInJSON(t *testing.T) {
	t.Parallel()
	type dates struct {
		Date  civil.Day         `json:"date"`
		UseBy *civil.Day        `json:"use_by"`
		By    map[civil.Day]int `json:"by,omitempty"`
		Later civil.Day         `json:"later,omitzero"`
	}
	d := day(t, "2026-12-08")
	for _, c := range []struct {
		value dates
		text  string
	}{
		{dates{Date: d, UseBy: &d, By: map[civil.Day]int{d: 3}, Later: d}, `{"date":"2026-12-08","use_by":"2026-12-08","by":{"2026-12-08":3},"later":"2026-12-08"}`},
		{dates{}, `{"date":null,"use_by":null}`},
	} {
		text, err := json.Marshal(c.value)
		require.NoError(t, err)
		require.JSONEq(t, c.text, string(text))
		var back dates
		require.NoError(t, json.Unmarshal(text, &back))
		require.Equal(t, c.value, back)
	}
	var got dates
	for _, wrong := range []string{`{"date":"2026-02-30"}`, `{"date":20261208}`, `{"date":""}`, `{"date":{}}`} {
		require.ErrorContains(t, json.Unmarshal([]byte(wrong), &got), "is not a date", wrong)
	}
	_, err := json.Marshal(map[civil.Day]int{{}: 1})
	require.Error(t, err, "no day has no text")
}

func TestDayInADatabase(t *testing.T) {
	t.Parallel()
	d := day(t, "2026-12-08")
	value, err := d.Value()
	require.NoError(t, err)
	require.Equal(t, "2026-12-08", value)
	value, err = civil.Day{}.Value()
	require.NoError(t, err)
	require.Nil(t, value)
	for _, from := range []any{"2026-12-08", []byte("2026-12-08"), time.Date(2026, 12, 8, 0, 0, 0, 0, time.UTC)} {
		var got civil.Day
		require.NoError(t, got.Scan(from))
		require.Equal(t, d, got)
	}
	got := d
	require.NoError(t, got.Scan(nil))
	require.True(t, got.IsZero())
	require.Error(t, got.Scan(20261208))
	require.Error(t, got.Scan("infinity"))
}
