package workshop

import (
	"cmp"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
)

// Amounts is what became of all that there ever was of a thing, released or not: pieces, boxes or milligrams.
// Made + PartedIn = Sold + Given + Discarded + Boxed + Opened + Used + PartedOut + Missing + OnHand.
type Amounts struct {
	Code      events.Code
	Made      int64 // received, made, turned out or packed
	PartedIn  int64 // came on under this code
	PartedOut int64 // went on under another code
	Sold      int64
	Given     int64
	Discarded int64
	Boxed     int64 // of pieces: into boxes, less what came out again
	Opened    int64 // of boxes
	Used      int64 // of what is weighed: drawn into something else, less what came back
	Missing   int64 // what counts found less, or with a minus more
	OnHand    int64
}

// Add adds one movement of the thing: its cause, the grade of what moved ("" for what is weighed) and by how much.
func (a *Amounts) Add(cause, grade string, delta int64) {
	a.OnHand += delta
	switch cause {
	case CauseReceived, CauseMade, CauseTurnedOut, CausePacked:
		a.Made += delta
	case CauseSold:
		a.Sold -= delta
	case CauseGiven:
		a.Given -= delta
	case CauseDiscarded:
		a.Discarded -= delta
	case CauseBoxed, CauseUnboxed:
		a.Boxed -= delta
	case CauseDrawn, CauseReturned:
		a.Used -= delta
	case CauseCounted, CauseBookShort, CauseAbsorbed:
		a.Missing -= delta
	case CauseParted, CauseOpened:
		a.part(cause, grade, delta)
	default: // it is at another place now, or released: there is as much of it as before
	}
}

// part adds what came on under this code, or went on under another: what is weighed is parted by opening it, and boxes are
// emptied by it.
func (a *Amounts) part(cause, grade string, delta int64) {
	switch {
	case delta > 0:
		a.PartedIn += delta
	case cause == CauseOpened && grade != "":
		a.Opened -= delta
	default:
		a.PartedOut -= delta
	}
}

// RecalledSale is pieces or boxes of one code in one sale.
type RecalledSale struct {
	Event      uuid.UUID
	OccurredAt time.Time
	Code       events.Code
	Pieces     int64
	Place      string
	Channel    string
	Buyer      string
	Reference  string
	How        string
	Subject    string
}

// Stood is a time during which pieces of a run stood released at a place.
type Stood struct {
	Place, Subject string
	Code           events.Code
	From           time.Time
	Until          *time.Time // nil: they stand there still
}

// RecallFacts is what the tables say of what became of some things.
type RecallFacts struct {
	Amounts map[events.Code]Amounts
	Sales   []RecalledSale // in the order of time
	Stood   []Stood        // wherever those things stood released, of their design and as long as they can have stood there
}

// RecallLine accounts for one thing of a recall.
type RecallLine struct {
	events.RecalledThing
	Name     string // of its ingredient, recipe or design; a box's own
	Expiry   *events.Expiry
	Held     bool
	Amounts  Amounts
	Lines    []*StockLine // where it stands
	Decision *events.RecallDecision
}

// RecallSale is a sale of what is recalled. CouldBe is the widest set of runs that it can have been, where the run was only
// presumed: all of that design that stood at that place then.
type RecallSale struct {
	RecalledSale
	Contact string        // of the buyer
	Person  uuid.UUID     // what the log calls that buyer by
	CouldBe []events.Code // in code order; shared by sales: not to be changed
}

// RecallAccount is what became of everything that a recall reaches.
type RecallAccount struct {
	Lines   []RecallLine
	Sales   []RecallSale
	Pieces  int64 // made, loose or boxed since
	Missing int64 // of those, and found more: what nobody has accounted for
	Percent float64
}

// recallAnswer is a recall with its account at this moment.
func (d *Desk) recallAnswer(id uuid.UUID) RecallAnswer {
	return RecallAnswer{Recall: d.Set.Recall(id), Account: d.Set.AccountOf(id)}
}

