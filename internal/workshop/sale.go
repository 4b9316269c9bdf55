package workshop

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
)

// PieceLine asks for pieces: by design, first-expiring-first-out, or by the code on their label; of a box's code, for
// boxes. A price is for the whole line.
type PieceLine struct {
	Design     string
	Code       events.Code
	Grade      string // of pieces named by code; "": first, else second
	Pieces     int
	PriceMinor *int64
}

// Sell records a sale.
type Sell struct {
	Done
	Place     string
	Lines     []PieceLine
	Channel   string
	Buyer     string
	Reference string
}

// Sold is the answer to Sell and to Give: what was taken from where, and what the counter should know.
type Sold struct {
	Lines    []events.SoldLine
	Warnings []string
}

// ChannelTrade is a sale to a business: it names its buyer.
const ChannelTrade = "trade"

// Needs is the stock of each line.
func (c Sell) Needs() []Need { return needsOfPieces(c.Done, c.Place, c.Lines) }

func needsOfPieces(done Done, place string, lines []PieceLine) []Need {
	var needs []Need
	for _, l := range lines {
		if l.Code != "" {
			needs = append(needs, NeedThing(l.Code))
		} else {
			needs = append(needs, NeedStock(place, l.Design))
			if done.OccurredAt != nil {
				needs = append(needs, NeedCounted(place, l.Design, instant(*done.OccurredAt)))
			}
		}
	}
	return needs
}

// Decide allocates the pieces and writes the sale.
func (c Sell) Decide(d *Desk) (any, *Refusal) {
	if c.Channel == ChannelTrade && c.Buyer == "" {
		return nil, invalid("/buyer", "A sale to trade names its buyer: give the buyer's name in the book.")
	}
	var rs refusals
	place := d.place(c.Place, &rs)
	if place != nil && !place.Sells {
		rs.add(RefusedWrongKind, Facts{"place": c.Place}, "%s does not sell: name a place that does.", place.Name)
	}
	if c.Buyer != "" && d.Set.Defs.Buyers.Latest(c.Buyer) == nil {
		rs.unknown("buyer", c.Buyer)
	}
	d.happened(c.Done, &rs)
	taking := takePieces(d, c.Place, c.Lines, c.AlreadyDone, &rs)
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	d.bookShort(c.Place, taking)
	currency := ""
	if site := d.Set.Defs.Sites.Latest(d.site); site != nil {
		currency = site.Body.Currency
	}
	sold := events.PiecesSold{Place: c.Place, Channel: c.Channel, Buyer: c.Buyer, Reference: c.Reference, RuleBroken: broken}
	for i, l := range c.Lines {
		sold.Lines = append(sold.Lines, events.SoldLine{
			Design: taking.designs[i], Allocations: taking.lines[i], PriceMinor: d.priceOf(l, taking.designs[i]), Currency: currency,
		})
	}
	d.record(d.At, d.site, sold)
	taking.openBroken(d, broken)
	return Sold{Lines: sold.Lines, Warnings: taking.warnings}, nil
}

// priceOf is the price of the whole line: as given, else the design's price in force.
func (d *Desk) priceOf(l PieceLine, design string) *int64 {
	if l.PriceMinor != nil {
		return l.PriceMinor
	}
	if l.Code.Kind() == events.KindBox {
		return priceOfBoxes(d.Set.Box(l.Code), l.Pieces)
	}
	def := d.Set.Defs.Designs.InForce(design, d.At)
	if def == nil || def.Body.PriceMinor == nil {
		return nil
	}
	price := *def.Body.PriceMinor * int64(l.Pieces)
	return &price
}

func priceOfBoxes(box *Box, boxes int) *int64 {
	if box.PriceMinor == nil {
		return nil
	}
	price := *box.PriceMinor * int64(boxes)
	return &price
}

// Give records tasters. Release lets pieces straight from the mould through the gate in the same command.
type Give struct {
	Done
	Place    string
	Lines    []PieceLine
	Occasion string
	Release  bool
}

// Needs is the stock of each line.
func (c Give) Needs() []Need { return needsOfPieces(c.Done, c.Place, c.Lines) }

