package workshop

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file is about what stood at a place while its temperature was read, or was not. What it leads to is in redating.go.

// lookBack is how far before a reading the readings of a place are looked at, unless the last one is older.
const lookBack = 2 * expiry.LongestGap

// A storing is a place and what stood there, from an instant from which on its readings have to be looked at anew to
// another.
type storing struct {
	d        *Desk
	place    string
	watch    expiry.Watch
	freezer  bool
	over     interval
	readings []Reading     // of the place
	stays    []expiry.Stay // of what stood there all the time and was not read itself
	known    map[whose][]events.Spell
}

// whose says of what a time is told: of a thing, or also of what has parted from it in its place since.
type whose struct {
	code  events.Code
	parts bool
}

// watchOf is how a place was watched at an instant.
func (d *Desk) watchOf(place string, at time.Time) (w expiry.Watch, known bool) {
	def := d.Set.Defs.Places.InForce(place, at)
	if def == nil {
		def = d.Set.Defs.Places.Latest(place)
	}
	if def == nil {
		return w, false
	}
	p := def.Body
	w = expiry.Watch{
		Storage: p.Storage, LimitC: p.LimitC, Sealed: true,
		Monitored: p.Monitoring == monitoredByHand || p.Monitoring == monitoredByLogger,
	}
	if p.Tolerance != nil {
		w.ToleranceC, w.ToleranceFor = p.Tolerance.C, time.Duration(p.Tolerance.Minutes)*time.Minute
	}
	return w, true
}

// How a place may be monitored, so that its readings are expected.
const (
	monitoredByHand   = "by_hand"
	monitoredByLogger = "logger"
)

// isCalm says that a reading of a place changes nothing for what stands there: it is within the class, as what was read
// last was, and nothing was read or declared since, nor is the time between them too long.
func isCalm(w expiry.Watch, near []Reading, r Reading) bool {
	if r.Failed || r.TemperatureC > w.MaxC() {
		return false
	}
	return !slices.ContainsFunc(near, func(o Reading) bool {
		gap := w.Monitored && r.From.Sub(o.At) > expiry.LongestGap
		return o.Position != r.Position && (o.Failed || o.TemperatureC > w.MaxC() || o.At.After(r.From) || gap)
	})
}

// justBefore is the last instant before another that the book can tell from it.
func justBefore(at time.Time) time.Time { return at.Add(-time.Microsecond) }

// storingAt looks at a place for what was read from an instant on, up to another.
func (d *Desk) storingAt(place string, from, to time.Time) *storing {
	s := &storing{d: d, place: place, known: map[whose][]events.Spell{}}
	s.watch, _ = d.watchOf(place, to)
	s.freezer = s.watch.Storage == storageFrozen
	since := from.Add(-lookBack)
	s.readings = d.Set.ReadingsOf(place, since)
	if len(s.readings) > 0 && s.readings[0].At.Before(since) {
		since = s.readings[0].At
	}
	s.over = interval{from: later(since, s.unmoved(from)), to: to}
	for _, r := range s.readings {
		s.over.to = later(s.over.to, r.At)
	}
	s.watch.Readings = asRead(s.readings)
	s.stays = s.watch.Stays(s.over.from, s.over.to)
	return s
}

// unmoved is the last instant before another up to which no later reading changes what the readings say: the second of
// two that follow on one another within the class.
func (s *storing) unmoved(before time.Time) (at time.Time) {
	for i := 1; i < len(s.readings); i++ {
		a, b := s.readings[i-1], s.readings[i]
		calm := func(r Reading) bool { return !r.Failed && r.TemperatureC <= s.watch.MaxC() && r.From.Equal(r.At) }
		if calm(a) && calm(b) && b.At.Before(before) {
			at = b.At
		}
	}
	return at
}

// present gives the times at which any of a thing stood at the place. What has parted from it without being carried
// anywhere takes those times with it.
func (s *storing) present(of whose) []interval {
	code := of.code
	set, had := s.d.Set, int64(0)
	var moves []Movement
	for _, line := range set.LinesOf(code) {
		if line.Place != s.place {
			continue
		}
		had += set.had(line, s.over.from)
		if line.LastAt.After(s.over.from) {
			for m := range set.movedAfter(code, s.over.from) {
				stays := m.Cause == CauseParted && m.Other == s.place && m.Delta < 0
				switch {
				case m.StockKey != line.StockKey:
				case stays && !of.parts:
					had += m.Delta
				default:
					moves = append(moves, m)
				}
			}
		}
	}
	slices.SortFunc(moves, func(a, b Movement) int {
		return cmp.Or(a.OccurredAt.Compare(b.OccurredAt), cmp.Compare(a.Position, b.Position), cmp.Compare(a.Number, b.Number))
	})
	var stood []interval
	now := s.over.from
	for _, m := range append(moves, Movement{OccurredAt: s.over.to}) {
		if i, some := (interval{now, m.OccurredAt}).clip(s.over); some && had > 0 {
			stood = append(stood, i)
		}
		now = later(now, m.OccurredAt)
		had += m.Delta
	}
	return stood
}

