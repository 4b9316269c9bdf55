package reliability_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// several are processes over one book, with a shop opened in it.
type several struct {
	t       *testing.T
	db      *pgtest.DB
	at      address
	process []*process
	key     string
	run     string
}

func newSeveral(t *testing.T, processes int) *several {
	t.Helper()
	db := pgtest.NewBook(t)
	s := &several{t: t, db: db, at: address{app: db.AppURL, owner: db.OwnerURL}}
	for range processes {
		s.process = append(s.process, serve(t, s.at))
	}
	s.key, s.run = opened(t, s.at, s.process[0])
	return s
}

// killInTurn kills one process after the other while something is sold: after so many sales, in the full size every five seconds.
func (s *several) killInTurn(selling *load, kills int) {
	s.t.Helper()
	for n := range kills {
		for began := time.Now(); ; {
			selling.more(s.t, 60)
			if !long() || time.Since(began) >= 5*time.Second {
				break
			}
		}
		p := s.process[n%len(s.process)]
		p.kill()
		selling.more(s.t, 20) // the others go on
		p.start()
	}
	selling.more(s.t, 60)
}

// TestProcessesAreKilledInTurn: whoever asks again sees nothing but broken connections and 503, and at the end the stock is right.
func TestProcessesAreKilledInTurn(t *testing.T) {
	t.Parallel()
	for _, processes := range []int{2, 3} {
		t.Run(fmt.Sprint(processes), func(t *testing.T) {
			t.Parallel()
			s := newSeveral(t, processes)
			selling := sell(t, s.key, s.process...)
			s.killInTurn(selling, sized(3, 12))
			selling.finish(t)
			selling.ledger.balance(t, s.db.App, s.run)
			for _, p := range s.process {
				require.Empty(t, p.errors())
			}
			t.Logf("%d sales over %d processes", selling.ledger.sales(), processes)
		})
	}
}

// A reader of the feed holds it to its promise: each position once, in order, without a gap.
type reader struct {
	key     string
	process []*process
	last    string // id of the last message it has whole
	next    int64  // position that is due
	streams int    // opened so far
	wrong   error
	until   *atomic.Int64 // the last position to read; 0: not known yet
}

// errToldAll ends a reader that has what there was to be told.
var errToldAll = errors.New("told all")

// take reads messages to the end of a stream. What breaks off inside a message was not told.
func (r *reader) take(stream io.Reader) error {
	lines := bufio.NewScanner(stream)
	lines.Buffer(nil, 1<<20)
	var id, event, data string
	for lines.Scan() {
		field, value, _ := strings.Cut(lines.Text(), ":")
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "id":
			id = value
		case "event":
			event = value
		case "data":
			data = value
		case "":
			if lines.Text() == "" && data != "" && event == "" {
				if err := r.message(id, data); err != nil {
					return err
				}
			}
			if lines.Text() == "" {
				id, event, data = "", "", ""
			}
		}
	}
	return nil // that it broke off is what this is about
}

func (r *reader) message(id, data string) error {
	var told struct{ Position int64 }
	if err := json.Unmarshal([]byte(data), &told); err != nil {
		return fmt.Errorf("%s: %w", data, err)
	}
	if told.Position != r.next || !strings.HasSuffix(id, fmt.Sprintf("-%d", told.Position)) {
		return fmt.Errorf("position %d was due, told %d with the id %s", r.next, told.Position, id)
	}
	r.next, r.last = r.next+1, id
	if until := r.until.Load(); until > 0 && told.Position >= until {
		return errToldAll
	}
	return nil
}

// follow reads from one process after the other until the context ends or something is wrong.
func (r *reader) follow(ctx context.Context, web *http.Client) {
	for ; ctx.Err() == nil && r.wrong == nil; r.streams++ {
		select {
		case <-ctx.Done():
		case <-time.After(pause):
			r.wrong = r.once(ctx, web, *r.process[r.streams%len(r.process)].base.Load())
		}
	}
}

// once reads one stream to its end.
func (r *reader) once(ctx context.Context, web *http.Client, base string) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, base+"/v1/feed?after=0", nil)
	if err != nil {
		return err
	}
	request.Header.Set("Authorization", "Bearer "+r.key)
	if r.last != "" {
		request.Header.Set("Last-Event-ID", r.last)
	}
	response, err := web.Do(request)
	if err != nil {
		return nil // it is down
	}
	defer response.Body.Close()
	switch response.StatusCode {
	case http.StatusOK:
		return r.take(response.Body)
	case http.StatusServiceUnavailable:
		return nil
	}
	said, _ := io.ReadAll(response.Body)
	return fmt.Errorf("%d %s", response.StatusCode, said)
}

// TestAFeedReadElsewhereMissesNothing: three processes write, of which one after the other is killed; each reader reads from all of
// them in turn and goes on where it was.
func TestAFeedReadElsewhereMissesNothing(t *testing.T) {
	t.Parallel()
	s := newSeveral(t, 3)
	web := &http.Client{Transport: &http.Transport{}}
	defer web.CloseIdleConnections()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var until atomic.Int64
	ended := make(chan *reader, 3)
	for n := range 3 {
		r := &reader{key: s.key, process: []*process{s.process[(n+1)%3], s.process[(n+2)%3], s.process[n]}, next: 1, until: &until}
		go func() {
			r.follow(ctx, web)
			ended <- r
		}()
	}
	selling := sell(t, s.key, s.process...)
	s.killInTurn(selling, sized(3, 12))
	var head int64
	require.NoError(t, s.db.App.QueryRow(t.Context(), "SELECT position FROM head").Scan(&head))
	until.Store(head)
	selling.more(t, 5) // a reader looks whether it has come far enough when it is told something
	selling.finish(t)
	streams := 0
	for range 3 {
		select {
		case r := <-ended:
			require.ErrorIs(t, r.wrong, errToldAll)
			streams += r.streams
		case <-time.After(hangs):
			require.FailNow(t, "a reader was not told all")
		}
	}
	t.Logf("3 readers over %d streams had each of %d positions once", streams, head)
	selling.ledger.balance(t, s.db.App, s.run)
}

// TestTheReaderSeesGapsAndRepeats is the canary of the readers.
func TestTheReaderSeesGapsAndRepeats(t *testing.T) {
	t.Parallel()
	told := func(positions ...int) string {
		text := "retry: 2000\n\n"
		for _, p := range positions {
			text += fmt.Sprintf("id: epoch-%d\ndata: {\"position\":%d}\n\n:\n\nevent: tick\ndata: {}\n\n", p, p)
		}
		return text
	}
	from := func(position int64) *reader { return &reader{next: position, until: new(atomic.Int64)} }
	r := from(1)
	require.NoError(t, r.take(strings.NewReader(told(1, 2)+"id: epoch-3\ndata: {\"position\":3}\n"))) // broken off
	require.NoError(t, r.take(strings.NewReader(told(3))))
	require.ErrorContains(t, from(1).take(strings.NewReader(told(1, 3))), "position 2 was due")
	require.ErrorContains(t, from(1).take(strings.NewReader(told(1, 1))), "position 2 was due")
	require.ErrorContains(t, from(1).take(strings.NewReader(told(2))), "position 1 was due")
}
