package book_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

// A bench is a small workshop in which things are written down in any order.
type bench struct {
	books []*book.Book
	start time.Time // of the day that is written down

	mu   sync.Mutex
	lots []events.Code
	runs []events.Code
	done int // commands that were not refused
}

// do carries a command out at one of the processes. A refusal is an answer like any other.
func (b *bench) do(t *testing.T, process int, key string, cmd workshop.Command) []events.Recorded {
	t.Helper()
	var told []events.Recorded
	r := request(key, cmd)
	r.Render = func(_ any, recorded []events.Recorded) (int, []byte, error) {
		told = recorded
		return 201, []byte(`{}`), nil
	}
	_, err := b.books[process].Do(t.Context(), r)
	if refusal := new(workshop.Refusal); errors.As(err, &refusal) {
		return nil
	}
	if err != nil {
		t.Errorf("%T: %v", cmd, err)
	}
	return told
}

func (b *bench) setUp(t *testing.T) {
	t.Helper()
	couverture := events.Ingredient{Name: "Dark couverture drops", Kind: "couverture", Chocolate: "dark", Storage: "dry", Allergens: &[]string{"soybeans"}}
	for i, cmd := range []workshop.Command{
		workshop.Define{Slug: "quay-lane", Body: events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR"}},
		workshop.Define{Slug: "counter", Body: events.Place{Name: "Counter", Site: "quay-lane", Storage: "cool", Sells: true}},
		workshop.Define{Slug: "workshop", Body: events.Place{Name: "Workshop", Site: "quay-lane", Storage: "cool"}},
		workshop.Define{Slug: "example-cocoa", Body: workshop.Supplier{Name: "Example Cocoa"}},
		workshop.Define{Slug: "couverture-dark-60", Body: couverture},
		workshop.Define{Slug: "vat-dark", Body: events.Vat{Name: "Dark tank", Chocolate: "dark", Capacity: 9000 * events.Gram, Site: "quay-lane"}},
		workshop.Define{Slug: "dome-24", Body: events.Mould{Name: "Dome 24", Cavities: 24}},
		workshop.Define{Slug: "dark-drop", Body: events.Design{Name: "Dark drop", Chocolate: "dark", Shell: 5 * events.Gram}},
	} {
		require.NotEmpty(t, b.do(t, 0, fmt.Sprintf("set-up-%d", i), cmd))
	}
	for i := range 5 {
		at := b.start.Add(-time.Hour)
		recorded := b.do(t, 0, fmt.Sprintf("lot-%d", i), workshop.Receive{
			Done: workshop.Done{OccurredAt: &at}, Ingredient: "couverture-dark-60", Supplier: "example-cocoa", SupplierLot: fmt.Sprintf("DC-%d", i),
			Quantity: 30000 * events.Gram, Place: "workshop", DateMark: events.DateMark{Kind: "none"},
		})
		b.lots = append(b.lots, recorded[0].Data.(events.IngredientReceived).Lot)
	}
	b.do(t, 0, "first melt", b.melt(b.start, 0, 4000))
}

func (b *bench) melt(at time.Time, lot int, grams int64) workshop.Command {
	return workshop.Melt{Done: workshop.Done{OccurredAt: &at}, Vat: "vat-dark", Inputs: []workshop.DrawLine{
		{Source: b.lots[lot], Quantity: events.Mass(grams) * events.Gram},
	}}
}

// anything is a command of some minute of the day, most of them late by the time they are written down.
func (b *bench) anything(random *rand.Rand) workshop.Command {
	at := b.start.Add(time.Duration(random.IntN(110)) * time.Minute)
	when := workshop.Done{OccurredAt: &at, AlreadyDone: random.IntN(6) == 0}
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.runs) > 0 && random.IntN(2) == 0 {
		run := b.runs[random.IntN(len(b.runs))]
		line := []workshop.HandledLine{{Code: run, Pieces: random.IntN(5) + 1}}
		switch random.IntN(6) {
		case 0:
			return workshop.Release{Done: when, Run: run, Pieces: random.IntN(12) + 1, Place: []string{"counter", "workshop"}[random.IntN(2)]}
		case 1, 2:
			return workshop.Sell{Done: when, Place: "counter", Channel: "counter", Lines: []workshop.PieceLine{{Design: "dark-drop", Pieces: random.IntN(9) + 1}}}
		case 3:
			return workshop.Count{Done: when, Place: "counter", Lines: []workshop.HandledLine{{Code: run, Pieces: random.IntN(20)}}, Complete: random.IntN(3) == 0}
		case 4:
			return workshop.Move{Done: when, From: "counter", To: "workshop", Lines: line}
		default:
			return workshop.Discard{Done: when, Place: "counter", Lines: line, Reason: "damaged", Destination: "refuse"}
		}
	}
	switch random.IntN(8) {
	case 0, 1:
		return b.melt(at, random.IntN(len(b.lots)), int64(random.IntN(900)+1))
	case 2:
		return workshop.Empty{Done: workshop.Done{OccurredAt: &at}, Vat: "vat-dark", Cleaned: random.IntN(2) == 0, Rest: []string{"discard", "block"}[random.IntN(2)], Place: "workshop"}
	default:
		return workshop.MakeRun{
			Done: when, Design: "dark-drop", Mould: "dome-24", Moulds: random.IntN(3) + 1, Place: "workshop",
			Casting: &workshop.ChocolateStep{Vat: "vat-dark"}, TurnedOut: &workshop.TurnOut{Good: 22, Unfilled: 2, UnfilledTo: []string{"", "vat-dark"}[random.IntN(2)]},
		}
	}
}

