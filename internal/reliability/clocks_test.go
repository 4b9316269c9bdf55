package reliability_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/api"
	"firstout/internal/book"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

// A wall is a clock on the wall of one process, which somebody keeps putting.
type wall struct{ shows atomic.Pointer[time.Time] }

func (w *wall) put(to time.Time) { w.shows.Store(&to) }

func (w *wall) now() time.Time { return *w.shows.Load() }

// A machine is all of a process but its settings, with a wall clock that can be put back, which a real process's cannot: the kernel
// has one for all.
type machine struct {
	wall    *wall
	process *process // as clients see one
}

func newMachine(t *testing.T, db *pgtest.DB, start time.Time) *machine {
	t.Helper()
	m := &machine{wall: &wall{}, process: &process{t: t}}
	m.wall.put(start)
	log := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError}))
	b, err := book.Open(t.Context(), db.App, book.Options{Clock: m.wall.now, Log: log})
	require.NoError(t, err)
	t.Cleanup(b.Close)
	stop := make(chan struct{})
	server := httptest.NewServer(api.New(api.Config{
		Book: b, Pool: db.App, Keys: keysIn{db, m.wall}, Clock: api.Clock{Wall: m.wall.now}, Log: log,
		Rate: api.Rate{PerSecond: 1e6, Burst: 1e6}, Stop: stop,
	}))
	t.Cleanup(func() {
		close(stop)
		server.Close()
	})
	m.process.base.Store(&server.URL)
	return m
}

// keysIn are the keys of a database, by a wall clock.
type keysIn struct {
	db   *pgtest.DB
	wall *wall
}

func (k keysIn) Find(ctx context.Context, hash [32]byte) (api.Key, error) {
	key, err := eventlog.FindKey(ctx, k.db.App, hash, k.wall.now())
	if errors.Is(err, eventlog.ErrNoKey) {
		return api.Key{}, api.ErrNoKey
	}
	return api.Key{ID: key.ID.String(), Roles: key.Roles}, err
}

func (keysIn) FindByID(context.Context, string) (api.Key, [32]byte, error) {
	return api.Key{}, [32]byte{}, api.ErrNoKey
}

// What the cream of these histories keeps, once it is opened.
const openLifeDays = 3

// A jumping is a history told to two machines whose clocks jump. What each answer must say is worked out here, by the standard
// library's calendar: nothing of the book's own dating is asked.
type jumping struct {
	t        *testing.T
	chance   *rand.Rand
	zone     *time.Location
	clients  [2]*client
	machines [2]*machine
	truth    time.Time        // what a clock that nobody puts would show
	off      [2]time.Duration // what each machine's is wrong by
	recorded time.Time        // of the newest event
	tags     map[string]tagged
	counted  map[string]int
	lots     []lotOf
	n        int
}

// A lotOf is a lot, with the date on its packet.
type lotOf struct {
	code string
	mark time.Time // midnight in UTC of that day
}

// tagged is an answer with its entity tag.
type tagged struct{ tag, body string }

// now is what the book's time must be at a machine: its clock's, or the newest event's if that is later.
func (j *jumping) now(at int) time.Time {
	if wall := j.machines[at].wall.now(); wall.After(j.recorded) {
		return wall.UTC().Truncate(time.Microsecond)
	}
	return j.recorded
}

