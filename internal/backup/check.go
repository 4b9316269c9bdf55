package backup

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"golang.org/x/mod/sumdb/note"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/export"
	"firstout/internal/events/seal"
)

// Evidence is what a file is held against beside what stands in it.
type Evidence struct {
	Keys    []note.Verifier   // of which one signed the checkpoint in the file; none: its signature is not looked at
	Outside []seal.Checkpoint // taken away from the book before, and opened
}

// Checked is what was found of a file in which all is as it should be.
type Checked struct {
	Report
	Signed bool // the checkpoint in the file was signed by one of the keys
	Tree   seal.Hash
	Head   export.Head

	corrections []events.Recorded
	checkpoint  *export.Checkpoint
}

// Check reads a whole file, twice, and holds it against its own checksums and the evidence: every byte is as it was written,
// every event is one that this program knows, in canonical form and at its position, every answer belongs to its command,
// and the tree over the events is the one that the checkpoints were signed for. The error names the first position that
// is wrong where there is one: a *export.AlteredError, *export.CutError, *seal.Finding or *events.UnknownError among others.
func Check(file io.ReadSeeker, against Evidence) (Checked, error) {
	c, err := checkRecords(file)
	if err != nil {
		return Checked{}, err
	}
	checkpoints := against.Outside
	switch {
	case c.checkpoint == nil && len(against.Keys) > 0 && len(checkpoints) == 0:
		return Checked{}, errors.New("a key was given, but there is no checkpoint in the file that it could have signed: the book was never sealed. Leave the key out, or give a checkpoint that was taken away from the book")
	case c.checkpoint != nil:
		inside, err := seal.Peek([]byte(c.checkpoint.Note))
		if err == nil && len(against.Keys) > 0 {
			inside, err = seal.Open([]byte(c.checkpoint.Note), against.Keys...)
			c.Signed = true
		}
		if err != nil {
			return Checked{}, fmt.Errorf("the checkpoint in the file: %w", err)
		}
		c.Sealed = inside.Size
		checkpoints = append([]seal.Checkpoint{inside}, checkpoints...)
	}
	if len(checkpoints) == 0 {
		return c, nil
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return Checked{}, fmt.Errorf("read the file: %w", err)
	}
	if _, err := seal.Verify(entries(file), seal.Evidence{Checkpoints: checkpoints}); err != nil {
		return Checked{}, err
	}
	return c, nil
}

// entries are the events of a file.
func entries(file io.Reader) func(func(seal.Entry, error) bool) {
	return func(yield func(seal.Entry, error) bool) {
		r := export.NewReader(file)
		for {
			record, err := r.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				yield(seal.Entry{}, err)
				return
			}
			if e, is := record.(export.Event); is && !yield(seal.Entry{Position: e.Position, Canonical: e.Canonical}, nil) {
				return
			}
		}
	}
}

// checkRecords holds a file against itself.
func checkRecords(file io.ReadSeeker) (Checked, error) {
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return Checked{}, fmt.Errorf("read the file: %w", err)
	}
	var c Checked
	var last events.Recorded
	var head eventlog.Head
	r := export.NewReader(file)
	for {
		record, err := r.Next()
		if errors.Is(err, io.EOF) {
			return c, nil
		}
		if err != nil {
			return c, err
		}
		switch record := record.(type) {
		case export.Book:
			c.Book = record.Book
		case export.Event:
			if last, err = checkEvent(record); err != nil {
				return c, err
			}
			if last.RecordedAt.Before(head.RecordedAt) {
				return c, &seal.Finding{Position: record.Position, Detail: "it says that it was recorded before the event before it"}
			}
			head = head.After([]events.Recorded{last})
			if _, corrects := last.Data.(events.CommandCorrected); corrects {
				c.corrections = append(c.corrections, last)
			}
		case export.Answer:
			if record.Position > 0 && (record.Key != last.Key || last.ID != last.Command) {
				return c, &seal.Finding{Position: record.Position, Detail: "the answer behind it is none to the command that it began"}
			}
			c.Answers++
		case export.Row:
			c.count(record)
		case export.Checkpoint:
			c.checkpoint = &record
		case export.Head:
			if record.Position > 0 && (!record.RecordedAt.Equal(head.RecordedAt) || record.DefinitionsAt != head.DefinitionsAt) {
				return c, &seal.Finding{Position: record.Position, Detail: "the head does not say when it was recorded and where the newest definition is"}
			}
			c.Head, c.Position, c.Tree = record, record.Position, record.Tree
		}
	}
}

// checkEvent holds an event's bytes against where it stands.
func checkEvent(e export.Event) (events.Recorded, error) {
	recorded, err := events.ParseCanonical(e.Canonical)
	unknown := new(events.UnknownError)
	switch {
	case errors.As(err, &unknown):
		return recorded, err // it names the position
	case err != nil:
		return recorded, &seal.Finding{Position: e.Position, Detail: "its bytes are no event: " + err.Error()}
	case recorded.Position != e.Position:
		return recorded, &seal.Finding{Position: e.Position, Detail: fmt.Sprintf("in its place is the event of position %d", recorded.Position)}
	}
	if again, err := events.Canonicalize(e.Canonical); err != nil || !bytes.Equal(again, e.Canonical) {
		return recorded, &seal.Finding{Position: e.Position, Detail: "its bytes are not in canonical form"}
	}
	return recorded, nil
}
