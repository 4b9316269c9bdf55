package api

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// An nth breaks one of the calls to the database that are made through it.
type nth struct {
	mu       sync.Mutex
	left     int  // calls until the one that is to break; 0: none is
	answered bool // it is carried out, and its answer lost; else it does not arrive
	fired    bool
}

// arm has the n-th call from now on break.
func (n *nth) arm(call int, answered bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.left, n.answered, n.fired = call, answered, false
}

// disarm says whether it broke.
func (n *nth) disarm() bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.left = 0
	return n.fired
}

func (n *nth) next() (breaks, answered bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.left == 0 {
		return false, false
	}
	n.left--
	n.fired = n.left == 0
	return n.fired, n.answered
}

// brittle is a connection whose calls are counted. What is written at once is a call: pgx sends a whole trip so.
type brittle struct {
	net.Conn
	of   *nth
	dead chan struct{} // closed when it is broken and the server has done what it was told last
	mu   sync.Mutex
	gone bool
}

func (b *brittle) broken() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.gone
}

func (b *brittle) Write(p []byte) (int, error) {
	if b.broken() { // pgx says goodbye some time later: no call of the program's
		return 0, io.ErrClosedPipe
	}
	breaks, answered := b.of.next()
	if !breaks {
		return b.Conn.Write(p)
	}
	b.mu.Lock()
	b.gone = true
	b.mu.Unlock()
	defer close(b.dead)
	defer b.Conn.Close()
	if !answered {
		return 0, io.ErrClosedPipe
	}
	n, err := b.Conn.Write(p)
	if err == nil && bytes.HasSuffix(p, []byte{'S', 0, 0, 0, 4}) { // Sync: the server answers when all is done
		b.drain()
	}
	return n, err
}

// drain reads the answer up to ReadyForQuery (PostgreSQL manual, 55.7) and throws it away.
func (b *brittle) drain() {
	_ = b.Conn.SetReadDeadline(time.Now().Add(10 * time.Second)) // a guard only
	var answer []byte
	for chunk := make([]byte, 1<<16); ; {
		n, err := b.Conn.Read(chunk)
		answer = append(answer, chunk[:n]...)
		if end := len(answer) - 6; err != nil || end >= 0 && bytes.HasPrefix(answer[end:], []byte{'Z', 0, 0, 0, 5}) {
			return
		}
	}
}

func (b *brittle) Read(p []byte) (int, error) {
	if !b.broken() {
		n, err := b.Conn.Read(p)
		if !b.broken() {
			return n, err
		}
	}
	<-b.dead
	return 0, io.EOF
}

// brittleBook is a book whose calls to the database break at will.
func brittleBook(t *testing.T) (*testBook, *nth) {
	t.Helper()
	db := pgtest.NewBook(t)
	config, err := pgxpool.ParseConfig(db.AppURL)
	require.NoError(t, err)
	n, direct := &nth{}, config.ConnConfig.DialFunc
	config.ConnConfig.DialFunc = func(ctx context.Context, network, address string) (net.Conn, error) {
		conn, err := direct(ctx, network, address)
		if err != nil {
			return nil, err
		}
		return &brittle{Conn: conn, of: n, dead: make(chan struct{})}, nil
	}
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	require.NoError(t, err)
	t.Cleanup(pool.Close)
	through := *db
	through.App = pool
	return openTestBook(t, &through, true), n
}

// correcting puts right what a delivery was told to weigh.
var correcting = refusable{route: "/v1/corrections", ask: func(a *asked) {
	body := delivery("cream", "example-dairy", 500000, useBy("2027-05-31"), "workshop")
	wrote := a.s.record("lots", body)
	body["quantity_g"] = 400000
	a.target = "/v1/corrections"
	a.or(obj{"event": wrote.text("recorded", "events", 0, "id"), "reason": "typed wrong", "replacement": body})
}}

