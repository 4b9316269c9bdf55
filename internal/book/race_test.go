package book_test

import (
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

// TestTheLastGramsAreTakenOnce lets 40 callers at two processes take from one lot until each is refused.
func TestTheLastGramsAreTakenOnce(t *testing.T) {
	t.Parallel()
	const callers, grams = 40, 300
	db := pgtest.NewBook(t)
	books := []*book.Book{open(t, db.App, book.Options{}), open(t, through(t, db.App, direct), book.Options{})}
	lot := receiveSugar(t, books[0], grams*events.Gram)

	var taken atomic.Int64
	var all sync.WaitGroup
	failed := make(chan error, callers)
	for c := range callers {
		all.Go(func() {
			for i := 0; ; i++ {
				_, err := books[(c+i)%2].Do(t.Context(), request(fmt.Sprintf("k%d-%d", c, i), discard(lot, events.Gram)))
				if err != nil {
					failed <- err
					return
				}
				taken.Add(1)
			}
		})
	}
	all.Wait()
	require.EqualValues(t, grams, taken.Load())
	for range callers {
		refusal := new(workshop.Refusal)
		require.ErrorAs(t, <-failed, &refusal)
		require.Equal(t, workshop.RefusedNotEnough, refusal.Slug)
	}
	var left int64
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT amount FROM stock WHERE code = $1", string(lot)).Scan(&left))
	require.Zero(t, left)
}

// direct is a dialer that changes nothing.
func direct(conn net.Conn) net.Conn { return conn }

// receiveSugar defines a small workshop and receives one lot at its counter.
func receiveSugar(t testing.TB, b *book.Book, quantity events.Mass) events.Code {
	t.Helper()
	var lot events.Code
	for _, cmd := range []workshop.Command{
		workshop.Define{Slug: "quay-lane", Body: events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR"}},
		workshop.Define{Slug: "counter", Body: events.Place{Name: "Counter", Site: "quay-lane", Storage: "cool", Sells: true}},
		workshop.Define{Slug: "example-sugar", Body: workshop.Supplier{Name: "Example Sugar"}},
		workshop.Define{Slug: "sugar", Body: events.Ingredient{Name: "Sugar", Kind: "sugar", Storage: "dry", Allergens: &[]string{}}},
		workshop.Receive{
			Ingredient: "sugar", Supplier: "example-sugar", SupplierLot: "S-1", Quantity: quantity, Place: "counter",
			DateMark: events.DateMark{Kind: "none"},
		},
	} {
		r := request("", cmd)
		r.Render = func(_ any, recorded []events.Recorded) (int, []byte, error) {
			if received, is := recorded[0].Data.(events.IngredientReceived); is {
				lot = received.Lot
			}
			return 201, nil, nil
		}
		_, err := b.Do(t.Context(), r)
		require.NoError(t, err)
	}
	return lot
}

// discard takes from a lot at the counter.
func discard(lot events.Code, quantity events.Mass) workshop.Command {
	return workshop.Discard{
		Place: "counter", Lines: []workshop.HandledLine{{Code: lot, Quantity: quantity}}, Reason: "damaged", Destination: "bin",
	}
}
