package main

import (
	"context"
	"crypto/rand"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"firstout/api"
	"firstout/internal/book"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/handout"
)

// sealKeyFile is where the key of a book on a private PostgreSQL is, in the data folder. It lies beside the database and not
// in it: who reads the database, or has a dump of it, has no key.
const sealKeyFile = "seal.key"

// privateKeyBegins tells a key from the name of a file with one.
const privateKeyBegins = "PRIVATE+KEY+"

// sealingKey gives the key of the settings, or that of the data folder; nil: there is none. With create it makes one in the
// data folder of a private PostgreSQL whose book was never sealed: one that was had a key, and a new one in its place would
// hide that it is gone.
func sealingKey(ctx context.Context, db *database, c Config, log *slog.Logger, create bool) (*seal.Key, error) {
	switch {
	case strings.HasPrefix(c.SealKey, privateKeyBegins):
		key, err := seal.ParseKey(c.SealKey)
		if err != nil {
			return nil, fmt.Errorf("FIRSTOUT_SEAL_KEY: %w", err)
		}
		return &key, nil
	case c.SealKey != "":
		return readSealKey(ctx, c.SealKey, log)
	case c.DatabaseURL != "":
		return nil, nil
	}
	path := filepath.Join(c.Data, sealKeyFile)
	key, err := readSealKey(ctx, path, log)
	if !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	_, sealed, err := sealer.Newest(ctx, db.pool)
	if err != nil || sealed || !create {
		return nil, err
	}
	if _, err := makeSealKey(path, "firstout/"+strings.ToLower(rand.Text()[:10])); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, err // what is there now, another process has made
	}
	return readSealKey(ctx, path, log)
}

func readSealKey(ctx context.Context, path string, log *slog.Logger) (*seal.Key, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the sealing key: %w", err)
	}
	key, err := seal.ParseKey(string(text))
	if err != nil {
		return nil, fmt.Errorf("the sealing key in %s: %w", path, err)
	}
	if info, err := os.Stat(path); err == nil && info.Mode().Perm()&0o077 != 0 {
		log.WarnContext(ctx, "others on this machine may read the sealing key: chmod 600", slog.String("file", path))
	}
	return &key, nil
}

// makeSealKey makes a key in a file that is not there yet and gives its public half. The file comes into being whole.
func makeSealKey(path, name string) (verifier string, err error) {
	text, err := seal.NewKey(rand.Reader, name)
	if err != nil {
		return "", err
	}
	key, err := seal.ParseKey(text)
	if err != nil {
		return "", err
	}
	draft, err := os.CreateTemp(filepath.Dir(path), ".seal-*") // for its owner alone
	if err != nil {
		return "", fmt.Errorf("make a sealing key: %w", err)
	}
	defer func() { _ = os.Remove(draft.Name()) }()
	_, err = draft.WriteString(text + "\n")
	if err := errors.Join(err, draft.Sync(), draft.Close()); err != nil {
		return "", fmt.Errorf("make a sealing key: %w", err)
	}
	if err := os.Link(draft.Name(), path); err != nil { // and never over another
		return "", fmt.Errorf("make a sealing key: %w", err)
	}
	return key.Verifier(), nil
}

// createSealKey is firstout keys seal.
func createSealKey(args, environ []string, out io.Writer) error {
	name, path := "", ""
	of := subcommand{
		name: "keys seal", does: "make a key to seal the log with, in a file of its own, and print its public half, which is for whoever is to check the book",
		flags: func(flags *flag.FlagSet) {
			flags.StringVar(&name, "name", "", "what the log is called for ever, one word such as shop.example/book; a key that takes the place of a lost one has the same name")
			flags.StringVar(&path, "out", sealKeyFile, "the file, which must not be there yet; FIRSTOUT_SEAL_KEY then names it")
		},
	}
	if _, err := readConfig(of, args, environ, out); err != nil {
		return err
	}
	if name == "" {
		return errors.New("say what the log is called with --name, such as shop.example/book")
	}
	verifier, err := makeSealKey(path, name)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "the sealing key is in %s: keep it away from the database, and a copy of it elsewhere\nits public half, for whoever is to check the book:\n%s\n", path, verifier)
	return err
}

// A sealing is the work beside serving: the sealer, and who sends its checkpoints on.
type sealing struct {
	verifier string // "": nothing is sealed here
	run      []func(context.Context)
}

// prepareSealing finds the key and says what will be sealed. Without a key the book is served all the same: a shop that
// cannot sell is worse than a seal that waits.
func prepareSealing(ctx context.Context, db *database, c Config, theBook *book.Book, metrics *api.Metrics, log *slog.Logger) (sealing, error) {
	key, err := sealingKey(ctx, db, c, log, true)
	if err != nil {
		return sealing{}, err
	}
	if key == nil {
		log.WarnContext(ctx, "the log is not sealed: there is no sealing key. Make one with firstout keys seal and name its file in FIRSTOUT_SEAL_KEY; the key of a book that was sealed before must be put back")
		return sealing{}, nil
	}
	options := sealer.Options{Key: *key, Changed: theBook.Changed, Log: log, Outcome: metrics.SealLooked}
	s := sealing{verifier: key.Verifier()}
	if c.CheckpointWebhook != "" {
		sender, err := handout.New(handout.Config{URL: c.CheckpointWebhook, AllowLoopback: c.WebhookLoopback, Log: log})
		if err != nil {
			return sealing{}, fmt.Errorf("FIRSTOUT_CHECKPOINT_WEBHOOK: %w", err)
		}
		options.Signed = sender.Send
		s.run = append(s.run, sender.Run)
	}
	seals := sealer.New(db.pool, options)
	named := new(sealer.OtherOriginError)
	if err := seals.Check(ctx); errors.As(err, &named) { // whatever else is wrong is told by the sealer at its work
		return sealing{}, err
	}
	s.run = append(s.run, seals.Run)
	log.InfoContext(ctx, "the log is sealed", slog.String("verifier_key", s.verifier))
	return s, nil
}
