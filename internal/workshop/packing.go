package workshop

import (
	"slices"

	"firstout/internal/events"
)

// PackBoxes packs boxes of pieces: of runs that are named, or of designs, first expiring first. Each line says what goes
// into one box.
type PackBoxes struct {
	Done
	Name       string // as the boxes are called; "" for none
	Place      string
	Lines      []PieceLine
	Boxes      int
	PriceMinor *int64 // of one box
}

// PackedBoxes is the answer: boxes of the same contents have one code, those of other contents another.
type PackedBoxes struct {
	Boxes    []*Box
	Handles  []string // the allergens that the site handles
	Warnings []string
}

// Needs is the stock of each line.
func (c PackBoxes) Needs() []Need { return needsOfPieces(c.Done, c.Place, c.Lines) }

// Decide takes the pieces and packs them. Only released pieces go into a box.
func (c PackBoxes) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	place := d.place(c.Place, &rs)
	if place != nil && frozen(place) {
		rs.add(RefusedWrongKind, Facts{"place": c.Place}, "%s is a freezer: pack the boxes outside of it, and move them in.", place.Name)
	}
	d.happened(c.Done, &rs)
	c.checkCodes(&rs)
	taking := takePieces(d, c.Place, c.inAll(), c.AlreadyDone, &rs)
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	d.bookShort(c.Place, taking)
	answer := PackedBoxes{Warnings: taking.warnings}
	var packed []events.Code
	for _, alike := range taking.shareOut(c.Lines, c.Boxes) {
		packed = append(packed, c.pack(d, alike, broken))
	}
	c.openBroken(d, taking, broken, packed)
	if site := d.Set.Defs.Sites.Latest(d.site); site != nil {
		answer.Handles = site.Body.Handles
	}
	for _, code := range packed {
		answer.Boxes = append(answer.Boxes, d.Set.Box(code))
	}
	return answer, nil
}

// checkCodes refuses whatever is no run: boxes do not go into boxes.
func (c PackBoxes) checkCodes(rs *refusals) {
	for _, l := range c.Lines {
		if l.Code.Kind() == events.KindBox {
			rs.add(RefusedWrongKind, Facts{"code": l.Code}, "%s is a box: name the runs whose pieces go into a box.", l.Code)
		}
	}
}

// inAll is what all the boxes take.
func (c PackBoxes) inAll() []PieceLine {
	lines := slices.DeleteFunc(slices.Clone(c.Lines), func(l PieceLine) bool { return l.Code.Kind() == events.KindBox })
	for i := range lines {
		lines[i].Pieces *= c.Boxes
	}
	return lines
}

// boxesAlike is boxes with the same contents.
type boxesAlike struct {
	boxes    int
	contents []events.BoxContent
}

// shareOut fills one box after the other from what was taken for each line, in its order. Boxes with the same contents
// come together, in the order of the first of them.
func (t *taking) shareOut(lines []PieceLine, boxes int) []boxesAlike {
	var all []boxesAlike
	var runs []events.Code
	left := make([][]events.Allocation, len(lines))
	for i := range lines {
		left[i] = slices.Clone(t.lines[i])
		for _, a := range left[i] {
			runs = append(runs, a.Code)
		}
	}
	t.d.Set.wantThings(codeSet(runs))
	for range boxes {
		var contents []events.BoxContent
		for i, l := range lines {
			contents = append(contents, t.nextPieces(&left[i], l.Pieces)...)
		}
		same := slices.IndexFunc(all, func(a boxesAlike) bool { return slices.EqualFunc(a.contents, contents, sameContent) })
		if same < 0 {
			all = append(all, boxesAlike{contents: contents})
			same = len(all) - 1
		}
		all[same].boxes++
	}
	return all
}

// nextPieces takes the next pieces off what was allocated.
func (t *taking) nextPieces(left *[]events.Allocation, pieces int) []events.BoxContent {
	var contents []events.BoxContent
	for pieces > 0 && len(*left) > 0 {
		next := &(*left)[0]
		take := min(pieces, next.Pieces)
		run := t.d.Set.Run(next.Code)
		contents = append(contents, events.BoxContent{
			Run: next.Code, Design: run.Design, Grade: next.Grade, Pieces: take, PieceMass: run.PieceMass, How: next.How,
			Unreleased: next.Unreleased, Date: next.Date,
		})
		pieces -= take
		if next.Pieces -= take; next.Pieces == 0 {
			*left = (*left)[1:]
		}
	}
	return contents
}

func sameContent(a, b events.BoxContent) bool {
	a.Date, b.Date = nil, nil // of one run it is one
	return a == b
}

// pack records boxes of the same contents and gives their code.
func (c PackBoxes) pack(d *Desk, alike boxesAlike, broken []string) events.Code {
	packed := events.BoxesPacked{
		Box: d.newCode(events.KindBox, d.At, d.site), Name: c.Name, Boxes: alike.boxes, Place: c.Place, Contents: alike.contents,
		PriceMinor: c.PriceMinor, Expiry: d.dateBox(d.At, d.site, alike.contents), RuleBroken: broken,
	}
	if site := d.Set.Defs.Sites.Latest(d.site); site != nil && c.PriceMinor != nil {
		packed.Currency = site.Body.Currency
	}
	d.record(d.At, d.site, packed)
	return packed.Box
}

