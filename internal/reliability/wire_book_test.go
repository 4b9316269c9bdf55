package reliability_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/api"
	"firstout/internal/book"
	"firstout/internal/events/eventlog"
)

// guard is how long a test waits for what must happen before it says that it does not.
const guard = 2 * time.Minute

// A wired is a process's worth of book, in the test's own process: the HTTP interface over a book over a database.
type wired struct {
	t       *testing.T
	handler http.Handler
	book    *book.Book
	pool    *pgxpool.Pool
}

// wiring says how a wired differs from what is served.
type wiring struct {
	waits    api.Waits     // zero: those of the product
	patience time.Duration // zero: the product's
}

func newWired(t *testing.T, address string, as wiring) *wired {
	t.Helper()
	if as.waits == (api.Waits{}) {
		as.waits = api.DefaultWaits
	}
	pool, err := eventlog.OpenPool(context.WithoutCancel(t.Context()), address, 8, api.Statement(as.waits.Quick))
	require.NoError(t, err)
	t.Cleanup(pool.Close)
	log := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError}))
	b, err := book.Open(t.Context(), pool, book.Options{Clock: time.Now, Patience: as.patience, Log: log})
	require.NoError(t, err)
	t.Cleanup(b.Close)
	return &wired{t: t, book: b, pool: pool, handler: api.New(api.Config{
		Book: b, Pool: pool, Keys: anyKey{}, Clock: api.Clock{Wall: time.Now}, Log: log, Ready: b.Check,
		Rate: api.Rate{PerSecond: 1e6, Burst: 1e6}, Wait: as.waits,
	})}
}

// anyKey is the owner's, whatever it is.
type anyKey struct{}

func (anyKey) Find(context.Context, [32]byte) (api.Key, error) {
	return api.Key{ID: "owner", Roles: []string{"owner"}}, nil
}

func (anyKey) FindByID(context.Context, string) (api.Key, [32]byte, error) {
	return api.Key{}, [32]byte{}, api.ErrNoKey
}

// told is an answer.
type told struct {
	status int
	header http.Header
	body   string
}

// ask sends a request and wants its answer to come, and to be one that a caller can go on with: what it asked for, or
// that it may come again in a moment.
func (w *wired) ask(ctx context.Context, method, path, key, body string) (told, error) {
	r := httptest.NewRequestWithContext(ctx, method, path, strings.NewReader(body))
	r.Header.Set("Authorization", "Bearer "+eventlog.KeyPrefix+"any")
	if body == "" {
		r.Body = http.NoBody
	} else {
		r.Header.Set("Content-Type", "application/json")
	}
	if key != "" {
		r.Header.Set("Idempotency-Key", key)
	}
	answered := make(chan told, 1)
	go func() {
		recorder := httptest.NewRecorder()
		w.handler.ServeHTTP(recorder, r)
		answered <- told{recorder.Code, recorder.Header(), recorder.Body.String()}
	}()
	select {
	case a := <-answered:
		return a, a.check()
	case <-time.After(guard):
		return told{}, fmt.Errorf("%s %s: no answer within %v", method, path, guard)
	}
}

func (a told) check() error {
	if a.status >= 200 && a.status < 300 {
		return nil
	}
	var problem struct{ Type, Detail string }
	err := json.Unmarshal([]byte(a.body), &problem)
	if err != nil || a.status != http.StatusServiceUnavailable || a.header.Get("Retry-After") == "" || problem.Type != "/problems/unavailable" || problem.Detail == "" {
		return fmt.Errorf("neither an answer nor a proper 503: %d %v %s", a.status, a.header, a.body)
	}
	return nil
}

// setUp defines what a delivery needs.
func (w *wired) setUp() {
	w.t.Helper()
	for path, body := range map[string]string{
		"sites/quay-lane":           `{"name":"Quay Lane","time_zone":"Europe/Dublin","currency":"EUR"}`,
		"suppliers/example-cocoa":   `{"name":"Example Cocoa"}`,
		"ingredients/dark-60-drops": `{"name":"Dark couverture drops","kind":"couverture","chocolate":"dark","storage":"dry","allergens":[]}`,
	} {
		w.must(http.MethodPut, "/v1/"+path, "", body)
	}
	w.must(http.MethodPut, "/v1/places/store", "", `{"name":"Store","site":"quay-lane","storage":"cool"}`)
}

func (w *wired) must(method, path, key, body string) told {
	w.t.Helper()
	a, err := w.ask(w.t.Context(), method, path, key, body)
	require.NoError(w.t, err)
	require.Less(w.t, a.status, 300, "%s", a.body)
	return a
}

// ready asks whether it is.
func (w *wired) ready(want int) told {
	w.t.Helper()
	a, err := w.ask(w.t.Context(), http.MethodGet, "/readyz", "", "")
	require.NoError(w.t, err)
	require.Equal(w.t, want, a.status, "%s", a.body)
	return a
}

// deliver receives a lot that bears its key as the supplier's code, so that one too many shows.
func (w *wired) deliver(ctx context.Context, key string) (told, error) {
	return w.ask(ctx, http.MethodPost, "/v1/lots", key, delivery(key))
}

func delivery(key string) string {
	return `{"ingredient":"dark-60-drops","supplier":"example-cocoa","supplier_lot":"` + key + `","quantity_g":1000,"place":"store","date_mark":{"kind":"none"}}`
}

// insist sends a delivery until it is taken, with the same key. Every answer on the way must be a proper one.
func (w *wired) insist(ctx context.Context, key string) (told, error) {
	for limit := time.Now().Add(guard); ; {
		a, err := w.deliver(ctx, key)
		if err != nil || a.status < 300 {
			return a, err
		}
		if time.Now().After(limit) {
			return a, fmt.Errorf("%s was put off for %v: %s", key, guard, a.body)
		}
		time.Sleep(10 * time.Millisecond) // Retry-After says more: a test does not wait for so long
	}
}

// reckon compares what callers were told with what stands in the log: each key there once, and nothing else, and asked
// again it gives the answer that it gave first.
func (w *wired) reckon(db *pgxpool.Pool, answers map[string]told) {
	w.t.Helper()
	rows, err := db.Query(w.t.Context(), `
SELECT key, (canonical::jsonb)->'data'->>'supplier_lot' AS lot, position FROM log WHERE type = 'ingredient_received' ORDER BY position`)
	require.NoError(w.t, err)
	found, err := pgx.CollectRows(rows, pgx.RowToStructByName[struct {
		Key, Lot string
		Position int64
	}])
	require.NoError(w.t, err)
	times := map[string]int{}
	for _, f := range found {
		times[f.Lot]++
		require.Equal(w.t, f.Key, f.Lot)
	}
	for key, first := range answers {
		require.Equal(w.t, 1, times[key], "%s was told to be recorded, and the log has it %d times", key, times[key])
		again := w.must(http.MethodPost, "/v1/lots", key, delivery(key))
		require.Equal(w.t, first.body, again.body, "%s gives another answer", key)
		delete(times, key)
	}
	require.Empty(w.t, times, "nobody was told of these")
}
