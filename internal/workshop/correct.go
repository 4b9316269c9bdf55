package workshop

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// Correct puts a mistake right: it voids a command, or replaces it by what was the case. The command is named by any
// event of it.
type Correct struct {
	Done        // when it was found; it acts at the time of what it corrects, and as already done whatever is said
	Event       uuid.UUID
	Reason      string
	Replacement Command // nil: void
}

// Corrected is the answer: what counts now, and what follows from it.
type Corrected struct {
	Correction events.CommandCorrected
	Redated    []events.Redated
	Holds      []*Hold
	Deviations []*Deviation
	Gone       []SoldBefore // pieces of what changed that were sold or given meanwhile
}

// Needs is the command that is named.
func (c Correct) Needs() []Need { return []Need{NeedCommand(c.Event)} }

// Alone says that a correction folds anew what it touches.
func (c Correct) Alone() bool { return true }

// causeCorrected is why a date changed, or a hold was placed, when something was corrected.
const causeCorrected = "corrected"

// The limits on who may correct what.
const (
	roleMaker   = "maker"
	secondLooks = 15 * time.Minute // in which a counter may void what it wrote
)

// Decide folds anew what the corrected command touched, with what was the case in its place.
func (c Correct) Decide(d *Desk) (any, *Refusal) {
	d.Set.want(NeedCommand(c.Event))
	told := d.Set.told.commands[c.Event]
	if len(told.Named) == 0 || !d.knowsOfCommand(told.Named) {
		return nil, &Refusal{
			Slug: RefusedUnknownCode, Facts: Facts{"event": c.Event},
			Detail: fmt.Sprintf("There is no event %s in the book: look at the history of what it was about.", c.Event),
		}
	}
	if refusal := c.check(d, told); refusal != nil {
		return nil, refusal
	}
	f := refolding{d: d, c: c, told: told, before: CorrectionsIn(told.Corrections), of: map[events.Code]struct{}{}, missed: map[events.Code]int64{}, spare: map[events.Code]int64{}}
	f.reach(told.Root, told.Named)
	for _, r := range told.Corrections {
		f.reach(f.before.InPlace(told.Root[0]), []events.Recorded{r})
	}
	if refusal := f.fold(); refusal != nil {
		return nil, refusal
	}
	return f.write(), nil
}

// check says who may not correct this, and what cannot be.
func (c Correct) check(d *Desk, told Told) *Refusal {
	first := told.Named[0]
	if strings.HasSuffix(first.Data.EventType(), "_defined") {
		return &Refusal{
			Slug: RefusedWrongKind, Facts: Facts{"event": c.Event},
			Detail: "A definition is not corrected: put another version of it.",
		}
	}
	if _, erased := first.Data.(events.PersonErased); erased {
		return &Refusal{
			Slug: RefusedWrongKind, Facts: Facts{"event": c.Event},
			Detail: "What was erased is gone and cannot be brought back: define the supplier or buyer anew.",
		}
	}
	if d.Actor.Site != "" && slices.ContainsFunc(slices.Concat(told.Named, told.Root), ofRecall) {
		return forbidden("A recall is of the whole book: use a key that is bound to no site.")
	}
	var rs refusals
	d.site = first.Site
	d.ownSite(&rs)
	if refusal := rs.first(); refusal != nil {
		return refusal
	}
	if refusal := c.mayNot(d, first); refusal != nil {
		return refusal
	}
	d.happened(c.Done, &rs)
	if c.OccurredAt == nil { // a clock that runs ahead may have written it down
		d.At = later(d.At, first.OccurredAt)
	}
	if d.At.Before(first.OccurredAt) {
		rs.add(RefusedBeforeItExisted, Facts{"in_the_way": []uuid.UUID{first.ID}},
			"What is corrected happened after that: give the time at which the mistake was found.")
	}
	if refusal := rs.first(); refusal != nil {
		return refusal
	}
	corrections := CorrectionsIn(told.Corrections)
	if by := corrections.on(first.Command); by != nil {
		return &Refusal{
			Slug: RefusedAlreadyCorrected, Facts: Facts{"event": c.Event, "correction": by.recorded.ID},
			Detail: "This was corrected already: correct the correction, by its event.",
		}
	}
	return nil
}

