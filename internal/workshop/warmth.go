package workshop

import (
	"cmp"
	"slices"
	"time"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file is about the times that things stood out of their class: what they took of the lives that date them.

// livesOf lists the lives that date the fillings of a thing: those in a run or in the pieces of a box, or the ganache itself. A lot keeps by its own
// mark.
func (d *Desk) livesOf(code events.Code) []expiry.Kept {
	switch code.Kind() {
	case events.KindGanache:
		return d.livesOfFilling(code)
	case events.KindRun, events.KindBox:
		var lives []expiry.Kept
		for _, ganache := range d.ganachesIn(code) {
			for _, life := range d.livesOfFilling(ganache) {
				life.Code = string(ganache)
				lives = append(lives, life)
			}
		}
		return lives
	default:
		return nil
	}
}

func (d *Desk) livesOfFilling(ganache events.Code) []expiry.Kept {
	if lives, known := d.lives[ganache]; known {
		return lives
	}
	made := d.Set.Ganache(ganache)
	var lives []expiry.Kept
	if formula := d.Set.Defs.Formulas.Numbered(made.Formula, made.FormulaVersion); formula != nil {
		lives = d.batchOf(formula.Body, made, formula.Body.Storage).Lives()
	}
	if d.lives == nil {
		d.lives = map[events.Code][]expiry.Kept{}
	}
	d.lives[ganache] = lives
	return lives
}

// warmed is a thing's date, less what all its times out of its class took.
func (d *Desk) warmed(code events.Code, dated expiry.Answer, spells []events.Spell) expiry.Answer {
	if len(spells) == 0 && !slices.ContainsFunc(dated.Limits, func(l expiry.Limit) bool { return l.LostH > 0 }) {
		return dated
	}
	told := make([]expiry.Spell, 0, len(spells))
	for _, s := range spells {
		place := s.Place
		if def := d.Set.Defs.Places.Latest(s.Place); def != nil {
			place = def.Body.Name
		}
		told = append(told, expiry.Spell{From: s.From, To: s.To, TemperatureC: s.TemperatureC, Place: place, Paused: s.Paused})
	}
	return expiry.DateWarmed(dated, d.livesOf(code), told, d.zone(d.Set.siteOf(code)))
}

// goneEarlier says whether a thing that has lost something keeps shorter by it: its date, or a limit beside it.
func goneEarlier(before, after expiry.Answer) bool {
	lost := func(a expiry.Answer) (hours float64) {
		for _, l := range a.Limits {
			hours += l.LostH
		}
		return hours
	}
	if !after.EndsBy.Equal(before.EndsBy) {
		return after.EndsBy.Before(before.EndsBy)
	}
	return lost(after) > lost(before) || len(after.Limits) > len(before.Limits)
}

// An interval is a time from an instant to another.
type interval struct{ from, to time.Time }

// clip is what of an interval lies in another; empty if nothing does.
func (i interval) clip(in interval) (clipped interval, some bool) {
	clipped = interval{from: later(i.from, in.from), to: i.to}
	if in.to.Before(clipped.to) {
		clipped.to = in.to
	}
	return clipped, clipped.from.Before(clipped.to)
}

// clipSpells keeps what of spells lies in an interval.
func clipSpells(spells []events.Spell, in interval) []events.Spell {
	var clipped []events.Spell
	for _, s := range spells {
		if i, some := (interval{s.From, s.To}).clip(in); some {
			s.From, s.To = i.from, i.to
			clipped = append(clipped, s)
		}
	}
	return clipped
}

// spellsBy keeps what of spells was over by an instant.
func spellsBy(spells []events.Spell, at time.Time) []events.Spell {
	return clipSpells(spells, interval{to: at})
}

// spellsEnd is when the last of spells was over.
func spellsEnd(spells []events.Spell) (end time.Time) {
	for _, s := range spells {
		end = later(end, s.To)
	}
	return end
}

// replaced puts the spells that were found at a place in an interval in the stead of those that were known of it.
func replaced(known, found []events.Spell, place string, in interval) []events.Spell {
	var spells []events.Spell
	for _, s := range known {
		if s.Place != place {
			spells = append(spells, s)
			continue
		}
		spells = append(spells, clipSpells([]events.Spell{s}, interval{to: in.from})...)
		if s.To.After(in.to) {
			s.From = later(s.From, in.to)
			spells = append(spells, s)
		}
	}
	spells = append(spells, found...)
	slices.SortFunc(spells, func(a, b events.Spell) int {
		return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To), cmp.Compare(a.Place, b.Place))
	})
	return joined(spells)
}

// joined makes one of spells that follow on one another and are alike otherwise.
func joined(spells []events.Spell) []events.Spell {
	var all []events.Spell
	for _, s := range spells {
		if last := len(all) - 1; last >= 0 {
			same := all[last]
			same.From, same.To = s.From, s.To
			if same == s && all[last].To.Equal(s.From) {
				all[last].To = s.To
				continue
			}
		}
		all = append(all, s)
	}
	return all
}