// staysOf are the times that a thing stood at the place, by what was read of the place and on the thing itself.
func (s *storing) staysOf(of whose) []expiry.Stay {
	stays := s.stays
	if own := s.d.Set.ReadingsOf(string(of.code), s.over.from); len(own) > 0 {
		w := s.watch
		w.Readings = append(asRead(s.readings), asRead(own)...)
		stays = w.Stays(s.over.from, s.over.to)
	}
	var clipped []expiry.Stay
	for _, in := range s.present(of) {
		for _, stay := range stays {
			if i, some := (interval{stay.From, stay.To}).clip(in); some {
				stay.From, stay.To = i.from, i.to
				clipped = append(clipped, stay)
			}
		}
	}
	return clipped
}

// found are the times in which a thing stood out of its class at the place, and, of a part, those of what it parted from
// until then.
func (s *storing) found(code events.Code) []events.Spell { return s.foundOf(whose{code: code}) }

func (s *storing) foundOf(of whose) []events.Spell {
	if spells, known := s.known[of]; known {
		return spells
	}
	thing := s.d.Set.alike(of.code)
	var spells []events.Spell
	for _, w := range expiry.OutOfClass(s.staysOf(of)) {
		spells = append(spells, events.Spell{
			Place: s.place, From: w.From.UTC(), To: w.To.UTC(), TemperatureC: w.TemperatureC,
			Paused: s.freezer && thing.Frozen != nil && thing.Frozen.Sealed && !thing.Frozen.Again,
		})
	}
	if p := thing.Parted; p != nil && p.At.After(s.over.from) {
		spells = append(spells, spellsBy(s.foundOf(whose{code: p.From, parts: true}), p.At)...)
	}
	s.known[of] = spells
	return spells
}

// spells are all the times that a thing has had out of its class, those at the place as they are known now. A thing that
// would have lost less by them than it has keeps those that it has: no date moves later by itself.
func (s *storing) spells(code events.Code) []events.Spell {
	known := s.d.Set.alike(code).spells
	spells := replaced(known, s.found(code), s.place, s.over)
	old := answerOf(s.d.Set.expiryOf(code))
	if goneEarlier(s.d.warmed(code, old, spells), old) {
		return known
	}
	return spells
}

// wasThere lists the things of which anything stood at the place at some time, with the parts that parted from them
// since, in code order, and has all that is looked at about them loaded at once.
func (s *storing) wasThere() []events.Code {
	set := s.d.Set
	set.want(NeedPlace(s.place), NeedMoved(s.place, s.over.from))
	lines := set.linesAt(s.place, func(l *StockLine) bool { return l.Amount > 0 || l.LastAt.After(s.over.from) })
	var codes []events.Code
	for _, l := range lines {
		if l.Code.Kind() != events.KindCharge {
			codes = append(codes, l.Code)
		}
	}
	codes = codeSet(codes)
	var needs []Need
	for _, code := range codes {
		needs = append(needs, NeedThing(code), NeedParts(code.Whole()))
	}
	set.want(needs...)
	for _, code := range codes {
		codes = append(codes, s.d.withParts(code)...)
	}
	codes = codeSet(codes)
	s.loadFor(codes)
	return codes
}

// fillingsOf asks for the fillings in a run, or in the pieces of a box.
func (s *storing) fillingsOf(code events.Code) (needs []Need) {
	runs := []events.Code{code}
	switch code.Kind() {
	case events.KindBox:
		runs = s.d.Set.Box(code).Runs()
	case events.KindRun:
	default:
		return nil
	}
	for _, run := range runs {
		for _, ganache := range s.d.Set.Run(run).Ganaches {
			needs = append(needs, NeedThing(ganache))
		}
	}
	return needs
}

// loadFor loads what dates things and what was read on them: one trip, however many they are, and one more where boxes
// are among them.
func (s *storing) loadFor(codes []events.Code) {
	var runs []Need
	for _, code := range codes {
		if code.Kind() == events.KindBox {
			for _, run := range s.d.Set.Box(code).Runs() {
				runs = append(runs, NeedThing(run))
			}
		}
	}
	s.d.Set.want(runs...)
	var needs []Need
	for _, code := range codes {
		needs = append(needs, NeedThing(code), NeedReadings(string(code), s.over.from))
		needs = append(needs, s.fillingsOf(code)...)
		for _, line := range s.d.Set.LinesOf(code) {
			if line.LastAt.After(s.over.from) {
				needs = append(needs, NeedLater(code, s.over.from))
			}
		}
	}
	s.d.Set.want(needs...)
}

// unreadFor is how long nobody had read the place, or the thing, when the reading came; only what stood there counts.
func (s *storing) unreadFor(code events.Code, r Reading) (gap time.Duration) {
	for _, stay := range s.staysOf(whose{code: code}) {
		if stay.Unread && stay.To.Equal(r.From) {
			gap = stay.To.Sub(stay.From)
		}
	}
	return gap
}

// left says whether any of a thing was carried from the place after an instant.
func (s *storing) left(code events.Code, at time.Time) bool {
	for m := range s.d.Set.movedAfter(code, later(at, s.over.from)) {
		if m.Place == s.place && m.Delta < 0 && (m.Cause == CauseMoved || m.Cause == CauseParted) && m.Other != s.place {
			return true
		}
	}
	return false
}

// name is the place as the shop calls it.
func (s *storing) name() string {
	if def := s.d.Set.Defs.Places.Latest(s.place); def != nil {
		return def.Body.Name
	}
	return s.place
}

func hoursLong(d time.Duration) string { return fmt.Sprintf("%.0f h", d.Hours()) }
