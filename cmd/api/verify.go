package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
)

// verifyFlags are what firstout verify is told beside the settings.
type verifyFlags struct {
	checkpoints []string // files
	keys        []string // verifier keys, or files with one
	proof       string   // file of a tlog-proof
	event       string   // file of the event that it is about
	offline     string   // file that backup wrote
}

// addTrust adds the flags that tell whom to believe.
func (v *verifyFlags) addTrust(flags *flag.FlagSet) {
	flags.Func("checkpoint", "a file with a signed checkpoint that was taken away before, which the book must still agree with; say it again for more", func(path string) error {
		v.checkpoints = append(v.checkpoints, path)
		return nil
	})
	flags.Func("key", "the public key, name+id+key, or a file with it, as the owner handed it to you; GET /v1/log/key and the server's first lines show it. Without it that of the sealing key of the settings; say it again for more", func(text string) error {
		v.keys = append(v.keys, text)
		return nil
	})
}

func (v *verifyFlags) add(flags *flag.FlagSet) {
	v.addTrust(flags)
	flags.StringVar(&v.offline, "offline", "", "check a file that firstout backup wrote, without a database; with --key")
	flags.StringVar(&v.proof, "proof", "", "check a tlog-proof file by itself, without a database; with --event and --key")
	flags.StringVar(&v.event, "event", "", "file with the canonical bytes of the event that the proof is about")
}

// verify checks that nothing in the book was altered, and names the first thing that was.
func verify(ctx context.Context, args, environ []string, out io.Writer) error {
	var v verifyFlags
	of := subcommand{
		name:  "verify",
		does:  "recompute every seal of the book from its events and name the first that was altered; a checkpoint that was kept elsewhere (--checkpoint, --key) shows that nothing before it was",
		flags: v.add,
	}
	config, err := readConfig(of, args, environ, out)
	if err != nil {
		return err
	}
	if v.proof != "" || v.event != "" {
		return v.checkProof(out)
	}
	if v.offline != "" {
		return v.checkFile(out)
	}
	known, err := v.verifiers()
	if err != nil {
		return err
	}
	outside, err := v.outside(known)
	if err != nil {
		return err
	}
	config.Data = absolute(config.Data)
	db, err := openDatabase(ctx, config, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	return errors.Join(v.checkBook(ctx, db, config, known, outside, out), db.stop(ctx))
}

func (v *verifyFlags) checkBook(ctx context.Context, db *database, c Config, known []note.Verifier, outside []seal.Checkpoint, out io.Writer) error {
	if len(known) == 0 {
		own, err := sealingKey(ctx, db, c, slog.New(slog.DiscardHandler), false)
		if err != nil {
			return err
		}
		if own != nil {
			verifier, err := seal.ParseVerifier(own.Verifier())
			if err != nil {
				return err
			}
			known = append(known, verifier)
		}
	}
	report, err := sealer.Verify(ctx, db.pool, outside, known...)
	if finding := new(seal.Finding); errors.As(err, &finding) {
		return fmt.Errorf("the book was altered: %w", err)
	}
	if err != nil {
		return err
	}
	return tell(out, report, len(outside), known)
}

// tell says what was found to be good, and what was not looked at.
func tell(out io.Writer, report seal.Report, outside int, known []note.Verifier) error {
	var text strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&text, format+"\n", args...) }
	say("%d events: none is missing, and every one says in its columns what it says in its bytes", report.Size)
	if report.Checkpoints == 0 {
		say("nothing is sealed: whether an event was altered cannot be told")
	} else {
		say("%d of them are sealed and not altered since: %d checkpoints agree, %d of them from outside", report.Sealed, report.Checkpoints, outside)
	}
	if behind := report.Size - report.Sealed; behind > 0 && report.Checkpoints > 0 {
		say("%d events are newer than the last checkpoint", behind)
	}
	switch {
	case report.Checkpoints > 0 && len(known) == 0:
		say("SIGNATURES WERE NOT CHECKED: give the public key with --key")
	case report.Checkpoints > 0 && outside == 0:
		say("all of these checkpoints were kept with the book: one that was kept elsewhere (--checkpoint) proves more")
	}
	for _, k := range known {
		say("checked with the key %s+%08x", k.Name(), k.KeyHash())
	}
	say("root of all %d events: %s", report.Size, report.Root)
	_, err := io.WriteString(out, text.String())
	return err
}

// verifiers reads the public keys.
func (v *verifyFlags) verifiers() ([]note.Verifier, error) {
	var known []note.Verifier
	for _, text := range v.keys {
		verifier, err := seal.ParseVerifier(text)
		if err != nil {
			content, notRead := os.ReadFile(text)
			if notRead != nil {
				return nil, fmt.Errorf("--key: %w; nor is it a file that can be read", err)
			}
			if verifier, err = seal.ParseVerifier(string(content)); err != nil {
				return nil, fmt.Errorf("--key %s: %w", text, err)
			}
		}
		known = append(known, verifier)
	}
	return known, nil
}

// outside reads the checkpoints that were taken away. Without a key they would prove nothing.
func (v *verifyFlags) outside(known []note.Verifier) ([]seal.Checkpoint, error) {
	if len(v.checkpoints) > 0 && len(known) == 0 {
		return nil, errors.New("--checkpoint needs --key: without the public key anybody may have written it")
	}
	var all []seal.Checkpoint
	for _, path := range v.checkpoints {
		signed, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("--checkpoint: %w", err)
		}
		c, err := seal.Open(signed, known...)
		if err != nil {
			return nil, fmt.Errorf("--checkpoint %s: %w", path, err)
		}
		all = append(all, c)
	}
	return all, nil
}

// checkProof checks that an event is in the log that a checkpoint vouches for, with nothing but the two files and the key.
func (v *verifyFlags) checkProof(out io.Writer) error {
	known, err := v.verifiers()
	if err != nil {
		return err
	}
	if v.proof == "" || v.event == "" || len(known) == 0 {
		return errors.New("a proof is checked with --proof, --event and --key together")
	}
	proof, err := os.ReadFile(v.proof)
	if err != nil {
		return fmt.Errorf("--proof: %w", err)
	}
	event, err := os.ReadFile(v.event)
	if err != nil {
		return fmt.Errorf("--event: %w", err)
	}
	c, p, err := seal.CheckText(proof, event, known...)
	if err != nil {
		return fmt.Errorf("the event is not shown to be in the log: %w", err)
	}
	_, err = fmt.Fprintf(out, "the event stands at position %d of the first %d of %s\n", p.Index+1, c.Size, c.Origin)
	return err
}
