package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"time"

	"firstout/api"
	"firstout/internal/book"
	"firstout/internal/events/eventlog"
	"firstout/migrations"
)

// stopWait is what requests under way get to finish when the process is told to stop.
const stopWait = 10 * time.Second

// serve serves the book over HTTP until the context ends.
func serve(ctx context.Context, args, environ []string, out io.Writer) error {
	config, rest, err := readConfig("serve", args, environ, out, nil)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return fmt.Errorf("serve takes no argument: %q", rest)
	}
	log := slog.New(slog.NewJSONHandler(out, nil))
	config.Data = absolute(config.Data)
	db, err := openDatabase(ctx, config, log)
	if err != nil {
		return err
	}
	kind, err := db.mark(ctx, config.Book)
	if err != nil {
		return errors.Join(err, db.stop(ctx))
	}
	log.InfoContext(ctx, "the book is open", slog.String("book", kind))
	return errors.Join(serveBook(ctx, db, config, log, nil), db.stop(ctx))
}

// serveBook serves an open book until the context ends, and then lets what is under way finish. listening, if given,
// is told the address.
func serveBook(ctx context.Context, db *database, config Config, log *slog.Logger, listening func(net.Addr)) error {
	manual := config.Clock == "manual"
	theBook, err := book.Open(ctx, db.pool, book.Options{Clock: time.Now, Manual: manual, Log: log})
	if err != nil {
		return err
	}
	defer theBook.Close()
	handler := api.New(api.Config{
		Book: theBook, Pool: db.pool, Keys: keyStore{db}, Clock: api.Clock{Wall: time.Now, Manual: manual}, Log: log,
		Rate:  api.Rate{PerSecond: float64(config.RatePerSecond), Burst: 2 * config.RatePerSecond},
		Ready: func(ctx context.Context) error { return migrations.Check(ctx, db.pool) },
	})
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", config.Addr)
	if err != nil {
		return fmt.Errorf("listen on %s: %w", config.Addr, err)
	}
	log.InfoContext(ctx, "serving", slog.String("address", listener.Addr().String()), slog.String("clock", config.Clock))
	if listening != nil {
		listening(listener.Addr())
	}
	return serveUntil(ctx, api.HTTPServer(handler, log), listener, config)
}

func serveUntil(ctx context.Context, server *http.Server, listener net.Listener, config Config) error {
	ended := make(chan error, 1)
	go func() {
		if config.TLSCert != "" {
			ended <- server.ServeTLS(listener, config.TLSCert, config.TLSKey)
		} else {
			ended <- server.Serve(listener)
		}
	}()
	select {
	case err := <-ended:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWait)
	defer cancel()
	if err := server.Shutdown(wait); err != nil {
		return errors.Join(fmt.Errorf("stop serving: %w", err), server.Close())
	}
	return nil
}

// keyStore finds API keys in the database.
type keyStore struct{ db *database }

// Find finds a key that is good now by its hash.
func (k keyStore) Find(ctx context.Context, hash [32]byte) (api.Key, error) {
	key, err := eventlog.FindKey(ctx, k.db.pool, hash, time.Now())
	if errors.Is(err, eventlog.ErrNoKey) {
		return api.Key{}, api.ErrNoKey
	}
	return api.Key{ID: key.ID.String(), Roles: key.Roles, Site: key.Site, Expires: key.ExpiresAt}, err
}

// migrate brings the database to this program's schema and says so.
func migrate(ctx context.Context, args, environ []string, out io.Writer) error {
	return withDatabase(ctx, "migrate", args, environ, out, nil, func(*database, []string) error {
		_, err := fmt.Fprintln(out, "the database has this program's schema")
		return err
	})
}

// withDatabase opens the database of the settings for one piece of work. more adds the work's own flags.
func withDatabase(ctx context.Context, name string, args, environ []string, out io.Writer, more func(*flag.FlagSet), do func(*database, []string) error) error {
	config, rest, err := readConfig(name, args, environ, out, more)
	if err != nil {
		return err
	}
	config.Data = absolute(config.Data)
	db, err := openDatabase(ctx, config, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	return errors.Join(do(db, rest), db.stop(ctx))
}
