package book_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

// patience is a wait that only a test that has gone wrong comes to the end of.
const patience = 30 * time.Second

// command is a workshop command made for a test.
type command struct {
	needs  func() []workshop.Need
	decide func(*workshop.Desk) (any, *workshop.Refusal)
	alone  bool
}

func (c command) Needs() []workshop.Need {
	if c.needs == nil {
		return nil
	}
	return c.needs()
}

func (c command) Decide(d *workshop.Desk) (any, *workshop.Refusal) { return c.decide(d) }

func (c command) Alone() bool { return c.alone }

// define records one event a slug: the first version of a supplier of that name.
func define(slugs ...string) command {
	return command{decide: func(d *workshop.Desk) (answer any, refusal *workshop.Refusal) {
		for _, slug := range slugs {
			if answer, refusal = supplier(slug).Decide(d); refusal != nil {
				return nil, refusal
			}
		}
		return answer, nil
	}}
}

func supplier(slug string) workshop.Define {
	return workshop.Define{Slug: slug, Body: workshop.Supplier{Name: "Supplier " + slug}}
}

// refused is refused, always.
func refused() command {
	return command{decide: func(*workshop.Desk) (any, *workshop.Refusal) {
		return nil, &workshop.Refusal{Slug: workshop.RefusedNotEnough, Detail: "There is none."}
	}}
}

// once is a command with something that happens first, between the two trips of its group.
func (c command) after(first func(*workshop.Desk)) command {
	decide := c.decide
	c.decide = func(d *workshop.Desk) (any, *workshop.Refusal) {
		first(d)
		return decide(d)
	}
	return c
}

// request is a command with a key; its answer tells the positions of what it recorded.
func request(key string, c workshop.Command) book.Request {
	return book.Request{
		Command: c, Key: key, RequestHash: sha256.Sum256([]byte(key)), Actor: workshop.Actor{ID: "maker", Roles: []string{"owner"}},
		Render: func(_ any, recorded []events.Recorded) (int, []byte, error) {
			positions := []int64{}
			for _, r := range recorded {
				positions = append(positions, r.Position)
			}
			return 201, fmt.Appendf(nil, `{"positions":%d}`, positions), nil
		},
	}
}

// open starts a book that is closed before its database goes.
func open(t testing.TB, pool *pgxpool.Pool, options book.Options) *book.Book {
	t.Helper()
	if options.Clock == nil {
		options.Clock = time.Now
	}
	if options.Patience == 0 {
		options.Patience = time.Minute // a machine that builds on the side is slow, and its database not away
	}
	b, err := book.Open(t.Context(), pool, options)
	require.NoError(t, err)
	t.Cleanup(b.Close)
	return b
}

// newBook is a book over a database of its own.
func newBook(t testing.TB) (*book.Book, *pgtest.DB) {
	t.Helper()
	db := pgtest.NewBook(t)
	return open(t, db.App, book.Options{}), db
}

// answered is what Do gave.
type answered struct {
	book.Answer
	err error
}

// do sends a request and gives what will come of it.
func do(ctx context.Context, b *book.Book, r book.Request) <-chan answered {
	result := make(chan answered, 1)
	go func() {
		answer, err := b.Do(ctx, r)
		result <- answered{Answer: answer, err: err}
	}()
	return result
}

// persist asks again for as long as the book cannot be written, as a till does. A book of little patience also loses it
// where the machine is busy.
func persist(ctx context.Context, b *book.Book, r book.Request) <-chan answered {
	result := make(chan answered, 1)
	go func() {
		answer, err := b.Do(ctx, r)
		for errors.Is(err, book.ErrUnavailable) && ctx.Err() == nil {
			answer, err = b.Do(ctx, r)
		}
		result <- answered{Answer: answer, err: err}
	}()
	return result
}

// await gives what came of a request.
func await(t *testing.T, result <-chan answered) answered {
	t.Helper()
	select {
	case r := <-result:
		return r
	case <-time.After(patience):
		require.FailNow(t, "no answer came")
		return answered{}
	}
}