func ofRecall(r events.Recorded) bool {
	switch r.Data.(type) {
	case events.RecallOpened, events.RecallNarrowed, events.RecallClosed:
		return true
	default:
		return false
	}
}

// mayNot says whose it is to correct this, nil if it is the actor's.
func (c Correct) mayNot(d *Desk, first events.Recorded) *Refusal {
	own := first.Actor == d.Actor.ID
	zone := d.zone(first.Site)
	switch {
	case d.Actor.Is(roleOwner):
	case d.Actor.Is(roleMaker):
		if !own || civil.DayOf(first.RecordedAt, zone) != civil.DayOf(d.Now, zone) {
			return forbidden("A maker corrects what the same key wrote on the same day: ask the owner.")
		}
	case !own || c.Replacement != nil || d.Now.After(first.RecordedAt.Add(secondLooks)):
		return forbidden("The counter voids what the same key wrote in the last 15 minutes: ask a maker or the owner.")
	}
	return nil
}

// A refolding is a correction on its way.
type refolding struct {
	d      *Desk
	c      Correct
	told   Told
	of     map[events.Code]struct{} // wholes that are folded anew
	before *Corrections
	after  *Corrections
	missed map[events.Code]int64 // by how much there was too little of it last time
	spare  map[events.Code]int64 // what others took since of what the replacement would take

	recorded []events.Recorded // everything that touches them, in the order of positions
	prefix   *Set              // as it was just before the corrected command
	old, now *Set              // forks of it: as the book stands, and with the correction
	origins  map[events.Code]int64
	marks    map[uuid.UUID]int64
	data     events.CommandCorrected
}

// root is the first event of the command in whose place the correction counts.
func (f *refolding) root() events.Recorded { return f.told.Root[0] }

// reach takes what events touch into what is folded anew; and all that was made of it, where that may change what it
// is made of.
func (f *refolding) reach(lists ...[]events.Recorded) {
	for _, list := range lists {
		for _, r := range list {
			if corrected, is := r.Data.(events.CommandCorrected); is {
				for _, e := range corrected.Events {
					f.reachEvent(e.Data, e.OccurredAt)
				}
				continue
			}
			f.reachEvent(r.Data, r.OccurredAt)
		}
	}
}

func (f *refolding) reachEvent(data events.Event, at time.Time) {
	touched := slices.DeleteFunc(slices.Clone(data.Touches()), func(code events.Code) bool { return code == "" })
	for _, code := range touched {
		f.of[code.Whole()] = struct{}{}
	}
	made := bornOf(data)
	switch e := data.(type) {
	case events.ShellsCast, events.PiecesDecorated, events.MouldsFilled, events.MouldsCapped, events.PiecesTurnedOut, events.RunStarted:
		made = append(made, runOf(data))
	case events.ChocolateMelted:
		f.reachVat(e.Vat, at, e.NewCharge)
	case events.VatEmptied:
		f.reachVat(e.Vat, at, true)
	case events.RecallNarrowed:
		f.reachRecall(e.Recall)
	case events.RecallClosed:
		f.reachRecall(e.Recall)
	case events.HoldPlaced, events.HoldLifted:
		made = append(made, touched...) // whatever came out of it since was held with it or not
	}
	for _, code := range touched {
		if code.Kind() == events.KindCharge {
			made = append(made, code)
		}
	}
	for _, code := range made {
		for _, down := range f.downstream(code) {
			f.of[down.Whole()] = struct{}{}
		}
	}
}

// reachRecall takes in what a recall is of, and with it everything that was done about the recall.
func (f *refolding) reachRecall(id uuid.UUID) {
	if recall := f.d.Set.Recall(id); recall != nil {
		f.reachEvent(recall.Opened, recall.OpenedAt)
	}
}

// reachNeeds takes in what the replacement names.
func (f *refolding) reachNeeds() {
	if f.c.Replacement == nil {
		return
	}
	set, at := f.d.Set, f.root().OccurredAt
	for _, n := range f.c.Replacement.Needs() {
		switch n.Kind {
		case NeedsThing:
			f.reachCode(n.Code)
		case NeedsVat:
			set.want(NeedVatAt(n.Subject, at))
			for code, charge := range set.Charges.all() {
				if charge.Vat == n.Subject && !at.Before(charge.At) && (charge.EndedAt == nil || at.Before(*charge.EndedAt)) {
					f.reachCode(code)
				}
			}
		case NeedsRecall:
			f.reachRecall(n.ID)
		default: // what it turns out to touch beside is taken in once it is decided
		}
	}
}

