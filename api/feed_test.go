package api

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// quickly looks at keys, and gives signs of life, as often as a test wants.
func quickly(c *Config) {
	c.Streams = Streams{Heartbeat: 5 * time.Millisecond, KeyCheck: 5 * time.Millisecond, Poll: 5 * time.Millisecond}
}

// supplier defines one more version of a supplier: one event.
func (b *testBook) supplier(name string) {
	b.t.Helper()
	a := serve(b.t, b.owner, b.owner.request(b.t, http.MethodPut, "/v1/suppliers/example-dairy", `{"name":"`+name+`"}`))
	require.Contains(b.t, []int{http.StatusOK, http.StatusCreated}, a.Status, "%s", a.Body)
}

// headID is where the book stands, by the id of a stream that starts now.
func (b *testBook) headID(address string) string {
	b.t.Helper()
	l := b.owner.hear(b.t, address+"/v1/feed")
	defer l.leave()
	return l.opened().id
}

// events reads the log whole, each event in its bytes.
func (b *testBook) events() []string {
	b.t.Helper()
	var answer struct{ Events []json.RawMessage }
	require.NoError(b.t, json.Unmarshal(b.owner.get(b.t, "/v1/events?limit=500").Body, &answer))
	all := make([]string, len(answer.Events))
	for i, e := range answer.Events {
		all[i] = string(e)
	}
	return all
}

// change makes another of a key, or with nil none.
func (s *stubKeys) change(text string, key *Key) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if key == nil {
		delete(s.keys, eventlog.HashKey(text))
	} else {
		s.keys[eventlog.HashKey(text)] = *key
	}
}

// fail lets no key be looked up.
func (s *stubKeys) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
}

func TestFeedTellsTheLogAndWhatComes(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	address := b.listen()
	_, _, run := b.onCounter()
	now := b.owner.hear(t, address+"/v1/feed")
	start := now.opened().id
	beginning := b.owner.hear(t, address+"/v1/feed?after=0")
	require.Empty(t, beginning.opened().id)

	all := b.events()
	epoch, position, err := splitID(start)
	require.NoError(t, err)
	require.EqualValues(t, len(all), position)
	for i, event := range all {
		m := beginning.next()
		require.Equal(t, block{id: messageID(epoch, int64(i+1)), hasID: true, data: event}, m)
	}
	b.post("sales", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 6}}, "channel": "counter"})
	sold := b.events()[len(all)]
	for _, l := range []*listener{now, beginning} {
		require.Equal(t, block{id: messageID(epoch, position+1), hasID: true, data: sold}, l.next())
	}

	// While others listen, one that broke off goes on where it was, whatever the process has told in the meantime.
	for i := range 3 {
		b.supplier("Version " + strconv.Itoa(i))
	}
	missed := b.events()[len(all):]
	for from := range missed {
		again := b.owner.hear(t, address+"/v1/feed", "Last-Event-ID", messageID(epoch, position+int64(from)))
		for i, event := range missed[from:] {
			require.Equal(t, block{id: messageID(epoch, position+int64(from+i+1)), hasID: true, data: event}, again.next())
		}
	}

	require.Empty(t, now.header.Get("ETag"))
	require.Equal(t, "no-store", now.header.Get("Cache-Control"))
	require.NotEmpty(t, now.header.Get("X-Request-Id"))
}

