package api

import (
	"bufio"
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// patience is a wait that only a test that has gone wrong comes to the end of.
const patience = 30 * time.Second

// listen serves a book on a port of its own, with the process's limits; change may make them shorter.
func (b *testBook) listen(change ...func(*http.Server)) string {
	b.t.Helper()
	server := HTTPServer(b.handler, slog.New(slog.DiscardHandler))
	for _, f := range change {
		f(server)
	}
	listener, err := (&net.ListenConfig{}).Listen(b.t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(b.t, err)
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(listener) }()
	b.t.Cleanup(func() {
		require.NoError(b.t, server.Close())
		require.ErrorIs(b.t, <-ended, http.ErrServerClosed)
	})
	return "http://" + listener.Addr().String()
}

// A block is what stands between two empty lines of a stream.
type block struct {
	id, name, data string
	comment, retry string
	hasID          bool
}

// A listener reads a stream as the HTML standard says, section 9.2.6 ("Interpreting an event stream"): of the fields
// that it knows, one block at a time, and it keeps the last id that it was given.
type listener struct {
	t      *testing.T
	header http.Header
	blocks chan block
	leave  context.CancelFunc
	lastID string
}

// dial asks for a stream and gives whatever is answered.
func (c client) dial(ctx context.Context, t *testing.T, url string, headers ...string) *http.Response {
	t.Helper()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	require.NoError(t, err)
	r.Header.Set("Accept", "text/event-stream")
	r.Header.Set("Authorization", "Bearer "+c.key)
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	response, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	return response
}

// hear opens a stream.
func (c client) hear(t *testing.T, url string, headers ...string) *listener {
	t.Helper()
	ctx, leave := context.WithCancel(t.Context())
	t.Cleanup(leave)
	response := c.dial(ctx, t, url, headers...) //nolint:bodyclose // read closes it, at the stream's end
	require.Equal(t, http.StatusOK, response.StatusCode)
	require.Equal(t, "text/event-stream", response.Header.Get("Content-Type"))
	l := &listener{t: t, header: response.Header, blocks: make(chan block), leave: leave}
	go l.read(ctx, response.Body)
	return l
}

// read hands the blocks on until the stream ends.
func (l *listener) read(ctx context.Context, body io.ReadCloser) {
	defer close(l.blocks)
	defer body.Close()
	lines := bufio.NewScanner(body)
	lines.Buffer(nil, 4<<20)
	var b block
	for lines.Scan() {
		if lines.Text() != "" {
			b.take(lines.Text())
			continue
		}
		select {
		case l.blocks <- b:
		case <-ctx.Done():
			return
		}
		b = block{}
	}
}

func (b *block) take(line string) {
	field, value, _ := strings.Cut(line, ":")
	value = strings.TrimPrefix(value, " ")
	switch field {
	case "":
		b.comment = line
	case "id":
		b.id, b.hasID = value, true
	case "event":
		b.name = value
	case "data":
		b.data += value + "\n"
	case "retry":
		b.retry = value
	}
}

// block waits for the next block, whatever it is; false: the stream has ended.
func (l *listener) block() (block, bool) {
	l.t.Helper()
	return l.blockWithin(time.After(patience))
}

func (l *listener) blockWithin(enough <-chan time.Time) (block, bool) {
	l.t.Helper()
	select {
	case b, more := <-l.blocks:
		if b.hasID {
			l.lastID = b.id
		}
		b.data = strings.TrimSuffix(b.data, "\n")
		return b, more
	case <-enough:
		require.FailNow(l.t, "nothing came")
	}
	return block{}, false
}

// next waits for the next message: a block with data.
func (l *listener) next() block {
	l.t.Helper()
	enough := time.After(patience) // signs of life do not count
	for {
		b, more := l.blockWithin(enough)
		require.True(l.t, more, "the stream has ended")
		if b.data != "" {
			return b
		}
	}
}

// opened waits for the block that a stream begins with.
func (l *listener) opened() block {
	l.t.Helper()
	b, more := l.block()
	require.True(l.t, more)
	require.Equal(l.t, "2000", b.retry)
	require.Empty(l.t, b.data)
	return b
}

// ended waits for the end of the stream.
func (l *listener) ended() {
	l.t.Helper()
	for {
		if _, more := l.block(); !more {
			return
		}
	}
}
