// Package handout sends signed checkpoints out of the house, to one address that the owner has named: a copy that is kept
// elsewhere is what a rewritten book is found out by. It does not know what a checkpoint says.
//
// An address that a server fetches can be turned against the net that the server stands in (OWASP API Security Top 10,
// 2023, API7). So: https only; no redirect is followed; no proxy of the environment is asked; what the name resolves to is
// looked at when it is connected to, and private, local and reserved addresses are refused. Loopback can be allowed.
package handout

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"syscall"
	"time"
)

// Config says where checkpoints go.
type Config struct {
	URL           string
	AllowLoopback bool // an address on this machine may be named, also by http
	Log           *slog.Logger
	Pause         time.Duration // before the first new try, doubled for each one more; zero: a second
}

// What bounds a sending. A checkpoint that could not be sent within about a minute is given up: the next one says all that
// it said.
const (
	tries     = 6
	patience  = 10 * time.Second // for one try
	mostBytes = 64 << 10         // of an answer, which nobody reads
)

// A Sender sends the newest checkpoint that it was given, one at a time.
type Sender struct {
	url    string
	client *http.Client
	log    *slog.Logger
	pause  time.Duration
	newest chan []byte // holds at most one
}

// New gives the sender to an address, or says what is wrong with that.
func New(c Config) (*Sender, error) {
	u, err := url.Parse(c.URL)
	if err != nil || u.Host == "" || u.User != nil || u.Fragment != "" {
		return nil, fmt.Errorf("%q: expected an address such as https://example.com/checkpoints, without a name or password", c.URL)
	}
	if u.Scheme != "https" && (u.Scheme != "http" || !c.AllowLoopback || !namesLoopback(u.Hostname())) {
		return nil, fmt.Errorf("%q: expected https; http only to this machine, and only if that is allowed", c.URL)
	}
	if c.Pause == 0 {
		c.Pause = time.Second
	}
	dialer := &net.Dialer{Timeout: patience, Control: func(_, address string, _ syscall.RawConn) error {
		return mayConnect(address, c.AllowLoopback)
	}}
	return &Sender{
		url: c.URL, log: c.Log, pause: c.Pause, newest: make(chan []byte, 1),
		client: &http.Client{
			Timeout:       patience,
			Transport:     &http.Transport{DialContext: dialer.DialContext, TLSHandshakeTimeout: patience, MaxIdleConns: 1, IdleConnTimeout: time.Minute},
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
	}, nil
}

func namesLoopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// reserved are what netip has no word for and no server of somebody else's stands at (IANA special-purpose registries).
var reserved = []netip.Prefix{
	netip.MustParsePrefix("0.0.0.0/8"), netip.MustParsePrefix("100.64.0.0/10"), netip.MustParsePrefix("192.0.0.0/24"),
	netip.MustParsePrefix("192.0.2.0/24"), netip.MustParsePrefix("198.18.0.0/15"), netip.MustParsePrefix("198.51.100.0/24"),
	netip.MustParsePrefix("203.0.113.0/24"), netip.MustParsePrefix("240.0.0.0/4"), netip.MustParsePrefix("64:ff9b::/96"),
	netip.MustParsePrefix("64:ff9b:1::/48"), netip.MustParsePrefix("100::/64"), netip.MustParsePrefix("2001::/23"),
	netip.MustParsePrefix("2001:db8::/32"), netip.MustParsePrefix("2002::/16"), netip.MustParsePrefix("fec0::/10"),
}

// mayConnect is asked about every address before it is connected to, whatever name led there.
func mayConnect(address string, loopback bool) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("%s is no address: %w", address, err)
	}
	ip := at.Addr().Unmap()
	if ip.IsLoopback() && loopback {
		return nil
	}
	refused := !ip.IsGlobalUnicast() || ip.IsPrivate() || ip.IsLoopback()
	for _, block := range reserved {
		refused = refused || block.Contains(ip)
	}
	if refused {
		return fmt.Errorf("%s is not a public address: checkpoints are not sent there", ip)
	}
	return nil
}

// Send takes a checkpoint to be sent and never waits. One that still waits is dropped: the newer says all that it said.
func (s *Sender) Send(checkpoint []byte) {
	for {
		select {
		case s.newest <- checkpoint:
			return
		default:
		}
		select {
		case <-s.newest:
		default:
		}
	}
}

// Run sends what it is given until the context ends.
func (s *Sender) Run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case checkpoint := <-s.newest:
			s.deliver(ctx, checkpoint)
		}
	}
}

// deliver tries a few times, unless a newer checkpoint comes in between.
func (s *Sender) deliver(ctx context.Context, checkpoint []byte) {
	pause := s.pause
	for try := 1; ; try++ {
		err := s.post(ctx, checkpoint)
		switch {
		case err == nil || ctx.Err() != nil:
			return
		case try == tries:
			s.log.WarnContext(ctx, "a checkpoint could not be handed out", slog.Any("error", err))
			return
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case checkpoint = <-s.newest:
			timer.Stop()
		case <-timer.C:
		}
		pause *= 2
	}
}

func (s *Sender) post(ctx context.Context, checkpoint []byte) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, s.url, bytes.NewReader(checkpoint))
	if err != nil {
		return err
	}
	request.Header.Set("Content-Type", "text/plain; charset=utf-8")
	request.Header.Set("User-Agent", "firstout")
	answer, err := s.client.Do(request)
	if err != nil {
		return withoutAddress(err)
	}
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, mostBytes)) // so that the connection can be used again
	_ = answer.Body.Close()
	if answer.StatusCode < 200 || answer.StatusCode > 299 {
		return fmt.Errorf("the address answered %d", answer.StatusCode)
	}
	return nil
}

// withoutAddress leaves out the address: a query may hold a secret, and what is logged is read by others.
func withoutAddress(err error) error {
	if wrapped := new(url.Error); errors.As(err, &wrapped) {
		return wrapped.Err
	}
	return err
}
