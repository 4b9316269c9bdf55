package workshop

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// Box is boxes of the same contents that were packed under one code, or a part of them whose history went another way
// (Of names the whole). What stands of it is counted in boxes.
type Box struct {
	Code       events.Code         `json:"code"`
	Of         events.Code         `json:"of,omitempty"`
	Name       string              `json:"name,omitempty"`
	Contents   []events.BoxContent `json:"contents"` // of one box
	Packed     int                 `json:"packed"`   // boxes; of a part, what the whole had
	Site       string              `json:"site"`
	Place      string              `json:"place"` // where they were packed
	At         time.Time           `json:"at"`
	Mix        Mix                 `json:"mix,omitempty"` // of one box
	Allergens  Allergens           `json:"allergens"`
	BoxMass    events.Mass         `json:"box_g"` // of its pieces
	PriceMinor *int64              `json:"price_minor,omitempty"`
	Currency   string              `json:"currency,omitempty"`
	Parts      int                 `json:"parts,omitempty"`
	Expiry     events.Expiry       `json:"expiry"`
	Spells     []events.Spell      `json:"spells,omitempty"` // its times out of its class, as a box
	Parting
	Labelled
	Care
}

// Pieces is how many pieces are in each box.
func (b Box) Pieces() int {
	pieces := 0
	for _, c := range b.Contents {
		pieces += c.Pieces
	}
	return pieces
}

// Runs lists the runs, and the parts of runs, of which pieces are in each box: in code order, each once.
func (b Box) Runs() []events.Code { return runsIn(b.Contents) }

func runsIn(contents []events.BoxContent) []events.Code {
	codes := make([]events.Code, 0, len(contents))
	for _, c := range contents {
		codes = append(codes, c.Run)
	}
	return codeSet(codes)
}

// Box finds boxes or a part of them, nil if there are none of that code.
func (s *Set) Box(code events.Code) *Box {
	if b := s.Boxes.get(code); b != nil {
		return b
	}
	s.want(NeedThing(code))
	return nil
}

// inPieces says whether stock of a thing is counted: pieces of a run, boxes. Everything else is weighed.
func inPieces(code events.Code) bool {
	return code.Kind() == events.KindRun || code.Kind() == events.KindBox
}

// packed takes the pieces out of their runs' stock and puts the boxes where they were packed. Whatever holds the pieces
// holds the boxes.
func (a *applying) packed(e events.BoxesPacked) error {
	a.give(e.Box)
	box := Box{
		Code: e.Box, Name: e.Name, Contents: e.Contents, Packed: e.Boxes, Site: a.r.Site, Place: e.Place, At: a.r.OccurredAt,
		PriceMinor: e.PriceMinor, Currency: e.Currency, Expiry: e.Expiry,
	}
	for _, c := range e.Contents {
		if a.Run(c.Run) == nil {
			return fmt.Errorf("no run %s", c.Run)
		}
		run := a.Runs.edit(c.Run)
		if !slices.Contains(run.Boxes, e.Box) {
			run.Boxes = append(slices.Clip(run.Boxes), e.Box)
		}
		box.BoxMass += c.PieceMass.Times(c.Pieces)
		a.link(c.Run, e.Box, c.PieceMass.Times(c.Pieces*e.Boxes), "")
		from := StockKey{Code: c.Run, Place: e.Place, Grade: c.Grade, Unreleased: c.Unreleased}
		m := Movement{Cause: CauseBoxed, How: c.How}
		if err := a.shift(from, -int64(c.Pieces*e.Boxes), m); err != nil {
			return err
		}
	}
	box.Mix, box.Allergens = a.madeUp(box.Contents)
	a.Boxes.put(e.Box, box)
	a.Loaded(NeedThing(e.Box))
	for _, run := range box.Runs() {
		if err := a.heldToo(e.Box, run); err != nil {
			return err
		}
	}
	return a.shift(boxesAt(e.Box, e.Place), int64(e.Boxes), Movement{Cause: CausePacked})
}

// boxesAt is the line of stock of boxes at a place.
func boxesAt(box events.Code, place string) StockKey {
	return StockKey{Code: box, Place: place, Grade: GradeFirst}
}

