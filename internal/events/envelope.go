package events

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
)

// envelope is the sealed form of an event. Its canonical bytes (RFC 8785) are what is stored and signed.
type envelope struct {
	Actor      string          `json:"actor"`
	Codes      []Code          `json:"codes"`
	Command    uuid.UUID       `json:"command"`
	Data       json.RawMessage `json:"data"`
	ID         uuid.UUID       `json:"id"`
	Key        string          `json:"key"`
	OccurredAt string          `json:"occurred_at"`
	Position   int64           `json:"position"`
	RecordedAt string          `json:"recorded_at"`
	Site       string          `json:"site"`
	Type       string          `json:"type"`
	Version    int             `json:"version"`
}

// An Envelope is what stands around the data of a stored event.
type Envelope struct {
	Recorded        // without Data
	Type     string // the event's name in the log
	// Codes that the event says it touches. They are sealed with it and therefore count, whatever the newest shape of
	// the event would say.
	Codes []Code
}

// ParseEnvelope reads what stands around an event's data: many times faster than to read the whole, and possible where
// this program does not know the event.
func ParseEnvelope(text []byte) (Envelope, error) {
	e, err := readEnvelope(text)
	if err != nil {
		return Envelope{}, err
	}
	return e.parse()
}

func readEnvelope(text []byte) (e envelope, err error) {
	if scanEnvelope(text, &e) {
		return e, nil
	}
	e = envelope{}
	if err := decodeStrictly(text, &e); err != nil {
		return e, fmt.Errorf("decode event envelope: %w", err)
	}
	return e, nil
}

func (e envelope) parse() (Envelope, error) {
	occurred, err := time.Parse(time.RFC3339Nano, e.OccurredAt)
	if err != nil {
		return Envelope{}, fmt.Errorf("position %d: occurred_at: %w", e.Position, err)
	}
	recorded, err := time.Parse(time.RFC3339Nano, e.RecordedAt)
	if err != nil {
		return Envelope{}, fmt.Errorf("position %d: recorded_at: %w", e.Position, err)
	}
	return Envelope{
		Recorded: Recorded{
			Position: e.Position, ID: e.ID, Version: e.Version, OccurredAt: occurred, RecordedAt: recorded,
			Actor: e.Actor, Site: e.Site, Key: e.Key, Command: e.Command,
		},
		Type: e.Type, Codes: e.Codes,
	}, nil
}

// scanEnvelope reads an envelope as Canonical writes it: every name, in order, with nothing in between. It is false for
// whatever it does not take in at a glance, an escaped letter for one, which is no verdict: encoding/json then judges. What
// it does read, encoding/json would read the same.
func scanEnvelope(text []byte, e *envelope) bool {
	s := scanner{rest: text, good: true}
	s.literal(`{"actor":`)
	e.Actor = string(s.text())
	s.literal(`,"codes":[`)
	e.Codes = []Code{}
	for s.good && !s.next(']') {
		if len(e.Codes) > 0 {
			s.literal(`,`)
		}
		e.Codes = append(e.Codes, Code(s.text()))
	}
	s.literal(`,"command":`)
	e.Command = s.uuid()
	s.literal(`,"data":`)
	e.Data = s.object()
	s.literal(`,"id":`)
	e.ID = s.uuid()
	s.literal(`,"key":`)
	e.Key = string(s.text())
	s.literal(`,"occurred_at":`)
	e.OccurredAt = string(s.text())
	s.literal(`,"position":`)
	e.Position = s.integer()
	s.literal(`,"recorded_at":`)
	e.RecordedAt = string(s.text())
	s.literal(`,"site":`)
	e.Site = string(s.text())
	s.literal(`,"type":`)
	e.Type = string(s.text())
	s.literal(`,"version":`)
	e.Version = int(s.integer())
	s.literal(`}`)
	return s.good && len(s.rest) == 0
}

// A scanner takes a text in from its beginning, for as long as it is what was expected.
type scanner struct {
	rest []byte
	good bool
}

func (s *scanner) literal(expected string) {
	if s.good = s.good && len(s.rest) >= len(expected) && string(s.rest[:len(expected)]) == expected; s.good {
		s.rest = s.rest[len(expected):]
	}
}

// next takes one byte if it is the next.
func (s *scanner) next(b byte) bool {
	is := len(s.rest) > 0 && s.rest[0] == b
	if is {
		s.rest = s.rest[1:]
	}
	return is
}

// text takes a string without anything escaped.
func (s *scanner) text() []byte {
	s.literal(`"`)
	end := bytes.IndexByte(s.rest, '"')
	if !s.good || end < 0 {
		s.good = false
		return nil
	}
	text := s.rest[:end]
	s.rest = s.rest[end+1:]
	for _, b := range text {
		if b < ' ' || b == '\\' || b >= utf8.RuneSelf {
			s.good = false
		}
	}
	return text
}

func (s *scanner) uuid() uuid.UUID {
	id, err := uuid.ParseBytes(s.text())
	s.good = s.good && err == nil
	return id
}

// integer takes a whole number that is not below zero.
func (s *scanner) integer() int64 {
	digits := 0
	for digits < len(s.rest) && '0' <= s.rest[digits] && s.rest[digits] <= '9' {
		digits++
	}
	n, err := strconv.ParseInt(string(s.rest[:digits]), 10, 64)
	s.good = s.good && err == nil && (digits == 1 || s.rest[0] != '0')
	s.rest = s.rest[digits:]
	return n
}

// object takes an object to the bracket that closes it, and sees that it is JSON.
func (s *scanner) object() json.RawMessage {
	depth, quoted := 0, false
	for at := 0; s.good && at < len(s.rest); at++ {
		switch b := s.rest[at]; {
		case quoted && b == '\\':
			at++
		case b == '"':
			quoted = !quoted
		case quoted:
		case b == '{':
			depth++
		case b == '}':
			depth--
		}
		if depth == 0 {
			object := s.rest[:at+1]
			s.rest = s.rest[at+1:]
			s.good = object[0] == '{' && json.Valid(object)
			return object
		}
	}
	s.good = false
	return nil
}
