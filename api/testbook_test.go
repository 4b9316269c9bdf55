package api

import (
	"encoding/json"
	"log/slog"
	"net/http"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

// A testBook is the whole of it but the process: the HTTP interface over a book in a database of its own, standing
// at a morning on the manual clock.
type testBook struct {
	t       *testing.T
	db      *pgtest.DB
	book    *book.Book
	handler http.Handler
	keys    *stubKeys
	owner   client
}

func newTestBook(t *testing.T) *testBook {
	t.Helper()
	return openTestBook(t, pgtest.NewBook(t), true)
}

// openTestBook opens a process's worth of book over a database; several may share one.
func openTestBook(t *testing.T, db *pgtest.DB, manual bool, change ...func(*Config)) *testBook {
	t.Helper()
	require.NoError(t, eventlog.MarkBook(t.Context(), db.App, eventlog.BookTest))
	wall := func() time.Time { return morning }
	log := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError})) // faults
	b, err := book.Open(t.Context(), db.App, book.Options{Clock: wall, Manual: manual, Log: log, Patience: time.Minute})
	require.NoError(t, err)
	t.Cleanup(b.Close)
	tb := &testBook{t: t, db: db, book: b, keys: &stubKeys{}}
	config := Config{
		Book: b, Pool: db.App, Keys: tb.keys, Clock: Clock{Wall: wall, Manual: manual}, Log: log,
		Rate: Rate{PerSecond: 1e6, Burst: 1e6},
		Wait: Waits{Quick: time.Minute, Long: time.Minute}, // a machine that builds on the side is slow, not away
	}
	for _, f := range change {
		f(&config)
	}
	tb.handler = New(config)
	tb.owner = tb.as(roleOwner)
	return tb
}

// as calls with a key of these roles.
func (b *testBook) as(roles ...string) client {
	return client{handler: b.handler, key: b.keys.add(roles...)}
}

// at moves the clock forward.
func (b *testBook) at(now string) {
	b.t.Helper()
	require.Equal(b.t, http.StatusOK, b.owner.post(b.t, "/v1/clock", `{"now":"`+now+`"}`, headerIdempotencyKey, "").Status)
}

// obj is a body to send.
type obj = map[string]any

// put defines something as the owner.
func (b *testBook) put(path string, body obj) answer {
	b.t.Helper()
	return b.owner.do(b.t, http.MethodPut, "/v1/"+path, text(b.t, body))
}

// post writes as the owner and wants it recorded.
func (b *testBook) post(path string, body obj) answer {
	b.t.Helper()
	a := b.owner.post(b.t, "/v1/"+path, text(b.t, body))
	require.Equal(b.t, http.StatusCreated, a.Status, "%s", a.Body)
	return a
}

// refused writes as the owner and wants a refusal.
func (b *testBook) refused(status int, slug, path string, body obj) map[string]any {
	b.t.Helper()
	return b.owner.post(b.t, "/v1/"+path, text(b.t, body)).problem(status, slug)
}

func text(t *testing.T, body obj) string {
	t.Helper()
	sent, err := json.Marshal(body)
	require.NoError(t, err)
	return string(sent)
}

// at finds what stands at a path of names and places in the answer; numbers as they are written.
func (a answer) at(path ...any) any {
	a.t.Helper()
	found := a.json()
	for _, step := range path {
		switch step := step.(type) {
		case string:
			members, is := found.(map[string]any)
			require.True(a.t, is, "%v in %s", path, a.Body)
			require.Contains(a.t, members, step, "%v in %s", path, a.Body)
			found = members[step]
		case int:
			entries, is := found.([]any)
			require.True(a.t, is, "%v in %s", path, a.Body)
			require.Less(a.t, step, len(entries), "%v in %s", path, a.Body)
			found = entries[step]
		}
	}
	return found
}

// text is at, of a text.
func (a answer) text(path ...any) string {
	a.t.Helper()
	found, is := a.at(path...).(string)
	require.True(a.t, is, "%v in %s", path, a.Body)
	return found
}

// has wants values at paths; a path is names and places with dots between them.
func (a answer) has(wanted map[string]any) {
	a.t.Helper()
	for path, value := range wanted {
		require.Equal(a.t, value, a.at(steps(path)...), "%s in %s", path, a.Body)
	}
}

func steps(path string) []any {
	var found []any
	for _, step := range strings.Split(path, ".") {
		if n, err := strconv.Atoi(step); err == nil {
			found = append(found, n)
		} else {
			found = append(found, step)
		}
	}
	return found
}

// n is a number as it is written in JSON.
func n(written string) json.Number { return json.Number(written) }
