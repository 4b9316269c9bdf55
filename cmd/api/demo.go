package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/api"
	"firstout/internal/demo"
	"firstout/internal/events/eventlog"
)

// demonstrate plays the demo into a book of its own, on a PostgreSQL that is thrown away at the end, prints what the
// book is kept for, and goes on serving it.
func demonstrate(ctx context.Context, args, environ []string, out io.Writer) error {
	exit, days := false, demo.Days
	of := subcommand{
		name: "demo", does: "play three weeks of an invented shop on a throw-away PostgreSQL, then serve it",
		flags: func(flags *flag.FlagSet) {
			flags.BoolVar(&exit, "exit", false, "end after printing")
			flags.IntVar(&days, "days", days, "how many days to play")
		},
	}
	config, err := readConfig(of, args, environ, out)
	if err != nil {
		return err
	}
	config.TLSCert, config.TLSKey = "", "" // it is played and shown on this machine
	if err := config.checkAddr(); err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "firstout-demo-")
	if err != nil {
		return fmt.Errorf("a folder for the demo: %w", err)
	}
	defer func() { _ = os.RemoveAll(folder) }()
	if err := os.Chmod(folder, 0o755); err != nil { // as root, the server's own user has to get in
		return fmt.Errorf("a folder for the demo: %w", err)
	}
	config.Data, config.DatabaseURL, config.MigrateURL, config.Book = folder, "", "", ""
	log := slog.New(slog.NewTextHandler(out, &slog.HandlerOptions{Level: slog.LevelWarn}))
	fmt.Fprintln(out, "starting a PostgreSQL for the demo")
	db, err := openDatabase(ctx, config, log)
	if err != nil {
		return err
	}
	return errors.Join(playAndServe(ctx, db, config, log, days, exit, out), db.stop(ctx))
}

func playAndServe(ctx context.Context, db *database, config Config, log *slog.Logger, days int, exit bool, out io.Writer) error {
	if _, err := db.mark(ctx, eventlog.BookDemo); err != nil {
		return err
	}
	secrets := map[string]string{}
	for _, role := range api.Roles {
		secret, _, err := eventlog.CreateKey(ctx, db.pool, role, []string{role}, "", nil, time.Now())
		if err != nil {
			return err
		}
		secrets[role] = secret
	}
	now := time.Now().Truncate(time.Second)
	if err := setStart(ctx, db, demo.Start(now, days)); err != nil {
		return err
	}
	fmt.Fprintln(out, "playing the days of an invented seaside shop over HTTP")
	played := config
	played.Clock, played.Addr, played.RatePerSecond = "manual", "127.0.0.1:0", playRate
	began := time.Now()
	if err := during(ctx, db, played, log, func(ctx context.Context, base string) error {
		return demo.Play(ctx, base, secrets["owner"], now, days, out)
	}); err != nil {
		return err
	}
	fmt.Fprintf(out, "played in %s\n", time.Since(began).Round(time.Second/10))
	served := config
	served.Clock = "system"
	return during(ctx, db, served, log, func(ctx context.Context, base string) error {
		if err := demo.Report(ctx, base, secrets["owner"], out); err != nil || exit {
			return err
		}
		fmt.Fprintf(out, "\nServing on %s until interrupted. One key a role:\n", base)
		for _, role := range api.Roles {
			fmt.Fprintf(out, "  %-8s %s\n", role, secrets[role])
		}
		if key, err := sealingKey(ctx, db, served, log, false); err == nil && key != nil {
			fmt.Fprintf(out, "The log is sealed. Its checkpoint is at %s/v1/log/checkpoint and is checked with the key\n  %s\n", base, key.Verifier())
		}
		<-ctx.Done()
		return nil
	})
}

// playRate lets the play go as fast as it can.
const playRate = 100_000

// setStart lets the book's manual clock stand where the play begins.
func setStart(ctx context.Context, db *database, start time.Time) error {
	var b pgx.Batch
	eventlog.QueueSetManualClock(&b, start)
	if err := db.pool.SendBatch(ctx, &b).Close(); err != nil {
		return fmt.Errorf("set the demo's clock: %w", err)
	}
	return nil
}

// during serves the book while something is done over HTTP, and stops when that is done.
func during(ctx context.Context, db *database, config Config, log *slog.Logger, do func(ctx context.Context, base string) error) error {
	serving, stop := context.WithCancel(ctx)
	defer stop()
	address := make(chan net.Addr, 1)
	ended := make(chan error, 1)
	go func() { ended <- serveBook(serving, db, config, log, func(a net.Addr) { address <- a }) }()
	select {
	case err := <-ended:
		return err
	case at := <-address:
		err := do(ctx, "http://"+at.String())
		stop()
		return errors.Join(err, <-ended)
	}
}
