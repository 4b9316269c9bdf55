package workshop_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// What a presumed sale could be is worked out at each change only: it is what looking through all that ever stood there
// gives for each sale by itself, also of sales that are out of order or at the very instant at which something comes or goes.
func TestWhatASaleCouldBeIsWhatStoodThereThen(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		instant := rapid.Custom(func(t *rapid.T) time.Time { return time.Unix(rapid.Int64Range(0, 30).Draw(t, "instant"), 0).UTC() })
		place, subject := rapid.SampledFrom([]string{"counter", "stall"}), rapid.SampledFrom([]string{"dome", "slab"})
		var stood []workshop.Stood
		for n := range rapid.IntRange(0, 12).Draw(t, "stood") {
			s := workshop.Stood{
				Place: place.Draw(t, "place"), Subject: subject.Draw(t, "subject"), Code: events.Code(fmt.Sprintf("R261125-%02d-0", 12-n)), From: instant.Draw(t, "from"),
			}
			if rapid.Bool().Draw(t, "gone") {
				until := s.From.Add(time.Duration(rapid.IntRange(0, 9).Draw(t, "seconds")) * time.Second)
				s.Until = &until
			}
			stood = append(stood, s)
		}
		var sales []workshop.RecalledSale
		var subjects []string
		for range rapid.IntRange(1, 20).Draw(t, "sales") {
			sales = append(sales, workshop.RecalledSale{
				Place: place.Draw(t, "place"), OccurredAt: instant.Draw(t, "sold at"),
				Code: events.Code(fmt.Sprintf("R261125-%02d-0", rapid.IntRange(1, 14).Draw(t, "sold"))),
			})
			subjects = append(subjects, subject.Draw(t, "subject"))
		}
		if rapid.Bool().Draw(t, "in the order of time") {
			slices.SortStableFunc(sales, func(a, b workshop.RecalledSale) int { return a.OccurredAt.Compare(b.OccurredAt) })
		}
		for i, could := range workshop.CouldBe(stood, sales, subjects) {
			sale, want := sales[i], []events.Code{sales[i].Code}
			for _, s := range stood {
				if s.Place == sale.Place && s.Subject == subjects[i] && !s.From.After(sale.OccurredAt) &&
					(s.Until == nil || !s.Until.Before(sale.OccurredAt)) && !slices.Contains(want, s.Code) {
					want = append(want, s.Code)
				}
			}
			slices.Sort(want)
			require.Equal(t, want, could)
		}
	})
}
