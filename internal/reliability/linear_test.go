package reliability_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// What one history is of: so many clients, so many things done by each, to one run of pieces at two places.
const (
	clientsAtOnce = 8
	stepsEach     = 24
	piecesAtFirst = 40
)

// act is what a step does.
type act int

const (
	sells act = iota
	discards
	moves
	counts
	reads
)

// A step is one request.
type step struct {
	act    act
	at     int // 0: the counter, 1: the stall
	pieces int // sold, thrown away, carried to the other place, or counted
}

// A result is what was answered.
type result struct {
	refused bool
	has     int // what the answer says was there: of a refusal, a count and a reading
}

// stockModel is what the book promises of one run at two places, as if one thing happened after another.
var stockModel = porcupine.Model{
	Init: func() any { return [2]int{piecesAtFirst, 0} },
	Step: func(state, input, output any) (bool, any) {
		stock, s, r := state.([2]int), input.(step), output.(result)
		switch {
		case s.act == reads:
			return r.has == stock[s.at], stock
		case s.act == counts:
			is := stock[s.at]
			stock[s.at] = s.pieces
			return !r.refused && r.has == is, stock
		case r.refused:
			return stock[s.at] < s.pieces && r.has == stock[s.at], stock
		case stock[s.at] < s.pieces:
			return false, stock
		}
		stock[s.at] -= s.pieces
		if s.act == moves {
			stock[1-s.at] += s.pieces
		}
		return true, stock
	},
	DescribeOperation: func(input, output any) string { return fmt.Sprintf("%+v: %+v", input, output) },
}

// A bench is two places that histories use one after the other.
type bench struct {
	places [2]string
	run    string // of the history that is told now
	name   string // and what its keys begin with
}

// do carries a step out.
func (b *bench) do(ctx context.Context, c *client, key string, s step) (result, error) {
	at, other := b.places[s.at], b.places[1-s.at]
	line := fmt.Sprintf(`[{"code":%q,"pieces":%d}]`, b.run, s.pieces)
	switch s.act {
	case sells:
		if s.pieces%2 == 0 { // by the name of what is sold, as a till does
			line = fmt.Sprintf(`[{"design":"bar","pieces":%d}]`, s.pieces)
		}
		return b.write(ctx, c, key, "sales", fmt.Sprintf(`{"place":%q,"channel":"counter","lines":%s}`, at, line))
	case discards:
		return b.write(ctx, c, key, "discards", fmt.Sprintf(`{"place":%q,"lines":%s,"reason":"damaged","destination":"refuse"}`, at, line))
	case moves:
		return b.write(ctx, c, key, "moves", fmt.Sprintf(`{"from":%q,"to":%q,"lines":%s}`, at, other, line))
	case counts:
		return b.write(ctx, c, key, "counts", fmt.Sprintf(`{"place":%q,"lines":%s,"reason":"counted"}`, at, line))
	default:
		return b.read(ctx, c, at)
	}
}

func (b *bench) write(ctx context.Context, c *client, key, path, body string) (result, error) {
	a, err := c.do(ctx, http.MethodPost, "/v1/"+path, key, body)
	if err != nil {
		return result{}, err
	}
	var told struct {
		Type      string
		Available int
		Lines     []struct {
			Had int `json:"had_pieces"`
		}
	}
	if err := a.into(&told); err != nil {
		return result{}, err
	}
	switch {
	case a.status == http.StatusConflict && told.Type == "/problems/not-enough":
		return result{refused: true, has: told.Available}, nil
	case a.status != http.StatusCreated:
		return result{}, fmt.Errorf("%s %s: %d %s", path, body, a.status, a.body)
	case path == "counts":
		return result{has: told.Lines[0].Had}, nil
	}
	return result{}, nil
}

func (b *bench) read(ctx context.Context, c *client, place string) (result, error) {
	a, err := c.must(ctx, http.MethodGet, "/v1/stock?kind=pieces&place="+place, "", "")
	if err != nil {
		return result{}, err
	}
	var stock struct {
		Lines []struct {
			Code   string
			Pieces int
		}
	}
	if err := a.into(&stock); err != nil {
		return result{}, err
	}
	r := result{}
	for _, l := range stock.Lines {
		if l.Code == b.run {
			r.has += l.Pieces
		}
	}
	return r, nil
}

