package api

import (
	"cmp"
	"context"
	"log/slog"
	"net/http"

	"firstout/internal/book"
	"firstout/internal/projections"
)

// Config is what the HTTP layer is given by the process.
type Config struct {
	Book  *book.Book
	Pool  projections.Batcher // questions are read from it
	Keys  Keys
	Clock Clock
	Ready func(ctx context.Context) error // nil: nothing to wait for
	Log   *slog.Logger
	Rate  Rate // the zero value is DefaultRate

	Secure      bool     // TLS ends here or in a proxy in front: a session's cookie travels over nothing else
	BehindProxy bool     // requests come by a proxy: that one comes from this machine says nothing
	Metrics     *Metrics // nil: counted by itself

	Identifiers string // URI under which things have theirs in what other systems read; "" is DefaultIdentifiers

	VerifierKey string // public half of the key that this process seals with; "": it does not seal

	Streams Streams         // the zero value is DefaultStreams
	Stop    <-chan struct{} // closed when the process is to stop: streams end, which have no end by themselves
}

// New gives the whole HTTP interface of a book.
func New(c Config) http.Handler {
	state := NewState(c.Pool, c.Clock)
	if c.Metrics == nil {
		c.Metrics = NewMetrics()
	}
	h := &handlers{service: service{ready: c.Ready}, book: c.Book, pool: c.Pool, state: state, metrics: c.Metrics, identifiers: cmp.Or(c.Identifiers, DefaultIdentifiers), verifierKey: c.VerifierKey}
	h.streams = &streams{
		settings: c.Streams.orDefault(), state: state, pool: c.Pool, changed: c.Book.Changed, stop: c.Stop, log: c.Log,
		open: map[string]int{},
	}
	c.Metrics.registry.MustRegister(bookState{book: state, streams: h.streams})
	return shell(Deps{
		Book: state, Keys: c.Keys, Now: c.Clock.Wall, Log: c.Log, Rate: c.Rate, Board: h.boardPage, Secure: c.Secure,
		BehindProxy: c.BehindProxy, Metrics: c.Metrics,
	}, h)
}
