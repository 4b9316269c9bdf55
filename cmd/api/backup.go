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

	"firstout/internal/backup"
	"firstout/internal/events/eventlog"
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
	return withDatabase(ctx, of, args, environ, out, func(db *database) error {
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

// restore puts the book of a file into an empty database.
func restore(ctx context.Context, args, environ []string, out io.Writer) error {
	var path string
	var v verifyFlags
	of := subcommand{
		name: "restore", does: "put the book of a file that backup wrote into an empty database; all of it, or nothing",
		flags: v.addTrust, takes: "FILE", at: &path,
	}
	return withDatabase(ctx, of, args, environ, out, func(db *database) error {
		against, err := v.evidence()
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
		fmt.Fprintln(out, "firstout epoch: tell positions of now from those before the database was put back to an earlier moment\n\nusage: firstout epoch new [flags]\n\nOnce, and before the book is served again: positions that were lost are given anew, and cursors and feeds of before\nbegin again. firstout epoch new -h tells the settings.")
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