// anyStep draws a step: much is sold, and counts bring back what was sold.
func anyStep(chance *rand.Rand) step {
	s := step{at: chance.IntN(4) / 3, pieces: 1 + chance.IntN(6)}
	switch n := chance.IntN(100); {
	case n < 35:
		s.act = sells
	case n < 45:
		s.act = discards
	case n < 65:
		s.act = moves
	case n < 72:
		s.act, s.pieces = counts, chance.IntN(30)
	default:
		s.act = reads
	}
	return s
}

// history lets the clients do their steps at once. disturb, if given, is called before each step.
//
// A refusal is not remembered. Of a step that was asked several times and refused at the last, that last try was refused; what became
// of the tries that its client had given up is not known to it, and those steps are in abandoned, by their keys.
func (b *bench) history(ctx context.Context, clients []*client, seed uint64, disturb func(*rand.Rand)) (told []porcupine.Operation, abandoned map[string]porcupine.Operation, failed error) {
	var (
		all sync.WaitGroup
		mu  sync.Mutex
	)
	abandoned = map[string]porcupine.Operation{}
	began := time.Now()
	for n, c := range clients {
		chance := rand.New(rand.NewPCG(seed, uint64(n)))
		all.Go(func() {
			for i := range stepsEach {
				if disturb != nil {
					disturb(chance)
				}
				c.turn = chance.IntN(len(c.processes))
				s, key := anyStep(chance), fmt.Sprintf("%s-%d-%d", b.name, n, i)
				called, tries := time.Since(began), c.tries
				r, err := b.do(ctx, c, key, s)
				o := porcupine.Operation{ClientId: n, Input: s, Call: called.Nanoseconds(), Output: r, Return: time.Since(began).Nanoseconds()}
				mu.Lock()
				if r.refused && c.tries > tries+1 {
					abandoned[key] = o
					o.Call = c.asked.Sub(began).Nanoseconds()
				}
				told = append(told, o)
				if err != nil {
					failed = err
				}
				mu.Unlock()
				if err != nil {
					return
				}
			}
		})
	}
	all.Wait()
	return told, abandoned, failed
}

// linear are two processes over one book, each by a wire of its own, and benches for histories told at the same time.
type linear struct {
	t       *testing.T
	db      *pgtest.DB
	wires   []*wire
	process []*process
	key     string
	benches []*bench

	given, late atomic.Int64 // steps that were refused after tries that were given up; and those of which one was carried out
}

func newLinear(t *testing.T, benches int) *linear {
	t.Helper()
	db := pgtest.NewBook(t)
	l := &linear{t: t, db: db}
	for range 2 {
		w := newWire(t, db.AppURL)
		l.wires = append(l.wires, w)
		l.process = append(l.process, serve(t, address{app: w.address(db.AppURL), owner: db.OwnerURL}))
	}
	l.key = newKey(t, address{app: db.AppURL, owner: db.OwnerURL}, "owner", "owner")
	c := newClient(l.key, 0, l.process...)
	defer c.close()
	open(t, c)
	for n := range benches {
		b := &bench{places: [2]string{fmt.Sprintf("counter-%d", n), fmt.Sprintf("stall-%d", n)}}
		for _, place := range b.places {
			_, err := c.must(t.Context(), http.MethodPut, "/v1/places/"+place, "", fmt.Sprintf(`{"name":%q,"site":"quay-lane","storage":"cool","sells":true}`, place))
			require.NoError(t, err)
		}
		l.benches = append(l.benches, b)
	}
	return l
}