// A stream that breaks off 200 times at random places, now at one process and now at the other, while writers append
// at both, tells every event once.
func TestFeedGoesOnWithoutAGap(t *testing.T) {
	t.Parallel()
	const breaks = 200
	db := pgtest.NewBook(t)
	one, two := openTestBook(t, db, false, quickly), openTestBook(t, db, false, quickly)
	one.catalogue()
	addresses := []string{one.listen(), two.listen()}
	owners := []client{one.owner, two.owner}

	const check = `{"subject":"cold-room","kind":"temperature","value":4.1}`
	due := make(chan struct{}, 20*breaks) // a write each
	var writers sync.WaitGroup
	for _, b := range []*testBook{one, two} {
		for range 3 {
			writers.Go(func() {
				for range due {
					if a := serve(t, b.owner, b.owner.request(t, http.MethodPost, "/v1/checks", check)); a.Status != http.StatusCreated {
						t.Errorf("a write was answered with %d %s", a.Status, a.Body)
					}
				}
			})
		}
	}
	var positions []int64
	lastID := ""
	for n := range breaks {
		var headers []string
		if lastID != "" {
			headers = []string{"Last-Event-ID", lastID}
		}
		which := rand.IntN(2)
		l := owners[which].hear(t, addresses[which]+"/v1/feed?after=0", headers...) // the header stands over the query
		few := rand.IntN(8)
		for range few + 1 {
			due <- struct{}{}
		}
		for range few {
			m := l.next()
			_, position, err := splitID(m.id)
			require.NoError(t, err)
			require.Contains(t, m.data, `"position":`+strconv.FormatInt(position, 10)+`,`)
			positions, lastID = append(positions, position), m.id
		}
		l.leave()
		if n%20 == 0 {
			l.ended()
		}
	}
	close(due)
	writers.Wait()

	_, head, err := splitID(one.headID(addresses[0]))
	require.NoError(t, err)
	l := one.owner.hear(t, addresses[0]+"/v1/feed", "Last-Event-ID", lastID)
	for int64(len(positions)) < head {
		_, position, err := splitID(l.next().id)
		require.NoError(t, err)
		positions = append(positions, position)
	}
	for i, position := range positions {
		require.EqualValues(t, i+1, position)
	}
}

// What another process writes comes too, to every stream.
func TestFeedTellsWhatAnotherProcessWrites(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	one, two := openTestBook(t, db, false), openTestBook(t, db, false)
	address := one.listen()
	first, second := one.owner.hear(t, address+"/v1/feed"), one.owner.hear(t, address+"/v1/feed")
	first.opened()
	second.opened()
	for i := range 5 {
		two.supplier("Version " + strconv.Itoa(i))
		require.Equal(t, first.next(), second.next())
	}
}

type toldTickText struct {
	At        string
	EndsBy    []string `json:"ends_by"`
	DiscardBy []string `json:"discard_by"`
	Midnight  []string
}

func (b block) tick(t *testing.T) toldTickText {
	t.Helper()
	require.Equal(t, "tick", b.name, b.data)
	require.False(t, b.hasID)
	var tick toldTickText
	require.NoError(t, json.Unmarshal([]byte(b.data), &tick))
	return tick
}

// Passing time writes no event: a tick tells what fell due, at each instant, in their order, also where another process
// moved the clock.
func TestFeedTicks(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	one, two := openTestBook(t, db, true), openTestBook(t, db, true)
	s, ganache, run := one.onCounter()
	one.put("sites/pier", obj{"name": "Pier", "time_zone": "Asia/Tokyo", "currency": "JPY"})
	portion := one.post("lots/"+s.cream+"/openings", obj{"quantity_g": 1000}).text("code")
	here, there := one.owner.hear(t, one.listen()+"/v1/feed"), two.owner.hear(t, two.listen()+"/v1/feed")
	opening := here.opened()
	there.opened()

	one.at("2026-11-25T14:59:59Z") // one second to midnight in Tokyo: nothing
	one.at("2026-11-26T00:00:00Z") // midnight there nine hours ago, and now in Dublin
	for _, l := range []*listener{here, there} {
		require.Equal(t, toldTickText{At: "2026-11-25T15:00:00Z", EndsBy: []string{}, DiscardBy: []string{}, Midnight: []string{"pier"}}, l.next().tick(t))
		require.Equal(t, toldTickText{At: "2026-11-26T00:00:00Z", EndsBy: []string{}, DiscardBy: []string{}, Midnight: []string{"quay-lane"}}, l.next().tick(t))
	}
	// Opened on the 25th with 3 days, the cream lasts through the 28th; the sites' days begin later or earlier.
	one.at("2026-11-29T08:00:00Z")
	for _, l := range []*listener{here, there} {
		require.Equal(t, toldTickText{At: "2026-11-28T15:00:00Z", EndsBy: []string{}, DiscardBy: []string{}, Midnight: []string{"pier"}}, l.next().tick(t))
		require.Equal(t, toldTickText{At: "2026-11-29T00:00:00Z", EndsBy: []string{portion}, DiscardBy: []string{portion}, Midnight: []string{"quay-lane"}}, l.next().tick(t))
	}
	// The domes, assessed for 14 days, and what they were made of, at instants of their own.
	one.at("2026-12-12T08:00:00Z")
	due := map[string]string{}
	for at := ""; at != "2026-12-12T00:00:00Z"; {
		tick := here.next().tick(t)
		require.Greater(t, tick.At, at)
		at = tick.At
		for _, code := range tick.DiscardBy {
			due[code] = at
		}
	}
	require.Equal(t, map[string]string{
		s.cream: "2026-12-05T00:00:00Z", run: one.owner.get(t, "/v1/runs/"+run).text("use_by", "discard_by"),
		ganache: one.owner.get(t, "/v1/ganaches/"+ganache).text("use_by", "discard_by"),
	}, due)
	require.Equal(t, opening.id, here.lastID)
}

