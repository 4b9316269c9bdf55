package book_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

func TestACommandIsWrittenWithItsAnswer(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	before := time.Now().Add(-time.Second)
	answer, err := b.Do(t.Context(), request("k1", define("a", "b")))
	require.NoError(t, err)
	require.Equal(t, book.Answer{Status: 201, Body: []byte(`{"positions":[1 2]}`), Position: 1, Command: answer.Command}, answer)

	all := logged(t, db.App)
	require.Len(t, all, 2)
	for _, r := range all {
		require.Equal(t, answer.Command, r.Command)
		require.Equal(t, "k1", r.Key)
		require.Equal(t, "maker", r.Actor)
		require.WithinRange(t, r.RecordedAt, before, time.Now())
		require.Equal(t, uuid.Version(7), r.ID.Version())
		require.Equal(t, uuid.RFC4122, r.ID.Variant())
		require.WithinRange(t, timeOf(r.ID), before, time.Now())
	}
	require.Equal(t, answer.Command, all[0].ID)
}

// timeOf reads the time out of a UUIDv7: its first 48 bits are milliseconds since 1970.
func timeOf(id uuid.UUID) time.Time {
	var ms int64
	for _, b := range id[:6] {
		ms = ms<<8 | int64(b)
	}
	return time.UnixMilli(ms)
}

// TestUUIDv7OfTheStandard holds our reading of an id against RFC 9562, appendix A.6, "Example of a UUIDv7 Value".
func TestUUIDv7OfTheStandard(t *testing.T) {
	t.Parallel()
	id := uuid.MustParse("017F22E2-79B0-7CC3-98C4-DC0C0C07398F")
	require.Equal(t, uuid.Version(7), id.Version())
	require.Equal(t, uuid.RFC4122, id.Variant())
	require.EqualValues(t, 1645557742000, timeOf(id).UnixMilli())
}

func TestARefusedCommandLeavesNoTrace(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	_, err := b.Do(t.Context(), request("k1", refused()))
	refusal := new(workshop.Refusal)
	require.ErrorAs(t, err, &refusal)
	require.Equal(t, workshop.RefusedNotEnough, refusal.Slug)
	head, err := eventlog.ReadHead(t.Context(), db.App)
	require.NoError(t, err)
	require.Zero(t, head.Position)

	answer, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err, "its key may be used again")
	require.EqualValues(t, 1, answer.Position)
	require.False(t, answer.Replayed)
}

func TestAKeyGetsItsFirstAnswerForEver(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	first, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	_, err = b.Do(t.Context(), request("k2", define("b")))
	require.NoError(t, err)

	first.Replayed = true
	for _, again := range []*book.Book{b, open(t, db.App, book.Options{})} { // also after a restart
		answer, err := again.Do(t.Context(), request("k1", define("c")))
		require.NoError(t, err)
		require.Equal(t, first, answer)

		other := request("k1", define("d"))
		other.RequestHash[0]++
		_, err = again.Do(t.Context(), other)
		require.ErrorIs(t, err, book.ErrKeyReused)
	}
	require.Equal(t, []string{"a", "b"}, slugs(t, db.App))
}

func TestAKeyedCommandThatRecordsNothingIsRemembered(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	nothing := command{decide: func(*workshop.Desk) (any, *workshop.Refusal) { return nil, nil }}
	first, err := b.Do(t.Context(), request("k1", nothing))
	require.NoError(t, err)
	require.Equal(t, book.Answer{Status: 201, Body: []byte(`{"positions":[]}`)}, first)
	again, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	first.Replayed = true
	require.Equal(t, first, again)
	require.Empty(t, slugs(t, db.App))
}