// reachCode takes a thing in, and of a charge everything that was drawn from it.
func (f *refolding) reachCode(code events.Code) {
	if !f.d.Set.Exists(code) {
		return
	}
	f.of[code.Whole()] = struct{}{}
	if code.Kind() == events.KindCharge {
		for _, down := range f.downstream(code) {
			f.of[down.Whole()] = struct{}{}
		}
	}
}

// downstream is what a thing went into, by the book as it stands.
func (f *refolding) downstream(code events.Code) []events.Code {
	f.d.Set.want(NeedDownstream(code))
	return f.d.Set.Downstream[code]
}

// reachVat takes the charges of a vat since an instant in, where one of them may begin or end otherwise.
func (f *refolding) reachVat(vat string, at time.Time, begins bool) {
	if !begins {
		return
	}
	set := f.d.Set
	set.want(NeedVatAt(vat, at))
	for code, charge := range set.Charges.all() {
		if charge.Vat == vat && (charge.EndedAt == nil || !at.After(*charge.EndedAt)) {
			f.of[code] = struct{}{}
			for _, down := range f.downstream(code) {
				f.of[down.Whole()] = struct{}{}
			}
		}
	}
}

// runOf is the run that an event is a step of.
func runOf(data events.Event) events.Code {
	switch e := data.(type) {
	case events.RunStarted:
		return e.Run
	case events.ShellsCast:
		return e.Run
	case events.PiecesDecorated:
		return e.Run
	case events.MouldsFilled:
		return e.Run
	case events.MouldsCapped:
		return e.Run
	case events.PiecesTurnedOut:
		return e.Run
	}
	return ""
}

// attempts bounds how often a replacement is decided: each time it reaches further, or takes less of something.
const attempts = 32

// fold decides the replacement and folds everything since, until both fit each other.
func (f *refolding) fold() *Refusal {
	f.reachNeeds()
	for range attempts {
		f.load()
		f.begin()
		replacing, refusal := f.decide()
		if refusal != nil {
			return refusal
		}
		reached := len(f.of)
		f.reach(replacing)
		if len(f.of) > reached {
			continue
		}
		for _, r := range replacing {
			f.prefix.partial.note(r.ID, r.Data)
		}
		f.correct(replacing)
		f.old = f.prefix.Fork()
		if err := f.since(f.old, f.before, false); err != nil {
			panic(fault{err: err}) // it is how the book stands
		}
		f.now = f.prefix.Fork()
		err := f.since(f.now, f.after, true)
		if err == nil && f.widen() {
			continue
		}
		if err == nil {
			return nil
		}
		if !f.takeLess(replacing, err) {
			return f.stillUsed(err)
		}
	}
	panic(fault{err: fmt.Errorf("a correction of %s did not come to rest", f.c.Event)})
}

// load gathers everything that touches what is folded anew.
func (f *refolding) load() {
	set := f.d.Set
	var needs []Need
	for whole := range f.of {
		needs = append(needs, NeedHistory(whole))
	}
	set.want(needs...)
	f.recorded = slices.Concat(f.told.Root, f.told.Named, f.told.Corrections)
	for whole := range f.of {
		f.recorded = append(f.recorded, set.told.histories[whole]...)
	}
	f.recorded = inOrderOfPositions(append(f.recorded, f.decided()...))
	f.recorded = inOrderOfPositions(append(f.recorded, f.corrected()...))
	f.before = CorrectionsIn(f.recorded)

	outside := map[events.Code]struct{}{}
	for _, r := range f.recorded {
		for _, code := range r.Codes() {
			if _, in := f.of[code.Whole()]; !in {
				outside[code] = struct{}{}
			}
		}
	}
	needs = needs[:0]
	for code := range outside {
		needs = append(needs, NeedThing(code))
	}
	set.want(needs...)
}

