package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/google/uuid"

	"firstout/api"
	"firstout/internal/book"
	"firstout/internal/events/eventlog"
)

// stopWait is what requests under way get to finish when the process is told to stop.
const stopWait = 10 * time.Second

// serve serves the book over HTTP until the context ends.
func serve(ctx context.Context, args, environ []string, out io.Writer) error {
	config, err := readConfig(subcommand{name: "serve", does: "serve the book over HTTP until interrupted"}, args, environ, out)
	if err != nil {
		return err
	}
	if _, err := config.tls(); err != nil { // before anything is started
		return err
	}
	api.ReadAhead()
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
	metrics := api.NewMetrics(connections{db.pool}, sealLag{db.pool})
	theBook, err := book.Open(ctx, db.pool, book.Options{Clock: time.Now, Manual: manual, Log: log, Committed: metrics.Committed})
	if err != nil {
		return err
	}
	defer theBook.Close()
	seals, err := prepareSealing(ctx, db, config, theBook, metrics, log)
	if err != nil {
		return err
	}
	handler := api.New(api.Config{
		Book: theBook, Pool: db.pool, Long: db.long, Keys: keyStore{db}, Clock: api.Clock{Wall: time.Now, Manual: manual}, Log: log,
		Identifiers: config.Identifiers, VerifierKey: seals.verifier,
		Rate:  api.Rate{PerSecond: float64(config.RatePerSecond), Burst: 2 * config.RatePerSecond},
		Ready: readiness{db: db.pool, book: theBook, more: seals.checks, log: log}.check,
		Stop:  ctx.Done(),

		Secure: config.TLSCert != "" || config.BehindProxy, BehindProxy: config.BehindProxy, Metrics: metrics,
	})
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", config.Addr)
	if err != nil {
		return fmt.Errorf("listen on %s: %w", config.Addr, err)
	}
	if at, is := listener.Addr().(*net.TCPAddr); is {
		if err := config.checkHost(at.IP.String()); err != nil {
			return errors.Join(err, listener.Close())
		}
	}
	log.InfoContext(ctx, "serving", slog.String("address", listener.Addr().String()), slog.String("clock", config.Clock), slog.Bool("tls", config.TLSCert != ""))
	if listening != nil {
		listening(listener.Addr())
	}
	defer beside(ctx, seals.run...)()
	return serveUntil(ctx, api.HTTPServer(handler, log), listener, config)
}

// beside lets work go on beside the serving, and gives what ends it and waits for that.
func beside(ctx context.Context, work ...func(context.Context)) (end func()) {
	ctx, stop := context.WithCancel(ctx)
	var all sync.WaitGroup
	for _, run := range work {
		all.Go(func() { run(ctx) })
	}
	return func() {
		stop()
		all.Wait()
	}
}

func serveUntil(ctx context.Context, server *http.Server, listener net.Listener, config Config) error {
	certificate, err := config.tls()
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	server.TLSConfig = certificate
	ended := make(chan error, 1)
	go func() {
		if certificate != nil {
			ended <- server.ServeTLS(listener, "", "")
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
	return keyOf(key), err
}

// FindByID finds a key that is good now by its id.
func (k keyStore) FindByID(ctx context.Context, id string) (api.Key, [32]byte, error) {
	parsed, err := uuid.Parse(id)
	if err != nil {
		return api.Key{}, [32]byte{}, api.ErrNoKey
	}
	key, hash, err := eventlog.FindKeyByID(ctx, k.db.pool, parsed, time.Now())
	if errors.Is(err, eventlog.ErrNoKey) {
		return api.Key{}, [32]byte{}, api.ErrNoKey
	}
	return keyOf(key), hash, err
}

func keyOf(key eventlog.Key) api.Key {
	return api.Key{ID: key.ID.String(), Roles: key.Roles, Site: key.Site, Expires: key.ExpiresAt}
}

// migrate brings the database to this program's schema and says so.
func migrate(ctx context.Context, args, environ []string, out io.Writer) error {
	of := subcommand{name: "migrate", does: "bring the database to this program's schema"}
	return withDatabase(ctx, of, args, environ, out, func(*database) error {
		_, err := fmt.Fprintln(out, "the database has this program's schema")
		return err
	})
}

// withDatabase opens the database of the settings for one piece of work.
func withDatabase(ctx context.Context, of subcommand, args, environ []string, out io.Writer, do func(*database) error) error {
	config, err := readConfig(of, args, environ, out)
	if err != nil {
		return err
	}
	config.Data = absolute(config.Data)
	db, err := openDatabase(ctx, config, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	return errors.Join(do(db), db.stop(ctx))
}
