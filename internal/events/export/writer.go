package export

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"hash"
	"io"

	"firstout/internal/events/seal"
)

// A Writer writes a file from its beginning, or goes on with one. It holds no more than packing needs. After an error it
// is of no more use; what it had written may be gone on with.
type Writer struct {
	file   *counter
	packed *gzip.Writer
	inside bool // a member is open
	tree   seal.Tree
	made   []seal.Hash // by the last event; of no use
	line   bytes.Buffer
}

// NewWriter begins a file.
func NewWriter(to io.Writer, book Book) (*Writer, error) {
	w := newWriter(to)
	w.open()
	if _, err := io.WriteString(w.packed, magic+"\n"); err != nil {
		return nil, err
	}
	return w, w.put(book)
}

// Continue goes on with a file of which the bytes that Kept tells of have been handed to keep. To gets what follows on
// them, and the next event is the one behind them.
func Continue(to io.Writer, kept *Kept) *Writer {
	w := newWriter(to)
	w.file.n, w.tree = kept.Bytes, *kept.tree.Clone()
	w.file.sum, _ = kept.sum.(hash.Cloner).Clone() // it was cloned before
	return w
}

func newWriter(to io.Writer) *Writer {
	file := &counter{to: to, sum: sha256.New()}
	packed, _ := gzip.NewWriterLevel(file, packing) // the level is one there is
	return &Writer{file: file, packed: packed}
}

// Event writes the next event.
func (w *Writer) Event(position int64, canonical []byte) error {
	if position != w.tree.Size()+1 {
		return fmt.Errorf("export: position %d follows on %d: the log has a gap", position, w.tree.Size())
	}
	if w.tree.Size()%ChunkEvents == 0 {
		if err := w.next("chunk"); err != nil {
			return err
		}
	}
	leaf := seal.Leaf(canonical)
	w.made = w.tree.Add(w.made[:0], leaf)
	w.line.Reset()
	fmt.Fprintf(&w.line, "event %x ", leaf[:leafDigits/2])
	w.line.Write(canonical)
	return w.endLine()
}

// leafDigits are how many hexadecimal digits of an event's leaf hash stand before it. They tell which event of an altered
// chunk is the one; against whoever alters with intent, the checkpoint stands.
const leafDigits = 8

// Answer writes the answer to the command whose first event was the last event written.
func (w *Writer) Answer(a Answer) error { return w.put(a) }

// Rest writes what belongs to no position: answers to commands that needed no event, rows, the checkpoint if there is one. It
// is followed by the End.
func (w *Writer) Rest(records ...Record) error {
	if err := w.next("rest"); err != nil {
		return err
	}
	for _, r := range records {
		if err := w.put(r); err != nil {
			return err
		}
	}
	return nil
}

// End writes the head, whose tree it fills in, and ends the file.
func (w *Writer) End(head Head) error {
	if head.Position != w.tree.Size() {
		return fmt.Errorf("export: the head stands at %d and the log ends at %d", head.Position, w.tree.Size())
	}
	head.Tree = w.tree.Root()
	if err := w.put(head); err != nil {
		return err
	}
	if err := w.close(); err != nil {
		return err
	}
	_, err := w.file.Write(endMember(w.file.n, w.file.sum.Sum(nil)))
	return err
}

// next ends the member and begins one that holds on to all that stands before it.
func (w *Writer) next(word string) error {
	if err := w.close(); err != nil {
		return err
	}
	link := link{After: w.tree.Size(), Bytes: w.file.n, SHA256: w.file.sum.Sum(nil), Tree: w.tree.Root()}
	w.open()
	return w.putAs(word, link)
}

func (w *Writer) open() {
	w.packed.Reset(w.file)
	w.inside = true
}

func (w *Writer) close() error {
	if !w.inside {
		return nil
	}
	w.inside = false
	return w.packed.Close()
}

func (w *Writer) put(r Record) error { return w.putAs(r.word(), r) }

func (w *Writer) putAs(word string, value any) error {
	w.line.Reset()
	w.line.WriteString(word + " ")
	text := json.NewEncoder(&w.line)
	text.SetEscapeHTML(false) // it is read by people
	if err := text.Encode(value); err != nil {
		return fmt.Errorf("export: %s: %w", word, err)
	}
	w.line.Truncate(w.line.Len() - 1) // the encoder ends the line itself
	return w.endLine()
}

func (w *Writer) endLine() error {
	w.line.WriteByte('\n')
	_, err := w.packed.Write(w.line.Bytes())
	return err
}
