package reliability_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/events/eventlog"
	"firstout/internal/generate"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
)

// What is asked while the tables are rebuilt.
const (
	readsPerSecond  = 50
	writesPerSecond = 10
)

// A steady load asks so many times a second, whether or not what was asked before is answered, and asks nothing twice.
type steady struct {
	web  *client
	stop chan struct{}
	all  sync.WaitGroup

	mu     sync.Mutex
	ledger *ledger
	reads  int
	wrong  []string
	slow   time.Duration // the longest
}

func (s *steady) start(t *testing.T, run string) {
	questions := []string{
		"/v1/stock?kind=pieces&place=counter", "/v1/board?place=counter", "/v1/picks?design=bar&pieces=3&place=counter", "/v1/runs/" + run, "/v1/trace/" + run + "/back",
	}
	s.every(t, time.Second/readsPerSecond, func(n int) {
		s.ask(t, http.MethodGet, questions[n%len(questions)], "", "")
	})
	s.every(t, time.Second/writesPerSecond, func(n int) {
		key, pieces := fmt.Sprintf("steady-%d", n), 1+n%3
		if s.ask(t, http.MethodPost, "/v1/sales", key, sale("bar", pieces)) {
			s.ledger.note(key, pieces)
		}
	})
}

func (s *steady) every(t *testing.T, period time.Duration, ask func(n int)) {
	s.all.Go(func() {
		tick := time.NewTicker(period)
		defer tick.Stop()
		began, asked := time.Now(), 0
		for {
			select {
			case <-s.stop:
				return
			case <-t.Context().Done():
				return
			case <-tick.C:
				due := int(time.Since(began) / period) // more than one where a busy machine left ticks out
				for n := asked; n < due; n++ {
					s.all.Go(func() { ask(n) })
				}
				asked = due
			}
		}
	})
}

// ask asks once; whatever is no success is wrong.
func (s *steady) ask(t *testing.T, method, path, key, body string) bool {
	began := time.Now()
	a, err := s.web.try(t.Context(), method, path, key, body)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.slow = max(s.slow, time.Since(began))
	if method == http.MethodGet {
		s.reads++
	}
	if err != nil || a.status >= http.StatusMultipleChoices {
		s.wrong = append(s.wrong, fmt.Sprintf("%s %s: %v %d %s", method, path, err, a.status, a.body))
		return false
	}
	return true
}

// TestARebuildIsNotNoticed rebuilds a book with a past while it is read and written: every question and every sale is answered at the
// first try, and the tables are those of the log.
func TestARebuildIsNotNoticed(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	at := address{app: db.AppURL, owner: db.OwnerURL}
	require.NoError(t, eventlog.MarkBook(t.Context(), db.Owner, eventlog.BookTest))
	require.NoError(t, projections.WriteBulk(t.Context(), db.Owner, func(b *projections.Bulk) error {
		return generate.Play(t.Context(), b, generate.Size{
			Days: sized(3, 60), RunsPerDay: 12, SalesPerDay: 540, Seed: 1, Until: civil.DayOf(time.Now(), time.UTC).AddDays(-1),
		}, func(int) {})
	}))
	// Nothing here asserts a time, and the machine may be slow: what a rebuild would do to those who ask is that the server
	// gives their waiting for a lock up, or ends one of two that wait for each other.
	w := newWired(t, db.AppURL, wiring{waits: patient, patience: patient.Quick})
	served := httptest.NewServer(w.handler)
	defer served.Close()
	p := &process{t: t}
	p.base.Store(&served.URL)
	key, run := opened(t, at, p)
	web := newClient(key, 0, p)
	defer web.close()
	asking := &steady{web: web, stop: make(chan struct{}), ledger: newLedger()}
	asking.start(t, run)
	stop := sync.OnceFunc(func() { close(asking.stop); asking.all.Wait() })
	defer stop()
	rebuilds, took := 0, time.Duration(0)
	for began := time.Now(); rebuilds < sized(3, 10) || time.Since(began) < time.Duration(sized(0, 3))*time.Minute; rebuilds++ {
		one := time.Now()
		said, err := command(t.Context(), at, "rebuild")
		require.NoError(t, err, said)
		require.Contains(t, said, "swapped in")
		took = max(took, time.Since(one))
	}
	stop()
	require.Empty(t, asking.wrong)
	asking.ledger.balance(t, db.App, run)
	said, err := command(t.Context(), at, "rebuild", "--check")
	require.NoError(t, err, said)
	var events int
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT position FROM head").Scan(&events))
	t.Logf("%d rebuilds of up to %d events, %v at most, under %d reads and %d sales: no error; the longest answer took %v",
		rebuilds, events, took.Round(time.Millisecond), asking.reads, asking.ledger.sales(), asking.slow.Round(time.Millisecond))
}

// TestATableThatIsNotTheLogsIsSeen is the canary: one line of stock is put wrong behind the program's back.
func TestATableThatIsNotTheLogsIsSeen(t *testing.T) {
	t.Parallel()
	s := newSeveral(t, 1)
	_, err := s.db.Owner.Exec(t.Context(), "UPDATE stock SET amount = amount - 1 WHERE code = $1 AND amount > 0", s.run)
	require.NoError(t, err)
	said, err := command(t.Context(), s.at, "rebuild", "--check")
	require.Error(t, err)
	require.Contains(t, said, s.run)
	said, err = command(t.Context(), s.at, "rebuild")
	require.NoError(t, err, said)
	said, err = command(t.Context(), s.at, "rebuild", "--check")
	require.NoError(t, err, said)
}
