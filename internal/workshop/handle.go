package workshop

import (
	"cmp"
	"slices"
	"time"

	"firstout/internal/events"
)

// HandledLine asks for a quantity of one thing by its code: pieces of a run, boxes, or mass of anything else.
type HandledLine struct {
	Code     events.Code
	Grade    string // of pieces; "": any
	Pieces   int
	Quantity events.Mass
}

func (l HandledLine) wanted() int64 {
	if inPieces(l.Code) {
		return int64(l.Pieces)
	}
	return int64(l.Quantity)
}

func needsOfHandled(lines []HandledLine) []Need {
	var needs []Need
	for _, l := range lines {
		needs = append(needs, NeedThing(l.Code))
	}
	return needs
}

// handled is a line of stock and how much of it one line of a request takes.
type handled struct {
	request int
	line    *StockLine
	amount  int64
}

// handling is what a command takes by code, line by line, and what the book lacked for it.
type handling struct {
	found []handled
	short []shortage
}

// handle finds the stock of each line at its place: released pieces before unreleased, first grade before second.
func (d *Desk) handle(lines []HandledLine, placeOf func(HandledLine) string, rs *refusals) *handling {
	h := &handling{}
	left := map[StockKey]int64{}
	for i, l := range lines {
		if !d.checkUnit(l, rs) {
			continue
		}
		place, wanted, available := placeOf(l), l.wanted(), int64(0)
		l.Code = d.labelled(l.Code, place)
		for _, line := range d.linesAt(l, place) {
			has, seen := left[line.StockKey]
			if !seen {
				has = d.available(line, d.At)
			}
			available += has
			take := min(wanted, has)
			if take <= 0 {
				continue
			}
			wanted -= take
			left[line.StockKey] = has - take
			h.found = append(h.found, handled{request: i, line: line, amount: take})
		}
		if wanted > 0 {
			d.tooFew(l, place, available, rs)
			h.short = append(h.short, shortage{line: i, key: d.emptyLine(l, place), amount: wanted})
		}
	}
	return h
}

// bookShort books as found what the book lacked for something that is done already, and takes it.
func (h *handling) bookShort(d *Desk) (codes []events.Code) {
	for _, s := range h.short {
		d.found(s.key.Place, s, d.At)
		h.found = append(h.found, handled{request: s.line, line: d.Set.Line(s.key), amount: s.amount})
		codes = append(codes, s.key.Code)
	}
	return codes
}

func (d *Desk) tooFew(l HandledLine, place string, available int64, rs *refusals) {
	if inPieces(l.Code) {
		rs.add(RefusedNotEnough, Facts{"wanted": l.Pieces, "available": available, "unit": "pieces", "place": place, "code": l.Code},
			"Only %d of the %d %s of %s stand at %s.", available, l.Pieces, piecesWord(l.Code), l.Code, place)
		return
	}
	rs.add(RefusedNotEnough, Facts{"wanted": l.Quantity, "available": events.Mass(available), "unit": "g", "place": place, "code": l.Code},
		"Only %s g of the %s g of %s stand at %s.", events.Mass(available).Grams(), l.Quantity.Grams(), l.Code, place)
}

// checkUnit refuses an unknown code, and pieces of what is weighed or grams of what is counted.
func (d *Desk) checkUnit(l HandledLine, rs *refusals) bool {
	if !d.knows(l.Code) {
		rs.unknownCode(l.Code)
		return false
	}
	if isCounted := inPieces(l.Code); isCounted && l.Quantity > 0 || !isCounted && l.Pieces > 0 {
		rs.add(RefusedWrongKind, Facts{"code": l.Code}, "%s is a %s: pieces of runs and boxes are counted, everything else is weighed.", l.Code, kindWord(l.Code))
		return false
	}
	return true
}

func (d *Desk) linesAt(l HandledLine, place string) []*StockLine {
	var lines []*StockLine
	for _, line := range d.Set.LinesOf(l.Code) {
		if line.Place == place && (l.Grade == "" || l.Grade == line.Grade) {
			lines = append(lines, line)
		}
	}
	slices.SortStableFunc(lines, func(a, b *StockLine) int { return compareBool(a.Unreleased, b.Unreleased) })
	return lines
}