// TestEveryCommandSurvivesEveryBrokenCall breaks each call to the database that a command makes, one after another, at
// first before it arrives and then with its answer lost. Whatever the first answer is, nothing is half written, and the
// same key gives one answer from then on. Every command of the document is in the table: TestTheTableOfRefusalsIsComplete.
func TestEveryCommandSurvivesEveryBrokenCall(t *testing.T) {
	t.Parallel()
	groups := map[string][]refusable{"corrections": {correcting}}
	for name, group := range refusalGroups {
		groups[name] = group
	}
	for name, group := range groups {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, n := brittleBook(t)
			s := refusalShopIn(b)
			for i := range group {
				r := &group[i]
				for _, answered := range []bool{false, true} {
					t.Run(fmt.Sprintf("%s/answered %t", r, answered), func(t *testing.T) { s.on(t).breakEvery(r, n, answered) })
				}
			}
		})
	}
}

// mostCalls is more than any command makes.
const mostCalls = 60

func (s *refusalShop) breakEvery(r *refusable, n *nth, answered bool) {
	for call := 1; call <= mostCalls; call++ {
		a := r.compose(s, false)
		key := fmt.Sprintf("%s-%d", s.key("nth"), call)
		n.arm(call, answered)
		first := a.send(key)
		broke := n.disarm()
		s.wholeOrNothing(key)
		s.settles(a, key, first)
		s.spent(r)
		if !broke {
			require.Greater(s.t, call, 2, "a command makes two trips at the least: nothing broke")
			return
		}
	}
	require.FailNow(s.t, "it makes more calls than any command should")
}

// settles wants a key to give one answer from now on, and the first one if there was one.
func (s *refusalShop) settles(a *asked, key string, first answer) {
	t := s.t
	if first.Status != http.StatusCreated {
		first.problem(http.StatusServiceUnavailable, "unavailable")
		require.NotEmpty(t, first.Header.Get("Retry-After"))
		first = a.send(key)
	}
	require.Equal(t, http.StatusCreated, first.Status, "%s: %s", a, first.Body)
	again := a.send(key)
	require.Equal(t, http.StatusCreated, again.Status, "%s: %s", a, again.Body)
	require.Equal(t, string(first.Body), string(again.Body), "%s", a)
	require.Equal(t, "true", again.Header.Get("Idempotency-Replayed"))
	s.wholeOrNothing(key)
}

// wholeOrNothing wants the events of a key to be there with its answer, all of one command, or neither.
func (s *refusalShop) wholeOrNothing(key string) {
	s.t.Helper()
	var events, commands, answers int
	require.NoError(s.t, s.db.Owner.QueryRow(s.t.Context(), `
SELECT (SELECT count(*) FROM log WHERE key = $1), (SELECT count(DISTINCT command) FROM log WHERE key = $1),
       (SELECT count(*) FROM commands WHERE key = $1)`, key).Scan(&events, &commands, &answers))
	require.Equal(s.t, events > 0, answers == 1, "%d events and %d answers of %s", events, answers, key)
	require.LessOrEqual(s.t, commands, 1)
}

// A definition has no key: put again it is the same.
func TestADefinitionSurvivesEveryBrokenCall(t *testing.T) {
	t.Parallel()
	b, n := brittleBook(t)
	for _, answered := range []bool{false, true} {
		for call := 1; ; call++ {
			require.LessOrEqual(t, call, mostCalls)
			slug := fmt.Sprintf("/v1/suppliers/example-%d-%t", call, answered)
			put := func() answer { return b.owner.do(t, http.MethodPut, slug, `{"name":"Example"}`) }
			n.arm(call, answered)
			first := put()
			if !n.disarm() {
				require.Greater(t, call, 2)
				break
			}
			if first.Status != http.StatusCreated {
				first.problem(http.StatusServiceUnavailable, "unavailable")
			}
			again := put()
			require.Contains(t, []int{http.StatusOK, http.StatusCreated}, again.Status)
			again.has(map[string]any{"version": json.Number("1")})
		}
	}
}
