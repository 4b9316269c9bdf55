package web

import (
	"slices"
	"time"

	"firstout/internal/civil"
)

// A Board is what a counter asks of a place, read at a moment.
type Board struct {
	Place    Place
	Others   []Place        // where else a board may be asked for
	At       time.Time      // as of when
	Zone     *time.Location // of the place's site: all days and times are told in it
	Cautions []string       // beside all dates and allergens

	WithdrawNow, SellToday, SellNext, InGoodTime []Line
}

// A Line is the pieces of one run and grade that stand at the place.
type Line struct {
	Code        string
	Name        string // the design's
	Seconds     bool
	Pieces      int
	MustGoToday int
	Held        bool
	UseBy       bool       // the date is a use-by, else a best-before
	Date        *civil.Day // nil: no whole day
	DaysLeft    *int       // nil with it
	EndsBy      time.Time
	SellBy      *civil.Day // so that its days are left to the customer
	Estimate    string     // words that stand right beside the date, where it rests on an estimate
	Cautions    []string

	Contains, MayContain, MadeWhereHandled []string // codes
	AllergensUnknown                       bool
}

// HTML gives the page.
func (b Board) HTML() ([]byte, error) { return render("board", b.shown()) }

// shownBoard is a board in the words of the page.
type shownBoard struct {
	Place           Place
	Others          []Place
	Time, Day       string
	Instant         string // for programs
	Groups          []shownGroup
	NothingUrgent   bool
	Cautions, Notes []string
}

type shownGroup struct {
	ID, Title, Meaning string
	Figure             int    // what stands in the glance
	FigureOf           string // what it counts
	Lines              []shownLine
	Last               bool // of those that the day's end takes
}

// shownLine is a line in the words of the page.
type shownLine struct {
	ID         string
	Name, Code string
	Seconds    bool
	Stamp      [2]string // how long it has, in two short words
	Counted    bool      // the first of them is a number
	Figure     int       // what to act on
	FigureOf   string
	Beside     string // the other figure
	DateKind   string
	Date       string
	Estimate   string
	Why        string
	SellBy     string
	Allergens  []shownAllergens
	Unknown    bool
	Notes      []int  // numbers of the cautions that not all such lines carry
	Said       string // of a change, to who does not see it
}

type shownAllergens struct{ Grade, Names string }

func (b Board) shown() shownBoard {
	today := civil.DayOf(b.At, b.Zone)
	local := b.At.In(b.Zone)
	s := shownBoard{
		Place: b.Place, Others: b.Others, Time: local.Format("15:04"), Day: dayWords(today, today), Instant: local.Format(time.RFC3339),
		NothingUrgent: len(b.WithdrawNow)+len(b.SellToday) == 0,
	}
	notes := b.notes()
	s.Cautions, s.Notes = slices.Concat(b.Cautions, notes.common), notes.some
	w := words{today: today, zone: b.Zone, notes: notes}
	s.Groups = []shownGroup{
		w.group(withdrawNow, b.WithdrawNow), w.group(sellToday, b.SellToday), w.group(sellNext, b.SellNext), w.group(inGoodTime, b.InGoodTime),
	}
	s.Groups[1].Last = true
	return s
}

// notes sorts the lines' cautions: one that all lines with that kind of date carry is told once, the others by number.
func (b Board) notes() notes {
	lines := slices.Concat(b.WithdrawNow, b.SellToday, b.SellNext, b.InGoodTime)
	var n notes
	for _, l := range lines {
		for _, caution := range l.Cautions {
			without := func(other Line) bool { return other.UseBy == l.UseBy && !slices.Contains(other.Cautions, caution) }
			switch {
			case slices.Contains(n.common, caution) || slices.Contains(n.some, caution):
			case slices.ContainsFunc(lines, without):
				n.some = append(n.some, caution)
			default:
				n.common = append(n.common, caution)
			}
		}
	}
	return n
}

type notes struct{ common, some []string }

// of gives the numbers of a line's notes, from 1.
func (n notes) of(l Line) []int {
	var numbers []int
	for i, caution := range n.some {
		if slices.Contains(l.Cautions, caution) {
			numbers = append(numbers, i+1)
		}
	}
	return numbers
}
