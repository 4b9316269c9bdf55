package export

import (
	"bufio"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"

	"firstout/internal/events/seal"
)

// lineMost bounds a line: far above any event, far below what would hurt.
const lineMost = 64 << 20

// A CutError says that a file ends before its end: it was never finished, or lost its last part.
type CutError struct {
	Position int64 // of the last event that could be read
}

func (e *CutError) Error() string {
	return fmt.Sprintf("the file ends too early, behind position %d: it was never finished, or is cut off or altered there", e.Position)
}

// An AlteredError says that a file is not as it was written.
type AlteredError struct {
	Position int64 // the first that is not vouched for
	Behind   bool  // all events are as they were written, and the damage is in what stands behind them
	Byte     int64 // of the file, up to which it had been read when that was seen
	Why      string
}

func (e *AlteredError) Error() string {
	if e.Behind {
		return fmt.Sprintf("the file is altered behind its events, the last of which is at position %d (seen at byte %d: %s)", e.Position-1, e.Byte, e.Why)
	}
	return fmt.Sprintf("the file is altered: position %d is the first that is not as it was written (seen at byte %d: %s)", e.Position, e.Byte, e.Why)
}

// A NewerError says that a newer program wrote a file.
type NewerError struct{ Line string }

func (e *NewerError) Error() string {
	return fmt.Sprintf("the file was written by a newer firstout, or is none of its files: %s", e.Line)
}

// A Reader hands out the records of a file in their order and holds each against the checks that stand in the file. What
// it has handed out is vouched for only once Next has given io.EOF.
type Reader struct {
	file   *source
	packed *gzip.Reader
	lines  *bufio.Reader
	line   []byte

	part    part
	begun   int64       // the position before this chunk
	answers int64       // so far, in chunks
	last    []byte      // the last event
	made    []seal.Hash // by the last event; of no use
	tree    seal.Tree
	kept    *Kept
}

// part is where in the file a reader is.
type part int

const (
	front    part = iota // before the first line
	opening              // in the first member
	chunk                // in a chunk
	rest                 // in the rest
	finished             // behind the head
)

// Kept is how much of a file a writer can go on with.
type Kept struct {
	Bytes    int64
	Position int64 // of the last event in them
	Answers  int64 // in them
	Book     Book

	Last int64     // position of the last event that was read, kept or not
	Leaf seal.Hash // of that event

	sum  hash.Hash
	tree *seal.Tree
}

// NewReader reads a file.
func NewReader(file io.Reader) *Reader {
	return &Reader{file: newSource(file), packed: new(gzip.Reader), lines: bufio.NewReaderSize(nil, 64<<10)}
}

// Kept is what a writer can go on with of what has been read so far: the beginning and whole chunks. Nil: not even those.
func (r *Reader) Kept() *Kept {
	if r.kept == nil || r.kept.Bytes == 0 {
		return nil
	}
	if r.kept.Last = r.tree.Size(); r.kept.Last > 0 {
		r.kept.Leaf = seal.Leaf(r.last)
	}
	return r.kept
}

// Next gives the next record. After the last it is io.EOF, and the file is whole: every byte is as it was written. Other
// errors are a *CutError, an *AlteredError, a *NewerError or one of reading the file.
func (r *Reader) Next() (Record, error) {
	for {
		if r.part == front {
			if err := r.begin(); err != nil {
				return nil, err
			}
		}
		line, err := r.readLine()
		if errors.Is(err, io.EOF) {
			if r.part == finished {
				return nil, r.end()
			}
			err = r.nextMember()
			if err == nil {
				continue
			}
		}
		if err != nil {
			return nil, err
		}
		return r.record(line)
	}
}

// begin reads the first line.
func (r *Reader) begin() error {
	r.part = opening
	if !r.file.mayBeOurs() {
		return &NewerError{Line: "it does not begin as one"}
	}
	err := r.open()
	if errors.Is(err, gzip.ErrHeader) {
		return &NewerError{Line: "it does not begin as one"}
	}
	if err != nil {
		return r.fault(err)
	}
	line, err := r.readLine()
	switch {
	case errors.Is(err, io.EOF):
		return r.altered("there is no first line")
	case err != nil:
		return err
	case string(line) != magic:
		return &NewerError{Line: fmt.Sprintf("its first line is %s and not %q", shorten(line), magic)}
	}
	return nil
}

