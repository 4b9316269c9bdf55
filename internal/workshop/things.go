package workshop

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// Care is what stands against a thing: the open holds that took it in, and its deviations not yet decided.
type Care struct {
	Holds      []uuid.UUID     `json:"holds,omitempty"`
	Deviations []OpenDeviation `json:"deviations,omitempty"`
}

// Held says whether any hold stands.
func (c Care) Held() bool { return len(c.Holds) > 0 }

// OpenDeviation is a deviation of a thing that is not decided yet.
type OpenDeviation struct {
	ID      uuid.UUID `json:"id"`
	Concern string    `json:"concern"`
}

// Lot is a delivery, a portion of one (Of names the lot), or a block set from the rest of a vat (Mix is what it
// is made of).
type Lot struct {
	Code              events.Code        `json:"code"`
	Of                events.Code        `json:"of,omitempty"`
	Ingredient        string             `json:"ingredient"`
	IngredientVersion int                `json:"ingredient_version"`
	Supplier          string             `json:"supplier,omitempty"`
	SupplierLot       string             `json:"supplier_lot,omitempty"`
	DateMark          events.DateMark    `json:"date_mark"`
	Received          events.Mass        `json:"received_g"`
	PriceMinor        *int64             `json:"price_minor,omitempty"`
	Currency          string             `json:"currency,omitempty"`
	TemperatureC      *float64           `json:"received_temperature_c,omitempty"`
	DeliveryNote      string             `json:"delivery_note,omitempty"`
	Site              string             `json:"site"`
	At                time.Time          `json:"at"`                    // received, opened or set
	Allergens         *[]string          `json:"allergens,omitempty"`   // the lot's own label
	MayContain        *[]string          `json:"may_contain,omitempty"` // the lot's own label
	Composition       map[string]float64 `json:"composition,omitempty"` // the lot's own label
	Opened            bool               `json:"opened,omitempty"`      // it is, or is part of, what was opened on its day
	Parts             int                `json:"parts,omitempty"`       // portions opened and parts moved apart so far
	Mix               Mix                `json:"mix,omitempty"`         // of a block
	Expiry            events.Expiry      `json:"expiry"`
	Parting
	Labelled
	Care
}

// Charge is what is, or was, in a vat between two emptyings. What is left of it is Mix.Total.
type Charge struct {
	Code      events.Code `json:"code"`
	Vat       string      `json:"vat"`
	Chocolate string      `json:"chocolate"`
	Site      string      `json:"site"`
	At        time.Time   `json:"at"`
	LastAt    time.Time   `json:"last_at"` // of its last melt or draw
	EndedAt   *time.Time  `json:"ended_at,omitempty"`
	Cleaned   bool        `json:"cleaned,omitempty"` // when it ended
	Mix       Mix         `json:"mix"`
	Care
}

// Ganache is one made batch of a filling, or a part of one whose history went another way (Of names the batch). Mix is
// the batch's inputs by lot; Yield came of them, or is what the part was when it parted.
type Ganache struct {
	Code           events.Code                 `json:"code"`
	Of             events.Code                 `json:"of,omitempty"`
	Formula        string                      `json:"formula"`
	FormulaVersion int                         `json:"formula_version"`
	Site           string                      `json:"site"`
	Place          string                      `json:"place"`
	At             time.Time                   `json:"at"`
	Mix            Mix                         `json:"mix"`
	Dated          []DatedInput                `json:"dated,omitempty"` // what counts for its date
	OffFormula     bool                        `json:"off_formula,omitempty"`
	Yield          events.Mass                 `json:"yield_g"`
	Evaporated     events.Mass                 `json:"evaporated_g,omitempty"` // water lost in cooking, by weighing
	HeatStep       *events.HeatStep            `json:"heat_step,omitempty"`
	PackedHot      bool                        `json:"packed_hot,omitempty"`
	Cooling        []events.TemperatureReading `json:"cooling,omitempty"`     // of a boiled one, in no order
	CooledLate     bool                        `json:"cooled_late,omitempty"` // a deviation says so
	PH             *float64                    `json:"ph,omitempty"`
	WaterActivity  *events.MeasuredValue       `json:"water_activity,omitempty"`
	Parts          int                         `json:"parts,omitempty"`
	Expiry         events.Expiry               `json:"expiry"`
	Spells         []events.Spell              `json:"spells,omitempty"` // its times out of its class
	Parting
	Labelled
	Care
}

