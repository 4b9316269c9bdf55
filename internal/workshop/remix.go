package workshop

import (
	"fmt"
	"slices"

	"firstout/internal/events"
)

// This file follows a change of what is in a vat into everything that was drawn from it since: shares and allergens at
// once; for dates, which are decided and not applied, it notes what was changed.

// happen writes down what happens to a charge, and gives what was taken from it. What is dated before the last thing
// that happened there changes what every later draw was made of.
func (a *applying) happen(code events.Code, op ChargeOp) (taken Mix, err error) {
	if a.isOutside(code) {
		return a.tookThen(code), nil
	}
	if a.Charge(code) == nil {
		return nil, fmt.Errorf("no charge %s", code)
	}
	charge := a.Charges.edit(code)
	op.OpKey, op.Charge, op.OccurredAt = a.nextOp(), code, a.r.OccurredAt
	a.ops++
	if late := op.OccurredAt.Before(charge.LastAt); late {
		if op.OccurredAt.Before(charge.At) {
			charge.At = op.OccurredAt
		}
		a.want(NeedRemix(code, op.OccurredAt))
		a.Ops.put(op.OpKey, op)
		a.indexOp(op)
		return a.refold(code, op.OpKey)
	}
	charge.Mix, taken, err = a.next(charge.Mix, op)
	charge.LastAt = op.OccurredAt
	if op.Kind == OpOut {
		op.Mix = taken
	}
	a.Ops.put(op.OpKey, op)
	a.indexOp(op)
	return taken, err
}

// nextOp is the key that the next thing that happens to a charge will have.
func (a *applying) nextOp() OpKey { return OpKey{Position: a.r.Position, Number: a.ops} }

// handing is a draw that turns out to be made of something else.
type handing struct {
	op       ChargeOp
	old, new Mix
	dated    []DatedInput
}

// settles bounds how often charges are folded anew for one event: each time something goes on in time, and so it ends.
const settles = 100_000

// refold works out anew what every draw from a charge took, and from every other into which something of that came. fresh is
// the op that is being written, of which nothing was made yet: what it took is given back.
func (a *applying) refold(code events.Code, fresh OpKey) (taken Mix, err error) {
	a.stirred = append(a.stirred, code)
	for range settles {
		if len(a.stirred) == 0 {
			if op := a.Ops.get(fresh); op != nil && op.Kind == OpOut {
				taken = op.Mix
			}
			return taken, nil
		}
		next := a.stirred[0]
		a.stirred = a.stirred[1:]
		if err := a.drawAnew(next, fresh); err != nil {
			return nil, err
		}
	}
	return nil, fmt.Errorf("what is in %s does not settle", code)
}

// drawAnew folds one charge and hands on what turns out to be different: of each draw before the next one is looked at, for it
// may come back into the same charge. Nothing else is folded meanwhile, so that what a draw is said to have taken is at all
// times what is in the thing that it went into.
func (a *applying) drawAnew(code events.Code, fresh OpKey) error {
	var mix Mix
	trace := a.Defs.TraceAt(a.Charge(code).Site)
	for _, op := range a.opsIn(code) {
		op = *a.Ops.get(op.OpKey)
		before := mix
		var out Mix
		var err error
		if mix, out, err = a.next(mix, op); err != nil {
			return err
		}
		h := handing{op: op, old: op.Mix, new: out}
		switch {
		case op.Kind == OpEnded && op.Other != "":
			h.old, h.new = nil, mix
		case op.Kind != OpOut || slices.Equal(op.Mix, out):
			continue
		default:
			a.Ops.edit(op.OpKey).Mix = out
			if op.OpKey == fresh {
				continue
			}
			if !a.undated() {
				h.dated = before.dated(op.OccurredAt, op.OpKey, trace)
			}
		}
		if err := a.handOn(h); err != nil {
			return err
		}
	}
	a.Charges.edit(code).Mix = mix
	return nil
}

// handOn changes what a draw went into.
func (a *applying) handOn(h handing) error {
	to := h.op.Other
	switch {
	case to == "": // thrown away
		return nil
	case to.Kind() == events.KindCharge:
		a.reop(to, h.op.Charge, func(film *ChargeOp) { film.Mix = film.Mix.Plus(h.new) })
		return nil
	case !a.Exists(to):
		return fmt.Errorf("%s went into %s, which is not there", h.op.Charge, to)
	}
	a.remix(to, h.old, h.new)
	switch to.Kind() {
	case events.KindRun:
		run := a.Runs.edit(to)
		if h.op.Use == useShell {
			run.ShellMix = run.ShellMix.swap(h.old, h.new)
		}
		run.Straight = redrawn(run.Straight, h.op.OpKey, h.dated)
	case events.KindGanache:
		ganache := a.Ganaches.edit(to)
		ganache.Dated = redrawn(ganache.Dated, h.op.OpKey, h.dated)
	default: // a block has the date of its making
	}
	return a.spread(to, h.old, h.new)
}