// shortLimit is a server's limit on the time of a request and its answer, which are not a stream's: signs of life come
// when it has passed.
const shortLimit = 2 * time.Second

func TestStreamsGiveSignsOfLife(t *testing.T) {
	t.Parallel()
	b := openTestBook(t, pgtest.NewBook(t), true, quickly)
	b.catalogue()
	address := b.listen(func(s *http.Server) { s.ReadTimeout, s.WriteTimeout = shortLimit, shortLimit })
	for _, path := range []string{"/v1/feed", "/v1/board/stream"} {
		l := b.owner.hear(t, address+path)
		id := l.opened().id
		for began := time.Now(); time.Since(began) < shortLimit+shortLimit/4; {
			beat, more := l.block()
			require.True(t, more)
			require.Equal(t, block{comment: ":"}, beat)
		}
		require.Equal(t, id, l.lastID)
	}
}

// A stream ends with its key: revoked, expired, or not to be looked up for too long.
func TestStreamsEndWithTheirKey(t *testing.T) {
	t.Parallel()
	var passed atomic.Int64
	b := openTestBook(t, pgtest.NewBook(t), true, quickly, func(c *Config) {
		c.Clock.Wall = func() time.Time { return morning.Add(time.Duration(passed.Load())) }
	})
	b.catalogue()
	address := b.listen()
	open := func(path string, roles ...string) (client, *listener) {
		c := b.as(roles...)
		l := c.hear(t, address+path)
		l.opened()
		return c, l
	}
	stays := b.owner.hear(t, address+"/v1/feed")

	revoked, l := open("/v1/feed", roleAuditor)
	b.keys.change(revoked.key, nil)
	l.ended()
	revoked.get(t, "/v1/feed").problem(http.StatusUnauthorized, "unauthenticated")

	expires := morning.Add(time.Hour)
	till := b.as(roleTill)
	b.keys.change(till.key, &Key{ID: "till", Roles: []string{roleTill}, Expires: &expires})
	l = till.hear(t, address+"/v1/board/stream?place=counter")
	l.opened()
	passed.Store(int64(time.Hour))
	l.ended()
	till.get(t, "/v1/board/stream?place=counter").problem(http.StatusUnauthorized, "unauthenticated")

	b.supplier("Still told") // the others' streams go on
	require.Contains(t, stays.next().data, `"supplier_defined"`)

	_, l = open("/v1/board/stream", roleCounter)
	b.keys.fail(&net.OpError{Op: "dial", Err: errors.New("refused")})
	l.ended()
	stays.ended()
}

func TestStreamsThatAreGone(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	address := b.listen()
	id := b.headID(address)
	epoch, head, err := splitID(id)
	require.NoError(t, err)
	for _, path := range []string{"/v1/feed", "/v1/board/stream"} {
		get := func(query, lastID string) answer { return b.owner.get(t, path+query, "Last-Event-ID", lastID) }
		for _, lastID := range []string{
			"5f0c2a8e-93b1-4a6d-8f27-0b6d1e4c7a35-1", messageID(epoch, head+1), messageID(epoch, 9999999999999999), messageID(epoch+"x", 1),
		} {
			get("", lastID).problem(http.StatusGone, "cursor-gone")
			get("?after=0", lastID).problem(http.StatusGone, "cursor-gone")
		}
		get("?after="+strconv.FormatInt(head+1, 10), "").problem(http.StatusGone, "cursor-gone")
		for _, lastID := range []string{"1", "x", epoch + "-", epoch + "-1x", "-1", epoch + "--1-"} {
			require.Contains(t, get("", lastID).misfits(), "/header/Last-Event-ID", lastID)
		}
		for _, query := range []string{"?after=-1", "?after=x", "?after=1&after=2", "?before=1"} {
			require.Equal(t, http.StatusBadRequest, get(query, "").Status, query)
		}
		b.owner.get(t, path, "Accept", "application/json").problem(http.StatusNotAcceptable, "not-acceptable")
		b.owner.hear(t, address+path+"?after="+strconv.FormatInt(head+1, 10), "Last-Event-ID", id).opened()
	}
	for _, role := range []string{roleCounter, roleMaker, roleTill} {
		b.as(role).get(t, "/v1/feed").problem(http.StatusForbidden, "forbidden")
	}
}