// openBroken opens a deviation for each rule that was broken on the boxes that it was broken with, and holds those.
func (c PackBoxes) openBroken(d *Desk, t *taking, broken []string, packed []events.Code) {
	for _, rule := range broken {
		if rule == string(RefusedNotEnough) {
			d.openBroken([]string{rule}, t.broke[Slug(rule)], nil)
			continue
		}
		var with []events.Code
		for _, box := range packed {
			if slices.ContainsFunc(d.Set.Box(box).Runs(), func(run events.Code) bool { return slices.Contains(t.broke[Slug(rule)], run) }) {
				with = append(with, box)
			}
		}
		d.openBroken([]string{rule}, with, with)
	}
}

// OpenBoxes opens boxes again: their pieces go back to their runs' stock where the boxes stand.
type OpenBoxes struct {
	Done
	Box   events.Code
	Boxes int
	Place string // "" where they stand in one place only
}

// OpenedBoxes is the answer: what became of the pieces, and the boxes that are left. A part has the date that it was
// born with.
type OpenedBoxes struct {
	Box   *Box
	Event events.BoxesOpened
}

// Needs is the boxes.
func (c OpenBoxes) Needs() []Need { return []Need{NeedThing(c.Box)} }

// Decide opens the boxes. Past its date a box may be opened: each piece has its own run's date. Pieces of boxes whose
// history went another way from their runs' get a code of their own.
func (c OpenBoxes) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.happened(c.Done, &rs)
	if c.Box.Kind() != events.KindBox {
		rs = append(rs, inURL(wrongKind(c.Box, "a box")))
		d.knownPlace(c.Place, &rs)
		return nil, rs.first()
	}
	box := d.Set.Box(c.Box)
	if box == nil || d.isHidden(c.Box) {
		return nil, inURL(unknownThing(c.Box))
	}
	where := c.where(d, box, &rs)
	d.existed(c.Box, d.Set.since(c.Box), d.At, &rs)
	if box.Held() && (!c.AlreadyDone || d.heldBy(c.Box, d.At)) {
		rs.add(RefusedOnHold, Facts{"code": c.Box}, "%s is on hold: leave it closed until the hold is lifted.", c.Box)
	}
	lines := []HandledLine{{Code: c.Box, Pieces: c.Boxes}}
	taking := d.handle(lines, func(HandledLine) string { return where }, &rs)
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	taking.bookShort(d)
	opened := events.BoxesOpened{Box: c.Box, Place: where, Boxes: c.Boxes, Lines: d.unboxing(box, c.Boxes), RuleBroken: broken}
	d.record(d.At, d.site, opened)
	d.openBroken(broken, []events.Code{c.Box}, nil)
	return OpenedBoxes{Box: d.Set.Box(c.Box), Event: opened}, nil
}

// where is the place at which the boxes are opened, which is the command's.
func (c OpenBoxes) where(d *Desk, box *Box, rs *refusals) string {
	slug, one := d.standsAt(c.Box, c.Place, d.At, rs)
	if !one {
		d.site = box.Site
		return ""
	}
	if slug == "" { // it stands nowhere, nor ever did by then
		slug = box.Place
	}
	if place := d.place(slug, rs); place != nil && frozen(place) {
		rs.add(RefusedWrongKind, Facts{"place": slug}, "%s is a freezer: move the box out first, so that it is dated as thawed.", place.Name)
	}
	return slug
}

// unboxing says what the pieces of boxes become.
func (d *Desk) unboxing(box *Box, boxes int) []events.UnboxedLine {
	runs := d.runsIn(box.Contents)
	apart := d.wentApart(box, runs)
	lines := make([]events.UnboxedLine, 0, len(box.Contents))
	numbers, parts := map[events.Code]int{}, map[events.Code]events.Code{}
	for _, content := range box.Contents {
		line := events.UnboxedLine{
			StockOf: events.StockOf{Code: content.Run, Grade: content.Grade, Unreleased: content.Unreleased}, Pieces: content.Pieces * boxes,
		}
		if apart {
			part, born := parts[content.Run]
			if !born {
				whole := content.Run.Whole()
				numbers[whole]++
				part = d.newPart(whole, d.Set.alike(whole).parts+numbers[whole])
				parts[content.Run] = part
			}
			line.NewCode, line.Expiry = part, &box.Expiry
		}
		lines = append(lines, line)
	}
	return lines
}

// wentApart says whether the history of boxes is not that of the pieces in them: they are a part, somebody gave them a
// date of their own, or a hold stands on them that does not stand on their pieces.
func (d *Desk) wentApart(box *Box, runs []events.Code) bool {
	ownDate := slices.ContainsFunc(box.Expiry.Limits, func(l events.Limit) bool { return l.Subject == "" })
	if box.Code.IsPart() || ownDate {
		return true
	}
	for _, hold := range box.Holds {
		if slices.ContainsFunc(runs, func(run events.Code) bool { return !slices.Contains(d.Set.careOf(run).Holds, hold) }) {
			return true
		}
	}
	return false
}