// remix puts one mix in the place of another in what a thing is made of.
func (a *applying) remix(code events.Code, old, now Mix) {
	switch code.Kind() {
	case events.KindRun:
		run := a.Runs.edit(code)
		run.Mix = run.Mix.swap(old, now)
		run.Allergens = a.allergensOf(run.Mix, run.Site)
	case events.KindGanache:
		ganache := a.Ganaches.edit(code)
		ganache.Mix = ganache.Mix.swap(old, now)
	case events.KindLot:
		if lot := a.Lots.edit(code); len(lot.Mix) > 0 { // a portion is made of what its lot is made of
			lot.Mix = lot.Mix.swap(old, now)
		}
	default: // a charge folds
	}
	if !slices.Contains(a.Remixed, code) {
		a.Remixed = append(a.Remixed, code)
	}
}

// spread follows a changed thing into what was made of it. What was taken of a ganache or a block has every lot in
// proportion; of a run only shells melted again and what cap scrapings met go anywhere, its parts, and
// its pieces into boxes.
func (a *applying) spread(code events.Code, old, now Mix) error {
	for _, f := range a.flowsFrom(code) {
		switch {
		case f.To.Whole() == code.Whole():
			if err := a.spreadToPart(f.To, old, now); err != nil {
				return err
			}
		case f.To.Kind() == events.KindBox:
			if err := a.remade(f.To); err != nil {
				return err
			}
		case f.To.Kind() == events.KindCharge:
			a.reop(f.To, code, func(op *ChargeOp) { a.cameFrom(op, code, now) })
		case code.Kind() != events.KindRun:
			was, is := a.partOf(code, old, now, f.Mass)
			a.remix(f.To, was, is)
			if err := a.spread(f.To, was, is); err != nil {
				return err
			}
		}
	}
	return nil
}

// partOf is what a quantity of a thing was made of before its mix changed, and is made of now.
func (a *applying) partOf(code events.Code, old, now Mix, quantity events.Mass) (was, is Mix) {
	var mix Mix
	if code.Kind() == events.KindGanache {
		mix = a.Ganache(code).Mix
	} else {
		mix = a.Lot(code.Whole()).Mix
	}
	return mix.swap(now, old).Of(quantity), mix.Of(quantity)
}

// spreadToPart gives a part what its whole is made of.
func (a *applying) spreadToPart(part events.Code, old, now Mix) error {
	a.remix(part, old, now)
	if part.Kind() == events.KindRun {
		whole := a.Run(part.Whole())
		run := a.Runs.edit(part)
		run.ShellMix, run.Straight = whole.ShellMix, whole.Straight
	}
	return a.spread(part, old, now)
}

// reop changes what came into a charge from a thing: the charge is to be folded anew.
func (a *applying) reop(charge, from events.Code, change func(*ChargeOp)) {
	for _, op := range a.opsIn(charge) {
		if op.Other != from || op.Kind != OpIn && op.Kind != OpFilm {
			continue
		}
		now := a.Ops.edit(op.OpKey)
		if change(now); !slices.Equal(now.Mix, op.Mix) && !slices.Contains(a.stirred, charge) {
			a.stirred = append(a.stirred, charge)
		}
	}
}

// cameFrom is what came into a charge from a thing, once that is made of something else.
func (a *applying) cameFrom(op *ChargeOp, from events.Code, now Mix) {
	switch {
	case op.Kind == OpFilm:
		op.Mix = op.Mix.Plus(now.Film())
	case from.Kind() == events.KindRun:
		op.Mix = a.Run(from).ShellMix.Of(op.Mass).poured()
	default:
		op.Mix = a.MixOf(from, op.Mass).poured()
	}
}

// redrawn puts what counts for a date of one draw in the place of what counted before.
func redrawn(inputs []DatedInput, op OpKey, now []DatedInput) []DatedInput {
	heated := slices.ContainsFunc(inputs, func(in DatedInput) bool { return in.Op != nil && *in.Op == op && in.Heated })
	at := slices.IndexFunc(inputs, func(in DatedInput) bool { return in.Op != nil && *in.Op == op })
	rest := slices.DeleteFunc(slices.Clone(inputs), func(in DatedInput) bool { return in.Op != nil && *in.Op == op })
	if at < 0 {
		at = len(rest)
	}
	now = slices.Clone(now)
	for i := range now {
		now[i].Heated = heated
	}
	return slices.Insert(rest, at, now...)
}

// flowsFrom lists where a thing went, but for a charge, whose ops say it.
func (s *Set) flowsFrom(code events.Code) []Edge {
	if s.folds(code) { // a book being folded lets go of its edges
		if flows := s.flows.get(code); flows != nil {
			return *flows
		}
		return nil
	}
	flows := slices.Clone(s.loadedFlows[code])
	for set := s; set != nil; set = set.parent {
		for _, e := range set.Edges {
			if e.From == code {
				flows = append(flows, e)
			}
		}
	}
	return flows
}

// AddFlows puts where things went into the set, as loaded.
func (s *Set) AddFlows(edges []Edge) {
	from := map[events.Code][]Edge{}
	for _, e := range edges {
		from[e.From] = append(from[e.From], e)
	}
	for code, flows := range from {
		s.loadedFlows[code] = flows
	}
}

// noteFlow remembers in a book that is being folded where a thing went that is made of several lots.
func (s *Set) noteFlow(e Edge) {
	mixed := e.From.Kind() == events.KindGanache || e.From.Kind() == events.KindRun ||
		e.From.Kind() == events.KindLot && len(s.Lot(e.From.Whole()).Mix) > 0
	if s.folds(e.From) && mixed {
		appendTo(&s.flows, e.From, e)
	}
}