// corrected lists the commands in whose places corrections count that touch what is folded anew: they themselves may
// have touched none of it.
func (f *refolding) corrected() (all []events.Recorded) {
	var needs []Need
	for _, r := range f.recorded {
		if _, is := r.Data.(events.CommandCorrected); is {
			needs = append(needs, NeedCommand(r.ID))
		}
	}
	f.d.Set.want(needs...)
	for _, n := range needs {
		told := f.d.Set.told.commands[n.ID]
		all = slices.Concat(all, told.Root, told.Corrections)
	}
	return all
}

// decided lists what was decided about deviations of places that the corrected command is about, and what opened them:
// the history of no thing has it.
func (f *refolding) decided() (all []events.Recorded) {
	set := f.d.Set
	ids := map[uuid.UUID]struct{}{}
	note := func(id uuid.UUID, data events.Event) {
		switch e := data.(type) {
		case events.DeviationOpened:
			if e.Code == "" {
				ids[id] = struct{}{}
			}
		case events.DeviationDecided:
			if e.Code == "" {
				ids[e.Deviation] = struct{}{}
			}
		}
	}
	for _, r := range slices.Concat(f.told.Root, f.before.replacing(f.root())) {
		note(r.ID, r.Data)
	}
	var needs, commands []Need
	for id := range ids {
		needs, commands = append(needs, NeedDecisions(id)), append(commands, NeedCommand(id))
	}
	set.want(needs...)
	for _, n := range needs {
		for _, r := range set.told.decisions[n.ID] {
			commands = append(commands, NeedCommand(r.ID))
		}
	}
	set.want(commands...)
	for _, n := range commands {
		told := set.told.commands[n.ID]
		all = slices.Concat(all, told.Root, told.Named, told.Corrections)
	}
	return all
}

func inOrderOfPositions(recorded []events.Recorded) []events.Recorded {
	slices.SortFunc(recorded, func(a, b events.Recorded) int { return cmp.Compare(a.Position, b.Position) })
	return slices.CompactFunc(recorded, func(a, b events.Recorded) bool { return a.Position == b.Position })
}

// begin folds what happened before the corrected command.
func (f *refolding) begin() {
	p := &partial{of: maps.Clone(f.of), vats: map[string]struct{}{}, ids: map[uuid.UUID]struct{}{}, at: f.root().Position}
	for _, r := range f.recorded {
		p.note(r.ID, r.Data)
		if corrected, is := r.Data.(events.CommandCorrected); is {
			for _, e := range corrected.Events {
				p.note(e.ID, e.Data)
			}
		}
	}
	f.prefix = f.d.Set.partly(p)
	f.origins, f.marks = map[events.Code]int64{}, map[uuid.UUID]int64{}
	f.cleaned(p)
	p.untake(f.prefix, f.recorded)
	catalogue := f.d.Set.Defs.before()
	for _, r := range f.recorded {
		if r.Position >= f.root().Position {
			break
		}
		f.prefix.Defs = catalogue(r.Position)
		applied, err := f.prefix.Fold(r, f.before)
		if err != nil {
			panic(fault{err: err})
		}
		f.note(applied)
	}
}

// note takes the vats, holds, deviations and recalls in that an event brings about.
func (p *partial) note(id uuid.UUID, data events.Event) {
	switch e := data.(type) {
	case events.HoldPlaced, events.DeviationOpened, events.RecallOpened:
		p.ids[id] = struct{}{}
	case events.ChocolateMelted:
		if p.has(e.Charge) {
			p.vats[e.Vat] = struct{}{}
		}
	case events.VatEmptied:
		if p.has(e.Charge) {
			p.vats[e.Vat] = struct{}{}
		}
	}
}

// cleaned tells the fold when its vats were cleaned before the first charge that it is of.
func (f *refolding) cleaned(p *partial) {
	set := f.d.Set
	for vat := range p.vats {
		set.want(NeedVatAt(vat, time.Time{}))
		state, known := VatState{Slug: vat}, false
		for code, charge := range set.Charges.all() {
			if charge.Vat != vat || p.has(code) || !charge.Cleaned || charge.EndedAt == nil {
				continue
			}
			if state.CleanedAt == nil || charge.EndedAt.After(*state.CleanedAt) {
				state.CleanedAt, known = charge.EndedAt, true
			}
		}
		if known {
			f.prefix.Vats.put(vat, state)
		}
	}
}

