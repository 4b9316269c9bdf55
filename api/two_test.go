package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// Two processes have a book each, and each its own connections, over one database.
type twoProcesses struct{ books [2]*testBook }

func newTwoProcesses(t *testing.T) *twoProcesses {
	t.Helper()
	db := pgtest.NewBook(t)
	pool, err := pgxpool.New(t.Context(), db.AppURL)
	require.NoError(t, err)
	t.Cleanup(pool.Close)
	other := *db
	other.App = pool
	return &twoProcesses{books: [2]*testBook{openTestBook(t, db, false), openTestBook(t, &other, false)}}
}

// stall puts 300 bars on sale at a place of its own.
func (p *twoProcesses) stall(place string) {
	b := p.books[0]
	b.put("places/"+place, obj{"name": place, "site": "quay-lane", "storage": "cool", "sells": true})
	run := b.post("runs", obj{
		"design": "bar", "mould": "bar-24", "moulds": 13, "place": place, "casting": obj{"vat": "vat-dark"}, "turned_out": obj{"good": 300},
	}).text("code")
	b.post("runs/"+run+"/releases", obj{"pieces": 300, "place": place})
}

// TestWhatOneProcessAnsweredTheOtherShows writes a thousand times at one of two processes and asks the other at once:
// a figure, a definition, the log, a key. Four do so at the same time, in both directions.
func TestWhatOneProcessAnsweredTheOtherShows(t *testing.T) {
	t.Parallel()
	const workers, rounds = 4, 250
	p := newTwoProcesses(t)
	b := p.books[0]
	b.put("sites/quay-lane", obj{"name": "Quay Lane", "time_zone": "Europe/Dublin", "currency": "EUR"})
	b.put("places/store", obj{"name": "Store", "site": "quay-lane", "storage": "cool"})
	b.put("suppliers/example-cocoa", obj{"name": "Example Cocoa"})
	b.put("ingredients/dark", obj{"name": "Dark couverture drops", "kind": "couverture", "chocolate": "dark", "storage": "dry", "allergens": []string{}})
	b.put("vats/vat-dark", obj{"name": "Dark tank", "chocolate": "dark", "site": "quay-lane"})
	b.put("moulds/bar-24", obj{"name": "Bar 24", "cavities": 24})
	b.put("designs/bar", obj{"name": "Bar", "chocolate": "dark", "shell_g": 10, "price_minor": 100})
	lot := b.post("lots", delivery("dark", "example-cocoa", 100000, obj{"kind": "best_before", "date": "2099-01-31"}, "store")).text("code")
	b.post("vats/vat-dark/melts", obj{"inputs": []obj{{"source": lot, "quantity_g": 50000}}})

	var all sync.WaitGroup
	for i := range workers {
		w := &writer{
			t: t, place: "stall-" + strconv.Itoa(i), left: 300, tags: map[string]string{},
			at: [2]client{p.books[0].as(roleOwner), p.books[1].as(roleOwner)},
		}
		p.stall(w.place)
		all.Go(func() {
			for round := range rounds {
				if !w.round(round) {
					return
				}
			}
		})
	}
	all.Wait()
}

// A writer writes at one process and reads at the other, in turn.
type writer struct {
	t     *testing.T
	place string
	left  int               // bars at its place
	tags  map[string]string // of answers, by process and address
	at    [2]client
}

// round writes once and wants to see it; false: it was not as it should be.
func (w *writer) round(n int) bool {
	one, other := n%2, 1-n%2
	if n/2%2 == 0 {
		return w.sell(n, one, other)
	}
	return w.define(n, one, other)
}