// since notes a line that is said to have been handled before its thing came to be.
func (d *Desk) handledSince(lines []HandledLine, rs *refusals) {
	for _, l := range lines {
		if d.Set.Exists(l.Code) {
			d.existed(l.Code, d.Set.since(l.Code), d.At, rs)
		}
	}
}

// Discard records stock thrown away, or gone otherwise than by a sale.
type Discard struct {
	Done
	Place       string // "" for charges
	Lines       []HandledLine
	Reason      string
	Destination string
	Note        string
}

// Discarded is the answer.
type Discarded struct{ Event events.StockDiscarded }

// Needs is the things.
func (c Discard) Needs() []Need { return needsOfHandled(c.Lines) }

// Decide takes the stock out. Held, past-date and unreleased stock may be discarded.
func (c Discard) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.happened(c.Done, &rs)
	if c.Place != "" {
		d.place(c.Place, &rs)
	}
	discarded := events.StockDiscarded{Place: c.Place, Reason: c.Reason, Destination: c.Destination, Note: c.Note}
	if allCharges(c.Lines) {
		discarded.Place = ""
	} else if c.Place == "" {
		return nil, invalid("/place", "Say at which place it stood.")
	}
	d.handledSince(c.Lines, &rs)
	stood := func(l HandledLine) string {
		if l.Code.Kind() != events.KindCharge {
			return c.Place
		}
		charge := d.Set.Charge(l.Code)
		d.atSite(charge.Site, &rs)
		return charge.Vat
	}
	taking := d.handle(c.Lines, stood, &rs)
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	short := taking.bookShort(d)
	discarded.RuleBroken = broken
	for _, h := range taking.found {
		discarded.Lines = append(discarded.Lines, discardedLine(h))
	}
	d.record(d.At, d.site, discarded)
	d.openBroken(broken, short, nil)
	return Discarded{Event: discarded}, nil
}

func allCharges(lines []HandledLine) bool {
	return !slices.ContainsFunc(lines, func(l HandledLine) bool { return l.Code.Kind() != events.KindCharge })
}

func discardedLine(h handled) events.DiscardedLine {
	line := events.DiscardedLine{
		StockOf: events.StockOf{Code: h.line.Code, Grade: h.line.Grade, Unreleased: h.line.Unreleased},
		Amount:  amount(h.line.StockKey, h.amount), Weight: events.Mass(h.amount),
	}
	if h.line.Grade != "" {
		line.Design, line.Weight = h.line.Subject, h.line.PieceMass.Times(int(h.amount))
	}
	return line
}

// Count records what a count found at a place.
type Count struct {
	Done
	Place    string
	Lines    []HandledLine
	Complete bool // what is not listed is none
	Reason   string
}

// Counted is the answer.
type Counted struct{ Event events.StockCounted }

// Needs is the things, and for a complete count everything at the place.
func (c Count) Needs() []Need {
	needs := needsOfHandled(c.Lines)
	if c.Complete {
		needs = append(needs, NeedPlace(c.Place))
	}
	return needs
}

