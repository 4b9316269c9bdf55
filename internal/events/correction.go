package events

import (
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// CommandCorrected says that a command was not so: what was recorded of it is replaced, whole, by the events that are
// here, at the very place in the book where it stood; without any, it is void. It is the first event of its command;
// what follows from the truth (another date, a hold) is written after it.
type CommandCorrected struct {
	Corrected uuid.UUID   `json:"corrected"` // the command: id of its first event
	Event     uuid.UUID   `json:"event"`     // the event of it that was named
	Type      string      `json:"type"`      // of that event
	Reason    string      `json:"reason"`
	Concerned []Code      `json:"concerned"` // what the events that do not count any more touched
	Events    []Replacing `json:"events"`
}

// Replacing is an event that counts in place of what was corrected. Its position is one of those that the corrected
// command has in the log, the last of them where it has fewer events; so where the fold comes by, it comes by this.
type Replacing struct {
	Position   int64
	ID         uuid.UUID // that of the event whose place it takes, where that is of the same type
	Version    int
	Site       string
	OccurredAt time.Time
	Data       Event
}

// EventType names the event in the log.
func (CommandCorrected) EventType() string { return "command_corrected" }

// Touches lists the codes concerned: by what was written, and by what counts now.
func (e CommandCorrected) Touches() []Code {
	codes := append([]Code(nil), e.Concerned...)
	for _, r := range e.Events {
		codes = append(codes, r.Data.Touches()...)
	}
	return codes
}

// OccurredAts lists when what counts now occurred.
func (e CommandCorrected) OccurredAts() []time.Time {
	var all []time.Time
	for _, r := range e.Events {
		all = append(all, r.OccurredAt)
	}
	return all
}

// replacing is the form of a Replacing in JSON.
type replacing struct {
	Position   int64           `json:"position"`
	ID         uuid.UUID       `json:"id"`
	Type       string          `json:"type"`
	Version    int             `json:"version"`
	Site       string          `json:"site"`
	OccurredAt string          `json:"occurred_at"`
	Data       json.RawMessage `json:"data"`
}

// MarshalJSON writes the event with its type beside its data.
func (r Replacing) MarshalJSON() ([]byte, error) {
	data, err := json.Marshal(r.Data)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", r.Data.EventType(), err)
	}
	return json.Marshal(replacing{
		Position: r.Position, ID: r.ID, Type: r.Data.EventType(), Version: r.Version, Site: r.Site,
		OccurredAt: FormatTime(r.OccurredAt), Data: data,
	})
}

// UnmarshalJSON reads an event back, whatever version wrote it.
func (r *Replacing) UnmarshalJSON(text []byte) error {
	var w replacing
	if err := decodeStrictly(text, &w); err != nil {
		return err
	}
	data, err := Decode(w.Type, w.Version, w.Data)
	if err != nil {
		return err
	}
	at, err := time.Parse(time.RFC3339Nano, w.OccurredAt)
	if err != nil {
		return fmt.Errorf("occurred_at: %w", err)
	}
	*r = Replacing{Position: w.Position, ID: w.ID, Version: w.Version, Site: w.Site, OccurredAt: at, Data: data}
	return nil
}

// Recorded is the event as it counts: by whoever wrote the corrected command, and when.
func (r Replacing) Recorded(of Recorded) Recorded {
	of.Position, of.ID, of.Version, of.Site, of.OccurredAt, of.Data = r.Position, r.ID, r.Version, r.Site, r.OccurredAt, r.Data
	return of
}