func (r *Reader) open() error {
	if err := r.packed.Reset(r.file); err != nil {
		return err
	}
	r.packed.Multistream(false)
	r.lines.Reset(r.packed)
	return nil
}

// nextMember goes into the next member and holds what stands before it against its first line.
func (r *Reader) nextMember() error {
	if r.part == rest {
		return r.altered("the head is missing")
	}
	before, sum := r.file.n, r.file.sha256()
	if r.tree.Size()%ChunkEvents == 0 {
		r.keep()
	}
	if r.file.ended() {
		return &CutError{Position: r.tree.Size()}
	}
	if err := r.open(); err != nil {
		return r.fault(err)
	}
	line, err := r.readLine()
	if errors.Is(err, io.EOF) {
		return r.altered("a chunk is empty")
	}
	if err != nil {
		return err
	}
	word, text, _ := bytes.Cut(line, []byte(" "))
	full := r.tree.Size()%ChunkEvents == 0
	switch {
	case string(word) == "chunk" && full:
		r.part = chunk
	case string(word) == "rest":
		r.part = rest
	default:
		return r.altered("a line that does not belong there: " + shorten(line))
	}
	var link link
	if err := decode(text, &link); err != nil {
		return r.altered(err.Error())
	}
	switch {
	case link.Bytes != before || !bytes.Equal(link.SHA256, sum):
		return r.alteredAt(r.begun+1, "the packing of what stands before is another")
	case link.After != r.tree.Size() || link.Tree != r.tree.Root():
		return r.alteredAt(r.begun+1, "the tree over what stands before is another")
	}
	r.begun = r.tree.Size()
	return nil
}

// keep notes what has been read as what may be gone on with.
func (r *Reader) keep() {
	sum, err := r.file.sum.(hash.Cloner).Clone()
	if err != nil || r.kept == nil { // the first record has not been read, or cannot be kept
		return
	}
	r.kept.Bytes, r.kept.Position, r.kept.Answers, r.kept.sum = r.file.n, r.tree.Size(), r.answers, sum
	r.kept.tree = r.tree.Clone()
}

// record reads a line.
func (r *Reader) record(line []byte) (Record, error) {
	word, text, _ := bytes.Cut(line, []byte(" "))
	switch {
	case r.part == opening && r.kept == nil && string(word) == "book":
		var book Book
		if err := decode(text, &book); err != nil {
			return nil, r.altered(err.Error())
		}
		r.kept = &Kept{Book: book}
		return book, nil
	case r.part == chunk && string(word) == "event":
		return r.event(text)
	case r.part == chunk && string(word) == "answer":
		return r.answer(text)
	case r.part == rest && string(word) == "answer":
		return decoded[Answer](r, text)
	case r.part == rest && string(word) == "row":
		return decoded[Row](r, text)
	case r.part == rest && string(word) == "checkpoint":
		return decoded[Checkpoint](r, text)
	case r.part == rest && string(word) == "head":
		return r.head(text)
	case r.part == rest:
		return nil, &NewerError{Line: "it has a line that this program does not know: " + shorten(line)}
	}
	return nil, r.altered("a line that does not belong there: " + shorten(line))
}

func (r *Reader) event(text []byte) (Record, error) {
	digits, canonical, _ := bytes.Cut(text, []byte(" "))
	leaf := seal.Leaf(canonical)
	if string(digits) != hex.EncodeToString(leaf[:leafDigits/2]) {
		return nil, r.altered("the event has another hash")
	}
	if r.tree.Size() == r.begun+ChunkEvents {
		return nil, r.altered("a chunk has more events than a chunk holds")
	}
	r.made = r.tree.Add(r.made[:0], leaf)
	r.last = append(r.last[:0], canonical...)
	return Event{Position: r.tree.Size(), Canonical: r.last}, nil
}