func TestADefinitionNeedsNoKey(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	for i, changed := range []bool{true, false} {
		r := request("", supplier("a"))
		r.Render = func(answer any, recorded []events.Recorded) (int, []byte, error) {
			require.Equal(t, changed, answer.(workshop.Defined).Changed)
			return 200 + len(recorded), nil, nil
		}
		answer, err := b.Do(t.Context(), r)
		require.NoError(t, err)
		require.False(t, answer.Replayed)
		require.Equal(t, 201-i, answer.Status)
	}
	require.Equal(t, []string{"a"}, slugs(t, db.App))
	var keys int
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT count(*) FROM commands").Scan(&keys))
	require.Zero(t, keys)
}

func TestTwinsInAGroupGetOneAnswer(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	stranger := request("k1", define("c"))
	stranger.RequestHash[0]++
	all := together(t, b, request("k1", define("a")), request("k1", define("b")), stranger, request("k2", define("d")))

	require.NoError(t, all[0].err)
	require.False(t, all[0].Replayed)
	require.NoError(t, all[1].err)
	require.True(t, all[1].Replayed)
	require.Equal(t, all[0].Body, all[1].Body)
	require.Equal(t, all[0].Command, all[1].Command)
	require.ErrorIs(t, all[2].err, book.ErrKeyReused)
	require.NoError(t, all[3].err)
	require.Equal(t, []string{"gate", "a", "d"}, slugs(t, db.App))
}

func TestATwinOfARefusedCommandIsDecidedItself(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	all := together(t, b, request("k1", refused()), request("k1", define("a")))
	require.Error(t, all[0].err)
	require.NoError(t, all[1].err)
	require.False(t, all[1].Replayed)
	require.Equal(t, []string{"gate", "a"}, slugs(t, db.App))
}

func TestTwinsAtTwoProcessesGetOneAnswer(t *testing.T) {
	t.Parallel()
	one, db := newBook(t)
	books := []*book.Book{one, open(t, db.App, book.Options{})}
	var results []<-chan answered
	for i := range 40 {
		results = append(results, do(t.Context(), books[i%2], request(fmt.Sprintf("k%d", i/8), define(fmt.Sprintf("s%d", i)))))
	}
	firsts := 0
	bodies := map[string]string{}
	for i, result := range results {
		r := await(t, result)
		require.NoError(t, r.err)
		if !r.Replayed {
			firsts++
		}
		key := fmt.Sprintf("k%d", i/8)
		if body, known := bodies[key]; known {
			require.Equal(t, body, string(r.Body))
		}
		bodies[key] = string(r.Body)
	}
	require.Equal(t, 5, firsts)
	require.Len(t, logged(t, db.App), 5)
}

// TestTheKeyIsLookedForAfterTheLock lets another process commit a key between the moment at which a command is sent
// and the moment at which it gets the head.
func TestTheKeyIsLookedForAfterTheLock(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	tx, err := db.App.Begin(t.Context())
	require.NoError(t, err)
	head := lockHead(t, tx)
	result := do(t.Context(), b, request("k1", define("a")))
	waitForLock(t, db.App)

	r := request("k1", nil)
	batch := &pgx.Batch{}
	require.NoError(t, eventlog.QueueAppend(batch, nil, []eventlog.Answered{{
		Key: "k1", RequestHash: r.RequestHash[:], Status: 201, Body: []byte("theirs"), RecordedAt: head.Moment(time.Now()),
	}}, head))
	require.NoError(t, tx.SendBatch(t.Context(), batch).Close())
	require.NoError(t, tx.Commit(t.Context()))

	answer := await(t, result)
	require.NoError(t, answer.err)
	require.True(t, answer.Replayed)
	require.Equal(t, "theirs", string(answer.Body))
	require.Empty(t, slugs(t, db.App))
}