// AccountOf accounts for what a recall reaches, by what is loaded into the set; Lacking says what is not.
func (s *Set) AccountOf(id uuid.UUID) RecallAccount {
	recall := s.Recall(id)
	if recall == nil {
		return RecallAccount{}
	}
	things := s.reached(recall.Opened.Roots, recall.Reach)
	needs := make([]Need, 0, len(things))
	for _, t := range things {
		needs = append(needs, NeedAccount(t.Code))
	}
	s.want(needs...)
	var account RecallAccount
	reached := map[events.Code]bool{}
	for _, t := range things {
		reached[t.Code] = true
		line := RecallLine{RecalledThing: t, Name: s.nameOf(t.Code), Held: s.careOf(t.Code).Held(), Amounts: s.Facts.Amounts[t.Code]}
		if e := s.expiryOf(t.Code); e.Kind != "" {
			line.Expiry = &e
		}
		for _, l := range s.LinesOf(t.Code) {
			if l.Amount > 0 {
				line.Lines = append(line.Lines, l)
			}
		}
		if i := slices.IndexFunc(recall.Decisions, func(d events.RecallDecision) bool { return d.Code == t.Code }); i >= 0 {
			line.Decision = &recall.Decisions[i]
		}
		account.Lines = append(account.Lines, line)
		s.addPieces(&account, line)
	}
	account.settle()
	stood := standingsOf(s.Facts.Stood)
	for _, sale := range s.Facts.Sales {
		if reached[sale.Code] {
			account.Sales = append(account.Sales, s.recallSale(sale, stood))
		}
	}
	return account
}

// addPieces adds a run's pieces, and what is missing of a box by the pieces in it.
func (s *Set) addPieces(account *RecallAccount, line RecallLine) {
	missing := max(line.Amounts.Missing, -line.Amounts.Missing)
	switch line.Code.Kind() {
	case events.KindRun:
		account.Pieces += line.Amounts.Made
		account.Missing += missing
	case events.KindBox:
		account.Missing += missing * int64(s.Box(line.Code).Pieces())
	default: // what is weighed is told line by line
	}
}

// settle works out how much of the pieces is accounted for, in tenths of a percent and never rounded up.
func (a *RecallAccount) settle() {
	a.Percent = 100
	if a.Missing > 0 {
		share := float64(max(0, a.Pieces-a.Missing)) / float64(max(1, a.Pieces))
		a.Percent = min(99.9, math.Floor(share*1000)/10)
	}
}

func (s *Set) recallSale(sale RecalledSale, stood standings) RecallSale {
	shown := RecallSale{RecalledSale: sale}
	if buyer := s.Defs.Buyers.Latest(sale.Buyer); buyer != nil {
		shown.Contact, shown.Person = buyer.Body.Contact, buyer.Body.Person
		if buyer.Body.Erased {
			shown.Contact = NameErased
		}
	}
	if sale.How == "presumed" {
		shown.CouldBe = stood.couldBe(sale)
	}
	return shown
}

// nameOf is what a thing is called.
func (s *Set) nameOf(code events.Code) string {
	switch code.Kind() {
	case events.KindLot:
		lot := s.Lot(code)
		if def := s.Defs.Ingredients.Latest(lot.Ingredient); def != nil {
			return def.Body.Name
		}
		return lot.Ingredient
	case events.KindCharge:
		charge := s.Charge(code)
		if def := s.Defs.Vats.Latest(charge.Vat); def != nil {
			return def.Body.Name
		}
		return charge.Vat
	case events.KindGanache:
		ganache := s.Ganache(code)
		if def := s.Defs.Formulas.Latest(ganache.Formula); def != nil {
			return def.Body.Name
		}
		return ganache.Formula
	case events.KindRun:
		return s.designName(s.Run(code).Design)
	case events.KindBox:
		return cmp.Or(s.Box(code).Name, "Box of "+s.designName(s.Box(code).Contents[0].Design))
	default:
		return string(code)
	}
}

func (s *Set) designName(slug string) string {
	if def := s.Defs.Designs.Latest(slug); def != nil {
		return def.Body.Name
	}
	return slug
}

// Lacking runs a question over a set that is being loaded, and says what must be loaded first; empty if nothing.
func Lacking(ask func()) (lacks []Need) {
	defer func() {
		switch thrown := recover().(type) {
		case nil:
		case missing:
			lacks = thrown.needs
		default:
			panic(thrown)
		}
	}()
	ask()
	return nil
}
