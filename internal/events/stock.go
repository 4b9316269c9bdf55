package events

import (
	"time"

	"firstout/internal/civil"
)

// Amount is a quantity of one thing: pieces of a run or box, or mass of a lot, charge or ganache.
type Amount struct {
	Pieces   int  `json:"pieces,omitempty"`
	Quantity Mass `json:"quantity_g,omitempty"`
}

// StockOf names one line of stock: a thing, its grade and whether its pieces were released.
type StockOf struct {
	Code       Code   `json:"code"`
	Grade      string `json:"grade,omitempty"`      // first, second or unfilled; of pieces
	Unreleased bool   `json:"unreleased,omitempty"` // of pieces that have not passed the gate
}

// MovedLine is a quantity moved; where histories part, NewCode is its code from here on, Expiry its date and Parting
// the reason.
type MovedLine struct {
	StockOf
	Amount
	NewCode Code     `json:"new_code,omitempty"`
	Expiry  *Expiry  `json:"expiry,omitempty"`
	Parting *Parting `json:"parting,omitempty"`
}

// Why histories part.
const (
	PartedFrozen     = "frozen"       // into the freezer
	PartedThawed     = "thawed"       // out of the freezer
	PartedBagged     = "bagged"       // filling taken into a piping bag
	PartedOutOfClass = "out_of_class" // back from a place that was out of its class
	PartedWarmer     = "warmer"       // to a place that is warmer than the thing was dated for
	PartedUnboxed    = "unboxed"      // out of a box whose history was not that of its pieces' run
)

// Parting is why a part has a code of its own. Freezing is its time in the freezer, if it goes in, is in, or comes out.
// Spells are all its times out of its class, where they are more than those of what it parts from.
type Parting struct {
	Cause    string    `json:"cause"`
	Freezing *Freezing `json:"freezing,omitempty"`
	Spells   []Spell   `json:"spells,omitempty"`
}

// Freezing is a time in the freezer: since when, whether sealed against moisture, and whether it was there before.
type Freezing struct {
	At     time.Time `json:"at"`
	Sealed bool      `json:"sealed"`
	Again  bool      `json:"again,omitempty"`
}

// StockMoved is stock carried from one place to another.
type StockMoved struct {
	From       string      `json:"from"`
	To         string      `json:"to"`
	Lines      []MovedLine `json:"lines"`
	Sealed     bool        `json:"sealed,omitempty"`
	IntoBag    bool        `json:"into_bag,omitempty"` // filling, into a piping bag
	RuleBroken []string    `json:"rule_broken,omitempty"`
}

// Allocation is pieces taken from one run or box, and how that one was known: scanned, single_run_on_place or
// presumed.
type Allocation struct {
	Code   Code   `json:"code"`
	Grade  string `json:"grade"`
	Pieces int    `json:"pieces"`
	How    string `json:"how"`
	// Unreleased says that it was taken though it had not passed the gate: only a fact that broke the rule does.
	Unreleased bool       `json:"unreleased,omitempty"`
	Date       *civil.Day `json:"date,omitempty"` // the date it carried when it was taken
}

// SoldLine is one line of a sale, with the price charged for the whole line.
type SoldLine struct {
	Design      string       `json:"design"`
	Allocations []Allocation `json:"allocations"`
	PriceMinor  *int64       `json:"price_minor,omitempty"`
	Currency    string       `json:"currency,omitempty"`
}

// PiecesSold is a sale.
type PiecesSold struct {
	Place      string     `json:"place"`
	Channel    string     `json:"channel"`
	Buyer      string     `json:"buyer,omitempty"`
	Reference  string     `json:"reference,omitempty"`
	Lines      []SoldLine `json:"lines"`
	RuleBroken []string   `json:"rule_broken,omitempty"`
}

// GivenLine is one line of tasters.
type GivenLine struct {
	Design      string       `json:"design"`
	Allocations []Allocation `json:"allocations"`
}

// PiecesGiven is tasters given away.
type PiecesGiven struct {
	Place      string      `json:"place"`
	Occasion   string      `json:"occasion,omitempty"`
	Lines      []GivenLine `json:"lines"`
	RuleBroken []string    `json:"rule_broken,omitempty"`
}

// DiscardedLine is a quantity thrown away, or otherwise gone without a sale; Mass is its weight where it is pieces.
type DiscardedLine struct {
	StockOf
	Amount
	Design string `json:"design,omitempty"`
	Weight Mass   `json:"weight_g"` // the mass gone, also where pieces were counted
}

// StockDiscarded is stock gone, for one reason to one destination.
type StockDiscarded struct {
	Place       string          `json:"place,omitempty"` // empty for a charge
	Lines       []DiscardedLine `json:"lines"`
	Reason      string          `json:"reason"`
	Destination string          `json:"destination"`
	Note        string          `json:"note,omitempty"`
	RuleBroken  []string        `json:"rule_broken,omitempty"`
}

// CountedLine is what a count found of one thing, and what the book had.
type CountedLine struct {
	StockOf
	Found Amount `json:"found"`
	Had   Amount `json:"had"`
}

// StockCounted is a count. It is an anchor: what was found is what is on hand from that moment.
type StockCounted struct {
	Place    string        `json:"place"`
	Complete bool          `json:"complete,omitempty"`
	Reason   string        `json:"reason,omitempty"`
	Lines    []CountedLine `json:"lines"`
}

// EventType names the event in the log.
func (StockMoved) EventType() string { return "stock_moved" }

// EventType names the event in the log.
func (PiecesSold) EventType() string { return "pieces_sold" }

// EventType names the event in the log.
func (PiecesGiven) EventType() string { return "pieces_given" }

// EventType names the event in the log.
func (StockDiscarded) EventType() string { return "stock_discarded" }

// EventType names the event in the log.
func (StockCounted) EventType() string { return "stock_counted" }

// Touches lists the codes concerned.
func (e StockMoved) Touches() []Code {
	var codes []Code
	for _, l := range e.Lines {
		codes = append(codes, l.Code, l.NewCode)
	}
	return codes
}

// Touches lists the codes concerned.
func (e PiecesSold) Touches() []Code {
	var codes []Code
	for _, l := range e.Lines {
		codes = append(codes, allocated(l.Allocations)...)
	}
	return codes
}

// Touches lists the codes concerned.
func (e PiecesGiven) Touches() []Code {
	var codes []Code
	for _, l := range e.Lines {
		codes = append(codes, allocated(l.Allocations)...)
	}
	return codes
}

func allocated(allocations []Allocation) []Code {
	var codes []Code
	for _, a := range allocations {
		codes = append(codes, a.Code)
	}
	return codes
}

// Touches lists the codes concerned.
func (e StockDiscarded) Touches() []Code {
	var codes []Code
	for _, l := range e.Lines {
		codes = append(codes, l.Code)
	}
	return codes
}

// Touches lists the codes concerned.
func (e StockCounted) Touches() []Code {
	var codes []Code
	for _, l := range e.Lines {
		codes = append(codes, l.Code)
	}
	return codes
}
