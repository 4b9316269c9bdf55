package book_test

import (
	"bytes"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

// A cutter stands between the book and its database, and cuts a connection at the next thing that is sent over it.
type cutter struct {
	mu  sync.Mutex
	cut func(*severed) // nil: nothing is to be cut
}

// next arms the cutter. Armed while an answer is rendered, it is the group's second trip that it cuts.
func (c *cutter) next(cut func(*severed)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut = cut
}

func (c *cutter) take() func(*severed) {
	c.mu.Lock()
	defer c.mu.Unlock()
	cut := c.cut
	c.cut = nil
	return cut
}

// severed is the server's end of a connection that the client sees as dead, with what the client sent last.
type severed struct {
	server  net.Conn
	sent    []byte
	waiting atomic.Bool   // for the end of the server's answer
	done    chan struct{} // closed when the server has answered to the end, or has gone
}

// lose lets the server see the connection end before what was sent arrived.
func (s *severed) lose() { _ = s.server.Close() }

// deliver lets what was sent arrive, waits until the server has done it, and lets it see the connection end.
func (s *severed) deliver() {
	s.waiting.Store(true)
	_, _ = s.server.Write(s.sent)
	<-s.done
	_ = s.server.Close()
}

// dial puts the cutter in front of a connection to the server.
func (c *cutter) dial(server net.Conn) net.Conn {
	client, inner := net.Pipe()
	end := &severed{server: server, done: make(chan struct{})}
	answers := make(chan []byte, 1<<16) // more than a test's answers: reading the server never waits for the client
	go end.read(answers)
	go func() {
		for answer := range answers {
			_, _ = inner.Write(answer) // after a cut nobody listens
		}
		_ = inner.Close()
	}()
	go c.send(inner, end)
	return client
}

// send passes on what the client sends, until it is to be cut or the client closes.
func (c *cutter) send(inner net.Conn, end *severed) {
	buffer := make([]byte, 1<<20) // more than a group of a test: one reading is one sending
	for {
		n, err := inner.Read(buffer)
		if err != nil {
			_ = end.server.Close()
			return
		}
		if cut := c.take(); cut != nil {
			end.sent = bytes.Clone(buffer[:n])
			_ = inner.Close()
			cut(end)
			return
		}
		if _, err := end.server.Write(buffer[:n]); err != nil {
			return
		}
	}
}

// readyForQuery is how the server ends its answer when no transaction is open (PostgreSQL manual, 55.7).
var readyForQuery = []byte{'Z', 0, 0, 0, 5, 'I'}

// read passes on what the server sends, to its end.
func (s *severed) read(answers chan<- []byte) {
	defer close(answers)
	finished := sync.OnceFunc(func() { close(s.done) })
	defer finished()
	chunk := make([]byte, 1<<16)
	var answer []byte
	for {
		n, err := s.server.Read(chunk)
		if err != nil {
			return
		}
		answers <- bytes.Clone(chunk[:n])
		if answer = append(answer, chunk[:n]...); bytes.HasSuffix(answer, readyForQuery) {
			answer = nil
			if s.waiting.Load() {
				finished()
			}
		}
	}
}

// whileRendered arms the cutter when the request is decided, once.
func whileRendered(r book.Request, c *cutter, cut func(*severed)) book.Request {
	render := r.Render
	var once sync.Once
	r.Render = func(answer any, recorded []events.Recorded) (int, []byte, error) {
		once.Do(func() { c.next(cut) })
		return render(answer, recorded)
	}
	return r
}

// cutBook is a book whose connections go through a cutter, and which has written once, so that its statements are
// prepared and each trip is one sending.
func cutBook(t *testing.T) (*book.Book, *cutter, *pgtest.DB) {
	t.Helper()
	db := pgtest.NewBook(t)
	c := &cutter{}
	b := open(t, through(t, db.App, c.dial), book.Options{})
	_, err := b.Do(t.Context(), request("k0", define("warm")))
	require.NoError(t, err)
	return b, c, db
}

func TestACommitWhoseAnswerWasLostStands(t *testing.T) {
	t.Parallel()
	for key, name := range map[string]string{"k1": "with a key", "": "a definition without one"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, c, db := cutBook(t)
			answer, err := b.Do(t.Context(), whileRendered(request(key, define("a", "b")), c, (*severed).deliver))
			require.NoError(t, err)
			require.False(t, answer.Replayed, "it is the first answer")
			require.EqualValues(t, 2, answer.Position)
			require.Equal(t, []string{"warm", "a", "b"}, slugs(t, db.App))

			next, err := b.Do(t.Context(), request("k2", define("c")))
			require.NoError(t, err)
			require.EqualValues(t, 4, next.Position)
		})
	}
}

func TestACommitThatNeverArrivedIsDoneOnce(t *testing.T) {
	t.Parallel()
	b, c, db := cutBook(t)
	answer, err := b.Do(t.Context(), whileRendered(request("k1", define("a")), c, (*severed).lose))
	require.NoError(t, err)
	require.False(t, answer.Replayed)
	require.EqualValues(t, 2, answer.Position)
	require.Equal(t, []string{"warm", "a"}, slugs(t, db.App))
}

// TestACommitStillUnderWayIsWaitedFor lets the old session commit only after the book has begun to look what became
// of its group: it must wait for that session's lock before it looks, or it would find nothing and write again.
func TestACommitStillUnderWayIsWaitedFor(t *testing.T) {
	t.Parallel()
	b, c, db := cutBook(t)
	held := make(chan *severed, 1)
	result := do(t.Context(), b, whileRendered(request("k1", define("a")), c, func(s *severed) { held <- s }))
	end := <-held
	waitForLock(t, db.App)
	end.deliver()

	answer := await(t, result)
	require.NoError(t, answer.err)
	require.False(t, answer.Replayed)
	require.EqualValues(t, 2, answer.Position)
	require.Equal(t, []string{"warm", "a"}, slugs(t, db.App))
}