// Run is one moulding of one design, or a part of one whose history went another way (Of names the run).
type Run struct {
	Code events.Code `json:"code"`
	Of   events.Code `json:"of,omitempty"`
	events.RunStart
	Site        string         `json:"site"`
	At          time.Time      `json:"at"`
	State       string         `json:"state"`             // started, cast, filled, capped or turned_out
	StepAt      *time.Time     `json:"step_at,omitempty"` // of the last of these
	Cast        bool           `json:"cast"`
	Shell       events.Mass    `json:"shell_g"`  // net chocolate in the shells, all cavities
	Filled      events.Mass    `json:"filled_g"` // all cavities
	CapMass     events.Mass    `json:"cap_g"`    // net chocolate in the caps, all cavities
	Decorated   events.Mass    `json:"decorated_g"`
	ShellMix    Mix            `json:"shell_mix,omitempty"`
	Mix         Mix            `json:"mix,omitempty"` // everything in it, all cavities
	Allergens   Allergens      `json:"allergens"`
	Ganaches    []events.Code  `json:"ganaches,omitempty"`
	FilledAt    FilledAt       `json:"filled_at,omitempty"`
	FilledOf    FilledOf       `json:"filled_of,omitempty"`
	Straight    []DatedInput   `json:"straight,omitempty"` // lots and charge lots in it not by way of a ganache
	Good        int            `json:"good"`
	Seconds     int            `json:"seconds,omitempty"`
	Broken      int            `json:"broken,omitempty"`
	Unfilled    int            `json:"unfilled,omitempty"`
	Eaten       int            `json:"eaten,omitempty"`
	LeftInMould int            `json:"left_in_mould,omitempty"`
	Released    int            `json:"released"`
	ReleasedAt  *time.Time     `json:"released_at,omitempty"` // when the first of them passed the gate; of a part, or of what it came from
	PieceMass   events.Mass    `json:"piece_g"`
	Parts       int            `json:"parts,omitempty"`
	Boxes       []events.Code  `json:"boxes,omitempty"` // with pieces of it in them, in the order of packing
	Expiry      events.Expiry  `json:"expiry"`
	Spells      []events.Spell `json:"spells,omitempty"` // its times out of its class, as a piece
	Parting
	Labelled
	Care
}

// TurnedOut is how many pieces have left the moulds, whatever became of them.
func (r Run) TurnedOut() int {
	return r.Good + r.Seconds + r.Broken + r.Unfilled + r.Eaten + r.LeftInMould
}

// DatedInput is a lot whose own dates count for the piece. Trace says that it was under the stated trace of its
// charge, so that its best-before does not bind; Filling that it was filled in straight, so that its whole date does.
type DatedInput struct {
	Source  events.Code `json:"source"`
	At      time.Time   `json:"at"`
	Trace   bool        `json:"trace,omitempty"`
	Filling bool        `json:"filling,omitempty"`
	Heated  bool        `json:"heated,omitempty"` // of a ganache's input
	Op      *OpKey      `json:"op,omitempty"`     // of what was drawn from a charge: the draw
}

// alike is what everything with a code has.
type alike struct {
	site   string
	at     time.Time // when it came to be
	care   Care
	expiry events.Expiry // of a charge there is none
	parts  int
	spells []events.Spell // of what has fillings
	Parting
}

// alike tells of any thing what is told of them all. A thing that is not in the book has nothing.
func (s *Set) alike(code events.Code) alike {
	if !s.Exists(code) {
		return alike{}
	}
	switch code.Kind() {
	case events.KindLot:
		l := s.Lot(code)
		return alike{site: l.Site, at: l.since(l.At), care: l.Care, expiry: l.Expiry, parts: l.Parts, Parting: l.Parting}
	case events.KindCharge:
		c := s.Charge(code)
		return alike{site: c.Site, at: c.At, care: c.Care}
	case events.KindGanache:
		g := s.Ganache(code)
		return alike{site: g.Site, at: g.since(g.At), care: g.Care, expiry: g.Expiry, parts: g.Parts, spells: g.Spells, Parting: g.Parting}
	case events.KindRun:
		r := s.Run(code)
		return alike{site: r.Site, at: r.since(r.At), care: r.Care, expiry: r.Expiry, parts: r.Parts, spells: r.Spells, Parting: r.Parting}
	case events.KindBox:
		b := s.Box(code)
		return alike{site: b.Site, at: b.since(b.At), care: b.Care, expiry: b.Expiry, parts: b.Parts, spells: b.Spells, Parting: b.Parting}
	default:
		return alike{}
	}
}

func (s *Set) siteOf(code events.Code) string   { return s.alike(code).site }
func (s *Set) since(code events.Code) time.Time { return s.alike(code).at }

// HoldsOf lists the holds that stand against a thing; none if it is not there.
func (s *Set) HoldsOf(code events.Code) []uuid.UUID { return s.careOf(code).Holds }

func (s *Set) careOf(code events.Code) Care            { return s.alike(code).care }
func (s *Set) expiryOf(code events.Code) events.Expiry { return s.alike(code).expiry }

