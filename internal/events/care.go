package events

import (
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
)

// HoldPlaced takes things out of use. Codes is everything it took in, as found at that moment. Its event id is
// the hold's id.
type HoldPlaced struct {
	Code       Code       `json:"code,omitempty"`
	Place      string     `json:"place,omitempty"` // of what stands there, in place of a code
	Downstream bool       `json:"downstream,omitempty"`
	Reason     string     `json:"reason"`
	Cause      string     `json:"cause,omitempty"` // lot_code_missing, too_warm, second_freezing, out_of_class, storage_gap or a refusal's slug; empty: a person placed it
	Deviation  *uuid.UUID `json:"deviation,omitempty"`
	Codes      []Code     `json:"codes"`
}

// HoldLifted gives back what a hold took in.
type HoldLifted struct {
	Hold   uuid.UUID `json:"hold"`
	Codes  []Code    `json:"codes"`
	Reason string    `json:"reason"`
}

// Checked is a check of a thing (Code) or of a place or vat (by slug).
type Checked struct {
	Code        Code       `json:"code,omitempty"`
	Place       string     `json:"place,omitempty"`
	Vat         string     `json:"vat,omitempty"`
	Kind        string     `json:"kind"`
	Value       *float64   `json:"value,omitempty"`
	Result      string     `json:"result,omitempty"` // pass or fail
	Uncertainty *float64   `json:"uncertainty,omitempty"`
	Method      string     `json:"method,omitempty"`
	Document    string     `json:"document,omitempty"`
	Instrument  string     `json:"instrument,omitempty"`
	From        *time.Time `json:"from,omitempty"`
	To          *time.Time `json:"to,omitempty"`
}

// DeviationOpened says that something was not as it should have been. Its event id is the deviation's id.
type DeviationOpened struct {
	Code    Code     `json:"code,omitempty"`
	Place   string   `json:"place,omitempty"`
	Concern string   `json:"concern"` // safety or quality
	Rule    string   `json:"rule"`    // what was broken, e.g. temperature, tolerance, too_warm
	Detail  string   `json:"detail"`
	Value   *float64 `json:"value,omitempty"`
	Band    *Band    `json:"band,omitempty"`
}

// DeviationDecided is what was decided about a deviation, and why.
type DeviationDecided struct {
	Deviation uuid.UUID  `json:"deviation"`
	Code      Code       `json:"code,omitempty"`
	Decision  string     `json:"decision"` // accept, shorten, rework or discard
	Date      *civil.Day `json:"date,omitempty"`
	Reason    string     `json:"reason"`
}

// Redated is one thing's change of date: earlier by itself, later only by an owner's decision.
type Redated struct {
	Code   Code       `json:"code"`
	Old    *civil.Day `json:"old"`
	Expiry Expiry     `json:"expiry"`
	Cause  string     `json:"cause"`
	Spells []Spell    `json:"spells,omitempty"` // all its times out of its class, where they are why
}

// Spell is a time at which a place was warmer than its class, with something in it, and the temperature that it counts
// at. Paused says that a freezer had stopped the thing's clock, which ran on for that time.
type Spell struct {
	Place        string    `json:"place"`
	From         time.Time `json:"from"`
	To           time.Time `json:"to"`
	TemperatureC float64   `json:"temperature_c"`
	Paused       bool      `json:"paused,omitempty"`
}

// EventType names the event in the log.
func (HoldPlaced) EventType() string { return "hold_placed" }

// EventType names the event in the log.
func (HoldLifted) EventType() string { return "hold_lifted" }

// EventType names the event in the log.
func (Checked) EventType() string { return "checked" }

// EventType names the event in the log.
func (DeviationOpened) EventType() string { return "deviation_opened" }

// EventType names the event in the log.
func (DeviationDecided) EventType() string { return "deviation_decided" }

// EventType names the event in the log.
func (Redated) EventType() string { return "redated" }

// Touches lists the codes concerned.
func (e HoldPlaced) Touches() []Code { return append([]Code{e.Code}, e.Codes...) }

// Touches lists the codes concerned.
func (e HoldLifted) Touches() []Code { return e.Codes }

// Touches lists the codes concerned.
func (e Checked) Touches() []Code { return []Code{e.Code} }

// Touches lists the codes concerned.
func (e DeviationOpened) Touches() []Code { return []Code{e.Code} }

// Touches lists the codes concerned.
func (e DeviationDecided) Touches() []Code { return []Code{e.Code} }

// Touches lists the codes concerned.
func (e Redated) Touches() []Code { return []Code{e.Code} }
