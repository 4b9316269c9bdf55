package workshop

import (
	"fmt"
	"slices"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// PrintLabel records that labels of a thing were printed, and what stood on them.
type PrintLabel struct {
	Done
	Code   events.Code
	Copies int
}

// LabelPrinted is the answer.
type LabelPrinted struct{ Printed events.LabelPrinted }

// Needs is the thing.
func (c PrintLabel) Needs() []Need { return []Need{NeedThing(c.Code)} }

// Decide writes down what the label said.
func (c PrintLabel) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.happened(c.Done, &rs)
	if !HasLabel(c.Code) {
		rs = append(rs, inURL(NoLabel(c.Code)))
		return nil, rs.first()
	}
	if !d.knows(c.Code) {
		return nil, inURL(unknownThing(c.Code))
	}
	d.atThing(c.Code, &rs)
	d.existed(c.Code, d.Set.since(c.Code), d.At, &rs)
	if first := rs.first(); first != nil {
		return nil, first
	}
	label := d.Set.Label(c.Code, 0)
	printed := events.LabelPrinted{
		Code: c.Code, Copies: c.Copies, Name: label.fullName(), Contains: label.Allergens.Contains,
		MayContain: label.Allergens.MayContain, Content: label.Content,
	}
	if label.Date != nil {
		printed.DateKind, printed.Date = label.Date.Kind, &label.Date.Date
	}
	d.record(d.At, d.site, printed)
	return LabelPrinted{Printed: printed}, nil
}

// NoLabel refuses a code of a kind that has no label.
func NoLabel(code events.Code) *Refusal {
	return wrongKind(code, "a run, a box, a filling, or a lot or portion of one")
}

// fullName is the name with what belongs to it.
func (l Label) fullName() string { return nameAndState(l.Name, l.Defrosted) }

func nameAndState(name string, defrosted bool) string {
	if defrosted {
		return name + ", defrosted"
	}
	return name
}

// labelPrinted keeps the last print on the thing.
func (a *applying) labelPrinted(e events.LabelPrinted) error {
	if !HasLabel(e.Code) || !a.Exists(e.Code) {
		return fmt.Errorf("nothing %s to print a label of", e.Code)
	}
	var labelled *Labelled
	switch e.Code.Kind() {
	case events.KindRun:
		labelled = &a.Runs.edit(e.Code).Labelled
	case events.KindBox:
		labelled = &a.Boxes.edit(e.Code).Labelled
	case events.KindGanache:
		labelled = &a.Ganaches.edit(e.Code).Labelled
	default:
		labelled = &a.Lots.edit(e.Code).Labelled
	}
	if last := labelled.Label; last != nil && last.At.After(a.r.OccurredAt) {
		return nil // written down late: another was printed since
	}
	labelled.Label = &LabelPrint{
		At: a.r.OccurredAt, Copies: e.Copies, Name: e.Name, DateKind: e.DateKind, Date: e.Date, Contains: e.Contains,
		MayContain: e.MayContain, Content: e.Content,
	}
	return nil
}

// StaleLabel is a thing whose label says something else than is so now, or that has none and needs one of its own.
type StaleLabel struct {
	Code    events.Code
	Kind    string
	Name    string
	Date    *civil.Day
	Printed *LabelPrint
	Changes []LabelChange // empty where none was ever printed
	Lines   []StockLine   // where it stands
}

// LabelChange is what a label says and what it should say: of a name, a date or allergens.
type LabelChange struct {
	What string `json:"what"` // name, date, contains or may_contain
	Old  string `json:"old"`  // empty: nothing
	New  string `json:"new"`
}

// StaleLabels lists, of some things that stand somewhere, those whose date, name or allergens are not those of the last
// print, and the parts of which no label was ever printed: the whole's label does not hold for them.
func (s *Set) StaleLabels(codes []events.Code) []StaleLabel {
	stale := []StaleLabel{}
	for _, code := range codes {
		if !HasLabel(code) || !s.Exists(code) {
			continue
		}
		thing := s.alike(code)
		l := StaleLabel{
			Code: code, Kind: kindWord(code), Name: nameAndState(s.labelName(code), s.defrosted(code)), Date: thing.expiry.Date, Printed: s.printOf(code),
		}
		if l.Printed != nil {
			l.Changes = s.labelChanges(l, thing.expiry.Kind)
		}
		if l.Printed == nil && !code.IsPart() || l.Printed != nil && len(l.Changes) == 0 {
			continue
		}
		for _, line := range s.LinesOf(code) {
			if line.Amount > 0 {
				l.Lines = append(l.Lines, *line)
			}
		}
		stale = append(stale, l)
	}
	slices.SortStableFunc(stale, func(a, b StaleLabel) int {
		return s.expiryOf(a.Code).EndsBy.Compare(s.expiryOf(b.Code).EndsBy)
	})
	return stale
}

func (s *Set) labelChanges(l StaleLabel, kind string) []LabelChange {
	var changes []LabelChange
	compare := func(what, old, now string) {
		if old != now {
			changes = append(changes, LabelChange{What: what, Old: old, New: now})
		}
	}
	allergens := s.labelled(l.Code)
	compare("name", l.Printed.Name, l.Name)
	compare("date", printedDate(l.Printed.DateKind, l.Printed.Date), printedDate(kind, l.Date))
	compare("contains", andThen(allergenWords(l.Printed.Contains)), andThen(allergenWords(allergens.Contains)))
	compare("may_contain", andThen(allergenWords(l.Printed.MayContain)), andThen(allergenWords(allergens.MayContain)))
	return changes
}

func printedDate(kind string, date *civil.Day) string {
	if label := labelDate(events.Expiry{Kind: kind, Date: date}, civil.Day{}, false); label != nil {
		return label.Text
	}
	return ""
}
