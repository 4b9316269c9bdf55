package expiry_test

import (
	"encoding/csv"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/expiry"
)

// TestEveryLifeFromEveryDayInEveryZone dates a filling that an assessment gives so many days: its last day is that many days after the
// day of its making, that day counted, whatever the clocks of the place do in between. The calendar is time.Date's, in UTC, where
// every day is as long as the next.
//
// One more day is whole only where the clock on the wall never shows the time of the making on the day after the last: in Nuuk it goes
// from 23:00 to midnight on 28 March 2026, so what was made at 23:26 and keeps for so many days to then has all of that day. It still
// ends before as many times 24 hours. FIRSTOUT_LONG=1 takes every day of 2026 and every life up to 60 days in each of the zones of the
// database; otherwise it is one in eleven days and four lives.
func TestEveryLifeFromEveryDayInEveryZone(t *testing.T) {
	t.Parallel()
	file, err := os.Open("../../testdata/expiry/zones.csv")
	require.NoError(t, err)
	defer file.Close()
	zones, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	require.Len(t, zones, 599, "and its head")

	lives, step := []int{1, 3, 14, 60}, 11
	if os.Getenv("FIRSTOUT_LONG") == "1" {
		lives, step = nil, 1
		for days := range 60 {
			lives = append(lives, days+1)
		}
	}
	dated, skipped := 0, 0
	for i, row := range zones[1:] {
		loc := zone(row[0])
		for n := i % step; n < 365; n += step {
			// In 2026 no zone's clock skips a whole day, so the date shown is enough.
			made := time.Date(2026, 1, 1+n, (7*i+n)%24, (11*n)%60, (13*n)%60, 0, time.UTC)
			y, m, d := made.In(loc).Date()
			for _, days := range lives {
				got := expiry.DateFilling(expiry.Filling{
					MadeAt: made, Zone: loc, Storage: "cool", WithinTolerance: true,
					WaterActivity: &expiry.Measured{Value: 0.85},
					Assessment:    &expiry.Assessment{Document: "LAB-1", Days: map[string]int{"cool": days}},
				})
				last := time.Date(y, m, d+days-1, 0, 0, 0, 0, time.UTC)
				want := civil.Day{Year: last.Year(), Month: last.Month(), Day: last.Day()}
				if got.Date != nil && *got.Date == want.AddDays(1) && isSkipped(made.In(loc), days) && !got.EndsBy.After(made.Add(time.Duration(days)*24*time.Hour)) {
					want = want.AddDays(1)
					skipped++
				}
				if got.Date == nil || *got.Date != want {
					require.Failf(t, "wrong date", "%s: made %s, %d days: %v, not %s", row[0], made, days, got.Date, want)
				}
				if !got.EndsBy.Equal(want.EndIn(loc)) {
					require.Failf(t, "wrong end", "%s: made %s, %d days: ends by %s", row[0], made, days, got.EndsBy)
				}
				dated++
			}
		}
	}
	t.Logf("%d dates, %d of them where the clock skips the end", dated, skipped)
}

// isSkipped says whether the clock on the wall never shows that time of day so many days later.
func isSkipped(made time.Time, days int) bool {
	later := time.Date(made.Year(), made.Month(), made.Day()+days, made.Hour(), made.Minute(), made.Second(), 0, made.Location())
	return later.Hour() != made.Hour() || later.Minute() != made.Minute()
}
