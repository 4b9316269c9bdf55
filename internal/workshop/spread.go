package workshop

import (
	"slices"

	"firstout/internal/events"
)

// spreading follows what came into a charge into everything that was drawn from it since, and on from there.
type spreading struct {
	set     *Set
	reached []events.Code
}

// outOf follows what came into a charge.
func (w *spreading) outOf(in ChargeOp) {
	for _, op := range w.set.opsIn(in.Charge) {
		switch {
		case op.Compare(in) <= 0 || op.Other == "":
		case op.Kind == OpOut:
			w.into(op.Other, op.Use == useShell)
		case op.Kind == OpEnded:
			w.charge(op.Other, in.Charge)
		}
	}
}

// into follows a thing; inShells says that what is followed may be in the shells of a run, which may be melted again.
func (w *spreading) into(code events.Code, inShells bool) {
	if slices.Contains(w.reached, code) {
		return
	}
	w.reached = append(w.reached, code)
	for _, f := range w.set.flowsFrom(code) {
		switch {
		case f.To.Kind() != events.KindCharge:
			w.into(f.To, inShells)
		case inShells || f.Mass == 0 || code.Kind() != events.KindRun:
			w.charge(f.To, code)
		}
	}
}

// charge follows what came into a charge from a thing.
func (w *spreading) charge(charge, from events.Code) {
	if !slices.Contains(w.reached, charge) {
		w.reached = append(w.reached, charge)
	}
	for _, op := range w.set.opsIn(charge) {
		if op.Other == from && (op.Kind == OpIn || op.Kind == OpFilm) {
			w.outOf(op)
			return
		}
	}
}

// sourcesOf lists what was drawn from.
func sourcesOf(draws []events.Draw) []events.Code {
	var codes []events.Code
	for _, draw := range draws {
		codes = append(codes, draw.Source)
	}
	return codes
}
