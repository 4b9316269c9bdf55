package main

import (
	"context"
	"errors"
	"log/slog"

	"firstout/internal/book"
	"firstout/internal/events/eventlog"
	"firstout/migrations"
)

// readiness says whether the process can serve: the database is there, of this program's schema, and takes writes, and
// writing goes on. That the process lives is another question.
type readiness struct {
	db   migrations.Querier
	book interface {
		Check(ctx context.Context) error
	}
	more []func(ctx context.Context) error // what else must go on; the text of an error is told as it is
	log  *slog.Logger
}

var (
	errAway  = errors.New("the database cannot be reached: look whether it runs, and at this program's log")
	errOther = errors.New("the database answers with an error: look at this program's log")
)

// check gives the first thing that stands in the way, in words for whoever asks, which may be anybody: what the
// database itself said goes to the log.
func (r readiness) check(ctx context.Context) error {
	err := migrations.Check(ctx, r.db)
	if err == nil {
		err = r.book.Check(ctx)
	}
	if err != nil {
		r.log.WarnContext(ctx, "not ready", slog.Any("error", err))
		return inWords(err)
	}
	for _, check := range r.more {
		if err := check(ctx); err != nil {
			return err
		}
	}
	return nil
}

func inWords(err error) error {
	newer, older := new(migrations.NewerError), new(migrations.OlderError)
	switch {
	case errors.As(err, &newer):
		return newer
	case errors.As(err, &older):
		return older
	case errors.Is(err, book.ErrDiskFull):
		return book.ErrDiskFull
	case errors.Is(err, book.ErrReadOnly):
		return book.ErrReadOnly
	case errors.Is(err, book.ErrStuck):
		return err // and for how long
	case eventlog.Away(err), errors.Is(err, context.DeadlineExceeded):
		return errAway
	}
	return errOther
}
