package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"

	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/api"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgboot"
	"firstout/migrations"
)

// databaseName is the book's database in the private PostgreSQL.
const databaseName = "firstout"

// database is where the book lives, migrated: a pool that may add to the log and read it, and the address of the role
// that owns the tables.
type database struct {
	pool     *pgxpool.Pool
	long     *pgxpool.Pool // for questions that look wide
	ownerURL string
	close    func(context.Context) error
}

// openDatabase connects to the PostgreSQL of the settings, or starts a private one, and brings it to the newest schema.
func openDatabase(ctx context.Context, c Config, log *slog.Logger) (*database, error) {
	var appURL string
	db := &database{close: func(context.Context) error { return nil }}
	if c.DatabaseURL != "" {
		appURL, db.ownerURL = c.DatabaseURL, c.MigrateURL
		if db.ownerURL == "" {
			db.ownerURL = c.DatabaseURL
			log.WarnContext(ctx, "one database address only: a trigger alone guards the log; give DATABASE_MIGRATE_URL too, so that serve runs as a role that can only add to it")
		}
	} else {
		server, err := pgboot.Start(ctx, pgboot.Config{DataDir: c.Data, BinDir: c.PostgresBin, Log: log})
		if err != nil {
			return nil, err
		}
		db.close = server.Stop
		if err := migrations.EnsureRoles(ctx, server.URL("postgres", pgboot.Superuser), migrations.Access{
			Database: databaseName, OwnerPassword: server.Password(migrations.OwnerRole), AppPassword: server.Password(migrations.AppRole),
		}); err != nil {
			return nil, errors.Join(err, server.Stop(ctx))
		}
		appURL, db.ownerURL = server.URL(databaseName, migrations.AppRole), server.URL(databaseName, migrations.OwnerRole)
	}
	if err := db.connect(ctx, appURL); err != nil {
		return nil, errors.Join(err, db.close(context.WithoutCancel(ctx)))
	}
	return db, nil
}

// appConnections are the readers' and the writer's, longConnections those of readers that look wide; a private server
// has room for a hundred.
const (
	appConnections  = 24
	longConnections = 4
)

func (db *database) connect(ctx context.Context, appURL string) error {
	var err error
	if db.pool, err = eventlog.OpenPool(ctx, appURL, appConnections, api.Statement(api.DefaultWaits.Quick)); err != nil {
		return err
	}
	if db.long, err = eventlog.OpenPool(ctx, appURL, longConnections, api.Statement(api.DefaultWaits.Long)); err != nil {
		db.pool.Close()
		return err
	}
	connected := make(chan struct{})
	go func() { // beside the owner's connection; in a new database nobody can log in yet, and whoever asks next connects anew
		defer close(connected)
		_ = db.pool.Ping(ctx)
	}()
	err = db.asOwner(ctx, func(pool *pgxpool.Pool) error {
		if err := migrations.Up(ctx, pool); err != nil {
			return err
		}
		return migrations.EnsureLogin(ctx, pool, appURL)
	})
	<-connected
	if err == nil {
		err = migrations.Check(ctx, db.pool)
	}
	if err == nil {
		err = eventlog.CheckKnown(ctx, db.pool)
	}
	if err != nil {
		db.closePools()
	}
	return err
}

// asOwner does something as the role that owns the tables, and gives its connections back.
func (db *database) asOwner(ctx context.Context, do func(*pgxpool.Pool) error) error {
	pool, err := pgxpool.New(ctx, db.ownerURL)
	if err != nil {
		return fmt.Errorf("the owner's database address: %w", err)
	}
	defer pool.Close()
	return do(pool)
}

// stop gives everything back. A private server is stopped if it is ours.
func (db *database) stop(ctx context.Context) error {
	db.closePools()
	return db.close(context.WithoutCancel(ctx))
}

func (db *database) closePools() {
	db.pool.Close()
	db.long.Close()
}

// mark says what kind of book this is, the first time, and refuses another kind ever after. Without a wish, a new
// book is real and an old one what it is.
func (db *database) mark(ctx context.Context, wanted string) (string, error) {
	head, err := eventlog.ReadHead(ctx, db.pool)
	if err != nil {
		return "", err
	}
	if wanted == "" {
		if wanted = head.Book; wanted == "" {
			wanted = eventlog.BookReal
		}
	}
	return wanted, eventlog.MarkBook(ctx, db.pool, wanted)
}

// absolute makes a data folder's path independent of where the process stands.
func absolute(folder string) string {
	if full, err := filepath.Abs(folder); err == nil {
		return full
	}
	return folder
}