// day is the date that a clock at the site shows.
func (j *jumping) day(at time.Time) time.Time {
	y, m, d := at.In(j.zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// step lets some time go by, perhaps puts a clock, and does something at one of the machines.
func (j *jumping) step() {
	j.n++
	j.truth = j.truth.Add(time.Duration(1+j.chance.IntN(1800)) * time.Second)
	if j.chance.IntN(3) == 0 {
		j.counted["jumps"]++
		at, jump := j.chance.IntN(2), 10*time.Minute+time.Duration(j.chance.Int64N(int64(24*time.Hour-10*time.Minute)))
		switch {
		case j.chance.IntN(4) == 0:
			j.off[at] = 0 // somebody put it right
		case j.chance.IntN(2) == 0:
			j.off[at] += jump
		default:
			j.off[at] -= jump
		}
		j.off[at] = min(max(j.off[at], -24*time.Hour), 24*time.Hour)
	}
	for at, m := range j.machines {
		m.wall.put(j.truth.Add(j.off[at]))
	}
	at := j.chance.IntN(2)
	switch n := j.chance.IntN(10); {
	case n < 2 || len(j.lots) == 0:
		j.receive(at)
	case n < 6:
		j.openLot(at)
	default:
		j.look(at)
	}
}

// write posts and gives the answer, false if the workshop refused.
func (j *jumping) write(at int, path, body string, into any) bool {
	now := j.now(at)
	a, err := j.clients[at].do(j.t.Context(), http.MethodPost, "/v1/"+path, fmt.Sprintf("step-%d", j.n), body)
	require.NoError(j.t, err)
	if a.status == http.StatusConflict || a.status == http.StatusUnprocessableEntity {
		j.counted["refusals"]++
		return false
	}
	require.Equal(j.t, http.StatusCreated, a.status, "%s %s: %s", path, body, a.body)
	var told struct{ Recorded struct{ At time.Time } }
	require.NoError(j.t, a.into(&told))
	require.True(j.t, told.Recorded.At.Equal(now), "written down at %s, told %s", now, told.Recorded.At)
	require.False(j.t, told.Recorded.At.Before(j.recorded))
	j.recorded = told.Recorded.At
	require.NoError(j.t, a.into(into))
	j.counted["writes"]++
	return true
}

func (j *jumping) receive(at int) {
	mark := j.day(j.truth).AddDate(0, 0, 1+j.chance.IntN(6))
	var lot struct {
		Code  string
		UseBy struct{ Date string } `json:"use_by"`
	}
	if j.write(at, "lots", fmt.Sprintf(`{"ingredient":"cream-35","supplier":"example-dairy","supplier_lot":"CR-%d","quantity_g":100000,"date_mark":{"kind":"use_by","date":%q},"place":"cold-room"}`,
		j.n, mark.Format(time.DateOnly)), &lot) {
		require.Equal(j.t, mark.Format(time.DateOnly), lot.UseBy.Date)
		j.lots = append(j.lots, lotOf{code: lot.Code, mark: mark})
	}
}

// openLot opens a portion, now or at a time that is given, and works its date out: the earlier of the packet's and so many days after
// the day of the opening (common practice, no source).
func (j *jumping) openLot(at int) {
	lot, when, given := j.lots[max(0, len(j.lots)-1-j.chance.IntN(3))], j.now(at), ""
	if j.chance.IntN(3) == 0 {
		when = when.Add(-time.Duration(j.chance.IntN(3600)) * time.Second)
		given = fmt.Sprintf(`,"occurred_at":%q`, when.In(j.zone).Format(time.RFC3339Nano))
	}
	due := j.day(when).AddDate(0, 0, openLifeDays)
	if lot.mark.Before(due) {
		due = lot.mark
	}
	var portion struct {
		OpenedAt time.Time             `json:"opened_at"`
		UseBy    struct{ Date string } `json:"use_by"`
	}
	if j.write(at, "lots/"+lot.code+"/openings", fmt.Sprintf(`{"quantity_g":10%s}`, given), &portion) {
		require.True(j.t, when.Equal(portion.OpenedAt), "opened at %s, told %s", when, portion.OpenedAt)
		require.Equal(j.t, due.Format(time.DateOnly), portion.UseBy.Date, "opened at %s, packet %s", when, lot.mark)
		j.counted["dates"]++
		if y, m, d := when.UTC().AddDate(0, 0, openLifeDays).Date(); time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Before(due) {
			j.counted["another day than UTC's"]++ // a date by any other zone would have been seen
		}
	}
}

// look asks a machine for the board and the stock: the day is its own, and what it says is as it was is.
func (j *jumping) look(at int) {
	for _, path := range []string{"/v1/board?place=cold-room", "/v1/stock?place=cold-room"} {
		name := fmt.Sprint(at, path)
		fresh := j.get(at, path, "")
		require.Equal(j.t, http.StatusOK, fresh.status, "%s", fresh.body)
		if had := j.tags[name]; had.tag != "" {
			again := j.get(at, path, had.tag)
			if again.status == http.StatusNotModified {
				require.Equal(j.t, string(fresh.body), had.body, "%s: it says that it is as it was", path)
				j.counted["as it was"]++
			} else {
				require.Equal(j.t, string(fresh.body), string(again.body))
			}
		}
		again := j.get(at, path, fresh.header.Get("ETag"))
		require.Equal(j.t, http.StatusNotModified, again.status, "nothing has happened since")
		j.tags[name] = tagged{tag: fresh.header.Get("ETag"), body: string(fresh.body)}
		var board struct{ Date string }
		require.NoError(j.t, fresh.into(&board))
		if board.Date != "" {
			require.Equal(j.t, j.day(j.now(at)).Format(time.DateOnly), board.Date)
		}
	}
}

func (j *jumping) get(at int, path, tag string) answer {
	c := j.clients[at]
	c.tag = tag
	defer func() { c.tag = "" }()
	a, err := c.do(j.t.Context(), http.MethodGet, path, "", "")
	require.NoError(j.t, err)
	return a
}

// TestClocksThatJump: two machines on one book, whose clocks are put forward and back by ten minutes to a day. Dates follow from when
// things happened, recorded_at never falls, tags never vouch for what is not so, and the feed goes on.
func TestClocksThatJump(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	require.NoError(t, eventlog.MarkBook(t.Context(), db.App, eventlog.BookReal))
	zone, err := time.LoadLocation("Pacific/Auckland") // its day is another than UTC's for half of it
	require.NoError(t, err)
	start := time.Date(2027, 3, 30, 6, 0, 0, 0, time.UTC) // before the clocks there are put back on 4 April
	secret, _, err := eventlog.CreateKey(t.Context(), db.App, "owner", []string{"owner"}, "", nil, start)
	require.NoError(t, err)
	j := &jumping{t: t, chance: rand.New(rand.NewPCG(5, 0xc10c)), zone: zone, truth: start, tags: map[string]tagged{}, counted: map[string]int{}}
	for n := range j.machines {
		j.machines[n] = newMachine(t, db, start)
		j.clients[n] = newClient(secret, 0, j.machines[n].process)
		defer j.clients[n].close()
	}
	for _, d := range []struct{ path, body string }{
		{"sites/pier", `{"name":"Pier","time_zone":"Pacific/Auckland","currency":"EUR"}`},
		{"places/cold-room", `{"name":"Cold room","site":"pier","storage":"chilled"}`},
		{"suppliers/example-dairy", `{"name":"Example Dairy"}`},
		{"ingredients/cream-35", fmt.Sprintf(`{"name":"Cream 35 %%","kind":"dairy","storage":"chilled","open_life_days":%d,"allergens":["milk"]}`, openLifeDays)},
	} {
		_, err := j.clients[0].must(t.Context(), http.MethodPut, "/v1/"+d.path, "", d.body)
		require.NoError(t, err)
	}
	j.recorded = start

	var until atomic.Int64
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	web := &http.Client{Transport: &http.Transport{}}
	defer web.CloseIdleConnections()
	ended := make(chan *reader, 2)
	for _, m := range j.machines {
		r := &reader{key: secret, process: []*process{m.process}, next: 1, until: &until}
		go func() {
			r.follow(ctx, web)
			ended <- r
		}()
	}
	for range sized(300, 5000) {
		j.step()
	}
	var head int64
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT position FROM head").Scan(&head))
	until.Store(head)
	j.n++
	j.receive(0)
	for range j.machines {
		select {
		case r := <-ended:
			require.ErrorIs(t, r.wrong, errToldAll)
			require.Equal(t, 1, r.streams, "one stream through all the jumps")
		case <-time.After(hangs):
			require.FailNow(t, "a reader was not told all")
		}
	}
	require.Empty(t, falls(t, db))
	for _, counted := range []string{"jumps", "writes", "dates", "as it was", "refusals", "another day than UTC's"} {
		require.Positive(t, j.counted[counted], counted)
	}
	t.Logf("%v of %d steps", j.counted, j.n)
}

// falls are the positions at which recorded_at falls.
func falls(t *testing.T, db *pgtest.DB) []int64 {
	t.Helper()
	rows, err := db.App.Query(t.Context(), "SELECT position FROM (SELECT position, recorded_at < lag(recorded_at) OVER (ORDER BY position) AS fell FROM log) events WHERE fell")
	require.NoError(t, err)
	found, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	require.NoError(t, err)
	return found
}

// TestATimeThatFallsIsSeen is the canary: the head forgets when the newest event was written down, and the clock is put back.
func TestATimeThatFallsIsSeen(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t) // not checked at the end: it is wrong
	require.NoError(t, eventlog.MarkBook(t.Context(), db.App, eventlog.BookReal))
	start := time.Date(2027, 3, 30, 6, 0, 0, 0, time.UTC)
	secret, _, err := eventlog.CreateKey(t.Context(), db.App, "owner", []string{"owner"}, "", nil, start)
	require.NoError(t, err)
	m := newMachine(t, db, start)
	c := newClient(secret, 0, m.process)
	defer c.close()
	put := func(slug string) {
		_, err := c.must(t.Context(), http.MethodPut, "/v1/suppliers/"+slug, "", `{"name":"Example"}`)
		require.NoError(t, err)
	}
	put("one")
	m.wall.put(start.Add(-time.Hour))
	put("two")
	require.Empty(t, falls(t, db), "the later of the previous one and the clock")
	for _, statement := range []string{
		"ALTER TABLE head DISABLE TRIGGER USER", // which lets it only grow
		"UPDATE head SET recorded_at = recorded_at - interval '1 day'",
		"ALTER TABLE head ENABLE TRIGGER USER",
	} {
		_, err = db.Owner.Exec(t.Context(), statement)
		require.NoError(t, err)
	}
	put("three")
	require.Equal(t, []int64{3}, falls(t, db))
}