// Decide allocates the pieces and writes the tasters.
func (c Give) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.place(c.Place, &rs)
	d.happened(c.Done, &rs)
	var gate, take refusals
	var gateBroken []string
	if c.Release {
		gateBroken = c.release(d, &gate)
	}
	taking := takePieces(d, c.Place, c.Lines, c.AlreadyDone, &take)
	if len(gate) > 0 { // what keeps pieces behind the gate is told, and not that they are behind it
		take = slices.DeleteFunc(take, func(r *Refusal) bool { return r.Slug == RefusedNotReleased })
	}
	rs = append(append(rs, gate...), take...)
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	d.bookShort(c.Place, taking)
	broken = slices.DeleteFunc(broken, func(rule string) bool { return slices.Contains(gateBroken, rule) })
	given := events.PiecesGiven{Place: c.Place, Occasion: c.Occasion, RuleBroken: inOrder(append(gateBroken, broken...))}
	answer := Sold{Warnings: taking.warnings}
	for i := range c.Lines {
		given.Lines = append(given.Lines, events.GivenLine{Design: taking.designs[i], Allocations: taking.lines[i]})
		answer.Lines = append(answer.Lines, events.SoldLine{Design: taking.designs[i], Allocations: taking.lines[i]})
	}
	d.record(d.At, d.site, given)
	taking.openBroken(d, broken)
	return answer, nil
}

// release passes pieces that wait at the place through the gate, as many as each line lacks of released ones, and gives
// the rules that were broken by it.
func (c Give) release(d *Desk, rs *refusals) (broken []string) {
	promised := map[StockKey]int{}
	for _, l := range c.Lines {
		behind := c.behindTheGate(d, l, promised)
		d.wantAtTheGate(behind)
		for _, line := range behind {
			released := Release{Done: c.Done, Run: line.Code, Pieces: int(line.Amount), Grade: line.Grade, Place: c.Place}
			passed, refusal := released.pass(d, nil)
			if refusal != nil {
				*rs = append(*rs, refusal)
			}
			broken = append(broken, passed.Broken...)
		}
	}
	return broken
}

// wantAtTheGate asks at once for what the gate looks at, of many runs too: themselves, and the fillings in them.
func (d *Desk) wantAtTheGate(lines []*StockLine) {
	var runs, fillings []events.Code
	for _, line := range lines {
		runs = append(runs, line.Code)
	}
	d.Set.wantThings(runs)
	for _, run := range runs {
		fillings = append(fillings, d.Set.Run(run).Ganaches...)
	}
	d.Set.wantThings(codeSet(fillings))
}

// behindTheGate picks the unreleased pieces that a line needs, as lines of the amount that it needs of each. What the
// lines before need of released pieces is promised to them.
func (c Give) behindTheGate(d *Desk, l PieceLine, promised map[StockKey]int) []*StockLine {
	var all []*StockLine
	switch {
	case l.Code != "" && d.Set.Exists(l.Code) && l.Code.Kind() == events.KindRun:
		all = d.Set.LinesOf(l.Code)
	case l.Code == "" && d.Set.Defs.Places.Latest(c.Place) != nil:
		all = d.Set.OpenAt(c.Place, l.Design)
	}
	grades := gradesOf(l.Grade)
	if l.Code == "" {
		grades = []string{GradeFirst}
	}
	released, lacks := Pick(all, l.Pieces, func(line *StockLine) int {
		if line.Place != c.Place || line.Unreleased || !slices.Contains(grades, line.Grade) || line.Held || line.Dates.PastAt(d.At) {
			return 0
		}
		return int(d.available(line, d.At)) - promised[line.StockKey]
	})
	for _, p := range released {
		promised[p.Line.StockKey] += p.Amount
	}
	picked, _ := Pick(all, lacks, func(line *StockLine) int {
		if line.Place != c.Place || !line.Unreleased || !slices.Contains(grades, line.Grade) {
			return 0
		}
		return int(d.available(line, d.At))
	})
	var behind []*StockLine
	for _, p := range picked {
		part := *p.Line
		part.Amount = int64(p.Amount)
		behind = append(behind, &part)
		passed := part.StockKey
		passed.Unreleased = false
		promised[passed] += p.Amount
	}
	return behind
}

func gradesOf(asked string) []string {
	if asked != "" {
		return []string{asked}
	}
	return []string{GradeFirst, GradeSecond}
}

// taking is the pieces that a command takes, by its lines.
type taking struct {
	d        *Desk
	place    string
	done     bool             // it has happened: what bars a plan is taken all the same
	taken    map[StockKey]int // by the lines before
	lines    [][]events.Allocation
	designs  []string
	short    []shortage
	broke    map[Slug][]events.Code // which codes each rule was broken with
	warnings []string
}