// Decide books the differences.
func (c Count) Decide(d *Desk) (any, *Refusal) {
	if c.Reason == reasonBookShort {
		return nil, invalid("/reason", "%q is what the book says itself of what it had too few of: give another reason.", reasonBookShort)
	}
	var rs refusals
	d.place(c.Place, &rs)
	d.happened(c.Done, &rs)
	d.handledSince(c.Lines, &rs)
	counted := events.StockCounted{Place: c.Place, Complete: c.Complete, Reason: c.Reason}
	listed := map[StockKey]bool{}
	for _, l := range c.Lines {
		if !d.checkUnit(l, &rs) {
			continue
		}
		if l.Code.Kind() == events.KindCharge {
			rs.add(RefusedWrongKind, Facts{"code": l.Code}, "%s is in its tank: it is not counted at a place.", l.Code)
			continue
		}
		for _, line := range d.countedLines(l, c.Place) {
			if listed[line.key] {
				return nil, invalid("/lines", "%s is counted twice: give it one line.", l.Code)
			}
			listed[line.key] = true
			d.enoughSince(line, &rs)
			counted.Lines = append(counted.Lines, line.event())
		}
	}
	if c.Complete && d.Set.Defs.Places.Latest(c.Place) != nil {
		stood := d.Set.StoodAt(c.Place, d.At)
		var things []Need
		for _, line := range stood {
			things = append(things, NeedThing(line.Code))
		}
		d.Set.want(things...)
		for _, line := range stood {
			if !listed[line.StockKey] {
				none := countedLine{key: line.StockKey, had: d.Set.had(line, d.At)}
				d.enoughSince(none, &rs)
				counted.Lines = append(counted.Lines, none.event())
			}
		}
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	d.record(d.At, d.site, counted)
	return Counted{Event: counted}, nil
}

// countedLine is what a count found on one line of stock, and what the book had there.
type countedLine struct {
	key        StockKey
	found, had int64
}

func (l countedLine) event() events.CountedLine {
	return events.CountedLine{
		StockOf: events.StockOf{Code: l.key.Code, Grade: l.key.Grade, Unreleased: l.key.Unreleased},
		Found:   amount(l.key, l.found), Had: amount(l.key, l.had),
	}
}

// enoughSince notes a count that found less than was taken since by what the book has: one of the two is wrong.
func (d *Desk) enoughSince(l countedLine, rs *refusals) {
	line := d.Set.Line(l.key)
	if line == nil || line.countedAfter(d.At) {
		return
	}
	if since := l.had - line.Amount; l.found < since {
		unit := "pieces"
		if l.key.Grade == "" {
			unit = "g"
		}
		rs.add(RefusedNotEnough, Facts{
			"wanted": shown(l.key, since), "available": shown(l.key, l.found), "unit": unit, "place": l.key.Place, "code": l.key.Code,
		}, "More of %s was taken from %s since then than the count found: mend the count, or what was taken.", l.key.Code, l.key.Place)
	}
}

// shown is a quantity of a line as a refusal's facts give it.
func shown(key StockKey, n int64) any {
	if key.Grade == "" {
		return events.Mass(n)
	}
	return n
}

// countedLines are the lines of stock that a count of a code means: all that stood there, of the grade that is named
// or of any. What was found fills them as the book has them, released pieces of the first grade before others, and
// what is over is more of the first. Where none stands, a line is opened: of pieces that have passed the gate only if
// any of their run have.
func (d *Desk) countedLines(l HandledLine, place string) []countedLine {
	var lines []countedLine
	left := l.wanted()
	for _, line := range d.linesAt(l, place) {
		if had := d.Set.had(line, d.At); had > 0 {
			found := min(left, had)
			left -= found
			lines = append(lines, countedLine{key: line.StockKey, found: found, had: had})
		}
	}
	if len(lines) == 0 {
		none := countedLine{key: d.emptyLine(l, place)}
		if line := d.Set.Line(none.key); line != nil {
			none.had = d.Set.had(line, d.At)
		}
		lines = append(lines, none)
	}
	lines[0].found += left
	return lines
}

// emptyLine is the line of stock that found pieces or mass are put on where the book has none at that place.
func (d *Desk) emptyLine(l HandledLine, place string) StockKey {
	key := StockKey{Code: l.Code, Place: place}
	switch l.Code.Kind() {
	case events.KindRun:
		key.Grade, key.Unreleased = cmp.Or(l.Grade, GradeFirst), !d.releasedBy(l.Code, d.At)
	case events.KindBox:
		key.Grade = GradeFirst
	default: // what is weighed has no grade
	}
	for _, known := range d.linesAt(l, place) {
		if known.Unreleased || !key.Unreleased {
			return known.StockKey
		}
	}
	return key
}

// piecesWord is what stock of a thing is counted in.
func piecesWord(code events.Code) string {
	if code.Kind() == events.KindBox {
		return "boxes"
	}
	return "pieces"
}

// releasedBy says whether any piece of a run, or of a part of one, had passed the gate by an instant. Boxes have no gate
// of their own.
func (d *Desk) releasedBy(run events.Code, at time.Time) bool {
	if run.Kind() == events.KindBox {
		return true
	}
	released := d.Set.Run(run).ReleasedAt
	return released != nil && !at.Before(*released)
}