// sell takes a bar away: the other process shows one less, by whatever it is asked, and answers the key as it was.
func (w *writer) sell(n, one, other int) bool {
	stock := "/v1/stock?kind=pieces&place=" + w.place
	w.show(other, stock) // so that there is a tag of before
	w.left--
	key := fmt.Sprintf("%s-%d", w.place, n)
	sale := fmt.Sprintf(`{"place":%q,"channel":"counter","lines":[{"design":"bar","pieces":1}]}`, w.place)
	sold := w.ask(one, http.MethodPost, "/v1/sales", sale, headerIdempotencyKey, key)
	var shown struct{ Lines []struct{ Pieces int } }
	ok := w.is(http.StatusCreated, sold) && w.read(w.fresh(other, stock), &shown)
	if !ok || len(shown.Lines) != 1 || shown.Lines[0].Pieces != w.left {
		w.t.Errorf("round %d at %s: the other process shows %v, sold down to %d", n, w.place, shown, w.left)
		return false
	}
	return n%8 != 0 || w.sameLogAndKey(n, other, sold, sale, key)
}

// sameLogAndKey wants the other process to have the sale in its log, and under its key.
func (w *writer) sameLogAndKey(n, other int, sold answer, sale, key string) bool {
	var recorded struct {
		Recorded struct{ Events []struct{ Position int64 } }
	}
	var log struct{ Events []struct{ Position int64 } }
	if !w.read(sold, &recorded) {
		return false
	}
	position := recorded.Recorded.Events[0].Position
	if !w.read(w.show(other, fmt.Sprintf("/v1/events?limit=1&after=%d", position-1)), &log) || len(log.Events) != 1 || log.Events[0].Position != position {
		w.t.Errorf("round %d: the other process has not event %d: %v", n, position, log)
		return false
	}
	again := w.ask(other, http.MethodPost, "/v1/sales", sale, headerIdempotencyKey, key)
	if string(again.Body) != string(sold.Body) || again.Header.Get("Idempotency-Replayed") != "true" {
		w.t.Errorf("round %d: the key gives %s first and %s then", n, sold.Body, again.Body)
		return false
	}
	return true
}

// define puts a supplier: the other process has it as it is now, and takes its goods.
func (w *writer) define(n, one, other int) bool {
	address, name := "/v1/suppliers/of-"+w.place, fmt.Sprintf("As of %d", n)
	w.show(other, address)
	put := w.ask(one, http.MethodPut, address, fmt.Sprintf(`{"name":%q}`, name))
	var shown struct{ Name string }
	if !w.is(http.StatusCreated, put) || !w.read(w.fresh(other, address), &shown) || shown.Name != name {
		w.t.Errorf("round %d: the other process shows %q, put was %q", n, shown.Name, name)
		return false
	}
	lot := fmt.Sprintf(`{"ingredient":"dark","supplier":"of-%s","supplier_lot":"%d","quantity_g":1,"place":"store","date_mark":{"kind":"none"}}`, w.place, n)
	received := w.ask(other, http.MethodPost, "/v1/lots", lot, headerIdempotencyKey, fmt.Sprintf("%s-%d", w.place, n))
	return w.is(http.StatusCreated, received)
}

// ask sends a request to one of the processes.
func (w *writer) ask(process int, method, address, body string, headers ...string) answer {
	return serve(w.t, w.at[process], w.at[process].request(w.t, method, address, body, headers...))
}

// show asks a question and keeps the answer's tag.
func (w *writer) show(process int, address string) answer {
	a := w.ask(process, http.MethodGet, address, "")
	w.tags[address] = a.Header.Get("ETag")
	return a
}

// fresh asks with the tag of before, which holds no more: that would be to say that nothing changed.
func (w *writer) fresh(process int, address string) answer {
	a := w.ask(process, http.MethodGet, address, "", "If-None-Match", w.tags[address])
	if a.Status == http.StatusNotModified {
		w.t.Errorf("%s has changed, and its tag of before still holds", address)
	}
	return a
}

func (w *writer) is(status int, a answer) bool {
	if a.Status != status {
		w.t.Errorf("%d, wanted %d: %s", a.Status, status, a.Body)
	}
	return a.Status == status
}

func (w *writer) read(a answer, into any) bool {
	if err := json.Unmarshal(a.Body, into); err != nil || a.Status >= 300 {
		w.t.Errorf("%d %s: %v", a.Status, a.Body, err)
		return false
	}
	return true
}
