package reliability_test

import (
	"context"
	"net"
	"net/url"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgproto3"
	"github.com/stretchr/testify/require"
)

// A wire is the network between a book and its server: a TCP address that leads there, and breaks when told. It
// understands what the server says, message by message, so that it can break at the answer to a COMMIT.
type wire struct {
	t        *testing.T
	listener net.Listener
	server   func() (net.Conn, error)

	mu    sync.Mutex
	state state
	links map[*link]bool

	// onCommit is asked before the answer to each COMMIT is passed on; false: the connection is cut instead.
	onCommit func() bool
}

// A state is how the network is.
type state struct {
	delay              time.Duration // of each thing sent, in both directions
	toServer, toClient bool          // what is sent in that direction disappears
	refuse             bool          // new connections are closed at once
}

// newWire leads to the server of a database's address.
func newWire(t *testing.T, to string) *wire {
	t.Helper()
	config, err := pgconn.ParseConfig(to)
	require.NoError(t, err)
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	network, address := pgconn.NetworkAddress(config.Host, config.Port)
	w := &wire{t: t, listener: listener, links: map[*link]bool{}, onCommit: func() bool { return true }}
	w.server = func() (net.Conn, error) {
		return (&net.Dialer{}).DialContext(context.WithoutCancel(t.Context()), network, address)
	}
	go w.accept()
	t.Cleanup(func() {
		_ = listener.Close()
		w.cut()
	})
	return w
}

// address is the database's, by way of the wire.
func (w *wire) address(to string) string {
	u, err := url.Parse(to)
	require.NoError(w.t, err)
	at := w.listener.Addr().(*net.TCPAddr)
	u.Host = net.JoinHostPort(at.IP.String(), strconv.Itoa(at.Port))
	query := u.Query()
	query.Del("host")
	query.Del("port")
	query.Set("sslmode", "disable")
	u.RawQuery = query.Encode()
	return u.String()
}

func (w *wire) accept() {
	for {
		client, err := w.listener.Accept()
		if err != nil {
			return
		}
		if w.now().refuse {
			_ = client.Close()
			continue
		}
		server, err := w.server()
		if err != nil {
			_ = client.Close()
			continue
		}
		l := &link{of: w, client: client, server: server}
		w.mu.Lock()
		w.links[l] = true
		w.mu.Unlock()
		go l.forth()
		go l.back()
	}
}

func (w *wire) now() state {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.state
}

// commits asks whether the answer to a COMMIT is passed on.
func (w *wire) commits() bool {
	w.mu.Lock()
	onCommit := w.onCommit
	w.mu.Unlock()
	return onCommit()
}

// become changes how the network is from now on.
func (w *wire) become(s state) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.state = s
}

// each does something to all connections there are.
func (w *wire) each(do func(*link)) {
	w.mu.Lock()
	links := make([]*link, 0, len(w.links))
	for l := range w.links {
		links = append(links, l)
	}
	w.mu.Unlock()
	for _, l := range links {
		do(l)
	}
}

// cut ends them in order, as a server does that is stopped.
func (w *wire) cut() { w.each((*link).close) }

// reset ends them as a machine does that knows nothing of them any more.
func (w *wire) reset() {
	w.each(func(l *link) {
		for _, end := range []net.Conn{l.client, l.server} {
			if tcp, is := end.(*net.TCPConn); is {
				_ = tcp.SetLinger(0)
			}
		}
		l.close()
	})
}

// closeSlowly ends what the server sends, and leaves the other direction open: what is asked arrives, and is answered
// to nobody.
func (w *wire) closeSlowly() {
	w.each(func(l *link) {
		l.mu.Lock()
		l.deaf = true
		l.mu.Unlock()
		if tcp, is := l.client.(*net.TCPConn); is {
			_ = tcp.CloseWrite()
		}
	})
}

// A link is one connection over the wire.
type link struct {
	of             *wire
	client, server net.Conn

	mu   sync.Mutex
	deaf bool // the server's answers go nowhere
	lost bool // something disappeared: nothing that follows makes sense any more
}

func (l *link) close() {
	_ = l.client.Close()
	_ = l.server.Close()
	l.of.mu.Lock()
	defer l.of.mu.Unlock()
	delete(l.of.links, l)
}

// passes says whether what is sent now arrives. Where something was lost nothing arrives any more, as TCP has it.
func (l *link) passes(toServer bool) bool {
	s := l.of.now()
	time.Sleep(s.delay) // this is the latency, not a wait for anything
	l.mu.Lock()
	defer l.mu.Unlock()
	if toServer && s.toServer || !toServer && s.toClient {
		l.lost = true
	}
	return !l.lost && (toServer || !l.deaf)
}

// forth passes on what the client sends.
func (l *link) forth() {
	defer l.close()
	buffer := make([]byte, 1<<16)
	for {
		n, err := l.client.Read(buffer)
		if err != nil {
			return
		}
		if !l.passes(true) {
			continue
		}
		if _, err := l.server.Write(buffer[:n]); err != nil {
			return
		}
	}
}

// back passes on what the server sends.
func (l *link) back() {
	defer l.close()
	messages := pgproto3.NewFrontend(l.server, nil)
	var out []byte
	for {
		message, err := messages.Receive()
		if err != nil {
			return
		}
		if done, is := message.(*pgproto3.CommandComplete); is && string(done.CommandTag) == "COMMIT" && !l.of.commits() {
			return
		}
		if out, err = message.Encode(out); err != nil {
			return
		}
		if messages.ReadBufferLen() > 0 && len(out) < 1<<16 {
			continue // what came together goes on together
		}
		if l.passes(false) {
			if _, err := l.client.Write(slices.Clone(out)); err != nil {
				return
			}
		}
		out = out[:0]
	}
}
