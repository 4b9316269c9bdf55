package workshop

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
)

// This file says what counts. The log keeps what was written; where a command was corrected, what counts in its place
// is the events that the correction brings, folded at the very position where the command stands.

// Corrections are the corrections of a book, or of a part of it, up to some position. The nil ones are none.
type Corrections struct {
	all       []correction
	of        map[uuid.UUID][]int // by the command that they correct: of all, in their order
	command   map[uuid.UUID]int   // by their own command
	concerned map[events.Code]struct{}
}

// correction is one of them. Its root is the command in whose place it counts: that which it corrects, or if that is a
// correction itself, the root of that.
type correction struct {
	recorded events.Recorded
	said     events.CommandCorrected
	root     uuid.UUID
}

func (c correction) voids() bool { return len(c.said.Events) == 0 }

// With is the corrections and one more; of any other event it is the same ones.
func (c *Corrections) With(r events.Recorded) *Corrections {
	said, is := r.Data.(events.CommandCorrected)
	if !is {
		return c
	}
	next := &Corrections{of: map[uuid.UUID][]int{}, command: map[uuid.UUID]int{}, concerned: map[events.Code]struct{}{}}
	if c != nil {
		for _, before := range c.all {
			next.add(before.recorded, before.said)
		}
	}
	next.add(r, said)
	return next
}

// CorrectionsIn gathers the corrections among events that are in the order of positions.
func CorrectionsIn(recorded []events.Recorded) *Corrections {
	c := &Corrections{of: map[uuid.UUID][]int{}, command: map[uuid.UUID]int{}, concerned: map[events.Code]struct{}{}}
	for _, r := range recorded {
		if said, is := r.Data.(events.CommandCorrected); is {
			c.add(r, said)
		}
	}
	return c
}

func (c *Corrections) add(r events.Recorded, said events.CommandCorrected) {
	one := correction{recorded: r, said: said, root: said.Corrected}
	if at, is := c.command[said.Corrected]; is {
		one.root = c.all[at].root
	}
	c.all = append(c.all, one)
	c.of[said.Corrected] = append(c.of[said.Corrected], len(c.all)-1)
	c.command[r.Command] = len(c.all) - 1
	for _, code := range said.Touches() {
		c.concerned[code.Whole()] = struct{}{}
	}
}

// concerns says whether any correction touches a thing, its whole or a part of it.
func (c *Corrections) concerns(code events.Code) bool {
	if c == nil {
		return false
	}
	_, is := c.concerned[code.Whole()]
	return is
}

// on is the correction of a command that is in force, nil if there is none.
func (c *Corrections) on(command uuid.UUID) *correction {
	if c == nil {
		return nil
	}
	for _, at := range slices.Backward(c.of[command]) {
		if c.inForce(c.all[at].recorded.Command) {
			return &c.all[at]
		}
	}
	return nil
}

// inForce says that a command was not voided. A correction that was voided leaves what it corrected as it was before.
func (c *Corrections) inForce(command uuid.UUID) bool {
	by := c.on(command)
	return by == nil || !by.voids()
}

// By is the id of the event that corrected a command, if a correction of it is in force.
func (c *Corrections) By(command uuid.UUID) (by uuid.UUID, corrected bool) {
	one := c.on(command)
	if one == nil {
		return by, false
	}
	return one.recorded.ID, true
}

// Knows says whether a command is one of the corrections.
func (c *Corrections) Knows(command uuid.UUID) bool {
	_, is := c.command[command]
	return is
}

// Root is the command in whose place a correction counts; of any other command, itself.
func (c *Corrections) Root(command uuid.UUID) uuid.UUID {
	if c != nil {
		if at, is := c.command[command]; is {
			return c.all[at].root
		}
	}
	return command
}

// Ever says whether a command was ever corrected, whether that is in force or not.
func (c *Corrections) Ever(command uuid.UUID) bool { return len(c.of[command]) > 0 }

