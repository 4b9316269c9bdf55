package workshop

import (
	"cmp"
	"reflect"
	"slices"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// This file is about deciding in the past, and about what follows from a correction.

// past is what a desk knows that decides what was the case where a corrected command stands in the book.
type past struct {
	live   *Set     // the book as it stands, which gives codes
	within *partial // what is folded anew
	codes  map[events.Kind][]events.Code
	parts  map[events.Code][]events.Code // by whole
	ids    map[string][]uuid.UUID        // by event type
	places int                           // how many positions there are
	given  map[SequenceKey]int
	spare  map[events.Code]int64
}

// newPast keeps the codes and ids of what is corrected for what comes in its place.
func newPast(f *refolding) *past {
	p := &past{
		live: f.d.Set, within: f.prefix.partial, codes: map[events.Kind][]events.Code{}, parts: map[events.Code][]events.Code{}, ids: map[string][]uuid.UUID{},
		places: len(f.told.Root), given: map[SequenceKey]int{}, spare: f.spare,
	}
	ids := map[uuid.UUID]bool{}
	for _, r := range slices.Concat(f.told.Root, f.before.replacing(f.root())) {
		for _, code := range bornOf(r.Data) {
			switch {
			case !code.IsPart() && !slices.Contains(p.codes[code.Kind()], code):
				p.codes[code.Kind()] = append(p.codes[code.Kind()], code)
			case code.IsPart() && !slices.Contains(p.parts[code.Whole()], code):
				p.parts[code.Whole()] = append(p.parts[code.Whole()], code)
			}
		}
		if !ids[r.ID] {
			ids[r.ID] = true
			p.ids[r.Data.EventType()] = append(p.ids[r.Data.EventType()], r.ID)
		}
	}
	return p
}

// replacing lists every event that was ever put in the place of a command.
func (c *Corrections) replacing(root events.Recorded) []events.Recorded {
	var all []events.Recorded
	for _, one := range c.all {
		if one.root == root.Command {
			for _, e := range one.said.Events {
				all = append(all, e.Recorded(root))
			}
		}
	}
	return all
}

// code gives the next of the corrected command's codes of a kind; after them, a new one, of which there is no history
// to be folded.
func (p *past) code(kind events.Kind, day civil.Day) events.Code {
	if kept := p.codes[kind]; len(kept) > 0 {
		p.codes[kind] = kept[1:]
		return kept[0]
	}
	key := SequenceKey{Kind: kind, Day: day}
	p.given[key] = max(p.given[key]+1, p.live.nextSequence(kind, day))
	fresh := events.NewCode(kind, day, p.given[key], 0)
	p.within.of[fresh] = struct{}{}
	return fresh
}

// part gives the next of the corrected command's parts of a whole; after them, a number that no part has.
func (p *past) part(whole events.Code, next int) events.Code {
	if kept := p.parts[whole]; len(kept) > 0 {
		p.parts[whole] = kept[1:]
		return kept[0]
	}
	return whole.Part(max(next, p.live.alike(whole).parts+1))
}

// id gives the next of the corrected command's ids of a type of event; after them, a new one.
func (p *past) id(data events.Event, fresh func() uuid.UUID) uuid.UUID {
	kind := data.EventType()
	if kept := p.ids[kind]; len(kept) > 0 {
		p.ids[kind] = kept[1:]
		return kept[0]
	}
	return fresh()
}

// follow records what follows from the truth for everything that turned out to be otherwise: an earlier date, a hold
// on released pieces with an allergen that is not on their label, and on what was made of what the truth holds.
func (f *refolding) follow(changed []events.Code) {
	d := f.d
	var codes []events.Code
	for _, code := range changed {
		if f.datedOtherwise(code) {
			codes = append(codes, code)
			codes = append(codes, f.downstream(code)...)
			codes = append(codes, d.withParts(code)...)
		}
	}
	codes = slices.DeleteFunc(codeSet(codes), func(code events.Code) bool { return !d.Set.Exists(code) })
	slices.SortStableFunc(codes, func(a, b events.Code) int {
		return cmp.Or(cmp.Compare(datingOrder(a), datingOrder(b)), a.Compare(b))
	})
	for _, code := range codes {
		d.redateEarlier(code, causeCorrected)
	}
	for _, code := range codes {
		if code.Kind() == events.KindRun && !code.IsPart() {
			d.holdOffLabel(code, causeCorrected)
		}
	}
	f.holdMade()
}

// datedOtherwise says whether what a thing's date rests on changed.
func (f *refolding) datedOtherwise(code events.Code) bool {
	switch code.Kind() {
	case events.KindLot:
		was, is := f.old.Lots.get(code), f.now.Lots.get(code)
		return was != nil && is != nil && !(reflect.DeepEqual(was.Expiry, is.Expiry) && reflect.DeepEqual(was.Mix, is.Mix) &&
			reflect.DeepEqual(was.Allergens, is.Allergens) && reflect.DeepEqual(was.MayContain, is.MayContain) &&
			reflect.DeepEqual(was.Composition, is.Composition) && was.Ingredient == is.Ingredient && was.At.Equal(is.At))
	case events.KindGanache:
		was, is := f.old.Ganaches.get(code), f.now.Ganaches.get(code)
		return was != nil && is != nil && !(reflect.DeepEqual(was.Mix, is.Mix) && reflect.DeepEqual(was.Dated, is.Dated) &&
			reflect.DeepEqual(was.Expiry, is.Expiry) && was.At.Equal(is.At) && reflect.DeepEqual(was.PH, is.PH) &&
			reflect.DeepEqual(was.WaterActivity, is.WaterActivity) && reflect.DeepEqual(was.HeatStep, is.HeatStep) && was.OffFormula == is.OffFormula)
	case events.KindRun:
		was, is := f.old.Runs.get(code), f.now.Runs.get(code)
		return was != nil && is != nil && !(reflect.DeepEqual(was.Mix, is.Mix) && reflect.DeepEqual(was.Straight, is.Straight) &&
			reflect.DeepEqual(was.Ganaches, is.Ganaches) && reflect.DeepEqual(was.FilledAt, is.FilledAt) && was.At.Equal(is.At) &&
			reflect.DeepEqual(was.Expiry, is.Expiry))
	case events.KindBox:
		was, is := f.old.Boxes.get(code), f.now.Boxes.get(code)
		return was != nil && is != nil && !(reflect.DeepEqual(was.Contents, is.Contents) && was.At.Equal(is.At) &&
			reflect.DeepEqual(was.Expiry, is.Expiry))
	default: // a charge has no date
		return false
	}
}

// holdMade passes a hold that the truth brings on to what was made since of what it holds.
func (f *refolding) holdMade() {
	d := f.d
	for _, e := range f.data.Events {
		placed, is := e.Data.(events.HoldPlaced)
		if !is || placed.Deviation == nil {
			continue
		}
		hold := d.Set.Hold(e.ID)
		if hold == nil || hold.LiftedAt != nil {
			continue
		}
		var made []events.Code
		for _, code := range f.downstream(placed.Code) {
			if d.Set.Exists(code) && !slices.Contains(hold.Codes, code) {
				made = append(made, code)
			}
		}
		if len(made) > 0 {
			d.hold(placed.Code, codeSet(made), placed.Cause, placed.Reason, placed.Deviation)
		}
	}
}

// goneSince lists the pieces of what changed that were sold or given after what was corrected.
func (f *refolding) goneSince(changed []events.Code) []SoldBefore {
	var gone []SoldBefore
	for _, code := range changed {
		if code.Kind() != events.KindRun {
			continue
		}
		kept := f.now.kept.get(code)
		if kept == nil {
			continue
		}
		for _, m := range *kept {
			if m.Cause != CauseSold && m.Cause != CauseGiven || m.Position <= f.told.Root[len(f.told.Root)-1].Position {
				continue
			}
			for _, r := range f.recorded {
				if r.Position == m.Position {
					gone = append(gone, SoldBefore{Event: r.ID, Code: code, Pieces: int(-m.Delta)})
				}
			}
		}
	}
	return gone
}