// heldToo passes the holds of one thing on to another that is not held by them yet.
func (a *applying) heldToo(code, from events.Code) error {
	has := a.careOf(code).Holds
	return a.heldWith(code, from, slices.DeleteFunc(slices.Clone(a.careOf(from).Holds), func(id uuid.UUID) bool { return slices.Contains(has, id) }))
}

// madeUp is what a box with these contents is made of, and what allergens it carries: all of its pieces'.
func (a *applying) madeUp(contents []events.BoxContent) (mix Mix, allergens Allergens) {
	var all []Allergens
	for _, c := range contents {
		run := a.Run(c.Run)
		mix = mix.Plus(run.Mix.Of(c.PieceMass.Times(c.Pieces)))
		all = append(all, run.Allergens)
	}
	return mix, allOf(all)
}

// allOf is the allergens of several things taken together.
func allOf(things []Allergens) Allergens {
	all := Allergens{Contains: []string{}, MayContain: []string{}}
	for _, one := range things {
		all.Contains = append(all.Contains, one.Contains...)
		all.MayContain = append(all.MayContain, one.MayContain...)
		all.Unknown = append(all.Unknown, one.Unknown...)
	}
	all.Contains, all.Unknown = sortedSet(all.Contains), codeSet(all.Unknown)
	all.MayContain = slices.DeleteFunc(sortedSet(all.MayContain), func(code string) bool { return slices.Contains(all.Contains, code) })
	return all
}

// remade gives boxes and their parts what their pieces turn out to be made of.
func (a *applying) remade(box events.Code) error {
	if a.Box(box) == nil {
		return fmt.Errorf("no box %s", box)
	}
	mix, allergens := a.madeUp(a.Box(box).Contents)
	for n := 0; n <= a.Box(box).Parts; n++ {
		code := box
		if n > 0 {
			code = box.Part(n)
		}
		if a.Box(code) == nil { // what made the part was corrected
			continue
		}
		each := a.Boxes.edit(code)
		each.Mix, each.Allergens = mix, allergens
		if !slices.Contains(a.Remixed, code) {
			a.Remixed = append(a.Remixed, code)
		}
	}
	return nil
}

// unboxed puts the pieces of boxes that were opened back to their runs' stock. Where they go on under a code of their own,
// whatever held the boxes holds them.
func (a *applying) unboxed(e events.BoxesOpened) error {
	if a.Box(e.Box) == nil {
		return fmt.Errorf("no box %s", e.Box)
	}
	if err := a.shift(boxesAt(e.Box, e.Place), -int64(e.Boxes), Movement{Cause: CauseOpened}); err != nil {
		return err
	}
	for _, l := range e.Lines {
		if a.Run(l.Code) == nil {
			return fmt.Errorf("no run %s", l.Code)
		}
		a.link(l.Code, e.Box, -a.Run(l.Code).PieceMass.Times(l.Pieces), "")
		key := StockKey{Code: l.Code, Place: e.Place, Grade: l.Grade, Unreleased: l.Unreleased}
		if err := a.shift(key, int64(l.Pieces), Movement{Cause: CauseUnboxed}); err != nil {
			return err
		}
		if l.NewCode == "" {
			continue
		}
		part := events.MovedLine{
			StockOf: l.StockOf, Amount: events.Amount{Pieces: l.Pieces}, NewCode: l.NewCode, Expiry: l.Expiry,
			Parting: &events.Parting{Cause: events.PartedUnboxed, Spells: a.Box(e.Box).Spells},
		}
		if err := a.partedHere(key, part); err != nil {
			return err
		}
		if err := a.heldToo(l.NewCode, e.Box); err != nil {
			return err
		}
	}
	return nil
}

// partedHere makes a part of pieces where they stand.
func (a *applying) partedHere(from StockKey, l events.MovedLine) error {
	if err := a.parted(l); err != nil {
		return err
	}
	to := from
	to.Code = l.NewCode
	m := Movement{Cause: CauseParted, Other: from.Place}
	if err := a.shift(from, -int64(l.Pieces), m); err != nil {
		return err
	}
	return a.shift(to, int64(l.Pieces), m)
}