// shortage is what a line of stock lacked for something that is done already.
type shortage struct {
	line   int // of the request
	key    StockKey
	amount int64 // pieces, or milligrams
	how    string
}

// refuse notes that a rule stands in the way of taking pieces of a code.
func (t *taking) refuse(rs *refusals, slug Slug, code events.Code, facts Facts, format string, args ...any) {
	t.broke[slug] = append(t.broke[slug], code)
	rs.add(slug, facts, format, args...)
}

// openBroken opens a deviation for each rule that was broken, on the pieces with which it was.
func (t *taking) openBroken(d *Desk, broken []string) {
	for _, rule := range broken {
		d.openBroken([]string{rule}, t.broke[Slug(rule)], nil)
	}
}

// takePieces works out where the pieces of each line come from; what stands in the way is added to rs.
func takePieces(d *Desk, place string, lines []PieceLine, done bool, rs *refusals) *taking {
	t := &taking{
		d: d, place: place, done: done, taken: map[StockKey]int{}, lines: make([][]events.Allocation, len(lines)),
		designs: make([]string, len(lines)), broke: map[Slug][]events.Code{},
	}
	for i, l := range lines {
		if l.Code != "" {
			l.Code = d.labelled(l.Code, place)
			t.byCode(d, i, l, rs)
		} else {
			t.byDesign(d, i, l, rs)
		}
	}
	return t
}

// standing is what the lines before left of what may be taken of a line.
func (t *taking) standing(line *StockLine) int {
	if t.passedSince(line) {
		return int(line.Amount) - t.taken[line.StockKey]
	}
	return int(t.d.available(line, t.d.At)) - t.taken[line.StockKey]
}

// passedSince says that pieces had been made by the desk's time, and passed the gate only after it: what was taken of
// them then was not released.
func (t *taking) passedSince(line *StockLine) bool {
	d := t.d
	if line.Unreleased || line.Amount == 0 || !line.ArrivedAt.After(d.At) || line.Code.Kind() == events.KindBox {
		return false
	}
	run := d.Set.Run(line.Code)
	return run != nil && !d.At.Before(run.At) && !d.releasedBy(line.Code, d.At)
}

func (t *taking) take(i int, line *StockLine, pieces int, how string) {
	t.taken[line.StockKey] += pieces
	t.lines[i] = append(t.lines[i], events.Allocation{
		Code: line.Code, Grade: line.Grade, Pieces: pieces, How: how, Unreleased: line.Unreleased, Date: t.d.carries(line),
	})
}

// byDesign allocates first-expiring-first-out over what may be sold.
func (t *taking) byDesign(d *Desk, i int, l PieceLine, rs *refusals) {
	t.designs[i] = l.Design
	if d.Set.Defs.Designs.Latest(l.Design) == nil {
		rs.unknown("design", l.Design)
		return
	}
	if d.Set.Defs.Places.Latest(t.place) == nil {
		return
	}
	all := t.linesOf(l.Design)
	picked, missing := Pick(all, l.Pieces, func(line *StockLine) int {
		if line.Grade != GradeFirst || t.bar(line) != RefusedNotEnough {
			return 0
		}
		return t.standing(line)
	})
	for _, p := range picked {
		t.take(i, p.Line, p.Amount, t.howPresumed(p.Line, all))
		t.warn(d, p.Line)
	}
	if missing > 0 {
		rs.add(t.whyShort(all, missing), t.shortFacts(l.Pieces, l.Pieces-missing),
			"Only %d of the %d pieces of %s asked for can be taken from %s.", l.Pieces-missing, l.Pieces, l.Design, t.place)
		if t.done {
			t.takeAnyway(d, i, all, missing, rs)
		}
	}
}

