package events_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/events"
)

func TestMassIsReadFromGrams(t *testing.T) {
	t.Parallel()
	for text, milligrams := range map[string]int64{
		"0": 0, "-0": 0, "0.000": 0, "1": 1000, "6.5": 6500, "0.3": 300, "0.001": 1, "-0.001": -1, "1200.125": 1200125,
		"1e3": 1000000, "1E+3": 1000000, "1.25e1": 12500, "2500e-3": 2500, "1000e-6": 1, "1.2300": 1230,
		"1000000000": 1000000000000, "0e40": 0, "0.000000": 0,
	} {
		mass, err := events.ParseGrams(text)
		require.NoError(t, err, text)
		require.Equal(t, events.Mass(milligrams), mass, text)
	}
}

func TestMassRefusesWhatItWouldHaveToRound(t *testing.T) {
	t.Parallel()
	for text, says := range map[string]string{
		"0.0001":         "finer than a milligram",
		"1.2345":         "finer than a milligram",
		"1e-4":           "finer than a milligram",
		"1000000000.001": "more than 1000000000 g",
		"1e12":           "more than 1000000000 g",
		"-1e12":          "more than 1000000000 g",
		"1e41":           "not a number",
		"six":            "not a number",
		`"6"`:            "not a number",
		"true":           "not a number",
	} {
		_, err := events.ParseGrams(text)
		require.ErrorContains(t, err, says, text)
	}
}

func TestMassIsWrittenAsGramsWithoutTrailingZeros(t *testing.T) {
	t.Parallel()
	for milligrams, text := range map[events.Mass]string{
		0: "0", 1: "0.001", -1: "-0.001", 300: "0.3", 1000: "1", 6500: "6.5", -12340: "-12.34", 1200125: "1200.125", events.MaxMass: "1000000000",
	} {
		require.Equal(t, text, milligrams.Grams())
	}
}

func TestMassGoesThroughJSONUnchanged(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		mass := events.Mass(rapid.Int64Range(-int64(events.MaxMass), int64(events.MaxMass)).Draw(t, "milligrams"))
		text, err := json.Marshal(mass)
		require.NoError(t, err)
		var back events.Mass
		require.NoError(t, json.Unmarshal(text, &back))
		require.Equal(t, mass, back)

		// RFC 8785 prints numbers as doubles: within MaxMass that loses nothing.
		canonical, err := events.Canonicalize(text)
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(canonical, &back))
		require.Equal(t, mass, back)
		require.False(t, strings.HasSuffix(string(text), ".") || strings.HasPrefix(string(text), "."))
	})
}

func TestShareOfAMass(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ mass, part, whole, share events.Mass }{
		{mass: 1000, part: 1, whole: 3, share: 333},
		{mass: 1000, part: 2, whole: 3, share: 667},
		{mass: 1000, part: 1, whole: 2000, share: 1}, // half a milligram
		{mass: 6500, part: 400000, whole: 1200000, share: 2167},
		{mass: 0, part: 1, whole: 3, share: 0},
		{mass: events.MaxMass, part: events.MaxMass, whole: events.MaxMass, share: events.MaxMass},
	} {
		require.Equal(t, c.share, c.mass.Share(c.part, c.whole))
	}
	require.Equal(t, 936*events.Gram, (6500 * events.Mass(1)).Times(144))
}

func FuzzParseGrams(f *testing.F) {
	for _, text := range []string{"0", "-0.001", "1e3", "1200.125", "1e-40", "9e40"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		mass, err := events.ParseGrams(text)
		if err != nil || !json.Valid([]byte(text)) {
			return // only JSON numbers come here
		}
		back, err := events.ParseGrams(mass.Grams())
		require.NoError(t, err)
		require.Equal(t, mass, back)
		require.LessOrEqual(t, max(mass, -mass), events.MaxMass)
	})
}