// partBox makes a part of boxes.
func (a *applying) partBox(l events.MovedLine, way Parting, number int, first bool) {
	part := *a.Box(l.Code)
	a.link(l.Code, l.NewCode, part.BoxMass.Times(l.Pieces), "")
	if !first {
		return
	}
	whole := l.Code.Whole()
	a.Boxes.edit(whole).Parts = max(number, a.alike(whole).parts)
	part.Code, part.Of, part.Expiry, part.Parts, part.Parting = l.NewCode, whole, *l.Expiry, 0, way
	part.Care, part.Labelled = Care{}, Labelled{}
	if l.Parting.Spells != nil {
		part.Spells = l.Parting.Spells
	}
	a.Boxes.put(l.NewCode, part)
}

// dateBox dates boxes by the earliest of their pieces, as these were when they were packed: what pieces of the same run
// lose elsewhere after that is not theirs.
func (d *Desk) dateBox(packed time.Time, site string, contents []events.BoxContent) events.Expiry {
	box := expiry.Piece{MadeAt: packed, Zone: d.zone(site)}
	for _, run := range d.runsIn(contents) {
		box.Fillings = append(box.Fillings, expiry.PieceFilling{Code: string(run), Answer: answerOf(d.expiryAt(run, packed))})
	}
	return recordedExpiry(expiry.DatePiece(box))
}

// runsIn lists the runs that are in a box, once they are all there to look at.
func (d *Desk) runsIn(contents []events.BoxContent) []events.Code {
	runs := runsIn(contents)
	d.Set.wantThings(runs)
	return runs
}

// ganachesIn lists the fillings that are in a thing: in a run, in the pieces of a box, or a batch itself.
func (d *Desk) ganachesIn(code events.Code) []events.Code {
	switch code.Kind() {
	case events.KindRun:
		return d.Set.Run(code).Ganaches
	case events.KindGanache:
		return []events.Code{code}
	case events.KindBox:
		var all []events.Code
		for _, run := range d.runsIn(d.Set.Box(code).Contents) {
			all = append(all, d.Set.Run(run).Ganaches...)
		}
		d.Set.wantThings(all)
		return codeSet(all)
	default: // a lot keeps by its own mark
		return nil
	}
}

// withBoxes is some runs, and the boxes with pieces of theirs: with their parts.
func (d *Desk) withBoxes(codes []events.Code) []events.Code {
	var packed []events.Code
	for _, code := range codes {
		if code.Kind() == events.KindRun && d.Set.Exists(code) {
			packed = append(packed, d.Set.Run(code).Boxes...)
		}
	}
	if len(packed) == 0 {
		return codes
	}
	packed = codeSet(packed)
	d.Set.wantThings(packed)
	all := slices.Clone(codes)
	for _, box := range packed {
		all = append(all, d.withParts(box)...)
	}
	return codeSet(all)
}

// followBoxes gives boxes the earlier date that follows where pieces in them have an earlier one now.
func (d *Desk) followBoxes() {
	causes := map[events.Code]string{}
	for _, r := range d.recorded {
		switch e := r.Data.(type) {
		case events.Redated:
			d.followInto(causes, e.Code, e.Cause)
		case events.PiecesDecorated:
			d.followInto(causes, e.Run, causeLateEntry)
		}
	}
	for _, box := range codeSet(slices.Collect(maps.Keys(causes))) {
		d.redateBox(box, causes[box])
	}
}

// followInto notes the boxes with pieces of a run.
func (d *Desk) followInto(causes map[events.Code]string, code events.Code, cause string) {
	if code.Kind() != events.KindRun {
		return
	}
	for _, box := range d.Set.Run(code).Boxes {
		causes[box] = cmp.Or(causes[box], cause)
	}
}

// redateBox gives boxes the earlier date that their pieces turn out to have. A part loses as many days as its whole: its
// clock is its own; and it has no more than hours where its whole has.
func (d *Desk) redateBox(box events.Code, cause string) {
	old := d.Set.expiryOf(box)
	d.redateEarlier(box, cause)
	for _, part := range d.withParts(box)[1:] {
		d.redatePart(part, old, cause, "its pieces have an earlier date")
	}
}
