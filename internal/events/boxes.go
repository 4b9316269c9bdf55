package events

import "firstout/internal/civil"

// BoxContent is the pieces of one run, or of a part of one, in each box of a code.
type BoxContent struct {
	Run       Code   `json:"run"`
	Design    string `json:"design"`
	Grade     string `json:"grade"` // first or second
	Pieces    int    `json:"pieces"`
	PieceMass Mass   `json:"piece_g"` // of each
	How       string `json:"how"`     // scanned, single_run_on_place or presumed
	// Unreleased says that they had not passed the gate: only a fact that broke the rule does.
	Unreleased bool       `json:"unreleased,omitempty"`
	Date       *civil.Day `json:"date,omitempty"` // the date they carried when they were packed
}

// BoxesPacked is boxes of the same contents packed under one code. The pieces left the stock of their runs at that
// place: in all, the pieces of a box times the boxes.
type BoxesPacked struct {
	Box        Code         `json:"box"`
	Name       string       `json:"name,omitempty"`
	Boxes      int          `json:"boxes"`
	Place      string       `json:"place"`
	Contents   []BoxContent `json:"contents"`              // of one box
	PriceMinor *int64       `json:"price_minor,omitempty"` // of one box
	Currency   string       `json:"currency,omitempty"`
	Expiry     Expiry       `json:"expiry"`
	RuleBroken []string     `json:"rule_broken,omitempty"`
}

// UnboxedLine is pieces that came out of boxes. Where their history is not their run's, NewCode is their code from here
// on and Expiry their date.
type UnboxedLine struct {
	StockOf
	Pieces  int     `json:"pieces"`
	NewCode Code    `json:"new_code,omitempty"`
	Expiry  *Expiry `json:"expiry,omitempty"`
}

// BoxesOpened is boxes opened again: their pieces go back to their runs' stock at the place of the boxes. Pieces of boxes
// whose history went another way from their runs' go on under a code of their own.
type BoxesOpened struct {
	Box        Code          `json:"box"`
	Place      string        `json:"place"`
	Boxes      int           `json:"boxes"`
	Lines      []UnboxedLine `json:"lines"`
	RuleBroken []string      `json:"rule_broken,omitempty"`
}

// EventType names the event in the log.
func (BoxesPacked) EventType() string { return "boxes_packed" }

// EventType names the event in the log.
func (BoxesOpened) EventType() string { return "boxes_opened" }

// Touches lists the codes concerned.
func (e BoxesPacked) Touches() []Code {
	codes := []Code{e.Box}
	for _, c := range e.Contents {
		codes = append(codes, c.Run)
	}
	return codes
}

// Touches lists the codes concerned.
func (e BoxesOpened) Touches() []Code {
	codes := []Code{e.Box}
	for _, l := range e.Lines {
		codes = append(codes, l.Code, l.NewCode)
	}
	return codes
}