// tell tells one history on a bench, from a run of its own to an empty bench, and gives what the checker says.
func (l *linear) tell(b *bench, number int, disturb func(*rand.Rand), change func(*client)) (porcupine.CheckResult, []porcupine.Operation, error) {
	setter := newClient(l.key, number, l.process...)
	defer setter.close()
	b.name = fmt.Sprintf("history-%d", number)
	ctx := l.t.Context()
	made, err := setter.must(ctx, http.MethodPost, "/v1/runs", b.name+"-run", fmt.Sprintf(
		`{"design":"bar","mould":"bar-1000","moulds":1,"place":%q,"casting":{"vat":"vat-dark"},"turned_out":{"good":%d}}`, b.places[0], piecesAtFirst))
	if err != nil {
		return "", nil, err
	}
	var run struct{ Code string }
	if err := made.into(&run); err != nil {
		return "", nil, err
	}
	b.run = run.Code
	if _, err := setter.must(ctx, http.MethodPost, "/v1/runs/"+b.run+"/releases", b.name+"-release", fmt.Sprintf(`{"pieces":%d,"place":%q}`, piecesAtFirst, b.places[0])); err != nil {
		return "", nil, err
	}
	var clients []*client
	for n := range clientsAtOnce {
		c := newClient(l.key, n, l.process...)
		defer c.close()
		change(c)
		clients = append(clients, c)
	}
	told, abandoned, err := b.history(ctx, clients, uint64(number), disturb)
	if err != nil {
		return "", told, err
	}
	for at := range b.places { // each by another process, behind all that still waited there
		setter.turn = at
		if _, err := b.do(ctx, setter, fmt.Sprintf("%s-empty-%d", b.name, at), step{act: counts, at: at}); err != nil {
			return "", told, err
		}
	}
	late, err := l.carriedOut(abandoned)
	return porcupine.CheckOperationsTimeout(stockModel, append(told, late...), hangs), append(told, late...), err
}

// carriedOut finds the steps whose last try was refused and of which an earlier one was carried out all the same, by the log. When that
// was is open, but for that it had ended by now.
func (l *linear) carriedOut(abandoned map[string]porcupine.Operation) (late []porcupine.Operation, err error) {
	rows, err := l.db.App.Query(l.t.Context(), "SELECT DISTINCT key FROM log WHERE key = ANY ($1)", slices.Collect(maps.Keys(abandoned)))
	if err != nil {
		return nil, err
	}
	keys, err := pgx.CollectRows(rows, pgx.RowTo[string])
	for _, key := range keys {
		o := abandoned[key]
		o.Output, o.Return, o.ClientId = result{}, time.Hour.Nanoseconds(), clientsAtOnce+len(late)
		late = append(late, o)
	}
	l.given.Add(int64(len(abandoned)))
	l.late.Add(int64(len(late)))
	return late, err
}

// tellAll tells so many histories, on all benches at once, and wants them all to be possible.
func (l *linear) tellAll(first, histories int, disturb func(*rand.Rand), change func(*client)) {
	l.t.Helper()
	numbers := make(chan int, histories)
	for n := range histories {
		numbers <- first + n
	}
	close(numbers)
	var all sync.WaitGroup
	verdicts := make(chan string, histories)
	for _, b := range l.benches {
		all.Go(func() {
			for n := range numbers {
				switch verdict, told, err := l.tell(b, n, disturb, change); {
				case err != nil:
					verdicts <- fmt.Sprintf("history %d: %v", n, err)
				case verdict != porcupine.Ok:
					verdicts <- fmt.Sprintf("history %d is %s:\n%s", n, verdict, asText(told))
				}
			}
		})
	}
	all.Wait()
	close(verdicts)
	for verdict := range verdicts {
		l.t.Error(verdict)
	}
}

// asText shows what the checker could put in order, with the stock after each, and then what it could not.
func asText(told []porcupine.Operation) string {
	_, info := porcupine.CheckOperationsVerbose(stockModel, told, hangs)
	var order []int
	for _, partial := range info.PartialLinearizations()[0] {
		if len(partial) > len(order) {
			order = partial
		}
	}
	var text strings.Builder
	stock, placed := stockModel.Init(), map[int]bool{}
	for _, i := range order {
		o := told[i]
		_, stock = stockModel.Step(stock, o.Input, o.Output)
		placed[i] = true
		fmt.Fprintf(&text, "client %d from %d to %d µs: %+v %+v leaves %v\n", o.ClientId, o.Call/1000, o.Return/1000, o.Input, o.Output, stock)
	}
	text.WriteString("and then one of these:\n")
	for i, o := range told {
		if !placed[i] {
			fmt.Fprintf(&text, "client %d from %d to %d µs: %+v %+v\n", o.ClientId, o.Call/1000, o.Return/1000, o.Input, o.Output)
		}
	}
	return text.String()
}