// A book that was exchanged under open streams ends them; their ids lead nowhere in the new one.
func TestStreamsEndWhenTheBookIsPutBack(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	address := b.listen()
	l := b.owner.hear(t, address+"/v1/feed")
	id := l.opened().id
	_, err := b.db.Owner.Exec(t.Context(), "UPDATE head SET epoch = 'another'")
	require.NoError(t, err)
	l.ended()
	b.owner.get(t, "/v1/feed", "Last-Event-ID", id).problem(http.StatusGone, "cursor-gone")
	require.True(t, strings.HasPrefix(b.headID(address), "another-"))
}

// Whoever does not read keeps nobody waiting, and is let go.
func TestSlowReadersHoldNobodyUp(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	for i := range 60 {
		a := b.put("suppliers/example-dairy", obj{"name": "Example Dairy", "address": strings.Repeat("A", 250) + strconv.Itoa(i)})
		require.Equal(t, http.StatusCreated, a.Status, "%s", a.Body)
	}
	const small = 4 << 10 // bytes that wait on either side of the connection
	var slow atomic.Pointer[string]
	closed := make(chan struct{})
	address := b.listen(func(s *http.Server) {
		s.ConnContext = func(ctx context.Context, c net.Conn) context.Context {
			_ = c.(*net.TCPConn).SetWriteBuffer(small) // where it cannot be small, the test takes longer
			return ctx
		}
		s.ConnState = func(c net.Conn, state http.ConnState) {
			if from := slow.Load(); from != nil && c.RemoteAddr().String() == *from && state == http.StateClosed {
				close(closed)
			}
		}
	})
	connection, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", strings.TrimPrefix(address, "http://"))
	require.NoError(t, err)
	defer connection.Close()
	require.NoError(t, connection.(*net.TCPConn).SetReadBuffer(small))
	slow.Store(pointerTo(connection.LocalAddr().String()))
	_, err = fmt.Fprintf(connection, "GET /v1/feed?after=0 HTTP/1.1\r\nHost: book\r\nAuthorization: Bearer %s\r\n\r\n", b.owner.key)
	require.NoError(t, err)

	l := b.owner.hear(t, address+"/v1/feed")
	l.opened()
	for i := range 10 {
		b.supplier("Version " + strconv.Itoa(i))
		require.Contains(t, l.next().data, `"slug":"example-dairy","version":`)
	}
	select {
	case <-closed:
	case <-time.After(patience):
		require.FailNow(t, "the slow reader is still connected")
	}
	b.supplier("After all")
	require.Contains(t, l.next().data, `"slug":"example-dairy","version":`)
}

// A key, and the process, holds so many streams open and no more; one that ends makes room.
func TestStreamsAreCounted(t *testing.T) {
	t.Parallel()
	b := openTestBook(t, pgtest.NewBook(t), true, func(c *Config) { c.Streams = Streams{PerKey: 2, InAll: 3} })
	b.catalogue()
	address := b.listen()
	auditor, counter := b.as(roleAuditor), b.as(roleCounter)
	first := auditor.hear(t, address+"/v1/feed")
	auditor.hear(t, address+"/v1/board/stream").opened()
	a := auditor.get(t, "/v1/feed")
	require.Contains(t, a.problem(http.StatusTooManyRequests, "too-many-requests")["detail"], "2 streams")
	require.Equal(t, "10", a.Header.Get("Retry-After"))
	counter.hear(t, address+"/v1/board/stream").opened()
	counter.get(t, "/v1/board/stream").problem(http.StatusTooManyRequests, "too-many-requests")

	first.leave()
	require.Eventually(t, func() bool {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		response := counter.dial(ctx, t, address+"/v1/board/stream")
		defer response.Body.Close()
		return response.StatusCode == http.StatusOK
	}, patience, time.Millisecond)
}

