package events

import "firstout/internal/civil"

// LabelPrinted says what stood on a label when copies of it were printed: what a person read of it.
type LabelPrinted struct {
	Code       Code       `json:"code"`
	Copies     int        `json:"copies"`
	Name       string     `json:"name"`
	DateKind   string     `json:"date_kind"` // use_by or best_before; empty while there is no date
	Date       *civil.Day `json:"date,omitempty"`
	Contains   []string   `json:"contains"`
	MayContain []string   `json:"may_contain"`
	Content    string     `json:"content"` // version of the whole content: another text has another
}

// EventType names the event in the log.
func (LabelPrinted) EventType() string { return "label_printed" }

// Touches lists the codes concerned.
func (e LabelPrinted) Touches() []Code { return []Code{e.Code} }