// Hold is a hold as it stands.
type Hold struct {
	ID         uuid.UUID     `json:"id"`
	Code       events.Code   `json:"code"`
	Place      string        `json:"place,omitempty"` // of what stood there, in place of a code
	Downstream bool          `json:"downstream"`
	Reason     string        `json:"reason"`
	Cause      string        `json:"cause,omitempty"`
	Deviation  *uuid.UUID    `json:"deviation,omitempty"`
	Codes      []events.Code `json:"codes"`
	Site       string        `json:"site"`
	PlacedAt   time.Time     `json:"placed_at"`
	LiftedAt   *time.Time    `json:"lifted_at,omitempty"`
	SoldBefore []SoldBefore  `json:"sold_before,omitempty"`
}

// SoldBefore is pieces that were sold or given before a hold took them in, and written down after it.
type SoldBefore struct {
	Event  uuid.UUID   `json:"event"`
	Code   events.Code `json:"code"`
	Pieces int         `json:"pieces"`
}

func (b SoldBefore) compare(o SoldBefore) int {
	return cmp.Or(slices.Compare(b.Event[:], o.Event[:]), b.Code.Compare(o.Code))
}

// Deviation is a deviation as it stands.
type Deviation struct {
	ID        uuid.UUID                `json:"id"`
	Code      events.Code              `json:"code,omitempty"`
	Place     string                   `json:"place,omitempty"`
	Concern   string                   `json:"concern"`
	Rule      string                   `json:"rule"`
	Detail    string                   `json:"detail"`
	Value     *float64                 `json:"value,omitempty"`
	Band      *events.Band             `json:"band,omitempty"`
	Site      string                   `json:"site"`
	OpenedAt  time.Time                `json:"opened_at"`
	Decision  *events.DeviationDecided `json:"decision,omitempty"`
	DecidedAt *time.Time               `json:"decided_at,omitempty"`
	Hold      *uuid.UUID               `json:"hold,omitempty"` // that came with it, of a deviation of a place
}

// StockKey names a line of stock. Grade and Unreleased tell pieces apart; other things have neither. A charge
// stands in its vat: the vat's slug is its place.
type StockKey struct {
	Code       events.Code
	Place      string
	Grade      string
	Unreleased bool
}

// Compare orders lines by code, place and grade, released ones first.
func (k StockKey) Compare(o StockKey) int {
	released := func(k StockKey) int {
		if k.Unreleased {
			return 1
		}
		return 0
	}
	return cmp.Or(k.Code.Compare(o.Code), strings.Compare(k.Place, o.Place), strings.Compare(k.Grade, o.Grade),
		cmp.Compare(released(k), released(o)))
}

// StockLine is how much of a thing stands at a place: whole pieces or boxes, or milligrams. Dates and hold are the
// thing's, beside the amount so that a pick reads one table.
type StockLine struct {
	StockKey
	Subject   string // the design, ingredient or formula; "" of a charge and of boxes
	Site      string
	Amount    int64
	Held      bool
	Dates     LineDates
	PieceMass events.Mass // of pieces and boxes: mass each
	ArrivedAt time.Time   // when it first stood here
	CountedAt *time.Time  // of the last count of this thing and grade here
	LastAt    time.Time   // of its last movement: what is dated before it is a late entry
}

// LineDates is what a pick needs of an expiry.
type LineDates struct {
	Kind      string // "" while there is no date at all
	Date      *civil.Day
	EndsBy    time.Time
	DiscardBy *time.Time
}

func datesOf(e events.Expiry) LineDates {
	return LineDates{Kind: e.Kind, Date: e.Date, EndsBy: e.EndsBy, DiscardBy: e.DiscardBy}
}

// PastAt says whether a use-by has passed at an instant; a best-before never bars anything.
func (d LineDates) PastAt(at time.Time) bool { return d.DiscardBy != nil && !at.Before(*d.DiscardBy) }

// FirstExpiring orders lines first expiring first; of those that end together, the earlier code first.
func FirstExpiring(a, b *StockLine) int {
	return cmp.Or(a.Dates.EndsBy.Compare(b.Dates.EndsBy), a.StockKey.Compare(b.StockKey))
}

// Movement is one change of one line of stock, for balances, waste, demand and past states.
type Movement struct {
	Position   int64
	Number     int // within its event, from 0
	Event      uuid.UUID
	OccurredAt time.Time
	StockKey
	Subject     string
	Delta       int64       // pieces, or milligrams
	Weight      events.Mass // the mass that moved, also where pieces were counted; unsigned
	Cause       string      // one of the Cause… constants
	Reason      string      // of a discard or count
	Destination string      // of a discard
	Other       string      // the other place of a move
	Channel     string      // of a sale
	Buyer       string
	Reference   string
	How         string
	Day         civil.Day // the local date of OccurredAt where it happened, not where the thing was made
}

// Edge says that one thing went into another. Membership counts even where the mass is nothing.
type Edge struct {
	Position   int64
	Number     int
	From, To   events.Code
	OccurredAt time.Time
	Mass       events.Mass
	Ingredient string // of an untracked input, which has no From
}
