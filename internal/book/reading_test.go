package book_test

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

// warmRuns is how many runs stand on the counter in the warm night.
const warmRuns = 500

// counterOf sets up a shop and runs on its counter, filled from one batch with 14 days in the cool.
func counterOf(t *testing.T, b *bench, runs int) {
	t.Helper()
	of := func(v float64) *float64 { return &v }
	for i, cmd := range []workshop.Command{
		workshop.Define{Slug: "quay-lane", Body: events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR"}},
		workshop.Define{Slug: "counter", Body: events.Place{Name: "Counter", Site: "quay-lane", Storage: "cool", Sells: true, Monitoring: "by_hand"}},
		workshop.Define{Slug: "example-cocoa", Body: workshop.Supplier{Name: "Example Cocoa"}},
		workshop.Define{Slug: "couverture-dark-60", Body: events.Ingredient{Name: "Dark couverture drops", Kind: "couverture", Chocolate: "dark", Storage: "dry", Allergens: &[]string{}}},
		workshop.Define{Slug: "water", Body: events.Ingredient{Name: "Tap water", Kind: "other", Allergens: &[]string{}, Untracked: true}},
		workshop.Define{Slug: "vat-dark", Body: events.Vat{Name: "Dark tank", Chocolate: "dark", Site: "quay-lane"}},
		workshop.Define{Slug: "dome-24", Body: events.Mould{Name: "Dome 24", Cavities: 24}},
		workshop.Define{Slug: "bay", Body: events.Formula{
			Name: "Bay", Storage: "cool", Inputs: []events.FormulaInput{{Ingredient: "couverture-dark-60", Quantity: 600 * events.Gram}, {Ingredient: "water", Quantity: 400 * events.Gram}},
			Measured:   &events.FormulaMeasured{WaterActivity: of(0.85), PH: of(4.7), Document: "LAB-1", On: civil.Day{Year: 2026, Month: 9, Day: 1}, ValidUntil: civil.Day{Year: 2027, Month: 9, Day: 1}},
			Assessment: &events.Assessment{Document: "LAB-0417", By: "Example Food Lab", On: civil.Day{Year: 2026, Month: 9, Day: 1}, Kind: "study", WaterActivityMax: of(0.93), Days: map[string]int{"cool": 14}},
		}},
		workshop.Define{Slug: "bay-dome", Body: events.Design{
			Name: "Bay dome", Chocolate: "dark", Shell: 4 * events.Gram, Cap: events.Gram, Fillings: []events.DesignFilling{{Formula: "bay", Quantity: 6 * events.Gram}},
		}},
		workshop.Receive{
			Ingredient: "couverture-dark-60", Supplier: "example-cocoa", SupplierLot: "DC-1", Quantity: 200_000 * events.Gram, Place: "counter",
			DateMark: events.DateMark{Kind: "best_before", Date: &civil.Day{Year: 2027, Month: 5, Day: 31}},
		},
	} {
		recorded := b.do(t, 0, fmt.Sprintf("set-up-%d", i), cmd)
		require.NotEmpty(t, recorded, "%T", cmd)
		if received, is := recorded[0].Data.(events.IngredientReceived); is {
			b.lots = append(b.lots, received.Lot)
		}
	}
	melted := b.do(t, 0, "melt", workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{{Source: b.lots[0], Quantity: 100_000 * events.Gram}}})
	require.NotEmpty(t, melted)
	made := b.do(t, 0, "batch", workshop.MakeGanache{
		Formula: "bay", Place: "counter",
		Inputs: []workshop.DrawLine{{Source: b.lots[0], Quantity: 60_000 * events.Gram}, {Ingredient: "water", Quantity: 40_000 * events.Gram}},
	})
	require.NotEmpty(t, made)
	batch := made[0].Data.(events.GanacheMade).Ganache
	var wg sync.WaitGroup
	for i := range runs {
		wg.Add(1)
		go func() {
			defer wg.Done()
			recorded := b.do(t, 0, fmt.Sprintf("run-%d", i), workshop.MakeRun{
				Design: "bay-dome", Mould: "dome-24", Moulds: 1, Place: "counter",
				Casting: &workshop.ChocolateStep{Vat: "vat-dark"}, Filling: []workshop.FillingStep{{Source: batch}},
				Capping: &workshop.ChocolateStep{Vat: "vat-dark"}, TurnedOut: &workshop.TurnOut{Good: 24},
			})
			if len(recorded) == 0 {
				t.Error("a run was refused")
			}
		}()
	}
	wg.Wait()
}

// One reading of a counter on which 500 runs stand: one command in one transaction, one event for each run, and for
// the batch beside them; the stock has the dates when it is answered. The book is checked against a fold of its log when the test ends.
func TestAReadingRedatesFiveHundredRunsAtOnce(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	var mu sync.Mutex
	now := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	at := func(moment time.Time) { mu.Lock(); now = moment; mu.Unlock() }
	clock := func() time.Time { mu.Lock(); defer mu.Unlock(); return now }
	b := &bench{books: []*book.Book{open(t, db.App, book.Options{Clock: clock})}}
	counterOf(t, b, warmRuns)
	read := func(key string, temperature float64) []events.Recorded {
		return b.do(t, 0, key, workshop.Check{Slug: "counter", Kind: "temperature", Value: &temperature})
	}
	at(time.Date(2026, 11, 25, 18, 30, 0, 0, time.UTC))
	require.Len(t, read("evening", 17), 1)
	at(time.Date(2026, 11, 26, 9, 0, 0, 0, time.UTC))
	began := time.Now()
	recorded := read("morning", 24)
	t.Log(time.Since(began))

	require.Len(t, recorded, 2+warmRuns+1, "the check, the place's deviation, and a date for each run and the batch")
	redated := map[events.Code]int{}
	for i, r := range recorded {
		require.Equal(t, recorded[0].Position+int64(i), r.Position)
		require.Equal(t, recorded[0].ID, r.Command)
		if e, is := r.Data.(events.Redated); is {
			redated[e.Code]++
			require.Equal(t, "LAB-0417, less 13.5 h for 14.5 h at 24 °C in the Counter", e.Expiry.Limits[0].Source)
		}
	}
	require.Len(t, redated, warmRuns+1, "each once")
	var transactions, later int
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT count(DISTINCT xmin::text) FROM log WHERE command = $1", recorded[0].ID).Scan(&transactions))
	require.Equal(t, 1, transactions)
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT count(*) FROM stock WHERE date_kind <> '' AND subject = 'bay-dome' AND date > '2026-12-07'").Scan(&later))
	require.Zero(t, later)

	at(time.Date(2026, 11, 26, 9, 1, 0, 0, time.UTC))
	require.Len(t, read("again", 17), 1+warmRuns+1, "the minute between counts as the warmer of both")
	at(time.Date(2026, 11, 26, 17, 0, 0, 0, time.UTC))
	require.Len(t, read("evening again", 17), 1, "and what is in order then changes nothing")
}