// TestPositionsAreDenseAndReadInOrder lets 40 callers write over two processes while a reader follows the log.
func TestPositionsAreDenseAndReadInOrder(t *testing.T) {
	t.Parallel()
	const callers, each = 40, 25
	db := pgtest.NewBook(t)
	books := []*book.Book{open(t, db.App, book.Options{}), open(t, through(t, db.App, direct), book.Options{})}

	writing, done := context.WithCancel(t.Context())
	read := make(chan []int64, 1)
	go func() {
		var positions []int64
		for last := false; !last; {
			last = writing.Err() != nil // one more look after the last write
			stored, err := eventlog.Read(t.Context(), db.App, eventlog.Filter{After: int64(len(positions))})
			if err != nil {
				break
			}
			for _, s := range stored {
				positions = append(positions, s.Position)
			}
		}
		read <- positions
	}()

	var mu sync.Mutex
	told := map[int64]bool{}
	kept := 0
	var callersDone sync.WaitGroup
	for c := range callers {
		callersDone.Go(func() {
			random := rand.New(rand.NewPCG(1, uint64(c)))
			for i := range each {
				cmd, events := define(fmt.Sprintf("s%d-%d", c, i), fmt.Sprintf("t%d-%d", c, i)), 2
				if random.IntN(4) == 0 {
					cmd, events = refused(), 0
				}
				answer, err := books[random.IntN(2)].Do(t.Context(), request(fmt.Sprintf("k%d-%d", c, i), cmd))
				mu.Lock()
				if err == nil {
					told[answer.Position] = true
				}
				kept += events
				mu.Unlock()
			}
		})
	}
	callersDone.Wait()
	done()

	all := logged(t, db.App)
	require.Len(t, all, kept)
	require.Len(t, told, kept/2)
	for i, r := range all {
		require.EqualValues(t, i+1, r.Position)
		require.Equal(t, i%2 == 0, told[r.Position], "a command's events stand together")
		if i > 0 {
			require.False(t, r.RecordedAt.Before(all[i-1].RecordedAt))
		}
	}
	positions := <-read
	require.Len(t, positions, kept, "the reader saw every event")
	for i, p := range positions {
		require.EqualValues(t, i+1, p)
	}
}

func TestAnotherProcessesDefinitionsAreSeen(t *testing.T) {
	t.Parallel()
	one, db := newBook(t)
	two := open(t, db.App, book.Options{})
	seen := make(chan bool, 2)
	look := define("after").after(func(d *workshop.Desk) { seen <- d.Set.Defs.Suppliers.Latest("a") != nil })
	_, err := two.Do(t.Context(), request("k0", look))
	require.NoError(t, err)
	_, err = one.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	_, err = two.Do(t.Context(), request("k2", look))
	require.NoError(t, err)
	require.False(t, <-seen)
	require.True(t, <-seen)
}

func TestWhatIsMissingIsLoaded(t *testing.T) {
	t.Parallel()
	b, _ := newBook(t)
	decided := 0
	asks := define("a").after(func(d *workshop.Desk) {
		decided++
		require.Nil(t, d.Set.Lot("L261125-01-8"))
		require.Nil(t, d.Set.Run("R261125-03-3"))
	})
	_, err := b.Do(t.Context(), request("k1", asks))
	require.NoError(t, err)
	require.Equal(t, 3, decided)
}

func TestACommandThatAsksWithoutEndIsAFault(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	n := 0
	endless := define("a").after(func(d *workshop.Desk) {
		n++
		d.Set.Vat(fmt.Sprintf("vat-%d", n))
	})
	all := together(t, b, request("k1", endless), request("k2", define("b")))
	require.ErrorContains(t, all[0].err, "asked for more")
	require.NotErrorIs(t, all[0].err, book.ErrUnavailable)
	require.NoError(t, all[1].err)
	require.Equal(t, []string{"gate", "b"}, slugs(t, db.App))
}

func TestACallerThatLeavesEarlyIsSkipped(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	g := shut(t, b)
	ctx, leave := context.WithCancelCause(t.Context())
	early := do(ctx, b, request("k1", define("a")))
	require.Eventually(t, func() bool { return book.Waiting(b) == 1 }, patience, time.Millisecond)
	others := g.gather(t, b, request("k2", define("b")))
	gone := errors.New("gone home")
	leave(gone)
	r := await(t, early)
	require.ErrorIs(t, r.err, gone)
	require.ErrorIs(t, r.err, book.ErrUnavailable)
	g.open(t)
	require.NoError(t, await(t, others[0]).err)
	require.Equal(t, []string{"gate", "b"}, slugs(t, db.App))
}