// answer reads an answer that belongs to the last event.
func (r *Reader) answer(text []byte) (Record, error) {
	var a Answer
	if err := decode(text, &a); err != nil {
		return nil, r.alteredAt(r.tree.Size(), err.Error())
	}
	if a.Position != r.tree.Size() { // it is another answer, or the event before it is not there
		return nil, r.alteredAt(min(r.tree.Size()+1, max(a.Position, r.tree.Size())), fmt.Sprintf("an answer that is one to position %d", a.Position))
	}
	r.answers++
	return a, nil
}

func (r *Reader) head(text []byte) (Record, error) {
	var head Head
	if err := decode(text, &head); err != nil {
		return nil, r.altered(err.Error())
	}
	if head.Position != r.tree.Size() || head.Tree != r.tree.Root() {
		return nil, r.altered(fmt.Sprintf("the head stands at %d with another tree than that over the events", head.Position))
	}
	r.part = finished
	return head, nil
}

func decoded[T Record](r *Reader, text []byte) (Record, error) {
	var value T
	if err := decode(text, &value); err != nil {
		return nil, r.altered(err.Error())
	}
	return value, nil
}

// end holds the file against its last member, whose bytes are known.
func (r *Reader) end() error {
	want := endMember(r.file.n, r.file.sha256())
	got, err := io.ReadAll(io.LimitReader(r.file, int64(len(want))+1))
	switch {
	case err != nil:
		return fmt.Errorf("read the file: %w", err)
	case bytes.Equal(got, want):
		return io.EOF
	case len(got) < len(want) && bytes.HasPrefix(want, got):
		return &CutError{Position: r.tree.Size()}
	case len(got) > len(want) && bytes.HasPrefix(got, want):
		return r.altered("something stands behind the end")
	}
	return r.altered("the whole has another hash than its end says")
}

// readLine gives the next line of the member, without its end; io.EOF behind the last.
func (r *Reader) readLine() ([]byte, error) {
	r.line = r.line[:0]
	for {
		some, err := r.lines.ReadSlice('\n')
		r.line = append(r.line, some...)
		switch {
		case err == nil:
			return r.line[:len(r.line)-1], nil
		case errors.Is(err, bufio.ErrBufferFull) && len(r.line) <= lineMost:
		case errors.Is(err, bufio.ErrBufferFull):
			return nil, r.altered("a line has no end")
		case errors.Is(err, io.EOF) && len(r.line) == 0:
			return nil, io.EOF
		case errors.Is(err, io.EOF):
			return nil, r.altered("a line has no end")
		default:
			return nil, r.fault(err)
		}
	}
}

// fault tells a cut and an alteration from a failure to read.
func (r *Reader) fault(err error) error {
	var corrupt flate.CorruptInputError
	switch {
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return &CutError{Position: r.tree.Size()}
	case errors.Is(err, gzip.ErrChecksum): // of a chunk, or of the rest behind them all
		return r.alteredAt(r.begun+1, "the chunk has another checksum")
	case errors.Is(err, gzip.ErrHeader) || errors.As(err, &corrupt):
		return r.altered(err.Error())
	}
	return fmt.Errorf("read the file: %w", err)
}

func (r *Reader) altered(why string) error { return r.alteredAt(r.tree.Size()+1, why) }

func (r *Reader) alteredAt(position int64, why string) error {
	return &AlteredError{Position: position, Behind: r.part >= rest, Byte: r.file.n, Why: why}
}

// decode reads a line's JSON. A member that is not known would be lost, so it is refused.
func decode(text []byte, into any) error {
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(into); err != nil {
		return err
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return errors.New("something stands behind a line's value")
	}
	return nil
}

// shorten shows the beginning of a line.
func shorten(line []byte) string {
	const most = 60
	if len(line) > most {
		return fmt.Sprintf("%q…", line[:most])
	}
	return fmt.Sprintf("%q", line)
}