// TestEntriesInAnyOrderFromManyHands writes a day down from twelve hands at two processes, in no order at all: whatever
// is taken, the book is whole afterwards, and a fold of the log gives the same tables.
func TestEntriesInAnyOrderFromManyHands(t *testing.T) {
	t.Parallel()
	const hands, each = 12, 25
	db := pgtest.NewBook(t)
	b := &bench{
		books: []*book.Book{open(t, db.App, book.Options{}), open(t, through(t, db.App, direct), book.Options{})},
		start: time.Now().Add(-2 * time.Hour).UTC().Truncate(time.Minute),
	}
	b.setUp(t)
	var all sync.WaitGroup
	for hand := range hands {
		all.Go(func() {
			random := rand.New(rand.NewPCG(7, uint64(hand)))
			for i := range each {
				recorded := b.do(t, (hand+i)%2, fmt.Sprintf("%d-%d", hand, i), b.anything(random))
				b.mu.Lock()
				for _, r := range recorded {
					if cast, is := r.Data.(events.ShellsCast); is {
						b.runs = append(b.runs, cast.Run)
					}
				}
				if len(recorded) > 0 {
					b.done++
				}
				b.mu.Unlock()
			}
		})
	}
	all.Wait()
	require.Greater(t, b.done, hands*each/4, "most of it was refused: the test shows little")
}

// TestACompleteCountOfManyThings counts a place at which far more stands than a command may ask for one by one.
func TestACompleteCountOfManyThings(t *testing.T) {
	t.Parallel()
	const runs = 80
	db := pgtest.NewBook(t)
	b := &bench{books: []*book.Book{open(t, db.App, book.Options{})}, start: time.Now().Add(-2 * time.Hour).UTC().Truncate(time.Minute)}
	b.setUp(t)
	for i := range runs {
		if i%20 == 19 {
			b.do(t, 0, fmt.Sprintf("melt-%d", i), b.melt(b.start.Add(time.Duration(i+1)*time.Minute), i%len(b.lots), 2500))
		}
		at := b.start.Add(time.Duration(i+2) * time.Minute)
		cast := workshop.MakeRun{
			Done: workshop.Done{OccurredAt: &at}, Design: "dark-drop", Mould: "dome-24", Moulds: 1, Place: "workshop",
			Casting: &workshop.ChocolateStep{Vat: "vat-dark"}, TurnedOut: &workshop.TurnOut{Good: 24},
		}
		require.NotEmpty(t, b.do(t, 0, fmt.Sprintf("run-%d", i), cast))
	}
	for name, at := range map[string]time.Time{"late": b.start.Add(time.Duration(runs+3) * time.Minute), "now": time.Now().UTC()} {
		recorded := b.do(t, 0, name, workshop.Count{Done: workshop.Done{OccurredAt: &at}, Place: "workshop", Complete: true})
		require.NotEmpty(t, recorded, name)
	}
	var left int64
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT sum(amount) FROM stock WHERE place = 'workshop'").Scan(&left))
	require.Zero(t, left)
}
