package reliability_test

import (
	"context"
	"fmt"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/api"
	"firstout/internal/pgtest"
)

// TestCommitsWhoseAnswersAreCut cuts the connection when the server has committed and before the book hears of it, two
// times of three. Nothing is lost, nothing is written twice.
func TestCommitsWhoseAnswersAreCut(t *testing.T) {
	t.Parallel()
	const callers = 8
	cuts := sized(100, 1000)
	db := pgtest.NewBook(t)
	line := newWire(t, db.AppURL)
	w := newWired(t, line.address(db.AppURL), wiring{waits: patient})
	w.setUp()

	var commits, cut atomic.Int64
	line.mu.Lock()
	line.onCommit = func() bool {
		if commits.Add(1)%3 == 0 || cut.Load() >= int64(cuts) {
			return true
		}
		cut.Add(1)
		return false
	}
	line.mu.Unlock()
	answers, errs := deliveries(t, w, callers, func() bool { return cut.Load() < int64(cuts) })
	require.Empty(t, errs)
	require.EqualValues(t, cuts, cut.Load())
	t.Logf("%d deliveries, of which %d commits were cut", len(answers), cuts)
	w.reckon(db.Owner, answers)
}

// patient waits for as long as it takes: the machine may be slow, and that is not the matter here.
var patient = api.Waits{Quick: time.Minute, Long: time.Minute}

// deliveries has callers deliver one after another while more is wanted, and gives what they were told.
func deliveries(t *testing.T, w *wired, callers int, more func() bool) (answers map[string]told, errs []error) {
	t.Helper()
	answers = map[string]told{}
	var mu sync.Mutex
	var all sync.WaitGroup
	for caller := range callers {
		all.Go(func() {
			for i := 0; more(); i++ {
				key := fmt.Sprintf("D-%d-%d", caller, i)
				a, err := w.insist(t.Context(), key)
				mu.Lock()
				answers[key] = a
				if err != nil {
					errs = append(errs, err)
				}
				mu.Unlock()
				if err != nil {
					return
				}
			}
		})
	}
	all.Wait()
	return answers, errs
}

// TestACommitDelayedPastTheCallersPatience holds the answer to a COMMIT back until the caller has been told to come
// again: the same key then gives the first answer, and the book has it once.
func TestACommitDelayedPastTheCallersPatience(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	line := newWire(t, db.AppURL)
	calm := newWired(t, db.AppURL, wiring{waits: patient})
	calm.setUp()
	w := newWired(t, line.address(db.AppURL), wiring{waits: api.Waits{Quick: 500 * time.Millisecond, Long: time.Minute}, patience: time.Second})
	held, release := make(chan struct{}), make(chan struct{})
	var holding atomic.Bool
	line.mu.Lock()
	line.onCommit = func() bool {
		if holding.CompareAndSwap(true, false) {
			held <- struct{}{}
			<-release
		}
		return true
	}
	line.mu.Unlock()

	answers := map[string]told{}
	for i := range sized(3, 30) {
		key := fmt.Sprintf("D-%d", i)
		holding.Store(true)
		first := send(t, w, key)
		for reached := false; !reached; {
			select {
			case <-held:
				reached = true
			case a := <-first: // a slow machine put it off before it was taken up
				require.NoError(t, a.check())
				first = send(t, w, key)
			}
		}
		putOff := await(t, first)
		require.Equal(t, http.StatusServiceUnavailable, putOff.status, "%s", putOff.body)
		require.NoError(t, putOff.check())
		if i%2 == 0 { // every other time the answer never comes at all
			release <- struct{}{}
		}
		a, err := w.insist(t.Context(), key)
		require.NoError(t, err)
		require.Equal(t, "true", a.header.Get("Idempotency-Replayed"), "it was carried out when it was sent first")
		answers[key] = a
		if i%2 != 0 {
			release <- struct{}{}
		}
	}
	calm.reckon(db.Owner, answers)
}

// send sends a delivery, and gives what will come of it.
func send(t *testing.T, w *wired, key string) <-chan told {
	t.Helper()
	first := make(chan told, 1)
	go func() {
		a, _ := w.deliver(t.Context(), key) // what is wrong with it shows in the answer
		first <- a
	}()
	return first
}

// TestACallerThatHangsUpEndsNothing lets a caller leave while its command is being committed with another's.
func TestACallerThatHangsUpEndsNothing(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	line := newWire(t, db.AppURL)
	w := newWired(t, line.address(db.AppURL), wiring{waits: patient})
	w.setUp()
	held, release := make(chan struct{}), make(chan struct{})
	line.mu.Lock()
	line.onCommit = func() bool {
		held <- struct{}{}
		<-release
		return true
	}
	line.mu.Unlock()
	ctx, hangUp := context.WithCancel(t.Context())
	left := make(chan error, 1)
	go func() {
		_, err := w.deliver(ctx, "D-left")
		left <- err
	}()
	await(t, held)
	hangUp()
	require.NoError(t, await(t, left))
	line.mu.Lock()
	line.onCommit = func() bool { return true }
	line.mu.Unlock()
	close(release)
	a, err := w.insist(t.Context(), "D-left")
	require.NoError(t, err)
	require.Equal(t, "true", a.header.Get("Idempotency-Replayed"))
	w.reckon(db.Owner, map[string]told{"D-left": a})
}

// await waits for something that must come.
func await[T any](t *testing.T, from <-chan T) T {
	t.Helper()
	select {
	case got := <-from:
		return got
	case <-time.After(guard):
		require.FailNow(t, "it never came")
		panic("not reached")
	}
}