// TestACallerThatLeftWhileTheHeadWasTakenIsSkipped: it may have asked another process meanwhile with the same key, and been refused
// there; a refusal is not remembered.
func TestACallerThatLeftWhileTheHeadWasTakenIsSkipped(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	tx, err := db.App.Begin(t.Context())
	require.NoError(t, err)
	lockHead(t, tx)
	ctx, leave := context.WithCancel(t.Context())
	early := do(ctx, b, request("k1", define("a")))
	waitForLock(t, db.App)
	leave()
	require.ErrorIs(t, await(t, early).err, book.ErrUnavailable)
	require.NoError(t, tx.Rollback(t.Context()))
	_, err = b.Do(t.Context(), request("k2", define("b")))
	require.NoError(t, err)
	require.Equal(t, []string{"b"}, slugs(t, db.App))
}

func TestACallerThatLeavesLateStopsNobody(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	ctx, leave := context.WithCancel(t.Context())
	deciding, left := make(chan struct{}), make(chan struct{})
	late := do(ctx, b, request("k1", define("a").after(func(*workshop.Desk) {
		close(deciding)
		<-left
	})))
	<-deciding
	leave()
	require.ErrorIs(t, await(t, late).err, context.Canceled)
	close(left)

	answer, err := b.Do(t.Context(), request("k1", define("b")))
	require.NoError(t, err)
	require.True(t, answer.Replayed, "its command was carried out")
	require.Equal(t, []string{"a"}, slugs(t, db.App))
}

func TestAFullQueueTurnsAway(t *testing.T) {
	t.Parallel()
	b, _ := newBook(t)
	g := shut(t, b)
	var results []<-chan answered
	for range book.QueueLength {
		results = append(results, do(t.Context(), b, request("k1", refused())))
	}
	require.Eventually(t, func() bool { return book.Waiting(b) == book.QueueLength }, patience, time.Millisecond)
	_, err := b.Do(t.Context(), request("k2", define("a")))
	require.ErrorIs(t, err, book.ErrUnavailable)
	g.open(t)
	for _, result := range results {
		require.NotErrorIs(t, await(t, result).err, book.ErrUnavailable)
	}
}

func TestCloseCarriesOutWhatWaits(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	g := shut(t, b)
	results := g.gather(t, b, request("k1", define("a")), request("k2", define("b")))
	closed := make(chan struct{})
	go func() {
		b.Close()
		close(closed)
	}()
	g.open(t)
	for _, result := range results {
		require.NoError(t, await(t, result).err)
	}
	<-closed
	b.Close() // once more does no harm
	_, err := b.Do(t.Context(), request("k3", define("c")))
	require.ErrorIs(t, err, book.ErrUnavailable)
	require.Equal(t, []string{"gate", "a", "b"}, slugs(t, db.App))
}

func TestAGroupIsBoundedAndACommandMayBeAlone(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	wide := define("wide")
	wide.alone = true
	requests := []book.Request{request("w", define("first")), request("x", wide), request("y", define("last"))}
	for i := range book.GroupSize + 10 {
		requests = append(requests, request(fmt.Sprintf("k%d", i), define(fmt.Sprintf("s%d", i))))
	}
	for _, r := range together(t, b, requests...) {
		require.NoError(t, r.err)
	}
	require.Equal(t, []int{1, 1, 1, book.GroupSize, 11}, groups(t, db))
}

// groups are the sizes of the groups in the log: a transaction's rows have one xmin.
func groups(t *testing.T, db *pgtest.DB) []int {
	t.Helper()
	rows, err := db.Owner.Query(t.Context(), "SELECT count(*) FROM log GROUP BY xmin ORDER BY min(position)")
	require.NoError(t, err)
	sizes, err := pgx.CollectRows(rows, pgx.RowTo[int])
	require.NoError(t, err)
	return sizes
}
