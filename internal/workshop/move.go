package workshop

import (
	"fmt"
	"slices"

	"firstout/internal/events"
)

// Move records stock carried from one place to another. Held and unreleased stock may be moved. With IntoBag it is
// filling that is taken into a piping bag, at the same place or another.
type Move struct {
	Done
	From, To string
	Lines    []HandledLine
	Sealed   bool
	IntoBag  bool
}

// Moved is the answer: what each line became. A part has the date that it is shown with.
type Moved struct{ Lines []events.MovedLine }

// Needs is the things, and what is open about the place they stood at.
func (c Move) Needs() []Need { return append(needsOfHandled(c.Lines), NeedDeviationsAt(c.From)) }

// Decide moves the stock. Where histories part, into or out of the freezer, into a piping bag, out of a place that was out
// of its class or into a warmer one, the part gets its own code and date.
func (c Move) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	to := d.place(c.To, &rs)
	from := d.place(c.From, &rs)
	if c.From == c.To && !c.IntoBag {
		return nil, invalid("/to", "From and to are the same place: name where it was carried to.")
	}
	d.happened(c.Done, &rs)
	for _, l := range c.Lines {
		c.checkLine(d, l, &rs)
	}
	d.handledSince(c.Lines, &rs)
	taking := d.handle(c.Lines, func(HandledLine) string { return c.From }, &rs)
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	short := taking.bookShort(d)
	m := moving{d: d, c: c, from: from, to: to, parts: map[events.Code]*newPart{}, numbers: map[events.Code]int{}}
	moved := events.StockMoved{From: c.From, To: c.To, Sealed: c.Sealed, IntoBag: c.IntoBag, RuleBroken: broken}
	for _, h := range taking.found {
		moved.Lines = append(moved.Lines, m.line(h))
	}
	d.record(d.At, d.site, moved)
	d.openBroken(broken, short, nil)
	m.hold()
	return m.answer(moved), nil
}

// checkLine refuses what cannot be moved so.
func (c Move) checkLine(d *Desk, l HandledLine, rs *refusals) {
	kind := l.Code.Kind()
	switch {
	case kind == events.KindCharge && d.Set.Exists(l.Code):
		rs.add(RefusedWrongKind, Facts{"code": l.Code}, "%s is in its tank: empty the tank into a block to move it.", l.Code)
		return
	case c.IntoBag && kind != events.KindGanache && d.Set.Exists(l.Code):
		rs.add(RefusedWrongKind, Facts{"code": l.Code}, "%s is a %s: a piping bag takes filling.", l.Code, kindWord(l.Code))
		return
	}
	d.checkUnit(l, rs)
}

// moving is a move being decided.
type moving struct {
	d        *Desk
	c        Move
	from, to *events.Place
	parts    map[events.Code]*newPart // by what they part from; nil: nothing parts
	numbers  map[events.Code]int      // of parts that each whole gets
	order    []*newPart
}

// line is one line of stock as it moves.
func (m *moving) line(h handled) events.MovedLine {
	line := events.MovedLine{
		StockOf: events.StockOf{Code: h.line.Code, Grade: h.line.Grade, Unreleased: h.line.Unreleased},
		Amount:  amount(h.line.StockKey, h.amount),
	}
	if p := m.partOf(h.line); p != nil {
		line.NewCode, line.Expiry, line.Parting = p.code, &p.expiry, &p.parting
	}
	return line
}

// partOf is the part that a thing's stock becomes, nil if it goes on as it was.
func (m *moving) partOf(line *StockLine) *newPart {
	if p, known := m.parts[line.Code]; known {
		return p
	}
	p := m.parting(line)
	m.parts[line.Code] = p
	if p != nil {
		whole := line.Code.Whole()
		m.numbers[whole]++
		p.from, p.code = line.Code, m.d.newPart(whole, m.d.Set.alike(whole).parts+m.numbers[whole])
		m.order = append(m.order, p)
	}
	return p
}

// The deviations that a part may be born with, and the causes of the holds that come with them.
const (
	CauseSecondFreezing = "second_freezing"
	CauseOutOfClass     = "out_of_class"
)

// hold opens the safety deviations that parts are born with. Until the owner has decided about them they are held.
func (m *moving) hold() {
	d := m.d
	for _, p := range m.order {
		if f := p.parting.Freezing; p.parting.Cause == events.PartedFrozen && f.Again {
			m.open(p, events.DeviationOpened{Rule: CauseSecondFreezing, Detail: fmt.Sprintf("%s was in the freezer before and went in again.", p.from)})
		}
		if out := p.outOfClass; len(out) > 0 {
			last := out[len(out)-1]
			m.open(p, events.DeviationOpened{
				Place: m.c.From, Rule: CauseOutOfClass, Value: last.Value, Band: last.Band,
				Detail: fmt.Sprintf("%s came from %s, which was out of its class: %s", p.from, d.Set.Defs.Places.Latest(m.c.From).Body.Name, last.Detail),
			})
		}
	}
}

func (m *moving) open(p *newPart, deviation events.DeviationOpened) {
	deviation.Code, deviation.Concern = p.code, concernSafety
	opened := m.d.record(m.d.At, m.d.site, deviation)
	m.d.hold(p.code, []events.Code{p.code}, deviation.Rule, deviation.Detail, &opened.ID)
}

// answer tells what was moved, each part with the date that it is shown with.
func (m *moving) answer(moved events.StockMoved) Moved { return Moved{Lines: m.d.asShown(moved.Lines)} }

// asShown gives the parts among what was moved the dates that they are shown with.
func (d *Desk) asShown(moved []events.MovedLine) []events.MovedLine {
	lines := slices.Clone(moved)
	for i, l := range lines {
		if l.NewCode != "" {
			shown := d.expiryAt(l.NewCode, d.At)
			lines[i].Expiry = &shown
		}
	}
	return lines
}