// TestAGroupWhoseCommitIsUnknownIsToldAsOne cuts a group of three, one of them refused.
func TestAGroupWhoseCommitIsUnknownIsToldAsOne(t *testing.T) {
	t.Parallel()
	for name, cut := range map[string]func(*severed){"arrived": (*severed).deliver, "lost": (*severed).lose} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, c, db := cutBook(t)
			all := together(t, b,
				request("k1", define("a")), request("k2", refused()), whileRendered(request("k3", define("b")), c, cut))
			require.NoError(t, all[0].err)
			require.ErrorAs(t, all[1].err, new(*workshop.Refusal))
			require.NoError(t, all[2].err)
			require.Equal(t, []string{"warm", "gate", "a", "b"}, slugs(t, db.App))
		})
	}
}

// TestASessionEndedAtTheCommit lets the server end the session between the two trips.
func TestASessionEndedAtTheCommit(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	r := request("k1", define("a"))
	render, once := r.Render, sync.Once{}
	r.Render = func(answer any, recorded []events.Recorded) (int, []byte, error) {
		once.Do(func() { endSessions(t, db.App) })
		return render(answer, recorded)
	}
	answer, err := b.Do(t.Context(), r)
	require.NoError(t, err)
	require.EqualValues(t, 1, answer.Position)
	require.Equal(t, []string{"a"}, slugs(t, db.Owner))
}

func TestASessionEndedBetweenGroupsIsNotNoticed(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	_, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	endSessions(t, db.App)
	_, err = b.Do(t.Context(), request("k2", define("b")))
	require.NoError(t, err)
	require.Equal(t, []string{"a", "b"}, slugs(t, db.Owner))
}

// endSessions ends every session of the pool's role in this database but its own.
func endSessions(t *testing.T, pool *pgxpool.Pool) {
	t.Helper()
	_, err := pool.Exec(t.Context(), `
SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid() AND usename = current_user`)
	require.NoError(t, err)
}

func TestWithoutADatabaseTheBookIsUnavailableUntilItIsBack(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	var down sync.Mutex // locked: connections are refused at once
	dial := func(server net.Conn) net.Conn {
		if !down.TryLock() {
			_ = server.Close()
			return server
		}
		down.Unlock()
		return server
	}
	b := open(t, through(t, db.App, dial), book.Options{})
	_, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)

	down.Lock()
	endSessions(t, db.App)
	_, err = b.Do(t.Context(), request("k2", define("b")))
	require.ErrorIs(t, err, book.ErrUnavailable)
	down.Unlock()

	_, err = b.Do(t.Context(), request("k2", define("b")))
	require.NoError(t, err)
	require.Equal(t, []string{"a", "b"}, slugs(t, db.Owner))
}

// TestAnUnknownCommitIsAnsweredLaterByItsKey cuts the commit and then keeps the database away for longer than the book
// looks: the caller is told to come back, and gets the first answer when it does.
func TestAnUnknownCommitIsAnsweredLaterByItsKey(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	c := &cutter{}
	var down sync.Mutex
	b := open(t, through(t, db.App, func(server net.Conn) net.Conn {
		if !down.TryLock() {
			_ = server.Close()
			return server
		}
		down.Unlock()
		return c.dial(server)
	}), book.Options{})
	_, err := b.Do(t.Context(), request("k0", define("warm")))
	require.NoError(t, err)
	r := request("k1", define("a"))
	render := r.Render
	r.Render = func(answer any, recorded []events.Recorded) (int, []byte, error) {
		down.Lock()
		return render(answer, recorded)
	}
	_, err = b.Do(t.Context(), whileRendered(r, c, (*severed).deliver))
	require.ErrorIs(t, err, book.ErrUnavailable)
	down.Unlock()
	answer, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	require.True(t, answer.Replayed)
	require.Equal(t, []string{"warm", "a"}, slugs(t, db.App))
}

// TestAWriterThatStandsStillKeepsNobody lets one process stop between its two trips, as a paused one does: the server
// ends its session, another process goes on, and its own command is written once when it wakes.
func TestAWriterThatStandsStillKeepsNobody(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	still := open(t, db.App, book.Options{Patience: 200 * time.Millisecond})
	other := open(t, db.App, book.Options{})
	asleep, wake := make(chan struct{}), make(chan struct{})
	var once sync.Once
	sleeper := persist(t.Context(), still, request("k1", define("a").after(func(*workshop.Desk) {
		once.Do(func() {
			close(asleep)
			<-wake
		})
	})))
	select {
	case <-asleep:
	case early := <-sleeper:
		require.FailNow(t, "it did not come to its decision", "%v", early.err)
	}
	_, err := other.Do(t.Context(), request("k2", define("b")))
	require.NoError(t, err)
	close(wake)
	require.NoError(t, await(t, sleeper).err)
	require.Equal(t, []string{"b", "a"}, slugs(t, db.App))
}

func TestABusyHeadIsUnavailable(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	b := open(t, db.App, book.Options{Patience: 200 * time.Millisecond})
	tx, err := db.App.Begin(t.Context())
	require.NoError(t, err)
	lockHead(t, tx)
	_, err = b.Do(t.Context(), request("k1", define("a")))
	require.ErrorIs(t, err, book.ErrUnavailable)
	require.NoError(t, tx.Rollback(t.Context()))
	require.NoError(t, await(t, persist(t.Context(), b, request("k1", define("a")))).err)
}
