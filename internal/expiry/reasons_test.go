package expiry_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/expiry"
)

func TestReasonsAreSentences(t *testing.T) {
	t.Parallel()
	reasons := func(a expiry.Answer) []string { return a.Reasons(dublin) }

	assessed := reasons(expiry.DateFilling(blackcurrantBay()))
	require.Equal(t, "Use by 8 December 2026. What binds is the assessment on record: LAB-0417, through 8 December 2026.", assessed[0])
	require.Contains(t, assessed, "Beside it stands the time that an opened ingredient keeps, L261125-01.1-F: opened 2026-11-25, keeps 3 days, through 28 November 2026; it does not bind: LAB-0417 stands in its place.")
	require.Contains(t, assessed, "Beside it stands the best-before date of an ingredient, L261101-04-C: the supplier's best before, through 30 November 2026; it does not bind: it is about the quality of that ingredient alone.")

	undated := reasons(expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment = nil })))
	require.Equal(t, "No date can be given yet.", undated[0])
	require.Contains(t, undated, "This filling needs a recorded assessment of how long it keeps.")

	hoursLeft := reasons(expiry.DateFilling(saltedCaramelCove(wet, func(f *expiry.Filling) { f.PH = nil })))
	require.Equal(t, "No whole day is left: discard by 14:30 on 25 November 2026. What binds is a rule of food safety: US Food Code 2022, 1-201.10, table B: "+
		"water activity 0.94736 with an unknown pH needs a product assessment; without one, 4 hours in all in the cool, until 14:30 on 25 November 2026.", hoursLeft[0])
	require.Contains(t, hoursLeft, "In the cool it keeps 4 hours in all. Chilled, at 5 °C or below, it keeps 4 days.")

	dry := reasons(expiry.DateFilling(saltedCaramelCove(func(f *expiry.Filling) { f.WaterActivity = &expiry.Measured{Value: 0.52} })))
	require.Equal(t, "Best before 31 May 2027. What binds is the best-before date of an ingredient, L261120-02-B: the supplier's best before, through 31 May 2027.", dry[0])
	require.Equal(t, "Beside it stands the water activity: water activity 0.525 is below 0.6: 270 days in the cool, through 21 August 2027.", dry[1])
}