// note remembers where in the log things, holds and deviations came to be.
func (f *refolding) note(applied []events.Recorded) {
	for _, r := range applied {
		for _, code := range r.Data.Touches() {
			if _, known := f.origins[code]; !known {
				f.origins[code] = r.Position
			}
		}
		f.marks[r.ID] = r.Position
	}
}

// since folds what happened from the corrected command on.
func (f *refolding) since(set *Set, c *Corrections, noted bool) error {
	catalogue := f.d.Set.Defs.before()
	for _, r := range f.recorded {
		if r.Position < f.root().Position {
			continue
		}
		set.Defs = catalogue(r.Position)
		applied, err := set.Fold(r, c)
		if err != nil {
			return err
		}
		if noted {
			f.note(applied)
		}
	}
	return nil
}

// decide decides the replacement where the corrected command stands in the book, by somebody who knows what happened.
func (f *refolding) decide() (replacing []events.Recorded, refusal *Refusal) {
	if f.c.Replacement == nil {
		return nil, nil
	}
	defer func() {
		thrown := recover()
		if late, is := thrown.(notYet); is {
			replacing, refusal = nil, f.writtenLater(late.code)
		} else if thrown != nil {
			panic(thrown)
		}
	}()
	root := f.root()
	desk := &Desk{
		Set: f.prefix.Fork(), Actor: f.d.Actor, Key: root.Key, Now: f.d.Now, At: root.OccurredAt, past: newPast(f),
		clock: Clock{Now: f.d.Now, Next: root.Position, NewID: f.d.clock.NewID},
	}
	desk.Set.Defs, desk.Set.then = f.d.Set.Defs, true
	if _, refusal := f.c.Replacement.Decide(desk); refusal != nil {
		if code, is := refusal.Facts["code"].(events.Code); is && refusal.Slug == RefusedUnknownCode && f.prefix.comesLater(code) {
			return nil, f.writtenLater(code)
		}
		return nil, refusal
	}
	return desk.recorded, nil
}

// writtenLater refuses a replacement that names what was written down after what it replaces: where that stands in the
// book, the thing is not there yet. To who may not hear of it, it is nowhere.
func (f *refolding) writtenLater(code events.Code) *Refusal {
	if f.d.Actor.Site != "" && !f.d.knows(code) {
		return unknownThing(code)
	}
	return &Refusal{
		Slug: RefusedBeforeItExisted, Facts: Facts{"in_the_way": []events.Code{code}},
		Detail: fmt.Sprintf("%s was written down after what is corrected: void that, and write down anew what was done.", code),
	}
}

// correct puts the correction into words, and among those that count.
func (f *refolding) correct(replacing []events.Recorded) {
	data := events.CommandCorrected{
		Corrected: f.told.Named[0].Command, Event: f.c.Event, Reason: f.c.Reason, Events: []events.Replacing{},
	}
	for _, r := range f.told.Named {
		if r.ID == f.c.Event {
			data.Type = r.Data.EventType()
		}
		data.Concerned = append(data.Concerned, r.Data.Touches()...)
	}
	for _, r := range f.told.Root {
		data.Concerned = append(data.Concerned, r.Data.Touches()...)
	}
	data.Concerned = slices.DeleteFunc(codeSet(data.Concerned), func(code events.Code) bool { return code == "" })
	for _, r := range replacing {
		data.Events = append(data.Events, events.Replacing{
			Position: r.Position, ID: r.ID, Version: r.Version, Site: r.Site, OccurredAt: r.OccurredAt, Data: r.Data,
		})
	}
	f.data = data
	id := f.d.clock.NewID() // only for the fold: nothing refers to it
	f.after = f.before.With(events.Recorded{Position: f.d.clock.Next, ID: id, Command: id, Data: data})
}

// widen takes in what turns out to be reached, or not to be reached any more: scrapings that meet a filling or none.
func (f *refolding) widen() bool {
	before := len(f.of)
	gone, put := differing(f.old.Edges, f.now.Edges, Edge.key)
	for _, e := range append(gone, put...) {
		if e.To != "" && f.prefix.isOutside(e.To) {
			f.reachCode(e.To)
		}
	}
	return len(f.of) > before
}

