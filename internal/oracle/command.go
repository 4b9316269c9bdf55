package oracle

import (
	"fmt"
	"strings"
	"time"
)

// A Command is something that somebody writes down. Which fields mean something its kind says.
type Command struct {
	Kind  string    // one of the constants below
	At    time.Time // when it happened; zero: now
	Done  bool      // already done
	Maker bool      // written down by a maker; else by the owner

	Name    string // of an ingredient, formula or design
	Vat     string
	Place   string
	To      string
	Code    string
	Nth     int // of holds and deviations, in the order in which they were opened, from 1
	Moulds  int
	Amount  int64
	Pieces  int
	Boiled  bool
	Flag    bool // hold: downstream; count: complete; empty: cleaned
	Word    string
	Channel string

	SupplierLot string
	MarkKind    string
	Mark        Day
	Allergens   []string // a lot's own label; nil: its ingredient's

	Draws []Draw
	Lines []Line

	Cast, Cap *Step
	Fills     []Fill
	Out       *TurnOut

	Wait time.Duration // of the clock
}

// The kinds of command.
const (
	Clock   = "clock"
	Receive = "receive"
	Open    = "open"
	Melt    = "melt"
	Empty   = "empty"
	Ganache = "ganache"
	Run     = "run"  // a new run with any of its steps
	Work    = "work" // one step of a run: Cast, a fill, Cap or Out
	Release = "release"
	Sell    = "sell"
	Give    = "give"
	Discard = "discard"
	Move    = "move"
	Count   = "count"
	Hold    = "hold"
	Lift    = "lift"
	Check   = "check"
	Decide  = "decide"
)

// A Draw takes a mass of a lot, portion, charge or ganache.
type Draw struct {
	Source, Place string
	Mass          int64
}

// A Line is pieces of a design or of a code, or a mass of a code.
type Line struct {
	Design, Code string
	Pieces       int
	Mass         int64
}

// A Step draws chocolate from a vat. Less than nothing was not weighed.
type Step struct {
	Vat             string
	Drawn, Returned int64
	At              time.Time // its own time; zero: the command's
}

// A Fill pipes a source into the shells. A mass of less than nothing was not weighed.
type Fill struct {
	Source, Place string
	Mass          int64
	At            time.Time
}

// TurnOut is what came out of the moulds.
type TurnOut struct {
	Good, Broken, Left int
	Place              string
	At                 time.Time
}

// String writes a command so that a person can follow it.
func (c Command) String() string {
	var words []string
	say := func(format string, args ...any) { words = append(words, fmt.Sprintf(format, args...)) }
	say("%-8s", c.Kind)
	if c.Wait > 0 {
		say("%s on", c.Wait)
	}
	for _, w := range []struct{ name, text string }{
		{"", c.Name}, {"", c.Code}, {"vat ", c.Vat}, {"at ", c.Place}, {"to ", c.To}, {"", c.Word}, {"channel ", c.Channel},
	} {
		if w.text != "" {
			say("%s%s", w.name, w.text)
		}
	}
	if c.Nth > 0 {
		say("no. %d", c.Nth)
	}
	if c.Moulds > 0 {
		say("%d moulds", c.Moulds)
	}
	if c.Amount > 0 {
		say("%s", grams(c.Amount))
	}
	if c.Pieces > 0 {
		say("%d pieces", c.Pieces)
	}
	if c.MarkKind != "" {
		say("%s %s, supplier lot %q", c.MarkKind, c.Mark, c.SupplierLot)
	}
	if c.Allergens != nil {
		say("labelled %v", c.Allergens)
	}
	if c.Boiled {
		say("boiled")
	}
	if c.Flag {
		say("%s", map[string]string{Hold: "downstream", Count: "complete", Empty: "cleaned"}[c.Kind])
	}
	for _, d := range c.Draws {
		say("[%s %s %s]", d.Source, grams(d.Mass), d.Place)
	}
	for _, l := range c.Lines {
		say("[%s%s %d pieces %s]", l.Design, l.Code, l.Pieces, grams(l.Mass))
	}
	step := func(name string, s *Step) {
		if s != nil {
			say("[%s %s drawn %s returned %s%s]", name, s.Vat, grams(s.Drawn), grams(s.Returned), own(s.At))
		}
	}
	step("cast", c.Cast)
	for _, f := range c.Fills {
		say("[fill %s %s %s%s]", f.Source, grams(f.Mass), f.Place, own(f.At))
	}
	step("cap", c.Cap)
	if o := c.Out; o != nil {
		say("[out good %d broken %d left %d %s%s]", o.Good, o.Broken, o.Left, o.Place, own(o.At))
	}
	if !c.At.IsZero() {
		say("occurred %s", c.At.Format(time.RFC3339))
	}
	if c.Done {
		say("already done")
	}
	if c.Maker {
		say("by the maker")
	}
	return strings.Join(words, " ")
}

func own(at time.Time) string {
	if at.IsZero() {
		return ""
	}
	return " at " + at.Format(time.RFC3339)
}

func grams(mg int64) string {
	if mg < 0 {
		return "unweighed"
	}
	return fmt.Sprintf("%d.%03d g", mg/Gram, mg%Gram)
}
