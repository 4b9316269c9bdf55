package api

import (
	"fmt"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// TestTheLastPiecesAreSoldOnce lets 40 sellers at two processes sell the last pieces over HTTP: as many as stood there
// are sold, every other sale is refused for want of pieces, and what one process has answered the other shows.
func TestTheLastPiecesAreSoldOnce(t *testing.T) {
	t.Parallel()
	const sellers, pieces = 40, 48
	db := pgtest.NewBook(t)
	one, two := openTestBook(t, db, false), openTestBook(t, db, false)
	one.put("sites/quay-lane", obj{"name": "Quay Lane", "time_zone": "Europe/Dublin", "currency": "EUR"})
	one.put("places/counter", obj{"name": "Counter", "site": "quay-lane", "storage": "cool", "sells": true})
	one.put("suppliers/example-cocoa", obj{"name": "Example Cocoa"})
	one.put("ingredients/dark", obj{"name": "Dark couverture drops", "kind": "couverture", "chocolate": "dark", "storage": "dry", "allergens": []string{}})
	one.put("vats/vat-dark", obj{"name": "Dark tank", "chocolate": "dark", "site": "quay-lane"})
	one.put("moulds/bar-24", obj{"name": "Bar 24", "cavities": 24})
	one.put("designs/bar", obj{"name": "Bar", "chocolate": "dark", "shell_g": 10, "price_minor": 100})
	lot := one.post("lots", obj{
		"ingredient": "dark", "supplier": "example-cocoa", "supplier_lot": "D-1", "quantity_g": 2000, "place": "counter",
		"date_mark": obj{"kind": "best_before", "date": "2099-01-31"},
	}).text("code")
	one.post("vats/vat-dark/melts", obj{"inputs": []obj{{"source": lot, "quantity_g": 1000}}})
	run := one.post("runs", obj{
		"design": "bar", "mould": "bar-24", "moulds": 2, "place": "counter", "casting": obj{"vat": "vat-dark"}, "turned_out": obj{"good": pieces},
	}).text("code")
	one.post("runs/"+run+"/releases", obj{"pieces": pieces, "place": "counter"})

	var sold atomic.Int64
	var all sync.WaitGroup
	for s := range sellers {
		seller := []*testBook{one, two}[s%2].as(roleTill)
		all.Go(func() {
			for n := 0; ; n++ {
				a := seller.post(t, "/v1/sales", `{"place":"counter","lines":[{"design":"bar","pieces":1}],"channel":"counter"}`,
					headerIdempotencyKey, fmt.Sprintf("till-%d-%d", s, n))
				if a.Status != http.StatusCreated {
					if a.Status != http.StatusConflict {
						t.Errorf("a sale was answered with %d %s", a.Status, a.Body)
					}
					return
				}
				sold.Add(1)
			}
		})
	}
	all.Wait()
	require.EqualValues(t, pieces, sold.Load())
	for _, b := range []*testBook{one, two} {
		require.NotContains(t, string(b.owner.get(t, "/v1/stock?place=counter&kind=pieces").Body), run)
	}
}
