package events

import (
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
)

// RecalledThing is a thing that a recall reaches, and how certainly what is recalled is in it: contains or may_contain.
type RecalledThing struct {
	Code      Code   `json:"code"`
	Certainty string `json:"certainty"`
}

// RecallOpened is the start of a recall, or of a drill. What was asked for is a code, or deliveries of a supplier by their
// lot codes or the days on which they came in. Its event id is the recall's id.
type RecallOpened struct {
	Code         Code            `json:"code,omitempty"`
	Supplier     string          `json:"supplier,omitempty"`
	SupplierLots []string        `json:"supplier_lots,omitempty"`
	ReceivedFrom *civil.Day      `json:"received_from,omitempty"`
	ReceivedTo   *civil.Day      `json:"received_to,omitempty"`
	Roots        []Code          `json:"roots"` // the lots, or the thing, that are recalled
	Reach        string          `json:"reach"` // may_contain or contains
	Drill        bool            `json:"drill,omitempty"`
	Reason       string          `json:"reason"`
	ToldBy       string          `json:"told_by,omitempty"`
	ToldAt       *time.Time      `json:"told_at,omitempty"`
	Reached      []RecalledThing `json:"reached"`
	Hold         *uuid.UUID      `json:"hold,omitempty"` // that took it all in; a drill has none
}

// RecallNarrowed says that a recall goes on with what certainly contains it only. What is no longer in it was let go.
type RecallNarrowed struct {
	Recall uuid.UUID       `json:"recall"`
	Left   []RecalledThing `json:"left"`
	LetGo  []Code          `json:"let_go"`
	Hold   *uuid.UUID      `json:"hold,omitempty"` // in place of the one before
	Reason string          `json:"reason"`
}

// RecallDecision is what was done about one thing of a recall.
type RecallDecision struct {
	Code     Code   `json:"code"`
	Decision string `json:"decision"`
	Note     string `json:"note,omitempty"`
}

// RecallClosed is the end of a recall, with a decision about each thing in it.
type RecallClosed struct {
	Recall    uuid.UUID        `json:"recall"`
	Decisions []RecallDecision `json:"decisions"`
	Hold      *uuid.UUID       `json:"hold,omitempty"` // on what was not released, in place of the one before
	Reason    string           `json:"reason"`
}

// EventType names the event in the log.
func (RecallOpened) EventType() string { return "recall_opened" }

// EventType names the event in the log.
func (RecallNarrowed) EventType() string { return "recall_narrowed" }

// EventType names the event in the log.
func (RecallClosed) EventType() string { return "recall_closed" }

// Touches lists the codes concerned.
func (e RecallOpened) Touches() []Code { return append(recalled(e.Reached), e.Roots...) }

// Touches lists the codes concerned.
func (e RecallNarrowed) Touches() []Code { return append(recalled(e.Left), e.LetGo...) }

// Touches lists the codes concerned.
func (e RecallClosed) Touches() []Code {
	var codes []Code
	for _, d := range e.Decisions {
		codes = append(codes, d.Code)
	}
	return codes
}

func recalled(things []RecalledThing) []Code {
	var codes []Code
	for _, t := range things {
		codes = append(codes, t.Code)
	}
	return codes
}