// takeAnyway takes what is missing from pieces that a plan could not have: held, then past their date, then not
// released. What even those do not cover the book had too few of: it is found where pieces of that design stood.
func (t *taking) takeAnyway(d *Desk, i int, all []*StockLine, missing int, rs *refusals) {
	var picked []Picked
	for _, slug := range append(slices.Clone(barred), RefusedNotEnough) {
		picked, missing = Pick(all, missing, func(line *StockLine) int {
			if line.Grade != GradeFirst || t.bar(line) != slug {
				return 0
			}
			return t.standing(line)
		})
		for _, p := range picked {
			t.take(i, p.Line, p.Amount, t.howPresumed(p.Line, all))
			t.refuse(rs, slug, p.Line.Code, Facts{"code": p.Line.Code}, "%s could not have been taken: %s.", p.Line.Code, slug)
		}
	}
	if missing == 0 {
		return
	}
	for _, line := range all {
		if line.Grade == GradeFirst && !d.At.Before(d.Set.since(line.Code)) {
			t.broke[RefusedNotEnough] = append(t.broke[RefusedNotEnough], line.Code)
			t.short = append(t.short, shortage{line: i, key: line.StockKey, amount: int64(missing), how: "presumed"})
			return
		}
	}
	rs.add(RefusedUnknownCode, Facts{"place": t.place}, "No run of that design stood at %s: name the run by its code.", t.place)
}

func (t *taking) shortFacts(wanted, available int) Facts {
	return Facts{"wanted": wanted, "available": available, "unit": "pieces", "place": t.place}
}

// barred is what keeps pieces that stand at a place from being taken, in the order in which it is told.
var barred = []Slug{RefusedOnHold, RefusedPastDate, RefusedNotReleased}

// bar is the last of what keeps a line of pieces from being taken; not-enough where nothing does.
func (t *taking) bar(line *StockLine) Slug {
	switch {
	case line.Unreleased || t.passedSince(line):
		return RefusedNotReleased
	case line.Dates.PastAt(t.d.At):
		return RefusedPastDate
	case t.onHold(line.Code, line.Held):
		return RefusedOnHold
	}
	return RefusedNotEnough
}

// whyShort tells whether held, then past-date, then unreleased pieces would cover what is missing; each step adds to
// the one before.
func (t *taking) whyShort(all []*StockLine, missing int) Slug {
	stands := map[Slug]int{}
	for _, line := range all {
		if line.Grade == GradeFirst {
			stands[t.bar(line)] += t.standing(line)
		}
	}
	covered := 0
	for _, slug := range barred {
		if covered += stands[slug]; stands[slug] > 0 && covered >= missing {
			return slug
		}
	}
	return RefusedNotEnough
}

// onHold says whether a hold bars a thing. As the book stands, any does; what is done already was barred only by one
// that stood then.
func (t *taking) onHold(code events.Code, held bool) bool {
	return held && (!t.done || t.d.heldBy(code, t.d.At))
}

// heldBy says whether a hold that stands on a thing stood already at an instant.
func (d *Desk) heldBy(code events.Code, at time.Time) bool {
	return slices.ContainsFunc(d.Set.careOf(code).Holds, func(id uuid.UUID) bool {
		now := slices.ContainsFunc(d.recorded, func(r events.Recorded) bool { return r.ID == id }) // by this very command
		return !now && !d.Set.Hold(id).PlacedAt.After(at)
	})
}

// linesOf lists what stood of a design at the place at the desk's time, or stands there now, first expiring first.
func (t *taking) linesOf(design string) []*StockLine {
	d := t.d
	lines := d.Set.OpenAt(t.place, design)
	if d.At.Before(d.Now) {
		lines = append(lines, d.Set.CountedAt(t.place, design, d.At)...)
		slices.SortFunc(lines, FirstExpiring)
		d.Set.wantLater(lines, d.At)
	}
	return lines
}

// howPresumed is certain only where one run of the design stands there at all, held and past ones counted.
func (t *taking) howPresumed(line *StockLine, all []*StockLine) string {
	if slices.ContainsFunc(all, func(o *StockLine) bool { return o.Code != line.Code && t.d.available(o, t.d.At) > 0 }) {
		return "presumed"
	}
	return "single_run_on_place"
}