// takeLess has the replacement leave what others have taken since, if it took of that.
func (f *refolding) takeLess(replacing []events.Recorded, err error) bool {
	short := shortOf(err)
	if short == nil || f.missed[short.code] != 0 && f.missed[short.code] <= short.short { // to take less was no help
		return false
	}
	f.missed[short.code] = short.short
	for _, r := range replacing {
		if takesOf(r.Data, short.code) {
			f.spare[short.code] += short.short
			return true
		}
	}
	return false
}

// takesOf says whether an event takes some of a thing out of the book's stock.
func takesOf(data events.Event, code events.Code) bool {
	switch e := data.(type) {
	case events.PiecesSold, events.PiecesGiven, events.StockDiscarded, events.BoxesPacked:
		return slices.Contains(data.Touches(), code)
	case events.ChocolateMelted:
		return slices.Contains(sourcesOf(e.Inputs), code)
	case events.GanacheMade:
		return slices.Contains(sourcesOf(e.Inputs), code)
	case events.MouldsFilled:
		return slices.Contains(sourcesOf(e.Fillings), code)
	case events.PiecesDecorated:
		return slices.Contains(sourcesOf(e.Inputs), code)
	case events.ShellsCast:
		return e.Draw.Charge == code
	case events.MouldsCapped:
		return e.Draw.Charge == code
	case events.PortionOpened:
		return e.Lot == code
	case events.BoxesOpened:
		return e.Box == code
	}
	return false
}

// stillUsed says what stands in the way of a correction.
func (f *refolding) stillUsed(err error) *Refusal {
	blocked := new(inTheWay)
	if !errors.As(err, &blocked) {
		panic(fault{err: err})
	}
	codes := blocked.recorded.Codes()
	if blocked.code != "" {
		codes = []events.Code{blocked.code}
	}
	event := blocked.recorded
	if short := shortOf(err); short != nil {
		codes = []events.Code{short.code}
		for _, r := range f.recorded {
			if r.Position == short.drawn.Position {
				event = r
			}
		}
	}
	return &Refusal{
		Slug:  RefusedStillUsed,
		Facts: Facts{"in_the_way": codes, "event": event.ID, "event_type": event.Data.EventType(), "occurred_at": event.OccurredAt},
		Detail: fmt.Sprintf("What happened since rests on it: correct %s of %s first.", strings.ReplaceAll(event.Data.EventType(), "_", " "),
			event.OccurredAt.In(f.d.zone(event.Site)).Format("15:04 on 2 January")),
	}
}

// write records the correction, puts what it changes into the book, and records what follows from it.
func (f *refolding) write() Corrected {
	d := f.d
	changed := f.swap()
	d.record(d.At, f.told.Named[0].Site, f.data)
	d.At, d.site = d.Now, f.told.Named[0].Site
	f.follow(changed)
	answer := Corrected{Correction: f.data, Gone: f.goneSince(changed)}
	for _, r := range d.recorded {
		switch e := r.Data.(type) {
		case events.Redated:
			answer.Redated = append(answer.Redated, e)
		case events.HoldPlaced:
			answer.Holds = append(answer.Holds, d.Set.Hold(r.ID))
		case events.DeviationOpened:
			answer.Deviations = append(answer.Deviations, d.Set.Deviation(r.ID))
		}
	}
	return answer
}

// swap puts every row that the correction changes into the set, and gives the things that changed.
func (f *refolding) swap() []events.Code {
	set := f.d.Set
	var changed []events.Code
	note := func(code events.Code) { changed = append(changed, code) }
	swapRows(&f.old.Lots, &f.now.Lots, &set.Lots, note)
	swapRows(&f.old.Charges, &f.now.Charges, &set.Charges, note)
	swapRows(&f.old.Ganaches, &f.now.Ganaches, &set.Ganaches, note)
	swapRows(&f.old.Runs, &f.now.Runs, &set.Runs, note)
	swapRows(&f.old.Boxes, &f.now.Boxes, &set.Boxes, note)
	swapRows(&f.old.Stock, &f.now.Stock, &set.Stock, func(StockKey) {})
	swapRows(&f.old.Vats, &f.now.Vats, &set.Vats, func(string) {})
	swapRows(&f.old.Deviations, &f.now.Deviations, &set.Deviations, func(uuid.UUID) {})
	swapRows(&f.old.Recalls, &f.now.Recalls, &set.Recalls, func(uuid.UUID) {})
	swapRows(&f.old.Ops, &f.now.Ops, &set.Ops, func(OpKey) {})
	swapRows(&f.old.opsOf, &f.now.opsOf, &set.opsOf, func(events.Code) {})
	swapRows(&f.old.lines, &f.now.lines, &set.lines, func(events.Code) {})
	swapRows(&f.old.flows, &f.now.flows, &set.flows, func(events.Code) {})
	swapRows(&f.old.counts, &f.now.counts, &set.counts, func(countKey) {})
	f.swapHolds()
	set.Swapped = Swapped{At: f.d.clock.Next, ActsAt: f.actsAt(), Things: f.origins, Marks: f.marks}
	set.Swapped.MovementsGone, set.Swapped.MovementsPut = differing(f.old.Movements, f.now.Movements, Movement.key)
	set.Swapped.EdgesGone, set.Swapped.EdgesPut = differing(f.old.Edges, f.now.Edges, Edge.key)
	set.Swapped.ReadingsGone, set.Swapped.ReadingsPut = differing(f.old.Readings, f.now.Readings, Reading.key)
	return codeSet(changed)
}