// Earliest is the earliest of some instants. The zero one stands for none.
func Earliest(at time.Time, others ...time.Time) time.Time {
	for _, other := range others {
		if at.IsZero() || other.Before(at) {
			at = other
		}
	}
	return at
}

// content is the events that a correction in force brings, or that one brings which corrected it.
func (c *Corrections) content(by *correction) []events.Replacing {
	if over := c.on(by.recorded.Command); over != nil {
		return c.content(over)
	}
	return by.said.Events
}

// InPlace lists what counts where an event stands in the log: the event, unless its command was corrected.
func (c *Corrections) InPlace(r events.Recorded) []events.Recorded {
	by := c.on(r.Command)
	switch {
	case by == nil:
		return []events.Recorded{r}
	case r.ID != r.Command || c.Root(r.Command) != r.Command:
		return nil
	}
	var counts []events.Recorded
	for _, e := range c.content(by) {
		counts = append(counts, e.Recorded(r))
	}
	return counts
}

// Fold applies what counts where an event stands in the log, and gives what it applied. The codes of what does not
// count any more are not given again, and what only follows from it (a date, a hold) falls away with it.
func (s *Set) Fold(r events.Recorded, c *Corrections) (applied []events.Recorded, err error) {
	for _, e := range c.InPlace(r) {
		if s.leavesOut(e) {
			continue
		}
		falls, err := s.fallsAway(e)
		if err != nil {
			return nil, err
		}
		if falls || s.cut != nil && !s.ready(e) {
			continue
		}
		if err := s.Apply(e); err != nil {
			return nil, &inTheWay{recorded: e, err: err}
		}
		applied = append(applied, e)
	}
	switch {
	case c.on(r.Command) != nil:
		s.leave(r, c)
	case c != nil && r.ID == r.Command:
		s.leaveReplacing(r, c)
	}
	return applied, nil
}

// leaveReplacing notes what the corrections of a command had brought into the book that were all voided: it counts again
// as it was written.
func (s *Set) leaveReplacing(r events.Recorded, c *Corrections) {
	for _, at := range c.of[r.Command] {
		written := c.all[at].said.Concerned // what the command touched is all in it
		for _, one := range c.all {
			if one.root != r.Command {
				continue
			}
			for _, e := range one.said.Events {
				for _, code := range bornOf(e.Data) {
					if !slices.Contains(written, code) {
						s.absent.put(code, struct{}{})
					}
				}
			}
		}
	}
}

// leave notes what an event that does not count any more had brought into the book.
func (s *Set) leave(r events.Recorded, c *Corrections) {
	a := applying{Set: s, r: r}
	a.reserve(r.Data)
	if r.ID != r.Command || c.Root(r.Command) != r.Command {
		if c.Root(r.Command) == r.Command {
			s.lack(bornOf(r.Data), c.content(c.on(r.Command)))
		}
		return
	}
	kept := c.content(c.on(r.Command))
	s.lack(bornOf(r.Data), kept)
	for _, one := range c.all {
		if one.root == r.Command {
			for _, e := range one.said.Events {
				s.lack(bornOf(e.Data), kept)
			}
		}
	}
}

// lack notes codes that are not in the book, unless the events kept brought them.
func (s *Set) lack(codes []events.Code, kept []events.Replacing) {
	for _, code := range codes {
		if !slices.ContainsFunc(kept, func(e events.Replacing) bool { return slices.Contains(bornOf(e.Data), code) }) {
			s.absent.put(code, struct{}{})
		}
	}
}

// lacks says that only commands brought a thing into the book that do not count any more.
func (s *Set) lacks(code events.Code) bool {
	return s.absent.get(code) != nil || code != "" && s.isOutside(code) && !s.Exists(code)
}

