// Package export is the file in which a book is carried away whole: every event's canonical bytes, the first answer to
// every idempotency key, API keys by their hashes, the head and the newest signed checkpoint. docs/export.md says how
// such a file is read with common tools.
//
// A file is lines of text, packed as gzip members one behind the other (RFC 1952, section 2.2: what unpacks one unpacks
// all), so that zcat shows it:
//
//	firstout export 1
//	book {"book":"real","epoch":"…"}
//	chunk {"after":0,"bytes":137,"sha256":"…","tree":"…"}
//	event 1f0c9a3e {"actor":"…", …}
//	answer {"key":"…", …}
//	…
//	rest {"after":1500,"bytes":…,"sha256":"…","tree":"…"}
//	answer {…}
//	row {"table":"api_keys","row":{…}}
//	checkpoint {"note":"…"}
//	head {…}
//	end 48213 sha256 …
//
// A chunk holds the events of [ChunkEvents] positions, the last one those that are left, and behind a command's first
// event the answer to the command. Chunks, the rest and the end are members of their own. Each but the first begins with
// the SHA-256 of all bytes of the file before it, and the last says nothing else, in bytes that follow from what it says:
// no byte can change unseen, and of a file that was cut every whole chunk is good. Where a chunk begins and ends follows
// from the positions alone, so a file that was gone on with is the file that would have been written at once.
//
// The package knows no database and judges no event: it holds bytes together.
package export

import (
	"encoding/hex"
	"encoding/json"
	"time"

	"firstout/internal/events/seal"
)

// ChunkEvents is how many positions a chunk holds: some hundred kilobytes. It is part of the format.
const ChunkEvents = 1024

const magic = "firstout export 1"

// A Record is a line of a file: a [Book], [Event], [Answer], [Row], [Checkpoint] or [Head].
type Record interface{ word() string }

// Book says whose events follow. It stands first.
type Book struct {
	Book  string `json:"book"`  // real, demo or test; empty: nobody has said yet
	Epoch string `json:"epoch"` // tells this book's positions from those of another
}

// Event is an event as it stands in the log.
type Event struct {
	Position  int64
	Canonical []byte // the whole event, RFC 8785; to be copied by whoever keeps it
}

// Answer is the first answer that an idempotency key got. It stands behind the first event of its command, or in the
// rest where the command needed none.
type Answer struct {
	Key         string    `json:"key"`
	RequestHash Hex       `json:"request_hash"` // SHA-256
	Status      int       `json:"status"`
	Body        string    `json:"answer"`
	Position    int64     `json:"position"` // of the command's first event; 0: it needed none
	RecordedAt  time.Time `json:"recorded_at"`
}

// Row is a row of a small table that belongs to no position and cannot be derived, with the columns that the table had:
// API keys, for instance, by the hashes of their secrets.
type Row struct {
	Table string          `json:"table"`
	Row   json.RawMessage `json:"row"`
}

// Checkpoint is the newest signed checkpoint of the book at that moment: a signed note over a tree of the events, as
// many as it says. The events behind those are not under it. A file of a book that was never sealed has none.
type Checkpoint struct {
	Note     string    `json:"note"`
	SignedAt time.Time `json:"signed_at"`
}

// Head says how far the book had come. It stands last.
type Head struct {
	Position      int64      `json:"position"`       // of the newest event
	RecordedAt    time.Time  `json:"recorded_at"`    // of the newest event; 1970 in an empty book
	DefinitionsAt int64      `json:"definitions_at"` // position of the newest definition
	ManualNow     *time.Time `json:"manual_now"`     // where the manual clock stood; null: it was never set
	Tree          seal.Hash  `json:"tree"`           // root of the tree over all events
}

func (Book) word() string       { return "book" }
func (Event) word() string      { return "event" }
func (Answer) word() string     { return "answer" }
func (Row) word() string        { return "row" }
func (Checkpoint) word() string { return "checkpoint" }
func (Head) word() string       { return "head" }

// link is how a chunk, and the rest, holds on to what stands before it.
type link struct {
	After  int64     `json:"after"`  // position of the last event before it
	Bytes  int64     `json:"bytes"`  // of the file before it
	SHA256 Hex       `json:"sha256"` // of those bytes
	Tree   seal.Hash `json:"tree"`   // root of the tree over the events before it
}

// Hex is bytes that are written in hexadecimal digits.
type Hex []byte

// MarshalText writes lower-case digits.
func (h Hex) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, h), nil }

// UnmarshalText reads digits.
func (h *Hex) UnmarshalText(text []byte) (err error) {
	*h, err = hex.AppendDecode(nil, text)
	return err
}
