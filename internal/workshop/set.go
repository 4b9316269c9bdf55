package workshop

import (
	"cmp"
	"iter"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// A Set is the part of the book that a command needs: the things, lines of stock, vats, holds, deviations and
// sequence counters it names. It is loaded, decided upon, changed by Apply and saved. What was asked of it but
// never loaded is not "none": it is reported as missing, loaded, and the decision is taken again.
//
// A Set can be forked: a decision works on the fork, which is merged when the command is decided and dropped
// when it is refused. Rows are never changed in place: every edit works on a copy.
type Set struct {
	parent   *Set
	complete bool // the whole book is in it: what is not there does not exist
	loaded   map[Need]struct{}

	Defs *Definitions

	Lots       layer[events.Code, Lot]
	Charges    layer[events.Code, Charge]
	Ganaches   layer[events.Code, Ganache]
	Runs       layer[events.Code, Run]
	Boxes      layer[events.Code, Box]
	Vats       layer[string, VatState]
	Stock      layer[StockKey, StockLine]
	Holds      layer[uuid.UUID, Hold]
	Deviations layer[uuid.UUID, Deviation]
	Recalls    layer[uuid.UUID, Recall]
	Sequences  layer[SequenceKey, int]

	Ops         layer[OpKey, ChargeOp]         // what happened to what is in charges
	kept        layer[events.Code, []Movement] // of a book being folded: of what a correction concerns
	absent      layer[events.Code, struct{}]   // of a book being folded: what only corrected commands brought into it
	opsOf       layer[events.Code, []OpKey]    // of each charge, as far as loaded
	lines       layer[events.Code, []StockKey] // which lines of stock each code has
	counts      layer[countKey, []time.Time]   // of a complete set: when each thing was counted, in order
	flows       layer[events.Code, []Edge]     // of a complete set: where what is mixed went
	later       map[events.Code]laterMovements // as loaded, shared by all forks
	loadedFlows map[events.Code][]Edge         // as loaded, shared by all forks
	readings    map[string]loadedReadings      // by subject, as loaded, shared by all forks
	told        *told                          // events as loaded, shared by all forks
	partial     *partial                       // of a set that folds a part of the book anew
	corrections *Corrections                   // of a book being folded: those in force
	cut         *cut                           // of a set that folds the past
	then        bool                           // what is decided on it is decided where a corrected command stands
	last        applying                       // the last event and how far its numbers have come

	// Downstream is what each code asked for with NeedDownstream, NeedReach or NeedRecalled went into, itself left out.
	Downstream map[events.Code][]events.Code

	// Facts is what was asked for with NeedRecalled and NeedAccount: as loaded, shared by all forks.
	Facts *RecallFacts

	// What the applied events add to the tables that only grow.
	Movements []Movement
	Edges     []Edge
	Readings  []Reading

	// What is to be kept outside the log, and what of it is to be taken away.
	People []Person
	Erased []Erasure

	// Swapped is what a correction changes in the tables that else only grow.
	Swapped Swapped

	// Remixed is what turned out to be made of something else, because of what was written down late, in the order
	// in which it was found. It is a fork's own.
	Remixed []events.Code
}

// NewSet is an empty working set over the definitions; complete says that the whole book is going to be in it.
func NewSet(defs *Definitions, complete bool) *Set {
	s := &Set{
		complete: complete, loaded: map[Need]struct{}{}, Defs: defs, Downstream: map[events.Code][]events.Code{},
		later: map[events.Code]laterMovements{}, loadedFlows: map[events.Code][]Edge{}, told: newTold(),
		readings: map[string]loadedReadings{},
		Facts: &RecallFacts{
			Reached: map[events.Code]Recalled{}, Standing: map[events.Code][]*StockLine{}, Amounts: map[events.Code]Amounts{},
		},
	}
	s.Lots.init(nil)
	s.Charges.init(nil)
	s.Ganaches.init(nil)
	s.Runs.init(nil)
	s.Boxes.init(nil)
	s.Vats.init(nil)
	s.Stock.init(nil)
	s.Holds.init(nil)
	s.Deviations.init(nil)
	s.Recalls.init(nil)
	s.Sequences.init(nil)
	s.Ops.init(nil)
	s.opsOf.init(nil)
	s.flows.init(nil)
	s.lines.init(nil)
	s.counts.init(nil)
	s.kept.init(nil)
	s.absent.init(nil)
	return s
}

// Fork is a set that sees what s has and keeps its own changes apart until Merge.
func (s *Set) Fork() *Set {
	f := &Set{
		parent: s, complete: s.complete, loaded: map[Need]struct{}{}, Defs: s.Defs, Downstream: s.Downstream, later: s.later,
		loadedFlows: s.loadedFlows, told: s.told, partial: s.partial, corrections: s.corrections,
		readings: s.readings, Facts: s.Facts,
	}
	f.Lots.init(&s.Lots)
	f.Charges.init(&s.Charges)
	f.Ganaches.init(&s.Ganaches)
	f.Runs.init(&s.Runs)
	f.Boxes.init(&s.Boxes)
	f.Vats.init(&s.Vats)
	f.Stock.init(&s.Stock)
	f.Holds.init(&s.Holds)
	f.Deviations.init(&s.Deviations)
	f.Recalls.init(&s.Recalls)
	f.Sequences.init(&s.Sequences)
	f.Ops.init(&s.Ops)
	f.opsOf.init(&s.opsOf)
	f.flows.init(&s.flows)
	f.lines.init(&s.lines)
	f.counts.init(&s.counts)
	f.kept.init(&s.kept)
	f.absent.init(&s.absent)
	return f
}

// Merge puts a fork's changes into the set it was forked from.
func (s *Set) Merge() {
	s.Lots.merge()
	s.Charges.merge()
	s.Ganaches.merge()
	s.Runs.merge()
	s.Boxes.merge()
	s.Vats.merge()
	s.Stock.merge()
	s.Holds.merge()
	s.Deviations.merge()
	s.Recalls.merge()
	s.Sequences.merge()
	s.Ops.merge()
	s.opsOf.merge()
	s.flows.merge()
	s.lines.merge()
	s.counts.merge()
	s.kept.merge()
	s.absent.merge()
	maps.Copy(s.parent.loaded, s.loaded)
	s.parent.Defs = s.Defs
	s.parent.Movements = append(s.parent.Movements, s.Movements...)
	s.parent.Edges = append(s.parent.Edges, s.Edges...)
	s.parent.Readings = append(s.parent.Readings, s.Readings...)
	s.parent.People = append(s.parent.People, s.People...)
	s.parent.Erased = append(s.parent.Erased, s.Erased...)
	s.parent.Swapped = s.parent.Swapped.plus(s.Swapped)
}

// A Need is something to load into a set. Exactly one of the shapes below; make them with the Need… functions.
type Need struct {
	Kind    NeedKind
	Code    events.Code
	Place   string
	Subject string
	Day     civil.Day
	Letter  events.Kind
	ID      uuid.UUID
	At      time.Time
	To      civil.Day
}

// NeedKind says what a Need asks for.
type NeedKind byte

// The kinds of Need.
const (
	NeedsThing        NeedKind = iota + 1 // Code: the thing, and every line of its stock
	NeedsStock                            // Place ("" = every place) and Subject: open lines of that design, ingredient or formula
	NeedsPlace                            // Place: every open line that stands there
	NeedsVat                              // Subject = vat's slug: its state
	NeedsSequence                         // Letter and Day: the last sequence number given
	NeedsHold                             // ID
	NeedsDeviation                        // ID
	NeedsDownstream                       // Code: every thing made of it, and their stock; recorded in Downstream
	NeedsLater                            // Code, At: its movements after the instant
	NeedsCounted                          // Place, Subject, At: lines of that design, ingredient or formula counted after the instant
	NeedsOps                              // Code of a charge: all that happened in it
	NeedsRemix                            // Code of a charge, At: the same, and everything that was drawn from it after the instant
	NeedsVatAt                            // Subject = vat's slug, At: its charges that had not ended at the instant
	NeedsParts                            // Code of a whole: all its parts
	NeedsDeviationsAt                     // Place: the deviations of the place itself that nobody has decided
	NeedsMoved                            // Place, At: lines there of which something moved after the instant
	NeedsReadings                         // Subject = a place or code, At: its readings from the instant on, and the last before
	NeedsRecall                           // ID
	NeedsSupplied                         // Subject = supplier's slug: the lots with its lot code Place, or received from Day through To
	NeedsAccount                          // Code: what became of all that there ever was of it
	NeedsCommand                          // ID of an event: its command, and every correction of it
	NeedsHistory                          // Code of a whole: every event that concerns it or a part of it
	NeedsDecisions                        // ID of a deviation: every decision about it that was ever written down
	NeedsReach                            // Code: the same as NeedsDownstream, but for what is looked at and not dated anew: fewer things come along
	NeedsRecalled                         // Code: the same, but only what a recall tells of each thing; recorded in Downstream and Facts
)

// NeedThing asks for the thing with that code and every line of its stock.
func NeedThing(code events.Code) Need { return Need{Kind: NeedsThing, Code: code} }

// NeedStock asks for the open lines of a design, ingredient or formula at a place; "" is every place.
func NeedStock(place, subject string) Need {
	return Need{Kind: NeedsStock, Place: place, Subject: subject}
}

// NeedPlace asks for every open line of stock at a place.
func NeedPlace(place string) Need { return Need{Kind: NeedsPlace, Place: place} }

// NeedVat asks for the state of a vat.
func NeedVat(slug string) Need { return Need{Kind: NeedsVat, Subject: slug} }

// NeedSequence asks for the last sequence number of a kind on a day.
func NeedSequence(kind events.Kind, day civil.Day) Need {
	return Need{Kind: NeedsSequence, Letter: kind, Day: day}
}

// NeedHold asks for a hold.
func NeedHold(id uuid.UUID) Need { return Need{Kind: NeedsHold, ID: id} }

// NeedDeviation asks for a deviation.
func NeedDeviation(id uuid.UUID) Need { return Need{Kind: NeedsDeviation, ID: id} }

// NeedDownstream asks for everything that a thing went into.
func NeedDownstream(code events.Code) Need { return Need{Kind: NeedsDownstream, Code: code} }

// NeedReach asks for everything that a thing went into, where nothing of it is dated anew: the lots that all of it is mixed
// of, and the fillings, are then nobody's business.
func NeedReach(code events.Code) Need { return Need{Kind: NeedsReach, Code: code} }

// NeedRecalled asks for what a recall tells of everything that a thing went into.
func NeedRecalled(code events.Code) Need { return Need{Kind: NeedsRecalled, Code: code} }

// NeedParts asks for all the parts of a whole, and their stock.
func NeedParts(whole events.Code) Need { return Need{Kind: NeedsParts, Code: whole} }

// NeedDeviationsAt asks for the undecided deviations of a place itself.
func NeedDeviationsAt(place string) Need { return Need{Kind: NeedsDeviationsAt, Place: place} }

// NeedLater asks for the movements of a thing that are dated after an instant.
func NeedLater(code events.Code, at time.Time) Need {
	return Need{Kind: NeedsLater, Code: code, At: at}
}

// NeedCounted asks for the lines of a design, ingredient or formula at a place that were counted after an instant,
// also where nothing stands any more.
func NeedCounted(place, subject string, at time.Time) Need {
	return Need{Kind: NeedsCounted, Place: place, Subject: subject, At: at}
}

// NeedOps asks for everything that happened in a charge.
func NeedOps(charge events.Code) Need { return Need{Kind: NeedsOps, Code: charge} }

// NeedRemix asks for what a late entry may change: everything that happened in a charge, and everything that was drawn
// from it after an instant, wherever that went.
func NeedRemix(charge events.Code, at time.Time) Need {
	return Need{Kind: NeedsRemix, Code: charge, At: at}
}

// NeedVatAt asks for the charges of a vat that had not ended at an instant.
func NeedVatAt(slug string, at time.Time) Need {
	return Need{Kind: NeedsVatAt, Subject: slug, At: at}
}

// NeedMoved asks for the lines at a place of which something moved after an instant, also where nothing stands any
// more.
func NeedMoved(place string, at time.Time) Need { return Need{Kind: NeedsMoved, Place: place, At: at} }

// NeedRecall asks for a recall.
func NeedRecall(id uuid.UUID) Need { return Need{Kind: NeedsRecall, ID: id} }

// NeedSupplied asks for the lots that came from a supplier with a lot code of its.
func NeedSupplied(supplier, lot string) Need {
	return Need{Kind: NeedsSupplied, Subject: supplier, Place: lot}
}

// NeedReceived asks for the lots that came from a supplier on some days, both included.
func NeedReceived(supplier string, from, to civil.Day) Need {
	return Need{Kind: NeedsSupplied, Subject: supplier, Day: from, To: to}
}

// NeedAccount asks for what became of all that there ever was of a thing.
func NeedAccount(code events.Code) Need { return Need{Kind: NeedsAccount, Code: code} }

// NeedCommand asks for the command that an event belongs to, and for every correction of it.
func NeedCommand(event uuid.UUID) Need { return Need{Kind: NeedsCommand, ID: event} }

// NeedHistory asks for every event that concerns a whole or a part of it.
func NeedHistory(whole events.Code) Need { return Need{Kind: NeedsHistory, Code: whole} }

// NeedDecisions asks for every decision about a deviation that was ever written down.
func NeedDecisions(deviation uuid.UUID) Need { return Need{Kind: NeedsDecisions, ID: deviation} }

// Loaded marks needs as met: what they asked for and is not in the set does not exist.
func (s *Set) Loaded(needs ...Need) {
	for _, n := range needs {
		s.loaded[n] = struct{}{}
	}
}

// IsLoaded says whether a need was met.
func (s *Set) IsLoaded(n Need) bool {
	if s.partial != nil && s.partial.meets(n) {
		return true
	}
	for at := s; at != nil; at = at.parent {
		if _, met := at.loaded[n]; met || at.complete {
			return true
		}
	}
	switch n.Kind {
	case NeedsLater:
		later, loaded := s.later[n.Code]
		return loaded && !later.from.After(n.At)
	case NeedsReadings:
		readings, loaded := s.readings[n.Subject]
		return loaded && !readings.from.After(n.At)
	default: // it is met as a whole
		return false
	}
}

// missing is thrown by a lookup of something that was never loaded, and caught by Carry.
type missing struct{ needs []Need }

func (s *Set) want(needs ...Need) {
	if lacks := slices.DeleteFunc(slices.Clone(needs), s.IsLoaded); len(lacks) > 0 {
		panic(missing{needs: lacks})
	}
}

// wantThings asks at once for some things.
func (s *Set) wantThings(codes []events.Code) {
	needs := make([]Need, 0, len(codes))
	for _, code := range codes {
		needs = append(needs, NeedThing(code))
	}
	s.want(needs...)
}

// wantLater asks at once for what moved after an instant of all lines that a late entry looks at.
func (s *Set) wantLater(lines []*StockLine, at time.Time) {
	var needs []Need
	for _, l := range lines {
		if l.LastAt.After(at) {
			needs = append(needs, NeedLater(l.Code, at))
		}
	}
	s.want(needs...)
}

// Lot finds a lot or portion, nil if there is none.
func (s *Set) Lot(code events.Code) *Lot {
	if l := s.Lots.get(code); l != nil {
		return l
	}
	s.want(NeedThing(code))
	s.mustBeThere(code)
	return nil
}

// Charge finds a charge, nil if there is none.
func (s *Set) Charge(code events.Code) *Charge {
	if c := s.Charges.get(code); c != nil {
		return c
	}
	s.want(NeedThing(code))
	s.mustBeThere(code)
	return nil
}

// Ganache finds a ganache, nil if there is none.
func (s *Set) Ganache(code events.Code) *Ganache {
	if g := s.Ganaches.get(code); g != nil {
		return g
	}
	s.want(NeedThing(code))
	s.mustBeThere(code)
	return nil
}

// Run finds a run or a part of one, nil if there is none.
func (s *Set) Run(code events.Code) *Run {
	if r := s.Runs.get(code); r != nil {
		return r
	}
	s.want(NeedThing(code))
	s.mustBeThere(code)
	return nil
}

// Vat finds the state of a vat; one that never held anything has a zero state.
func (s *Set) Vat(slug string) VatState {
	if v := s.Vats.get(slug); v != nil {
		return *v
	}
	s.want(NeedVat(slug))
	return VatState{Slug: slug}
}

// Hold finds a hold, nil if there is none.
func (s *Set) Hold(id uuid.UUID) *Hold {
	if h := s.Holds.get(id); h != nil {
		return h
	}
	s.want(NeedHold(id))
	if s.then { // of what is outside: a hold that was written down later
		return s.partial.under.Holds.get(id)
	}
	return nil
}

// Deviation finds a deviation, nil if there is none.
func (s *Set) Deviation(id uuid.UUID) *Deviation {
	if d := s.Deviations.get(id); d != nil {
		return d
	}
	s.want(NeedDeviation(id))
	if s.then {
		return s.partial.under.Deviations.get(id)
	}
	return nil
}

// Recall finds a recall, nil if there is none.
func (s *Set) Recall(id uuid.UUID) *Recall {
	if r := s.Recalls.get(id); r != nil {
		return r
	}
	s.want(NeedRecall(id))
	if s.then { // of what is outside: a recall that was opened later
		return s.partial.under.Recalls.get(id)
	}
	return nil
}

// DeviationsAt lists the undecided deviations of a place itself, in the order of time.
func (s *Set) DeviationsAt(place string) []*Deviation {
	s.want(NeedDeviationsAt(place))
	var open []*Deviation
	for _, d := range s.Deviations.all() {
		if d.Place == place && d.Code == "" && d.Decision == nil {
			open = append(open, d)
		}
	}
	slices.SortFunc(open, func(a, b *Deviation) int {
		return cmp.Or(a.OpenedAt.Compare(b.OpenedAt), slices.Compare(a.ID[:], b.ID[:]))
	})
	return open
}

// DownstreamOf lists everything that a thing went into, itself left out.
func (s *Set) DownstreamOf(code events.Code) []events.Code {
	s.want(NeedDownstream(code))
	return s.downstreamOf(code)
}

func (s *Set) downstreamOf(code events.Code) []events.Code {
	if s.partial != nil {
		return s.madeByThen(s.Downstream[code])
	}
	return s.Downstream[code]
}

// Exists says whether a code names a thing of the book.
func (s *Set) Exists(code events.Code) bool {
	if s.then && s.comesLater(code) {
		return false
	}
	switch code.Kind() {
	case events.KindLot:
		return s.Lot(code) != nil
	case events.KindCharge:
		return s.Charge(code) != nil
	case events.KindGanache:
		return s.Ganache(code) != nil
	case events.KindRun:
		return s.Run(code) != nil
	case events.KindBox:
		return s.Box(code) != nil
	default:
		return false
	}
}

// LinesOf lists every line of stock of a code, in the order of places and grades.
func (s *Set) LinesOf(code events.Code) []*StockLine {
	s.want(NeedThing(code))
	keys := s.lines.get(code)
	if keys == nil {
		return nil
	}
	lines := make([]*StockLine, 0, len(*keys))
	for _, k := range *keys {
		if l := s.Stock.get(k); l != nil {
			lines = append(lines, l)
		}
	}
	slices.SortFunc(lines, func(a, b *StockLine) int { return a.StockKey.Compare(b.StockKey) })
	return lines
}

// Line finds one line of stock, nil if the thing never stood there so.
func (s *Set) Line(key StockKey) *StockLine {
	if l := s.Stock.get(key); l != nil {
		return l
	}
	s.want(NeedThing(key.Code))
	return nil
}

// OpenAt lists the open lines of a design, ingredient or formula at a place ("" = every place), first expiring
// first.
func (s *Set) OpenAt(place, subject string) []*StockLine {
	if !s.IsLoaded(NeedPlace(place)) {
		s.want(NeedStock(place, subject))
	}
	var lines []*StockLine
	for _, l := range s.Stock.all() {
		if l.Amount > 0 && l.Subject == subject && (place == "" || l.Place == place) {
			lines = append(lines, l)
		}
	}
	slices.SortFunc(lines, FirstExpiring)
	return lines
}

// CountedAt lists the lines of a design, ingredient or formula at a place of which a count after an instant has found
// none: what stood there at that instant may still be written down.
func (s *Set) CountedAt(place, subject string, at time.Time) []*StockLine {
	s.want(NeedCounted(place, subject, at))
	var lines []*StockLine
	for _, l := range s.Stock.all() {
		if l.Amount == 0 && l.Subject == subject && l.Place == place && l.countedAfter(at) {
			lines = append(lines, l)
		}
	}
	return lines
}

// StandingAt lists every line of what stands at a place, in code order.
func (s *Set) StandingAt(place string) []*StockLine {
	s.want(NeedPlace(place))
	return s.linesAt(place, func(l *StockLine) bool { return l.Amount > 0 })
}

// StoodAt lists every line of what stood at a place at an instant, in code order.
func (s *Set) StoodAt(place string, at time.Time) []*StockLine {
	s.want(NeedPlace(place), NeedMoved(place, at))
	all := s.linesAt(place, func(*StockLine) bool { return true })
	s.wantLater(all, at)
	return slices.DeleteFunc(all, func(l *StockLine) bool { return s.had(l, at) <= 0 })
}

func (s *Set) linesAt(place string, which func(*StockLine) bool) []*StockLine {
	var lines []*StockLine
	for _, l := range s.Stock.all() {
		if l.Place == place && which(l) {
			lines = append(lines, l)
		}
	}
	slices.SortFunc(lines, func(a, b *StockLine) int { return a.StockKey.Compare(b.StockKey) })
	return lines
}

// AddLine puts a loaded line into the set, unless the set already has it (and may have changed it).
func (s *Set) AddLine(l StockLine) {
	if s.Stock.get(l.StockKey) != nil {
		return
	}
	s.Stock.Add(l.StockKey, l)
	s.index(l.StockKey)
}

func (s *Set) index(key StockKey) {
	keys := s.lines.get(key.Code)
	if keys == nil {
		s.lines.put(key.Code, []StockKey{key})
	} else if !slices.Contains(*keys, key) {
		s.lines.put(key.Code, append(slices.Clip(*keys), key))
	}
}

// nextSequence gives the next sequence number of a kind on a day; the event that brings the code in takes it.
func (s *Set) nextSequence(kind events.Kind, day civil.Day) int {
	key := SequenceKey{Kind: kind, Day: day}
	last := 0
	if n := s.Sequences.get(key); n != nil {
		last = *n
	} else {
		s.want(NeedSequence(kind, day))
	}
	return last + 1
}

// SequenceKey names one counter of codes: a kind on a day.
type SequenceKey struct {
	Kind events.Kind
	Day  civil.Day
}

// VatState is what a vat holds now: its current charge, if any, and when it was last cleaned.
type VatState struct {
	Slug      string      `json:"slug"`
	Charge    events.Code `json:"charge,omitempty"`
	CleanedAt *time.Time  `json:"cleaned_at,omitempty"`
}

// A layer is the rows of one kind, over those of the set it was forked from. The zero of a row is nil.
type layer[K comparable, V any] struct {
	under *layer[K, V]
	rows  map[K]*V
	dirty map[K]struct{}
	gone  map[K]struct{}
	hides func(K) bool // of a partial set: what is not to be seen of the layers under this one
	drops func(K) bool // of a partial set and its forks: what is not to be written
}

func (l *layer[K, V]) init(under *layer[K, V]) {
	l.under, l.rows, l.dirty, l.gone = under, map[K]*V{}, map[K]struct{}{}, nil
	if under != nil {
		l.drops = under.drops
	}
}

// get finds a row for reading, nil if the layer and those under it have none.
func (l *layer[K, V]) get(key K) *V {
	for at := l; at != nil; at = at.under {
		if row, found := at.rows[key]; found {
			return row
		}
		if at.ends(key) {
			return nil
		}
	}
	return nil
}

// ends says that the layers under this one are not to be asked for a row.
func (l *layer[K, V]) ends(key K) bool {
	if l.hides != nil && l.hides(key) {
		return true
	}
	_, gone := l.gone[key]
	return gone
}

// Add puts a row as loaded: it is not dirty.
func (l *layer[K, V]) Add(key K, row V) { l.rows[key] = &row }

// put writes a row.
func (l *layer[K, V]) put(key K, row V) {
	if l.drops != nil && l.drops(key) {
		return
	}
	l.rows[key] = &row
	l.dirty[key] = struct{}{}
	delete(l.gone, key)
}

// remove takes a row out, wherever it is.
func (l *layer[K, V]) remove(key K) {
	delete(l.rows, key)
	delete(l.dirty, key)
	if l.gone == nil {
		l.gone = map[K]struct{}{}
	}
	l.gone[key] = struct{}{}
}

// Gone lists the rows that were taken out since they were loaded.
func (l *layer[K, V]) Gone() []K { return slices.Collect(maps.Keys(l.gone)) }

// Has says whether the layer itself holds a row: loading must not overwrite what was changed.
func (l *layer[K, V]) Has(key K) bool { return l.get(key) != nil }

// Dirty lists the rows that were written since they were loaded.
func (l *layer[K, V]) Dirty() iter.Seq2[K, *V] {
	return func(yield func(K, *V) bool) {
		for key := range l.dirty {
			if !yield(key, l.rows[key]) {
				return
			}
		}
	}
}

// all lists every row that can be seen, each once.
func (l *layer[K, V]) all() iter.Seq2[K, *V] {
	return func(yield func(K, *V) bool) {
		for at := l; at != nil; at = at.under {
			for key, row := range at.rows {
				if at != l && l.shadows(key, at) {
					continue
				}
				if !yield(key, row) {
					return
				}
			}
		}
	}
}

func (l *layer[K, V]) shadows(key K, below *layer[K, V]) bool {
	for at := l; at != below; at = at.under {
		if _, found := at.rows[key]; found || at.ends(key) {
			return true
		}
	}
	return false
}

// edit gives a row's own copy, marked as written; nil if there is no such row. Of what is not to be written it is a
// copy that is forgotten.
func (l *layer[K, V]) edit(key K) *V {
	if _, own := l.dirty[key]; own {
		return l.rows[key]
	}
	row := l.get(key)
	if row == nil {
		return nil
	}
	if l.drops != nil && l.drops(key) {
		forgotten := *row
		return &forgotten
	}
	l.put(key, *row)
	return l.rows[key]
}

func (l *layer[K, V]) merge() {
	for key := range l.gone {
		l.under.remove(key)
	}
	for key, row := range l.rows {
		l.under.rows[key] = row
		delete(l.under.gone, key)
	}
	maps.Copy(l.under.dirty, l.dirty)
}

// appendTo adds to a list that is a row. Lists under it keep their length.
func appendTo[K comparable, V any](l *layer[K, []V], key K, v V) {
	if _, own := l.dirty[key]; own {
		*l.rows[key] = append(*l.rows[key], v)
		return
	}
	var list []V
	if known := l.get(key); known != nil {
		list = slices.Clip(*known)
	}
	l.put(key, append(list, v))
}
