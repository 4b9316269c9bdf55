package reliability_test

import (
	"fmt"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// networkFaults are what can come over a network, each as something that begins, and something that ends it.
var networkFaults = []struct {
	name       string
	begin, end func(w *wire)
	down       bool // nothing gets through between the two
}{
	{name: "latency", begin: becomes(state{delay: 50 * time.Millisecond}), end: becomes(state{})},
	{name: "latency past all patience", begin: becomes(state{delay: 6 * time.Second}), end: becomes(state{}), down: true},
	{name: "cut, and nobody listens", begin: becomes(state{refuse: true}, (*wire).cut), end: becomes(state{}), down: true},
	{name: "reset once", begin: (*wire).reset, end: func(*wire) {}},
	{name: "reset, and nobody listens", begin: becomes(state{refuse: true}, (*wire).reset), end: becomes(state{}), down: true},
	{name: "closed slowly", begin: (*wire).closeSlowly, end: func(*wire) {}},
	{name: "what is asked disappears", begin: becomes(state{toServer: true}), end: becomes(state{}), down: true},
	{name: "what is answered disappears", begin: becomes(state{toClient: true}), end: becomes(state{}), down: true},
	{name: "everything disappears", begin: becomes(state{toServer: true, toClient: true}), end: becomes(state{}), down: true},
}

// becomes changes how the network is, and then does something to the connections there are.
func becomes(s state, then ...func(*wire)) func(*wire) {
	return func(w *wire) {
		w.become(s)
		for _, do := range then {
			do(w)
		}
	}
}

// TestNetworkFaults has callers read and write while the network to the database breaks and mends. Every request ends,
// with an answer or a proper 503; whatever was told stands, once; and afterwards everything goes on by itself.
func TestNetworkFaults(t *testing.T) {
	t.Parallel()
	for _, fault := range networkFaults {
		t.Run(fault.name, func(t *testing.T) {
			t.Parallel()
			db := pgtest.NewBook(t)
			line := newWire(t, db.AppURL)
			w := newWired(t, line.address(db.AppURL), wiring{})
			t.Cleanup(line.cut) // what never ended holds up nobody
			calm := newWired(t, db.AppURL, wiring{waits: patient})
			calm.setUp()
			traffic := newTraffic(t, w)
			answers := map[string]told{}
			for range sized(1, 5) {
				traffic.pass()
				fault.begin(line)
				traffic.pass()
				if fault.down {
					w.ready(http.StatusServiceUnavailable)
				}
				fault.end(line)
				mended := time.Now()
				traffic.goOn()
				w.ready(http.StatusOK)
				t.Logf("normal %v after it mended", time.Since(mended).Round(time.Millisecond))
			}
			traffic.stop(answers)
			require.NotEmpty(t, answers)
			t.Logf("%d deliveries; the longest request took %v; %d were put off", len(answers), time.Duration(traffic.longest.Load()).Round(time.Millisecond), traffic.putOff.Load())
			calm.reckon(db.Owner, answers)
		})
	}
}

// A traffic is what callers do at the same time: two deliver, two read.
type traffic struct {
	t    *testing.T
	w    *wired
	all  sync.WaitGroup
	ends atomic.Bool

	longest, putOff atomic.Int64

	mu      sync.Mutex
	done    []int // requests of each caller that ended, by whichever answer
	good    []int // that were answered
	asked   map[string]bool
	answers map[string]told
	wrong   error
	changed chan struct{}
}

const trafficCallers = 4

func newTraffic(t *testing.T, w *wired) *traffic {
	t.Helper()
	tr := &traffic{
		t: t, w: w, done: make([]int, trafficCallers), good: make([]int, trafficCallers),
		asked: map[string]bool{}, answers: map[string]told{}, changed: make(chan struct{}, 1),
	}
	for caller := range trafficCallers {
		tr.all.Go(func() { tr.call(caller) })
	}
	t.Cleanup(func() { tr.ends.Store(true); tr.all.Wait() })
	return tr
}

func (tr *traffic) call(caller int) {
	for i := 0; !tr.ends.Load(); i++ {
		began := time.Now()
		key := ""
		var a told
		var err error
		if caller%2 == 0 {
			key = fmt.Sprintf("D-%d-%d", caller, i)
			a, err = tr.w.deliver(tr.t.Context(), key)
		} else {
			a, err = tr.w.ask(tr.t.Context(), http.MethodGet, "/v1/board?place=store", "", "")
		}
		for took := int64(time.Since(began)); ; {
			if longest := tr.longest.Load(); took <= longest || tr.longest.CompareAndSwap(longest, took) {
				break
			}
		}
		tr.note(caller, key, a, err)
		if err != nil {
			return
		}
	}
}

func (tr *traffic) note(caller int, key string, a told, err error) {
	tr.mu.Lock()
	defer tr.mu.Unlock()
	tr.done[caller]++
	if err != nil && tr.wrong == nil {
		tr.wrong = err
	}
	if a.status == http.StatusServiceUnavailable {
		tr.putOff.Add(1)
	} else {
		tr.good[caller]++
	}
	if key != "" {
		tr.asked[key] = true
		if a.status == http.StatusCreated {
			tr.answers[key] = a
		}
	}
	select {
	case tr.changed <- struct{}{}:
	default:
	}
}

// pass returns once each caller has had two more requests end.
func (tr *traffic) pass() { tr.until(func() []int { return tr.done }, "requests do not end") }

// goOn returns once each caller has had two more requests answered.
func (tr *traffic) goOn() { tr.until(func() []int { return tr.good }, "it does not go on by itself") }

func (tr *traffic) until(of func() []int, otherwise string) {
	tr.t.Helper()
	tr.mu.Lock()
	before := append([]int(nil), of()...)
	tr.mu.Unlock()
	for limit := time.After(guard); ; {
		tr.mu.Lock()
		wrong, enough := tr.wrong, true
		for caller, count := range of() {
			enough = enough && count >= before[caller]+2
		}
		tr.mu.Unlock()
		require.NoError(tr.t, wrong)
		if enough {
			return
		}
		select {
		case <-tr.changed:
		case <-limit:
			require.FailNow(tr.t, otherwise)
		}
	}
}

// stop ends the traffic and asks for what was put off once more, with the same keys.
func (tr *traffic) stop(answers map[string]told) {
	tr.t.Helper()
	tr.ends.Store(true)
	tr.all.Wait()
	require.NoError(tr.t, tr.wrong)
	for key := range tr.asked {
		a, known := tr.answers[key]
		if !known {
			var err error
			a, err = tr.w.insist(tr.t.Context(), key)
			require.NoError(tr.t, err)
		}
		answers[key] = a
	}
}
