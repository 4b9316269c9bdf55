package workshop

import (
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
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
	Reached  map[events.Code]Recalled
	Standing map[events.Code][]*StockLine // the open lines of stock of these
	Amounts  map[events.Code]Amounts
	Sales    []*RecalledSale // in the order of time
	Stood    []Stood         // wherever those things stood released, of their design and as long as they can have stood there
}

// RecallLine accounts for one thing of a recall.
type RecallLine struct {
	events.RecalledThing
	Name     string // of its ingredient, recipe or design; a box's own
	DateKind string // "" while there is no date
	Date     *civil.Day
	Held     bool
	Amounts  Amounts
	Lines    []*StockLine // where it stands
	Decision *events.RecallDecision
}

// RecallSale is a sale of what is recalled. CouldBe is the widest set of runs that it can have been, where the run was only
// presumed: all of that design that stood at that place then.
type RecallSale struct {
	*RecalledSale
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
	return s.accountOf(recall, s.reached(recall.Opened.Roots, recall.Reach, NeedRecalled))
}

// accountOf accounts for things of a recall.
func (s *Set) accountOf(recall *Recall, things []events.RecalledThing) RecallAccount {
	needs := make([]Need, 0, len(things))
	for _, t := range things {
		needs = append(needs, NeedAccount(t.Code))
	}
	s.want(needs...)
	account := RecallAccount{Lines: make([]RecallLine, 0, len(things))}
	reached := make(map[events.Code]string, len(things)) // and what each is of
	for _, t := range things {
		r := s.recalled(t.Code)
		reached[t.Code] = r.Subject
		line := RecallLine{
			RecalledThing: t, Name: s.nameOf(r), DateKind: r.DateKind, Date: r.Date, Held: r.Held, Amounts: s.Facts.Amounts[t.Code],
			Lines: s.standing(t.Code),
		}
		if i := slices.IndexFunc(recall.Decisions, func(d events.RecallDecision) bool { return d.Code == t.Code }); i >= 0 {
			line.Decision = &recall.Decisions[i]
		}
		account.Lines = append(account.Lines, line)
		account.addPieces(line, r)
	}
	account.settle()
	stood := standingsOf(s.Facts.Stood)
	account.Sales = make([]RecallSale, 0, len(s.Facts.Sales))
	for _, sale := range s.Facts.Sales {
		if subject, is := reached[sale.Code]; is {
			account.Sales = append(account.Sales, s.recallSale(sale, subject, stood))
		}
	}
	return account
}

// addPieces adds a run's pieces, and what is missing of a box by the pieces in it.
func (a *RecallAccount) addPieces(line RecallLine, r Recalled) {
	missing := max(line.Amounts.Missing, -line.Amounts.Missing)
	switch line.Code.Kind() {
	case events.KindRun:
		a.Pieces += line.Amounts.Made
		a.Missing += missing
	case events.KindBox:
		a.Missing += missing * int64(Box{Contents: r.Contents}.Pieces())
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

func (s *Set) recallSale(sale *RecalledSale, subject string, stood standings) RecallSale {
	shown := RecallSale{RecalledSale: sale}
	if buyer := s.Defs.Buyers.Latest(sale.Buyer); buyer != nil {
		shown.Contact, shown.Person = buyer.Body.Contact, buyer.Body.Person
		if buyer.Body.Erased {
			shown.Contact = NameErased
		}
	}
	if sale.How == "presumed" {
		shown.CouldBe = stood.couldBe(sale, subject)
	}
	return shown
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
