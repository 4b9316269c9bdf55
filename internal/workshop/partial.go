package workshop

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
)

// This file folds a part of the book anew: some things, from all events that touch them. What else those events touch
// is outside: it is seen as it stands in the book, and what the events do to it is left out. The numbers of
// movements, edges and ops are those of the whole fold.

// partial is what a partial set is of.
type partial struct {
	of    map[events.Code]struct{} // wholes: with each all its parts
	vats  map[string]struct{}      // in which charges of them were
	ids   map[uuid.UUID]struct{}   // of the holds, deviations and recalls that the events bring
	taken []uuid.UUID              // holds that took things in at their births, or else were lifted from them
	under *Set                     // the book as it stands
	at    int64                    // position of what is corrected
}

func (p *partial) has(code events.Code) bool {
	_, has := p.of[code.Whole()]
	return has
}

// meets says that a need is met by the fold itself.
func (p *partial) meets(n Need) bool {
	switch n.Kind {
	case NeedsThing, NeedsLater, NeedsOps, NeedsRemix, NeedsParts:
		return p.has(n.Code)
	case NeedsVat:
		_, has := p.vats[n.Subject]
		return has
	case NeedsSequence:
		return true // codes are given by the book as it stands
	default:
		return false
	}
}

// partly is an empty partial set over the book as it stands.
func (s *Set) partly(p *partial) *Set {
	p.under = s
	f := s.Fork()
	f.partial, f.corrections, f.complete = p, nil, false
	part(&f.Lots, p.has)
	part(&f.Charges, p.has)
	part(&f.Ganaches, p.has)
	part(&f.Runs, p.has)
	part(&f.Boxes, p.has)
	part(&f.opsOf, p.has)
	part(&f.lines, p.has)
	part(&f.flows, p.has)
	part(&f.kept, p.has)
	part(&f.absent, p.has)
	part(&f.Stock, func(key StockKey) bool { return p.has(key.Code) })
	part(&f.counts, func(key countKey) bool { return p.has(key.code) })
	part(&f.Vats, func(slug string) bool { _, has := p.vats[slug]; return has })
	brought := func(id uuid.UUID) bool { _, has := p.ids[id]; return has }
	f.Holds.hides, f.Deviations.hides, f.Recalls.hides = brought, brought, brought
	f.Ops.hides = func(key OpKey) bool {
		op := s.Ops.get(key)
		return op != nil && p.has(op.Charge)
	}
	return f
}

// part hides from a layer what it is of, and keeps everything else from being written.
func part[K comparable, V any](l *layer[K, V], of func(K) bool) {
	l.hides, l.drops = of, func(key K) bool { return !of(key) }
}

// isOutside says that a thing is not to be changed by the fold.
func (s *Set) isOutside(code events.Code) bool { return s.partial != nil && !s.partial.has(code) }

// folds says that a set is the fold of everything that concerns a thing.
func (s *Set) folds(code events.Code) bool {
	return s.complete || s.partial != nil && s.partial.has(code)
}

// keeps says that a set remembers every movement of a thing.
func (s *Set) keeps(code events.Code) bool {
	if s.partial != nil {
		return s.partial.has(code)
	}
	return s.complete && s.corrections.concerns(code)
}

// passedOn says whether a hold on what a thing came out of was passed on to it. What is outside may be held by what came
// only later: the book says then whether the hold took the thing in.
func (s *Set) passedOn(id uuid.UUID, code, from events.Code) bool {
	switch {
	case s.isOutside(code) || s.Hold(id) == nil:
		return false
	case !s.isOutside(from):
		return true
	}
	if _, brought := s.partial.ids[id]; brought {
		return true
	}
	hold := s.partial.under.Hold(id)
	return hold != nil && slices.Contains(hold.Codes, code)
}

