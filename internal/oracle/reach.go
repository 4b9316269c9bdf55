package oracle

import (
	"slices"
	"time"
)

// This file lets whoever makes up histories look into the model, so that most commands are sensible.

// A Standing is an amount of a code at a place.
type Standing struct {
	Code, Name, Place string
	Released          bool
	Amount            int64
	Held, Past        bool
}

// Stands lists what stands anywhere of a kind, by its letter.
func (m *Model) Stands(kind byte) (all []Standing) {
	clear(m.parts)
	for _, code := range m.Order {
		if code[0] != kind {
			continue
		}
		for _, k := range m.lines(code) {
			if amount := m.onHand(k); amount > 0 {
				all = append(all, Standing{
					Code: code, Name: m.Things[code].Name, Place: k.place, Released: k.released, Amount: amount,
					Held: m.held(code), Past: m.past(code, m.Now),
				})
			}
		}
	}
	return all
}

// Charge is the charge in a vat, and how much of it there is.
func (m *Model) Charge(vat string) (code string, mass int64) {
	code = m.chargeIn(vat, m.Now)
	if code == "" {
		return "", 0
	}
	return code, m.onHand(key{code, vat, true})
}

// Runs lists the runs in a state.
func (m *Model) Runs(states ...string) (runs []*Thing) {
	for _, code := range m.Order {
		if t := m.Things[code]; code[0] == 'R' && slices.Contains(states, t.State) {
			runs = append(runs, t)
		}
	}
	return runs
}

// OpenHolds and OpenDeviations give the numbers, from 1, of those that are still open.
func (m *Model) OpenHolds() (open []int) {
	for i, h := range m.Holds {
		if !h.lifted {
			open = append(open, i+1)
		}
	}
	return open
}

// OpenDeviations gives the numbers of those that are not decided.
func (m *Model) OpenDeviations() (open []int) {
	for i, d := range m.Deviations {
		if d.decision == "" {
			open = append(open, i+1)
		}
	}
	return open
}

// Today is the day at a site.
func (m *Model) Today(site string) Day { return DayOf(m.Now, m.zones[site]) }

// Unmade is a code that checks and that nothing in the book has.
func Unmade(kind byte) string { return codeOf(kind, Date(2020, time.January, 2), 77, 0) }

// Mistyped is a code with a check character that does not fit.
func Mistyped(code string) string {
	last := byte('0')
	if code[len(code)-1] == last {
		last = '1'
	}
	return code[:len(code)-1] + string(last)
}

// Unsettled says whether a command comes down to what the rules leave open, so that two books may well differ: a count of
// pieces of which none had passed the gate yet, written down after some have.
func (m *Model) Unsettled(c Command) bool {
	at := c.At
	if at.IsZero() {
		at = m.Now
	}
	return c.Kind == Count && slices.ContainsFunc(c.Lines, func(l Line) bool {
		t := m.Things[l.Code]
		return t != nil && t.Released > 0 && !m.releasedBy(l.Code, at)
	})
}
