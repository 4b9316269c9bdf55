package reliability_test

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// tills is how many clients sell at once, and stockOfAll what they sell from: one hot product.
const (
	tills      = 8
	stockOfAll = 1_000_000
)

// A load is clients that sell until they are told to stop. Each sale is asked for with one key until it is answered.
type load struct {
	ledger  *ledger
	stop    chan struct{}
	sold    chan struct{} // rung after each sale; nobody need listen
	tills   sync.WaitGroup
	failed  chan error // what a client got that it should not have
	stopped sync.Once
}

// sell starts the tills over some processes.
func sell(t testing.TB, key string, processes ...*process) *load {
	l := &load{ledger: newLedger(), stop: make(chan struct{}), sold: make(chan struct{}, 1), failed: make(chan error, tills)}
	for n := range tills {
		c := newClient(key, n, processes...)
		l.tills.Go(func() {
			defer c.close()
			if err := l.till(t.Context(), c, n); err != nil {
				l.failed <- err
			}
		})
	}
	t.Cleanup(l.end)
	return l
}

func (l *load) till(ctx context.Context, c *client, n int) error {
	for i := 0; ; i++ {
		select {
		case <-l.stop:
			return nil
		default:
		}
		name, pieces := fmt.Sprintf("till-%d-sale-%d", n, i), 1+(n+i)%3
		a, err := c.do(ctx, http.MethodPost, "/v1/sales", name, sale("bar", pieces))
		if err != nil {
			return err
		}
		if a.status != http.StatusCreated {
			return fmt.Errorf("sale %s: %d %s", name, a.status, a.body)
		}
		l.ledger.note(name, pieces)
		select {
		case l.sold <- struct{}{}:
		default:
		}
	}
}

// more waits until so many more sales are answered.
func (l *load) more(t testing.TB, sales int) {
	t.Helper()
	limit := time.After(hangs)
	for until := l.ledger.sales() + sales; l.ledger.sales() < until; {
		select {
		case <-l.sold:
		case err := <-l.failed:
			require.NoError(t, err, "a client that retries")
		case <-limit:
			require.FailNow(t, "nothing is sold any more")
		}
	}
}

func (l *load) end() {
	l.stopped.Do(func() { close(l.stop) })
	l.tills.Wait()
}

// finish stops the tills once each has its last answer, and wants that none of them got another.
func (l *load) finish(t testing.TB) {
	t.Helper()
	l.end()
	close(l.failed)
	for err := range l.failed {
		require.NoError(t, err, "a client that retries")
	}
}

// ready gives how long after a moment a process was ready again.
func ready(t testing.TB, since time.Time, p *process) time.Duration {
	t.Helper()
	c := newClient("", 0, p)
	defer c.close()
	a, err := c.do(t.Context(), http.MethodGet, "/readyz", "", "")
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	return time.Since(since)
}

// report logs how long it took to be ready again.
func report(t testing.TB, what string, took []time.Duration) {
	t.Helper()
	slices.Sort(took)
	t.Logf("%s: %d times; ready again after %v in the middle, %v at most", what, len(took),
		took[len(took)/2].Round(time.Millisecond), took[len(took)-1].Round(time.Millisecond))
}

// opened is a shop with one run of bars on the counter, and an owner's key.
func opened(t testing.TB, at address, p *process) (key, run string) {
	t.Helper()
	key = newKey(t, at, "owner", "owner")
	c := newClient(key, 0, p)
	defer c.close()
	open(t, c)
	run, err := stockUp(t.Context(), c, "bar", "counter", stockOfAll)
	require.NoError(t, err)
	return key, run
}

// TestPostgresIsKilledUnderLoad: what was answered is there when the server is back, once.
func TestPostgresIsKilledUnderLoad(t *testing.T) {
	t.Parallel()
	server := newServer(t)
	p := serve(t, server.at)
	key, run := opened(t, server.at, p)
	selling := sell(t, key, p)
	var took []time.Duration
	for range sized(2, 20) {
		selling.more(t, 100)
		server.kill()
		took = append(took, ready(t, time.Now(), p))
	}
	selling.more(t, 100)
	selling.finish(t)
	report(t, "PostgreSQL killed", took)
	server.db.App.Reset()
	selling.ledger.balance(t, server.db.App, run)
	require.Empty(t, p.errors(), "a database that is away is no fault of the program's")
	server.check()
}

// TestWithoutWaitingForTheDiskSalesAreLost is the canary of the test above: the same clients and the same reckoning over a server
// that answers a commit before it has written it. All that was in its memory since it last wrote is gone with a kill.
func TestWithoutWaitingForTheDiskSalesAreLost(t *testing.T) {
	t.Parallel()
	server := newServer(t)
	server.superuser("ALTER SYSTEM SET synchronous_commit = off", "SELECT pg_reload_conf()")
	p := serve(t, server.at)
	key, run := opened(t, server.at, p)
	selling := sell(t, key, p)
	selling.more(t, 50)
	// Left to itself the writer hands on all but the last page of what was answered, and what the kernel has survives a kill: a loss
	// of power would take more.
	server.stopWriter()
	selling.more(t, 200)
	server.kill()
	ready(t, time.Now(), p)
	selling.more(t, 50)
	selling.finish(t)
	server.db.App.Reset()
	log, err := soldOf(t.Context(), server.db.App, run)
	require.NoError(t, err)
	lost, _ := reckon(selling.ledger.told, log)
	require.Greater(t, len(lost), 100, "this test could not see a loss")
	t.Logf("%d of %d sales were lost", len(lost), selling.ledger.sales())
}

// TestTheProcessIsKilledUnderLoad: what was answered is there, and what was asked again is there once.
func TestTheProcessIsKilledUnderLoad(t *testing.T) {
	t.Parallel()
	server := newServer(t)
	p := serve(t, server.at)
	key, run := opened(t, server.at, p)
	selling := sell(t, key, p)
	var took []time.Duration
	for range sized(5, 50) {
		selling.more(t, 100)
		p.kill()
		began := time.Now()
		p.start()
		took = append(took, ready(t, began, p))
	}
	selling.more(t, 100)
	selling.finish(t)
	report(t, "the process killed", took)
	selling.ledger.balance(t, server.db.App, run)
	require.Empty(t, p.errors())
	server.check()
}

// TestARetryUnderAnotherKeySellsTwice is the canary of the reckoning of retries: a client that asks again under a new key.
func TestARetryUnderAnotherKeySellsTwice(t *testing.T) {
	t.Parallel()
	server := newServer(t)
	p := serve(t, server.at)
	key, run := opened(t, server.at, p)
	c := newClient(key, 0, p)
	defer c.close()
	for _, name := range []string{"sale-1", "sale-1-again"} {
		_, err := c.must(t.Context(), http.MethodPost, "/v1/sales", name, sale("bar", 2))
		require.NoError(t, err)
	}
	log, err := soldOf(t.Context(), server.db.App, run)
	require.NoError(t, err)
	_, surplus := reckon(map[string]int{"sale-1": 2}, log)
	require.Len(t, surplus, 1, strings.Join(surplus, "\n"))
}