// actsAt is the earliest of what was written, of what ever counted in its place, and of what counts now.
func (f *refolding) actsAt() time.Time {
	at := Earliest(time.Time{}, f.data.OccurredAts()...)
	for _, r := range f.told.Root {
		at = Earliest(at, r.OccurredAt)
	}
	for _, r := range f.told.Corrections {
		at = Earliest(at, r.Data.(events.CommandCorrected).OccurredAts()...)
	}
	return at
}

func (m Movement) key() OpKey { return OpKey{Position: m.Position, Number: m.Number} }
func (e Edge) key() OpKey     { return OpKey{Position: e.Position, Number: e.Number} }
func (r Reading) key() OpKey  { return OpKey{Position: r.Position} }

// swapRows puts the rows of a layer that differ between two folds into the set.
func swapRows[K comparable, V any](old, now, into *layer[K, V], changed func(K)) {
	keys := map[K]struct{}{}
	maps.Copy(keys, old.dirty)
	maps.Copy(keys, now.dirty)
	for key := range keys {
		was, is := old.get(key), now.get(key)
		switch {
		case reflect.DeepEqual(was, is):
			continue
		case is == nil:
			into.remove(key)
		default:
			into.put(key, *is)
		}
		changed(key)
	}
}

// swapHolds is swapRows for holds: one that took in what is outside keeps that.
func (f *refolding) swapHolds() {
	set := f.d.Set
	keys := map[uuid.UUID]struct{}{}
	maps.Copy(keys, f.old.Holds.dirty)
	maps.Copy(keys, f.now.Holds.dirty)
	for id := range keys {
		was, is := f.old.Holds.get(id), f.now.Holds.get(id)
		if reflect.DeepEqual(was, is) {
			continue
		}
		if is == nil {
			set.Holds.remove(id)
			continue
		}
		merged := *is
		if stands := set.Hold(id); stands != nil {
			for _, code := range stands.Codes {
				if f.prefix.isOutside(code) {
					merged.Codes = append(slices.Clip(merged.Codes), code)
				}
			}
			for _, before := range stands.SoldBefore {
				if f.prefix.isOutside(before.Code) {
					merged.SoldBefore = append(slices.Clip(merged.SoldBefore), before)
				}
			}
			if was != nil && reflect.DeepEqual(was.LiftedAt, is.LiftedAt) { // it may have been lifted from what is outside
				merged.LiftedAt = stands.LiftedAt
			}
			merged.Codes = codeSet(merged.Codes)
			slices.SortStableFunc(merged.SoldBefore, SoldBefore.compare)
			merged.SoldBefore = slices.Compact(merged.SoldBefore)
		}
		set.Holds.put(id, merged)
	}
}

// differing lists the rows that only the first or only the second has, each by its key.
func differing[V any](old, now []V, key func(V) OpKey) (gone, put []V) {
	was := map[OpKey]V{}
	for _, row := range old {
		was[key(row)] = row
	}
	for _, row := range now {
		before, had := was[key(row)]
		if had && reflect.DeepEqual(before, row) {
			delete(was, key(row))
			continue
		}
		put = append(put, row)
	}
	for _, row := range old {
		if _, still := was[key(row)]; still {
			gone = append(gone, row)
		}
	}
	return gone, put
}