// byCode takes the pieces of the code on the label.
func (t *taking) byCode(d *Desk, i int, l PieceLine, rs *refusals) {
	if !inPieces(l.Code) {
		rs.add(RefusedWrongKind, Facts{"code": l.Code}, "%s is a %s: name a run or a box.", l.Code, kindWord(l.Code))
		return
	}
	if !d.knows(l.Code) {
		rs.unknownCode(l.Code)
		return
	}
	if l.Code.Kind() == events.KindRun {
		t.designs[i] = d.Set.Run(l.Code).Design
	}
	thing := d.Set.alike(l.Code)
	d.existed(l.Code, d.Set.since(l.Code), d.At, rs)
	if t.onHold(l.Code, thing.care.Held()) {
		t.refuse(rs, RefusedOnHold, l.Code, Facts{"code": l.Code}, "%s is on hold: leave it where it is until the hold is lifted.", l.Code)
	}
	if datesOf(thing.expiry).PastAt(d.At) {
		t.refuse(rs, RefusedPastDate, l.Code, Facts{"code": l.Code, "discard_by": thing.expiry.DiscardBy},
			"%s is past its use-by: take it off the counter.", l.Code)
	}
	line := t.releasedLine(d, l)
	available := 0
	if line != nil {
		available = t.standing(line)
	}
	if available < l.Pieces {
		t.codeShort(d, i, l, available, rs)
	}
	if take := min(available, l.Pieces); take > 0 {
		t.take(i, line, take, "scanned")
		t.warn(d, line)
	}
}

// releasedLine is the line of released pieces that a code and a grade mean, nil if none stand there.
func (t *taking) releasedLine(d *Desk, l PieceLine) *StockLine {
	for _, grade := range gradesOf(l.Grade) {
		line := d.Set.Line(StockKey{Code: l.Code, Place: t.place, Grade: grade})
		if line != nil && !t.passedSince(line) && t.standing(line) > 0 {
			return line
		}
	}
	return nil
}

// codeShort says why too few pieces of a code can be taken: because they are not released, or because the book does
// not have them there.
func (t *taking) codeShort(d *Desk, i int, l PieceLine, available int, rs *refusals) {
	missing := l.Pieces - available
	waiting := t.waiting(d, l)
	if waiting != nil && (t.done || t.standing(waiting) >= missing) {
		take := min(missing, t.standing(waiting))
		missing -= take
		t.refuse(rs, RefusedNotReleased, l.Code, Facts{"code": l.Code},
			"%s has pieces at %s that are not released yet: release them first.", l.Code, t.place)
		t.take(i, waiting, take, "scanned")
	}
	if missing == 0 {
		return
	}
	t.refuse(rs, RefusedNotEnough, l.Code, t.shortFacts(l.Pieces, available),
		"Only %d of the %d %s of %s stand at %s.", available, l.Pieces, piecesWord(l.Code), l.Code, t.place)
	key := StockKey{Code: l.Code, Place: t.place, Grade: cmp.Or(l.Grade, GradeFirst), Unreleased: !d.releasedBy(l.Code, d.At)}
	t.short = append(t.short, shortage{line: i, key: key, amount: int64(missing), how: "scanned"})
	if t.done && key.Unreleased {
		t.refuse(rs, RefusedNotReleased, l.Code, Facts{"code": l.Code}, "No piece of %s was released.", l.Code)
	}
}

// waiting is the line of pieces of a code that were not released at the desk's time, nil if there are none: they wait
// still, or they have passed the gate since.
func (t *taking) waiting(d *Desk, l PieceLine) *StockLine {
	for _, grade := range gradesOf(l.Grade) {
		for _, unreleased := range []bool{true, false} {
			line := d.Set.Line(StockKey{Code: l.Code, Place: t.place, Grade: grade, Unreleased: unreleased})
			if line != nil && (unreleased || t.passedSince(line)) && t.standing(line) > 0 {
				return line
			}
		}
	}
	return nil
}

// warn tells the counter what does not bar a sale but should be known.
func (t *taking) warn(d *Desk, line *StockLine) {
	if date := line.Dates.Date; date != nil && line.Dates.Kind == "best_before" && d.today().After(*date) {
		t.warnings = append(t.warnings, fmt.Sprintf("%s is past its best before of %s: taste first.", line.Code, date))
	}
}

// Picked is an amount chosen from a line.
type Picked struct {
	Line   *StockLine
	Amount int
}

// Pick chooses amounts from lines in the order given, as much of each as may be taken, until the wanted amount
// is reached; missing is what could not be had.
func Pick(lines []*StockLine, wanted int, may func(*StockLine) int) (picked []Picked, missing int) {
	for _, line := range lines {
		if wanted == 0 {
			break
		}
		if take := min(wanted, may(line)); take > 0 {
			picked = append(picked, Picked{Line: line, Amount: take})
			wanted -= take
		}
	}
	return picked, wanted
}
