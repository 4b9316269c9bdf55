package workshop

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// Recall is a recall, or a drill, as it stands.
type Recall struct {
	ID         uuid.UUID           `json:"id"`
	Opened     events.RecallOpened `json:"opened"`
	Site       string              `json:"site"`
	OpenedAt   time.Time           `json:"opened_at"`
	RecordedAt time.Time           `json:"recorded_at"` // when its first account was drawn up
	Reach      string              `json:"reach"`
	Hold       *uuid.UUID          `json:"hold,omitempty"`
	Narrowed   *RecallStep         `json:"narrowed,omitempty"`
	Closed     *RecallStep         `json:"closed,omitempty"`

	Decisions []events.RecallDecision `json:"decisions,omitempty"`
}

// RecallStep is what was done about a recall, when and why.
type RecallStep struct {
	At     time.Time `json:"at"`
	Reason string    `json:"reason"`
}

// How far a recall reaches, and how certainly what is recalled is in a thing.
const (
	ReachMayContain = "may_contain"
	ReachContains   = "contains"
)

// What is done about a thing of a recall.
const (
	RecallDestroyed = "destroyed"            // thrown away, or about to be: what stands of it stays on hold
	RecallReturned  = "returned_to_supplier" // what stands of it stays on hold until it is collected
	RecallKept      = "kept_on_hold"         // as evidence, or until a laboratory answers
	RecallReleased  = "released"             // after a review: the hold is lifted
	RecallGone      = "gone"                 // nothing stands here any more, and whoever had it was told
)

// causeRecall is why a hold was placed that a recall placed.
const causeRecall = "recall"

// OpenRecall opens a recall from a thing, or from deliveries of a supplier: by the supplier's lot codes, by the days on
// which they came in, or by both. Everything that is reached is held in the same command. A drill does everything but hold:
// an exercise must not stop the shop.
type OpenRecall struct {
	Done
	Code         events.Code
	Supplier     string
	SupplierLots []string
	ReceivedFrom *civil.Day
	ReceivedTo   *civil.Day
	Reach        string
	Drill        bool
	Reason       string
	ToldBy       string
	ToldAt       *time.Time
}

// RecallAnswer is the answer to every command about a recall: the recall, and its account at that moment.
type RecallAnswer struct {
	Recall  *Recall
	Account RecallAccount
}

// Needs is the thing, or the deliveries.
func (c OpenRecall) Needs() []Need {
	if c.Code != "" {
		return []Need{NeedThing(c.Code), c.far()(c.Code)}
	}
	return c.supplied()
}

// far asks for what a thing went into: to hold all of it, the whole of each thing is needed.
func (c OpenRecall) far() func(events.Code) Need {
	if c.Drill {
		return NeedRecalled
	}
	return NeedReach
}

func (c OpenRecall) supplied() []Need {
	var needs []Need
	if c.ReceivedFrom != nil {
		needs = append(needs, NeedReceived(c.Supplier, *c.ReceivedFrom, *c.ReceivedTo))
	}
	for _, lot := range c.SupplierLots {
		needs = append(needs, NeedSupplied(c.Supplier, lot))
	}
	return needs
}

// Alone says that a recall looks wider than an ordinary command.
func (c OpenRecall) Alone() bool { return true }

