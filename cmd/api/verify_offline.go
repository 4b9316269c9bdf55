package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"firstout/internal/backup"
)

// evidence opens what the flags name for a file to be held against.
func (v *verifyFlags) evidence() (backup.Evidence, error) {
	known, err := v.verifiers()
	if err != nil {
		return backup.Evidence{}, err
	}
	outside, err := v.outside(known)
	return backup.Evidence{Keys: known, Outside: outside}, err
}

// checkFile checks a file that backup wrote, with nothing but the file, the key and checkpoints that were kept elsewhere.
func (v *verifyFlags) checkFile(out io.Writer) error {
	against, err := v.evidence()
	if err != nil {
		return err
	}
	file, err := os.Open(v.offline)
	if err != nil {
		return fmt.Errorf("--offline: %w", err)
	}
	defer file.Close()
	found, err := backup.Check(file, against)
	if err != nil {
		return fmt.Errorf("%s: %w", v.offline, err)
	}
	var text strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&text, format+"\n", args...) }
	say("%s: every byte is as it was written, and no event is missing: %d events of a %s book", v.offline, found.Position, kindOf(found.Book))
	text.WriteString(sealedOf(found.Report))
	text.WriteString(signatureOf(found))
	switch {
	case len(against.Outside) > 0:
		say("it goes on from the %d checkpoints that were kept elsewhere", len(against.Outside))
	case found.Sealed > 0:
		say("the checkpoint came with the file: one that was kept elsewhere (--checkpoint) proves more")
	}
	say("root of all %d events: %s", found.Position, found.Tree)
	_, err = io.WriteString(out, text.String())
	return err
}