// A process that is told to stop ends its streams, and does not wait for them.
func TestStreamsEndWithTheProcess(t *testing.T) {
	t.Parallel()
	stop := make(chan struct{})
	b := openTestBook(t, pgtest.NewBook(t), true, func(c *Config) { c.Stop = stop })
	b.catalogue()
	var server *http.Server
	address := b.listen(func(s *http.Server) { server = s })
	feed, board := b.owner.hear(t, address+"/v1/feed"), b.owner.hear(t, address+"/v1/board/stream")
	feed.opened()
	board.opened()
	close(stop)
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	require.NoError(t, server.Shutdown(ctx))
	feed.ended()
	board.ended()
}

func TestStreamsOverHTTP2(t *testing.T) {
	t.Parallel()
	b := openTestBook(t, pgtest.NewBook(t), true, quickly)
	b.catalogue()
	server := httptest.NewUnstartedServer(b.handler)
	server.EnableHTTP2 = true
	server.Config.ReadTimeout, server.Config.WriteTimeout = shortLimit, shortLimit
	server.StartTLS()
	t.Cleanup(server.Close)
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL+"/v1/feed", nil)
	require.NoError(t, err)
	r.Header.Set("Authorization", "Bearer "+b.owner.key)
	response, err := server.Client().Do(r)
	require.NoError(t, err)
	defer response.Body.Close()
	require.Equal(t, 2, response.ProtoMajor)
	lines := bufio.NewScanner(response.Body)
	for began := time.Now(); time.Since(began) < shortLimit+shortLimit/4; {
		require.True(t, lines.Scan(), "%v", lines.Err())
	}
}

// The routes of streams are those that the document says answer with one.
func TestStreamRoutes(t *testing.T) {
	t.Parallel()
	operations, err := document()
	require.NoError(t, err)
	found := map[string]bool{}
	for route, op := range operations {
		if slices.Contains(op.answers, "text/event-stream") {
			found[strings.TrimPrefix(route, "GET ")] = true
		}
	}
	require.Equal(t, streamRoutes, found)
}

// flaky is a database that can be away.
type flaky struct {
	projections.Batcher
	away   atomic.Bool
	missed atomic.Int64
}

func (f *flaky) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	if f.away.Load() {
		f.missed.Add(1)
		return nil, errors.New("the database system is shutting down")
	}
	return f.Batcher.Query(ctx, sql, args...)
}

// While the book cannot be read, streams stand still and tell afterwards what was written meanwhile; for long, they end.
func TestStreamsStandStillWhileTheBookCannotBeRead(t *testing.T) {
	t.Parallel()
	pool := &flaky{}
	b := openTestBook(t, pgtest.NewBook(t), true, quickly, func(c *Config) {
		pool.Batcher, c.Pool, c.Log = c.Pool, pool, slog.New(slog.DiscardHandler)
	})
	b.catalogue()
	l := b.owner.hear(t, b.listen()+"/v1/feed")
	l.opened()
	pool.away.Store(true)
	_, err := b.book.Do(t.Context(), book.Request{Command: workshop.Define{Slug: "example-nuts", Body: workshop.Supplier{Name: "Example Nuts"}}, Actor: workshop.Actor{ID: "k", Roles: []string{roleOwner}}, Render: func(any, []events.Recorded) (int, []byte, error) {
		return http.StatusCreated, nil, nil
	}})
	require.NoError(t, err)
	for pool.missed.Load() < 5 {
		beat, more := l.block()
		require.True(t, more)
		require.Equal(t, block{comment: ":"}, beat)
	}
	pool.away.Store(false)
	require.Contains(t, l.next().data, `"slug":"example-nuts"`)

	pool.away.Store(true)
	l.ended()
	require.GreaterOrEqual(t, pool.missed.Load(), int64(lookTries))
}