// fallsAway says that an event only follows from what is not in the book any more. An error is one that is about it.
func (s *Set) fallsAway(r events.Recorded) (bool, error) {
	touched := r.Data.Touches()
	switch e := r.Data.(type) {
	case events.Redated:
		return s.lacks(e.Code), nil
	case events.DeviationOpened:
		return s.lacks(e.Code), nil
	case events.DeviationDecided:
		return s.lacks(e.Code), nil
	case events.HoldPlaced:
		return s.lacks(e.Code), nil
	case events.HoldLifted:
		return !slices.ContainsFunc(e.Codes, func(code events.Code) bool { return !s.lacks(code) }), nil
	case events.CommandCorrected, events.RecallNarrowed, events.RecallClosed: // a recall may reach what is not there after all
		return false, nil
	case events.RecallOpened:
		touched = e.Roots
	}
	for _, code := range touched {
		if s.lacks(code) {
			return false, &inTheWay{recorded: r, code: code, err: fmt.Errorf("%s is not there", code)}
		}
	}
	return false, nil
}

// inTheWay is an event that does not go with what is folded before it.
type inTheWay struct {
	recorded events.Recorded
	code     events.Code // what it names that is not there
	err      error
}

func (e *inTheWay) Error() string {
	return fmt.Sprintf("fold %s at position %d: %v", e.recorded.Data.EventType(), e.recorded.Position, e.err)
}
func (e *inTheWay) Unwrap() error { return e.err }

// tooLittle is more taken of something than there is: of a line of stock, or of what is in a tank by a draw.
type tooLittle struct {
	code  events.Code
	key   StockKey
	drawn OpKey
	short int64
}

func (e *tooLittle) Error() string {
	return fmt.Sprintf("%s at %s would fall below nothing, by %d", e.code, e.key.Place, e.short)
}

// shortOf finds what there was too little of.
func shortOf(err error) *tooLittle {
	short := new(tooLittle)
	if errors.As(err, &short) {
		return short
	}
	return nil
}

// bornOf lists the codes that an event brings into the book.
func bornOf(data events.Event) []events.Code {
	e, is := data.(events.VatEmptied)
	if !is {
		return madeBy(data)
	}
	var codes []events.Code
	if e.NextCharge != "" {
		codes = append(codes, e.NextCharge)
	}
	if e.Block != nil {
		codes = append(codes, e.Block.Lot)
	}
	return codes
}

// reserve keeps the codes that an event brought from being given again.
func (a *applying) reserve(data events.Event) {
	if corrected, is := data.(events.CommandCorrected); is {
		for _, e := range corrected.Events {
			a.reserve(e.Data)
		}
		return
	}
	for _, code := range bornOf(data) {
		if !code.IsPart() {
			a.want(NeedSequence(code.Kind(), code.Day()))
			a.give(code)
			continue
		}
		_, _, part := code.Numbers()
		switch whole := code.Whole(); {
		case !a.Exists(whole) || a.alike(whole).parts >= part:
		case whole.Kind() == events.KindLot:
			a.Lots.edit(whole).Parts = part
		case whole.Kind() == events.KindGanache:
			a.Ganaches.edit(whole).Parts = part
		case whole.Kind() == events.KindRun:
			a.Runs.edit(whole).Parts = part
		case whole.Kind() == events.KindBox:
			a.Boxes.edit(whole).Parts = part
		}
	}
}

// surplus is what a count found over what the book had. Where nothing that it counts was corrected, it had what the
// count says that it had.
func (a *applying) surplus(key StockKey, found, had int64) int64 {
	if !a.keeps(key.Code) {
		return found - had
	}
	had = 0
	if line := a.Line(key); line != nil {
		had = a.had(line, a.r.OccurredAt)
	}
	return found - had
}

// restOf is what was thrown away when a vat was emptied: whatever was left in it.
func (a *applying) restOf(e events.VatEmptied) events.Mass {
	line := a.Line(StockKey{Code: e.Charge, Place: e.Vat})
	if !a.keeps(e.Charge) || line == nil {
		return e.Quantity
	}
	return max(0, min(e.Quantity, events.Mass(a.had(line, a.r.OccurredAt))))
}

// Corrected has the set know the corrections of the whole book that is folded into it.
func (s *Set) Corrected(c *Corrections) { s.corrections = c }
