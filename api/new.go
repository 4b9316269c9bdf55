package api

import (
	"context"
	"log/slog"
	"net/http"

	"firstout/internal/book"
	"firstout/internal/projections"
)

// Config is what the HTTP layer is given by the process.
type Config struct {
	Book  *book.Book
	Pool  projections.Querier // questions are read from it
	Keys  Keys
	Clock Clock
	Ready func(ctx context.Context) error // nil: nothing to wait for
	Log   *slog.Logger
	Rate  Rate // the zero value is DefaultRate
}

// New gives the whole HTTP interface of a book.
func New(c Config) http.Handler {
	state := NewState(c.Pool, c.Clock)
	h := &handlers{service: service{ready: c.Ready}, book: c.Book, pool: c.Pool, state: state}
	return shell(Deps{Book: state, Keys: c.Keys, Now: c.Clock.Wall, Log: c.Log, Rate: c.Rate}, h)
}
