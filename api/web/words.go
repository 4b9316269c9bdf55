package web

import (
	"fmt"
	"strings"
	"time"

	"firstout/internal/civil"
)

// words finds the bench's words for what is known of a line, on a day.
type words struct {
	today civil.Day
	zone  *time.Location
	notes notes
}

// A groupKind is one of the board's four groups.
type groupKind int

const (
	withdrawNow groupKind = iota
	sellToday
	sellNext
	inGoodTime
)

// groupWords are what is told of a group wherever it stands: its anchor, its title, what it means and what its figure
// counts.
var groupWords = map[groupKind]struct{ id, title, meaning, figureOf string }{
	withdrawNow: {"withdraw_now", "Off the counter now", "May not be sold. Take it away before you serve.", "to take off now"},
	sellToday:   {"sell_today", "Sell today", "Offer these first.", "must go today"},
	sellNext:    {"sell_next", "Sell next", "Last day tomorrow or the day after.", "to sell next"},
	inGoodTime:  {"in_good_time", "In good time", "Nothing presses.", "in good time"},
}

func (w words) group(kind groupKind, lines []Line) shownGroup {
	said := groupWords[kind]
	g := shownGroup{ID: said.id, Title: said.title, Meaning: said.meaning, FigureOf: said.figureOf}
	for _, l := range lines {
		g.Lines = append(g.Lines, w.line(kind, l))
		if kind == sellToday {
			g.Figure += l.MustGoToday
		} else {
			g.Figure += l.Pieces
		}
	}
	return g
}

func (w words) line(kind groupKind, l Line) shownLine {
	s := shownLine{
		ID: "line-" + l.Code, Name: l.Name, Code: l.Code, Seconds: l.Seconds,
		Stamp: w.stamp(l), Counted: !l.Held && l.DaysLeft != nil && *l.DaysLeft > 0, DateKind: dateKind(l), Date: w.date(l), Estimate: l.Estimate, Why: w.why(kind, l),
		Allergens: allergens(l), Unknown: l.AllergensUnknown, Notes: w.notes.of(l),
	}
	if l.Seconds {
		s.ID += "-seconds"
	}
	switch {
	case kind == withdrawNow:
		s.Figure, s.FigureOf = l.Pieces, "take off"
	case l.MustGoToday > 0:
		s.Figure, s.FigureOf = l.MustGoToday, "must go today"
		if s.Beside = fmt.Sprintf("of %d here", l.Pieces); l.MustGoToday == l.Pieces {
			s.Beside = "all there are"
		}
	default:
		s.Figure, s.FigureOf = l.Pieces, "here"
	}
	if (kind == sellNext || kind == inGoodTime) && l.SellBy != nil && l.Date != nil && !l.SellBy.Before(w.today) && *l.SellBy != *l.Date {
		s.SellBy = fmt.Sprintf("Sold by %s, it leaves the customer %s.", dayWords(*l.SellBy, w.today), days(l.Date.Sub(*l.SellBy)))
	}
	s.Said = strings.TrimSpace(fmt.Sprintf("%s: %d %s %s", name(l), s.Figure, s.FigureOf, s.Beside))
	return s
}

func name(l Line) string {
	if l.Seconds {
		return l.Name + ", seconds"
	}
	return l.Name
}

// stamp tells in two words how long a line has.
func (w words) stamp(l Line) [2]string {
	left := l.DaysLeft
	switch {
	case l.Held:
		return [2]string{"on", "hold"}
	case left == nil:
		return [2]string{"no", "whole day"}
	case *left < 0:
		return [2]string{"past", "its date"}
	case *left == 0:
		return [2]string{"last", "day"}
	case *left == 1:
		return [2]string{"1", "day left"}
	}
	return [2]string{fmt.Sprint(*left), "days left"}
}

func dateKind(l Line) string {
	if l.UseBy {
		return "Use by"
	}
	return "Best before"
}

// date tells a line's date beside today.
func (w words) date(l Line) string {
	if l.Date == nil {
		end := l.EndsBy.In(w.zone)
		return end.Format("15:04") + " " + w.beside(civil.DayOf(end, w.zone))
	}
	if *l.Date == w.today {
		return "last day: " + w.beside(*l.Date)
	}
	return w.beside(*l.Date)
}

// beside tells a day, and how it stands to today where that is a word.
func (w words) beside(day civil.Day) string {
	told := dayWords(day, w.today)
	switch left := day.Sub(w.today); {
	case left == 0:
		return "today, " + told
	case left == 1:
		return "tomorrow, " + told
	case left == -1:
		return "yesterday, " + told
	case left < 0:
		return fmt.Sprintf("%s, %s ago", told, days(-left))
	}
	return told
}

// why tells why a line stands where it stands, if its date does not.
func (w words) why(kind groupKind, l Line) string {
	switch {
	case kind == withdrawNow && l.Held:
		return "On hold: take it off. The owner decides."
	case kind == withdrawNow:
		return "Past its use-by: take it off and discard it."
	case kind != sellToday:
		return ""
	case l.DaysLeft == nil:
		return "No whole day left: sell or discard it by then."
	case *l.DaysLeft < 0:
		return "Past its best-before: taste first, and tell the customer."
	case *l.DaysLeft > 0:
		return "The usual sales will not clear it in time."
	}
	return ""
}

// dayWords writes a day as it stands on a calendar on the wall; with its year where that is another than this one's.
func dayWords(day, today civil.Day) string {
	at := time.Date(day.Year, day.Month, day.Day, 0, 0, 0, 0, time.UTC)
	if day.Year != today.Year {
		return noBreak.Replace(at.Format("Mon 2 Jan 2006"))
	}
	return noBreak.Replace(at.Format("Mon 2 Jan"))
}

// noBreak keeps together at the end of a line what is read together: a day, an allergen, a number of days.
var noBreak = strings.NewReplacer(" ", "\u00a0")

func days(n int) string {
	if n == 1 {
		return noBreak.Replace("1 day")
	}
	return noBreak.Replace(fmt.Sprintf("%d days", n))
}

// allergens tells them in their three grades. An empty grade is left out, but that nothing is recorded is told: it
// promises nothing.
func allergens(l Line) []shownAllergens {
	told := []shownAllergens{}
	for _, g := range []struct {
		grade string
		codes []string
	}{
		{"Contains", l.Contains}, {"May contain", l.MayContain}, {"Made where handled", l.MadeWhereHandled},
	} {
		if len(g.codes) > 0 {
			told = append(told, shownAllergens{g.grade, allergenNames(g.codes)})
		}
	}
	if len(l.Contains) == 0 && !l.AllergensUnknown {
		told = append([]shownAllergens{{"Contains", "none recorded: ask the maker"}}, told...)
	}
	return told
}

// allergenNames writes codes as words: the nut and the cereal are named, and what they are beside it.
func allergenNames(codes []string) string {
	names := make([]string, len(codes))
	for i, code := range codes {
		kind, which, named := strings.Cut(strings.ReplaceAll(code, "-", " "), ":")
		names[i] = kind
		if named {
			names[i] = fmt.Sprintf("%s (%s)", which, kind)
		}
		names[i] = noBreak.Replace(names[i])
	}
	return strings.Join(names, ", ")
}
