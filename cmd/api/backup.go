package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"

	"github.com/jackc/pgx/v5/pgxpool"
	"golang.org/x/mod/sumdb/note"

	"firstout/internal/backup"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
)

// backUp writes the whole book into a file, whether or not it is being served.
func backUp(ctx context.Context, args, environ []string, out io.Writer) error {
	to, from := "-", ""
	of := subcommand{
		name: "backup", does: "write the whole book into a file (docs/export.md), or bring such a file up to date",
		flags: func(flags *flag.FlagSet) {
			flags.StringVar(&to, "to", to, "the file; one that is there already, or was begun, is gone on with. -: standard output")
			flags.StringVar(&from, "from", "", "an older file of this book, which stays as it is, to go on from")
		},
	}
	told := out
	if to == "-" {
		told = io.Discard // the output is the file
	}
	return withDatabase(ctx, of, args, environ, told, func(db *database) error {
		if to == "-" {
			return backUpTo(ctx, db, out, from)
		}
		report, err := backup.ToFile(ctx, db.pool, to, from)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(out, "%s holds the %s book up to position %d, %d answers to idempotency keys and the hashes of %d API keys\n%s",
			to, kindOf(report.Book), report.Position, report.Answers, report.Keys, sealedOf(report))
		if report.Kept > 0 && err == nil {
			_, err = fmt.Fprintf(out, "up to position %d it was there before\n", report.Kept)
		}
		return err
	})
}

func backUpTo(ctx context.Context, db *database, out io.Writer, from string) error {
	through := bufio.NewWriterSize(out, 256<<10)
	var err error
	if from == "" {
		_, err = backup.Write(ctx, db.pool, through)
	} else {
		_, err = backup.WriteFrom(ctx, db.pool, through, from)
	}
	return errors.Join(err, through.Flush())
}

func kindOf(book string) string {
	if book == "" {
		return "unmarked"
	}
	return book
}

func sealedOf(report backup.Report) string {
	switch report.Sealed {
	case 0:
		return "no checkpoint was ever signed: what is in it cannot be proved to anybody\n"
	case report.Position:
		return "a signed checkpoint vouches for all of it\n"
	}
	return fmt.Sprintf("a signed checkpoint vouches for it up to position %d, and for none of the %d events behind it\n", report.Sealed, report.Position-report.Sealed)
}

// evidence are the flags that tell what a file is held against.
type evidence struct{ keys, checkpoints []string }

func (e *evidence) flags(flags *flag.FlagSet) {
	flags.Func("key", "the verifier key (name+id+key) whose signature on the checkpoint is checked; say it again for more keys", func(text string) error {
		e.keys = append(e.keys, text)
		return nil
	})
	flags.Func("checkpoint", "a file with a signed checkpoint that was taken away from the book before; say it again for more", func(text string) error {
		e.checkpoints = append(e.checkpoints, text)
		return nil
	})
}

// read opens what the flags name. A checkpoint proves nothing without the key.
func (e *evidence) read() (backup.Evidence, error) {
	var against backup.Evidence
	for _, text := range e.keys {
		key, err := seal.ParseVerifier(text)
		if err != nil {
			return against, fmt.Errorf("--key: %w", err)
		}
		against.Keys = append(against.Keys, key)
	}
	if len(e.checkpoints) > 0 && len(e.keys) == 0 {
		return against, errors.New("--checkpoint needs the --key that signed it")
	}
	for _, path := range e.checkpoints {
		c, err := readCheckpoint(path, against.Keys)
		if err != nil {
			return against, fmt.Errorf("--checkpoint: %s: %w", path, err)
		}
		against.Outside = append(against.Outside, c)
	}
	return against, nil
}

func readCheckpoint(path string, keys []note.Verifier) (seal.Checkpoint, error) {
	signed, err := os.ReadFile(path)
	if err != nil {
		return seal.Checkpoint{}, err
	}
	return seal.Open(signed, keys...)
}

// restore puts the book of a file into an empty database.
func restore(ctx context.Context, args, environ []string, out io.Writer) error {
	var path string
	var evidence evidence
	of := subcommand{
		name: "restore", does: "put the book of a file that backup wrote into an empty database; all of it, or nothing",
		flags: evidence.flags, takes: "FILE", at: &path,
	}
	return withDatabase(ctx, of, args, environ, out, func(db *database) error {
		against, err := evidence.read()
		if err != nil {
			return err
		}
		file, err := os.Open(path)
		if err != nil {
			return err
		}
		defer file.Close()
		var checked backup.Checked
		if err := db.asOwner(ctx, func(owner *pgxpool.Pool) (err error) {
			checked, err = backup.Restore(ctx, owner, file, against)
			return err
		}); err != nil {
			return err
		}
		_, err = fmt.Fprintf(out, "restored the %s book up to position %d, with %d answers to idempotency keys\n%s%s"+
			"cursors and feeds of before begin anew\n%d API keys are as they were when the file was written: firstout keys list tells them; revoke again what was revoked since\n",
			kindOf(checked.Book), checked.Position, checked.Answers, sealedOf(checked.Report), signatureOf(checked), checked.Keys)
		return err
	})
}

func signatureOf(checked backup.Checked) string {
	switch {
	case checked.Sealed == 0:
		return ""
	case checked.Signed:
		return "its signature is that of the key given\n"
	}
	return "its signature was not looked at: give the verifier key with --key\n"
}

// epoch begins a new epoch of a book whose database was put back to an earlier moment by PostgreSQL's own means.
func epoch(ctx context.Context, args, environ []string, out io.Writer) error {
	if len(args) == 0 || args[0] != "new" {
		fmt.Fprintln(out, "firstout epoch new: begin a new epoch, once, after the database was put back to an earlier moment.\nCursors and feeds of before begin anew; positions that were lost are given again.\n\nfirstout epoch new -h tells the settings.")
		if len(args) == 0 || args[0] == "-h" || args[0] == "--help" || args[0] == "help" {
			return flag.ErrHelp
		}
		return fmt.Errorf("epoch takes new, not %q", args[0])
	}
	of := subcommand{name: "epoch new", does: "begin a new epoch, once, after the database was put back to an earlier moment"}
	return withDatabase(ctx, of, args[1:], environ, out, func(db *database) error {
		return db.asOwner(ctx, func(owner *pgxpool.Pool) error {
			begun, err := eventlog.NewEpoch(ctx, owner)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(out, "epoch %s has begun: cursors and feeds of before begin anew\n", begun)
			return err
		})
	})
}