// gate holds the committer inside a group: everything sent meanwhile is gathered into the next ones.
type gate struct {
	entered chan struct{}
	leave   func()
	result  <-chan answered
}

// shut sends a command that waits at its decision, and waits until it is there.
func shut(t *testing.T, b *book.Book) *gate {
	t.Helper()
	left := make(chan struct{})
	g := &gate{entered: make(chan struct{}), leave: sync.OnceFunc(func() { close(left) })}
	t.Cleanup(g.leave) // a test that fails is not held up
	g.result = do(t.Context(), b, request("gate "+t.Name(), define("gate").after(func(*workshop.Desk) {
		close(g.entered)
		<-left
	})))
	<-g.entered
	return g
}

// gather sends requests while the gate is shut, in their order.
func (g *gate) gather(t *testing.T, b *book.Book, requests ...book.Request) []<-chan answered {
	t.Helper()
	var results []<-chan answered
	for _, r := range requests {
		waiting := book.Waiting(b)
		results = append(results, do(t.Context(), b, r))
		require.Eventually(t, func() bool { return book.Waiting(b) == waiting+1 }, patience, time.Millisecond)
	}
	return results
}

// open lets the committer go on.
func (g *gate) open(t *testing.T) {
	t.Helper()
	g.leave()
	require.NoError(t, await(t, g.result).err)
}

// together sends requests so that they are carried out as one group.
func together(t *testing.T, b *book.Book, requests ...book.Request) []answered {
	t.Helper()
	g := shut(t, b)
	results := g.gather(t, b, requests...)
	g.open(t)
	var all []answered
	for _, r := range results {
		all = append(all, await(t, r))
	}
	return all
}

// logged is everything in the log.
func logged(t testing.TB, pool *pgxpool.Pool) []events.Recorded {
	t.Helper()
	var all []events.Recorded
	require.NoError(t, eventlog.Stream(t.Context(), pool, 0, func(r events.Recorded) error {
		all = append(all, r)
		return nil
	}))
	return all
}

// slugs are those of the suppliers in the log, in its order.
func slugs(t testing.TB, pool *pgxpool.Pool) []string {
	t.Helper()
	names := []string{}
	for _, r := range logged(t, pool) {
		names = append(names, r.Data.(events.SupplierDefined).Slug)
	}
	return names
}

// exec does something to the database as its owner.
func exec(t testing.TB, db *pgtest.DB, sql string) {
	t.Helper()
	_, err := db.Owner.Exec(t.Context(), sql)
	require.NoError(t, err, sql)
}

// waitForLock returns once a session of the pool's role waits for a lock in this database.
func waitForLock(t *testing.T, pool *pgxpool.Pool) {
	t.Helper()
	require.Eventually(t, func() bool {
		var waits bool
		err := pool.QueryRow(t.Context(), `
SELECT EXISTS (SELECT FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock')`).Scan(&waits)
		return err == nil && waits
	}, patience, 5*time.Millisecond)
}

// through is a second pool to the same database whose connections go through a dialer.
func through(t *testing.T, pool *pgxpool.Pool, dial func(inner net.Conn) net.Conn) *pgxpool.Pool {
	t.Helper()
	config := pool.Config()
	direct := config.ConnConfig.DialFunc
	config.ConnConfig.DialFunc = func(ctx context.Context, network, address string) (net.Conn, error) {
		conn, err := direct(ctx, network, address)
		if err != nil {
			return nil, err
		}
		return dial(conn), nil
	}
	second, err := pgxpool.NewWithConfig(t.Context(), config)
	require.NoError(t, err)
	t.Cleanup(second.Close)
	return second
}

// lockHead takes the head's lock in a transaction.
func lockHead(t *testing.T, tx pgx.Tx) eventlog.Head {
	t.Helper()
	var head eventlog.Head
	b := &pgx.Batch{}
	eventlog.QueueLock(b, &head)
	require.NoError(t, tx.SendBatch(t.Context(), b).Close())
	return head
}