// untake gives the fold the holds that took its things in at their births, as they were before that.
func (p *partial) untake(into *Set, recorded []events.Recorded) {
	ids := map[uuid.UUID]struct{}{}
	for _, r := range recorded {
		if lifted, is := r.Data.(events.HoldLifted); is {
			ids[lifted.Hold] = struct{}{}
		}
	}
	for whole := range p.of {
		p.under.want(NeedThing(whole))
		for n := 0; n <= p.under.alike(whole).parts; n++ {
			code := whole
			if n > 0 {
				code = whole.Part(n)
			}
			for _, id := range p.under.careOf(code).Holds {
				ids[id] = struct{}{}
			}
		}
	}
	for id := range ids {
		if _, brought := p.ids[id]; brought {
			continue
		}
		hold := p.under.Hold(id)
		if hold == nil {
			continue
		}
		before := *hold
		before.Codes = slices.DeleteFunc(slices.Clone(hold.Codes), p.has)
		before.SoldBefore = slices.DeleteFunc(slices.Clone(hold.SoldBefore), func(b SoldBefore) bool { return p.has(b.Code) })
		into.Holds.put(id, before)
		p.taken = append(p.taken, id)
	}
	slices.SortFunc(p.taken, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
}

// liftedSince lists the holds that by the book were passed on to a thing out of one that is outside, and do not stand there any
// more.
func (s *Set) liftedSince(code, from events.Code) (ids []uuid.UUID) {
	if s.partial == nil || s.isOutside(code) || !s.isOutside(from) {
		return nil
	}
	has := append(slices.Clone(s.careOf(code).Holds), s.careOf(from).Holds...)
	for _, id := range s.partial.taken {
		hold := s.partial.under.Hold(id)
		if slices.Contains(hold.Codes, from) && !slices.Contains(has, id) {
			ids = append(ids, id)
		}
	}
	return ids
}

// comesLater says that a thing is in the book, and was written down only after what is folded so far.
func (s *Set) comesLater(code events.Code) bool {
	if s.partial == nil || !s.partial.has(code) {
		return false
	}
	var here, book bool
	switch code.Kind() {
	case events.KindLot:
		here, book = s.Lots.Has(code), s.partial.under.Lots.Has(code)
	case events.KindCharge:
		here, book = s.Charges.Has(code), s.partial.under.Charges.Has(code)
	case events.KindGanache:
		here, book = s.Ganaches.Has(code), s.partial.under.Ganaches.Has(code)
	case events.KindRun:
		here, book = s.Runs.Has(code), s.partial.under.Runs.Has(code)
	case events.KindBox:
		here, book = s.Boxes.Has(code), s.partial.under.Boxes.Has(code)
	default: // there is no other kind
		return false
	}
	if !here && !book {
		s.partial.under.want(NeedThing(code))
	}
	return !here && book
}

// notYet is thrown by a lookup of a thing that comes later, and caught where the replacement is decided.
type notYet struct{ code events.Code }

func (s *Set) mustBeThere(code events.Code) {
	if s.then && s.comesLater(code) {
		panic(notYet{code: code})
	}
}

// tookThen is what was drawn from a charge that is outside.
func (a *applying) tookThen(charge events.Code) Mix {
	key := a.nextOp()
	a.ops++
	a.want(NeedOps(charge))
	if op := a.Ops.get(key); op != nil {
		return op.Mix
	}
	return nil
}

// mixBefore is what was in a charge before something happened to it.
func (s *Set) mixBefore(charge events.Code, key OpKey) Mix {
	var mix Mix
	for _, op := range s.opsIn(charge) {
		if op.OpKey == key {
			break
		}
		next, _, err := s.next(mix, op)
		if err != nil {
			panic(fault{err: err})
		}
		mix = next
	}
	return mix
}

// metBy is what cap scrapings of a run carry back into a vat. Of a run that is outside, what they carried.
func (a *applying) metBy(run *Run, charge events.Code) Mix {
	if !a.isOutside(run.Code) || a.isOutside(charge) {
		return run.Mix.Film()
	}
	under := a.partial.under
	under.want(NeedOps(charge))
	if op := under.Ops.get(OpKey{Position: a.r.Position, Number: a.ops + 1}); op != nil { // after the draw
		return op.Mix
	}
	return nil
}

// madeByThen leaves out what the fold has not come to yet.
func (s *Set) madeByThen(codes []events.Code) []events.Code {
	return slices.DeleteFunc(slices.Clone(codes), func(code events.Code) bool { return !s.Exists(code) })
}

// told is events of the log as loaded.
type told struct {
	commands  map[uuid.UUID]Told
	histories map[events.Code][]events.Recorded
	decisions map[uuid.UUID][]events.Recorded // by deviation
}

func newTold() *told {
	return &told{
		commands: map[uuid.UUID]Told{}, histories: map[events.Code][]events.Recorded{}, decisions: map[uuid.UUID][]events.Recorded{},
	}
}

// Told is what the log has of a command: of the one that an event belongs to, of the one in whose place that counts if
// it is a correction, and every correction of either. Without such an event it is empty.
type Told struct {
	Named, Root, Corrections []events.Recorded
}

// AddCommand puts what the log has of the command of an event into the set.
func (s *Set) AddCommand(event uuid.UUID, t Told) {
	s.told.commands[event] = t
	s.Loaded(NeedCommand(event))
}

// AddHistory puts every event that concerns a whole or its parts into the set, in the order of positions.
func (s *Set) AddHistory(whole events.Code, recorded []events.Recorded) {
	s.told.histories[whole] = recorded
	s.Loaded(NeedHistory(whole))
}

// AddDecisions puts every decision about a deviation into the set, in the order of positions.
func (s *Set) AddDecisions(deviation uuid.UUID, recorded []events.Recorded) {
	s.told.decisions[deviation] = recorded
	s.Loaded(NeedDecisions(deviation))
}

// Swapped is what a correction takes out of the tables that else only grow, and puts into them; where in the log
// the things, holds, deviations and recalls came to be that it brings; and the earliest instant at which it changes anything.
type Swapped struct {
	At            int64 // position of the correction; 0: there was none
	ActsAt        time.Time
	MovementsGone []Movement
	MovementsPut  []Movement
	EdgesGone     []Edge
	EdgesPut      []Edge
	ReadingsGone  []Reading
	ReadingsPut   []Reading
	Things        map[events.Code]int64
	Marks         map[uuid.UUID]int64
}

// plus is what both change. A correction goes alone: there is never more than one in a group.
func (s Swapped) plus(o Swapped) Swapped {
	if o.At == 0 {
		return s
	}
	return o
}