// Decide finds what is reached, holds it, and accounts for it.
func (c OpenRecall) Decide(d *Desk) (any, *Refusal) {
	if !c.Drill && !d.Actor.Is(roleOwner) {
		return nil, forbidden("A recall is the owner's to open: ask the owner, or open a drill with \"drill\": true.")
	}
	if wrong := c.checkDays(d); wrong != nil {
		return nil, wrong
	}
	var rs refusals
	d.happened(c.Done, &rs)
	roots := c.roots(d, &rs)
	for _, root := range roots {
		d.existed(root, d.Set.since(root), d.At, &rs)
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	d.site = d.Set.siteOf(roots[0])
	opened := events.RecallOpened{
		Code: c.Code, Supplier: c.Supplier, SupplierLots: c.SupplierLots, ReceivedFrom: c.ReceivedFrom, ReceivedTo: c.ReceivedTo,
		Roots: roots, Reach: c.Reach, Drill: c.Drill, Reason: c.Reason, ToldBy: c.ToldBy, ToldAt: inUTC(c.ToldAt),
		Reached: d.Set.reached(roots, c.Reach, c.far()),
	}
	if !c.Drill {
		opened.Hold = d.holdRecalled(roots[0], codesOf(opened.Reached), c.Reason)
	}
	r := d.record(d.At, d.site, opened)
	return RecallAnswer{Recall: d.Set.Recall(r.ID), Account: d.Set.accountOf(d.Set.Recall(r.ID), opened.Reached)}, nil
}

func (c OpenRecall) checkDays(d *Desk) *Refusal {
	switch {
	case c.ReceivedFrom != nil && c.ReceivedTo.Before(*c.ReceivedFrom):
		return invalid("/received_to", "%s is before %s: give the last day on which it came in.", c.ReceivedTo, c.ReceivedFrom)
	case c.ToldAt != nil && c.ToldAt.After(d.Now.Add(ahead)):
		return invalid("/told_at", "told_at is ahead of the book's clock: give the time at which somebody told you.")
	}
	return nil
}

// roots are the lots that are recalled, or the thing.
func (c OpenRecall) roots(d *Desk, rs *refusals) []events.Code {
	if c.Code != "" {
		if !d.Set.Exists(c.Code) {
			rs.unknownCode(c.Code)
			return nil
		}
		return []events.Code{c.Code}
	}
	if d.Set.Defs.Suppliers.Latest(c.Supplier) == nil {
		rs.unknown("supplier", c.Supplier)
		return nil
	}
	needs := c.supplied()
	d.Set.want(needs...)
	var lots []events.Code
	for _, need := range needs {
		found := d.Set.suppliedBy(need)
		if len(found) == 0 && need.Place != "" {
			rs.add(RefusedUnknownCode, Facts{"name": need.Place}, "Nothing came from %s with the lot code %q: look at the delivery note again.", c.Supplier, need.Place)
		}
		lots = append(lots, found...)
	}
	if len(lots) == 0 && len(*rs) == 0 {
		rs.add(RefusedUnknownCode, Facts{"name": c.Supplier}, "Nothing came from %s on those days.", c.Supplier)
	}
	return codeSet(lots)
}

// suppliedBy lists the lots of a supplier that a need asks for. A day is the calendar's where the lot came in.
func (s *Set) suppliedBy(need Need) []events.Code {
	var lots []events.Code
	for code, lot := range s.Lots.all() {
		if lot.Supplier != need.Subject || code.IsPart() {
			continue
		}
		day := civil.DayOf(lot.At, s.Defs.Zone(lot.Site))
		if need.Place != "" && lot.SupplierLot == need.Place || need.Place == "" && !day.Before(need.Day) && !day.After(need.To) {
			lots = append(lots, code)
		}
	}
	return lots
}

// reached lists what recalled things went into, themselves among it, in code order: all of it, or what certainly contains
// them. far asks for what each went into.
func (s *Set) reached(roots []events.Code, reach string, far func(events.Code) Need) []events.RecalledThing {
	if s.partial != nil { // the tables do not have it
		far = NeedReach
	}
	needs := make([]Need, 0, len(roots))
	for _, root := range roots {
		needs = append(needs, far(root))
	}
	s.want(needs...)
	codes := slices.Clone(roots)
	for _, root := range roots {
		codes = append(codes, s.downstreamOf(root)...)
		codes = append(codes, s.partsOf(root)...)
	}
	var things []events.RecalledThing
	for _, code := range codeSet(codes) {
		certainty := ReachMayContain
		if s.contains(code, roots) {
			certainty = ReachContains
		}
		if reach == ReachMayContain || certainty == ReachContains {
			things = append(things, events.RecalledThing{Code: code, Certainty: certainty})
		}
	}
	return things
}

// partsOf lists the parts of a whole that are in the book: what made one may have been corrected.
func (s *Set) partsOf(whole events.Code) []events.Code {
	var parts []events.Code
	for n := 1; !whole.IsPart() && n <= s.alike(whole).parts; n++ {
		parts = append(parts, whole.Part(n))
	}
	s.wantThings(parts)
	return slices.DeleteFunc(parts, func(part events.Code) bool { return !s.Exists(part) })
}

// contains says whether a thing certainly contains what is recalled: of lots by their share, a box if any run in it does;
// of anything else because some of its mass is there.
func (s *Set) contains(code events.Code, roots []events.Code) bool {
	if slices.Contains(roots, code) || slices.Contains(roots, code.Whole()) {
		return true
	}
	for _, root := range roots {
		if root.Kind() != events.KindLot || len(s.Lot(root.Whole()).Mix) > 0 {
			return true
		}
	}
	r := s.recalled(code)
	trace := s.Defs.TraceAt(r.Site)
	switch code.Kind() {
	case events.KindBox:
		return slices.ContainsFunc(runsIn(r.Contents), func(run events.Code) bool { return s.recalled(run).Mix.holds(roots, trace) })
	case events.KindLot:
		return s.recalled(code.Whole()).Mix.holds(roots, trace)
	default:
		return r.Mix.holds(roots, trace)
	}
}

// holds says whether some lots together are at least the stated trace of a mix.
func (m Mix) holds(lots []events.Code, trace Trace) bool {
	var together MixPart
	for _, p := range m {
		if p.Lot != "" && slices.ContainsFunc(lots, func(lot events.Code) bool { return lot.Whole() == p.Lot }) {
			together.Mass += p.Mass
		}
	}
	return together.Certain(m.Total(), trace)
}

func codesOf(things []events.RecalledThing) []events.Code {
	codes := make([]events.Code, 0, len(things))
	for _, t := range things {
		codes = append(codes, t.Code)
	}
	return codes
}

// holdRecalled holds things of a recall.
func (d *Desk) holdRecalled(root events.Code, codes []events.Code, reason string) *uuid.UUID {
	r := d.record(d.At, d.site, events.HoldPlaced{Code: root, Downstream: true, Reason: reason, Cause: causeRecall, Codes: codes})
	return &r.ID
}

// letGo lifts a recall's hold and holds what is left anew: nil if nothing is.
func (d *Desk) letGo(recall *Recall, free func(events.Code) bool, reason string) *uuid.UUID {
	if recall.Hold == nil {
		return nil
	}
	hold := d.Set.Hold(*recall.Hold)
	if hold.LiftedAt != nil { // an owner lifted it by hand
		return nil
	}
	left := slices.DeleteFunc(slices.Clone(hold.Codes), free)
	if len(left) == len(hold.Codes) {
		return recall.Hold
	}
	d.record(d.At, d.site, events.HoldLifted{Hold: hold.ID, Codes: hold.Codes, Reason: reason})
	if len(left) == 0 {
		return nil
	}
	return d.holdRecalled(hold.Code, left, reason)
}

// NarrowRecall has a recall go on with what certainly contains what is recalled: what only may is let go. The owner's.
type NarrowRecall struct {
	Done
	Recall uuid.UUID
	Reason string
}

// Needs is the recall.
func (c NarrowRecall) Needs() []Need { return []Need{NeedRecall(c.Recall)} }

// Alone says that a recall looks wider than an ordinary command.
func (c NarrowRecall) Alone() bool { return true }

// Decide lets go what is no longer in the recall.
func (c NarrowRecall) Decide(d *Desk) (any, *Refusal) {
	recall, refusal := d.openRecall(c.Recall, c.Done)
	if refusal != nil {
		return nil, refusal
	}
	if recall.Reach == ReachContains {
		var rs refusals
		rs.add(RefusedWrongState, Facts{"recall": c.Recall}, "This recall reaches what certainly contains it only, already.")
		return nil, rs.first()
	}
	narrowed := events.RecallNarrowed{Recall: c.Recall, Reason: c.Reason}
	for _, t := range d.Set.reached(recall.Opened.Roots, ReachMayContain, NeedReach) {
		if t.Certainty == ReachContains {
			narrowed.Left = append(narrowed.Left, t)
		} else {
			narrowed.LetGo = append(narrowed.LetGo, t.Code)
		}
	}
	narrowed.Hold = d.letGo(recall, func(code events.Code) bool { return slices.Contains(narrowed.LetGo, code) }, c.Reason)
	d.record(d.At, d.site, narrowed)
	return d.recallAnswer(c.Recall), nil
}

// openRecall finds a recall that is still open and may be worked on.
func (d *Desk) openRecall(id uuid.UUID, done Done) (*Recall, *Refusal) {
	var rs refusals
	recall := d.Set.Recall(id)
	if recall == nil {
		rs.add(RefusedUnknownCode, Facts{"recall": id}, "There is no recall %s in the book.", id)
		return nil, inURL(rs[0])
	}
	if !recall.Opened.Drill && !d.Actor.Is(roleOwner) {
		return nil, forbidden("A recall is the owner's: ask the owner.")
	}
	d.happened(done, &rs)
	d.opened(recall.ID, recall.OpenedAt, &rs)
	if recall.Closed != nil {
		rs.add(RefusedWrongState, Facts{"recall": id}, "This recall is closed already.")
	}
	d.site = d.Set.siteOf(recall.Opened.Roots[0])
	return recall, rs.first()
}

// CloseRecall ends a recall with a decision about each thing in it. Rest is the decision about what Decisions do not name;
// "" for none.
type CloseRecall struct {
	Done
	Recall    uuid.UUID
	Decisions []events.RecallDecision
	Rest      string
	Reason    string
}

// Needs is the recall, and its things.
func (c CloseRecall) Needs() []Need { return []Need{NeedRecall(c.Recall)} }

// Alone says that a recall looks wider than an ordinary command.
func (c CloseRecall) Alone() bool { return true }

// Decide writes the decisions down, and lifts the hold from what is released. Everything else stays held until it is gone.
func (c CloseRecall) Decide(d *Desk) (any, *Refusal) {
	recall, refusal := d.openRecall(c.Recall, c.Done)
	if refusal != nil {
		return nil, refusal
	}
	closed := events.RecallClosed{Recall: c.Recall, Reason: c.Reason}
	if closed.Decisions, refusal = c.decided(codesOf(d.Set.reached(recall.Opened.Roots, recall.Reach, NeedReach))); refusal != nil {
		return nil, refusal
	}
	released := map[events.Code]bool{}
	for _, decision := range closed.Decisions {
		released[decision.Code] = decision.Decision == RecallReleased
	}
	closed.Hold = d.letGo(recall, func(code events.Code) bool { return released[code] }, c.Reason)
	d.record(d.At, d.site, closed)
	return d.recallAnswer(c.Recall), nil
}

// decided gives each thing of the recall its decision.
func (c CloseRecall) decided(codes []events.Code) ([]events.RecallDecision, *Refusal) {
	var rs refusals
	made := map[events.Code]events.RecallDecision{}
	for i, decision := range c.Decisions {
		if _, twice := made[decision.Code]; twice {
			return nil, invalid(fmt.Sprintf("/decisions/%d/code", i), "%s is decided about twice: give it one decision.", decision.Code)
		}
		if !slices.Contains(codes, decision.Code) {
			rs.add(RefusedUnknownCode, Facts{"code": decision.Code}, "%s is not in this recall.", decision.Code)
		}
		made[decision.Code] = decision
	}
	var decisions []events.RecallDecision
	var missing []events.Code
	for _, code := range codes {
		decision, is := made[code]
		switch {
		case is:
			decisions = append(decisions, decision)
		case c.Rest != "":
			decisions = append(decisions, events.RecallDecision{Code: code, Decision: c.Rest})
		default:
			missing = append(missing, code)
		}
	}
	if len(missing) > 0 {
		rs.add(RefusedWrongState, Facts{"recall": c.Recall, "undecided": missing}, "%d things of this recall have no decision yet: %s is the first.", len(missing), missing[0])
	}
	return decisions, rs.first()
}

func (a *applying) recallOpened(e events.RecallOpened) {
	a.Recalls.put(a.r.ID, Recall{
		ID: a.r.ID, Opened: e, Site: a.r.Site, OpenedAt: a.r.OccurredAt, RecordedAt: a.r.RecordedAt, Reach: e.Reach, Hold: e.Hold,
	})
}

func (a *applying) recallNarrowed(e events.RecallNarrowed) error {
	if a.Recall(e.Recall) == nil {
		return fmt.Errorf("no recall %s", e.Recall)
	}
	recall := a.Recalls.edit(e.Recall)
	recall.Reach, recall.Hold = ReachContains, e.Hold
	recall.Narrowed = &RecallStep{At: a.r.OccurredAt, Reason: e.Reason}
	return nil
}

func (a *applying) recallClosed(e events.RecallClosed) error {
	if a.Recall(e.Recall) == nil {
		return fmt.Errorf("no recall %s", e.Recall)
	}
	recall := a.Recalls.edit(e.Recall)
	recall.Hold, recall.Decisions = e.Hold, e.Decisions
	recall.Closed = &RecallStep{At: a.r.OccurredAt, Reason: e.Reason}
	return nil
}