// TestHistoriesAreLinear tells histories to two processes at once, half of them while connections to the database are cut and clients
// give up and ask again: each must be one that a single clerk at a single book could have written.
func TestHistoriesAreLinear(t *testing.T) {
	t.Parallel()
	l := newLinear(t, 2)
	histories := sized(30, 1000)
	began := time.Now()
	l.tellAll(0, histories/2, nil, func(*client) {})
	calm := time.Since(began)
	l.tellAll(histories/2, histories-histories/2,
		func(chance *rand.Rand) {
			if chance.IntN(40) == 0 {
				l.wires[chance.IntN(2)].cut()
			}
		},
		func(c *client) {
			c.patience = func() time.Duration { // a third of the tries: long enough that most arrive, too short for many to be answered
				if rand.IntN(3) != 0 {
					return 0
				}
				return time.Duration(1+rand.IntN(8000)) * time.Microsecond
			}
		})
	for _, p := range l.process {
		require.Empty(t, p.errors(), "a connection that is cut is no fault of the program's")
	}
	t.Logf("%d histories of %d × %d steps: calm ones took %v, the others %v; %d of %d refused after tries that were given up had been carried out by one of them",
		histories, clientsAtOnce, stepsEach, calm.Round(time.Second), (time.Since(began) - calm).Round(time.Second), l.late.Load(), l.given.Load())
}

// TestAHistoryWithOldReadingsIsSeen is the canary: the same histories, clients and checker, but what each client reads comes out of a
// cache that it filled at its first look.
func TestAHistoryWithOldReadingsIsSeen(t *testing.T) {
	t.Parallel()
	l := newLinear(t, 1)
	verdict, _, err := l.tell(l.benches[0], 1, nil, func(c *client) {
		c.web.Transport = &hoard{of: c.web.Transport, kept: map[string][]byte{}}
	})
	require.NoError(t, err)
	require.Equal(t, porcupine.Illegal, verdict)
}

// A hoard answers every reading as it answered the first of its kind.
type hoard struct {
	of   http.RoundTripper
	kept map[string][]byte
}

func (h *hoard) RoundTrip(r *http.Request) (*http.Response, error) {
	response, err := h.of.RoundTrip(r)
	if err != nil || r.Method != http.MethodGet {
		return response, err
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		return nil, err
	}
	if _, known := h.kept[r.URL.String()]; !known {
		h.kept[r.URL.String()] = body
	}
	response.Body, response.ContentLength = io.NopCloser(bytes.NewReader(h.kept[r.URL.String()])), -1
	response.Header.Del("Content-Length")
	return response, nil
}

// TestTheModelOfStock: what must be found impossible, and what must not.
func TestTheModelOfStock(t *testing.T) {
	t.Parallel()
	o := func(client int, call, end int64, s step, r result) porcupine.Operation {
		return porcupine.Operation{ClientId: client, Input: s, Call: call, Output: r, Return: end}
	}
	all := step{act: sells, pieces: piecesAtFirst}
	for name, c := range map[string]struct {
		told     []porcupine.Operation
		possible bool
	}{
		"one of two has the last pieces": {[]porcupine.Operation{o(0, 0, 10, all, result{}), o(1, 5, 15, all, result{refused: true})}, true},
		"both have them":                 {[]porcupine.Operation{o(0, 0, 10, all, result{}), o(1, 5, 15, all, result{})}, false},
		"neither has":                    {[]porcupine.Operation{o(0, 0, 10, all, result{refused: true}), o(1, 5, 15, all, result{refused: true})}, false},
		"a reading after it shows none":  {[]porcupine.Operation{o(0, 0, 10, all, result{}), o(1, 11, 15, step{act: reads}, result{})}, true},
		"a reading after it shows them": {[]porcupine.Operation{
			o(0, 0, 10, all, result{}), o(1, 11, 15, step{act: reads}, result{has: piecesAtFirst}),
		}, false},
		"one at the same time may": {[]porcupine.Operation{o(0, 0, 10, all, result{}), o(1, 9, 15, step{act: reads}, result{has: piecesAtFirst})}, true},
		"nothing is lost on the way": {[]porcupine.Operation{
			o(0, 0, 10, step{act: moves, pieces: 3}, result{}), o(1, 11, 15, step{act: reads, at: 1}, result{has: 3}),
		}, true},
		"something is": {[]porcupine.Operation{
			o(0, 0, 10, step{act: moves, pieces: 3}, result{}), o(1, 11, 15, step{act: reads, at: 1}, result{has: 2}),
		}, false},
		"a count that had another figure": {[]porcupine.Operation{o(0, 0, 10, step{act: counts, pieces: 3}, result{has: piecesAtFirst - 1})}, false},
	} {
		require.Equal(t, c.possible, porcupine.CheckOperations(stockModel, c.told), name)
	}
}
