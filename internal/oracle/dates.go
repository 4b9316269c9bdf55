package oracle

import (
	"fmt"
	"time"
)

// Dates are when a thing must be gone by, and which limit says so. No Binds: there is no date yet.
type Dates struct {
	Kind      string
	Date      Day
	UseBy     Day
	Binds     string
	endsBy    time.Time
	discardBy time.Time
	limits    []limit
}

// String writes the dates as they are compared.
func (d Dates) String() string {
	discard := "never"
	if d.UseBy != NoDay {
		discard = d.discardBy.UTC().Format(time.RFC3339)
	}
	return fmt.Sprintf("%s %s by %s, use by %s, discard by %s", d.Kind, d.Date, d.Binds, d.UseBy, discard)
}

// A limit holds through a day. One that is released is listed and binds nothing.
type limit struct {
	name     string
	day      Day
	released bool
}

// byName is the order in which a reason is named when several end together.
var byName = []string{
	"ingredient_use_by", "opened_ingredient", "piping_bag", "shop_limit", "food_safety_cap", "assessment",
	"water_activity_cap", "ingredient_best_before", "freezer_limit",
}

// useBy says whether a limit is one after which the thing is unsafe, in an answer of a kind.
func (l limit) useBy(kind string) bool {
	switch l.name {
	case "ingredient_use_by", "opened_ingredient":
		return true
	case "assessment", "shop_limit":
		return kind == "use_by"
	}
	return false
}

// settle finds the earliest limits. since is when what has no limit at all came to be.
func settle(kind string, limits []limit, zone *time.Location, since time.Time) Dates {
	d := Dates{Kind: kind, Date: NoDay, UseBy: NoDay, endsBy: since, limits: limits}
	for _, name := range byName {
		for _, l := range limits {
			if l.name != name || l.released {
				continue
			}
			if d.Date == NoDay || l.day < d.Date {
				d.Date, d.Binds, d.endsBy = l.day, l.name, l.day.end(zone)
			}
			if l.useBy(kind) && (d.UseBy == NoDay || l.day < d.UseBy) {
				d.UseBy, d.discardBy = l.day, l.day.end(zone)
			}
		}
	}
	return d
}

// datesOf works a thing's dates out from all that is known of it now.
func (m *Model) datesOf(t *Thing) Dates {
	switch t.Code[0] {
	case 'L':
		limits := m.ownLimits(t)
		return settle(kindOf(limits, "best_before"), limits, m.midnights(t.Site), m.sinceOf(t))
	case 'G':
		return m.datesOfGanache(t)
	case 'R':
		return m.datesOfRun(t)
	}
	return Dates{Date: NoDay, UseBy: NoDay}
}

// sinceOf is when a lot came in, of a portion its lot.
func (m *Model) sinceOf(t *Thing) time.Time { return m.Things[wholeOf(t.Code)].At }

func kindOf(limits []limit, otherwise string) string {
	for _, l := range limits {
		if !l.released && l.useBy("") {
			return "use_by"
		}
	}
	return otherwise
}

// ownLimits are a lot's mark and a portion's opened life.
func (m *Model) ownLimits(t *Thing) (limits []limit) {
	switch t.MarkKind {
	case "use_by":
		limits = append(limits, limit{name: "ingredient_use_by", day: t.Mark})
	case "best_before":
		limits = append(limits, limit{name: "ingredient_best_before", day: t.Mark})
	}
	if t.Opened != NoDay {
		limits = append(limits, limit{name: "opened_ingredient", day: t.Opened + Day(ingredientOf(t.Name).OpenLife)})
	}
	return limits
}

// passedOn are a lot's limits in what is made of it.
func (m *Model) passedOn(lot string, trace bool) []limit {
	limits := m.ownLimits(m.Things[lot])
	for i := range limits {
		if limits[i].name == "ingredient_best_before" && (trace || !ingredientOf(m.Things[lot].Name).binding()) {
			limits[i].released = true
		}
	}
	return limits
}

// traceShare is the part of a charge below which a lot's best-before no longer binds it.
const traceShare = 1000

// drawnLimits are the limits that a draw brings with it.
func (m *Model) drawnLimits(d drawn) (limits []limit) {
	if d.source[0] == 'L' {
		return m.passedOn(d.source, false)
	}
	charge := m.chargeBefore(d.source, d.at, d.seq)
	total := charge.total()
	for lot, mass := range charge.mass {
		if lot != unknownLot && mass > 0 {
			limits = append(limits, m.passedOn(lot, mass*traceShare < total)...)
		}
	}
	return limits
}

func (m *Model) datesOfGanache(t *Thing) Dates {
	f, midnights := formulaOf(t.Name), m.midnights(t.Site)
	var limits []limit
	for _, d := range t.Draws {
		theirs := m.drawnLimits(d)
		inDate := true
		for _, l := range theirs {
			if l.useBy("") && !d.at.Before(l.day.end(midnights)) {
				inDate = false
			}
		}
		for i, l := range theirs {
			if l.useBy("") && d.heated && inDate && f.Releases && t.Boiled {
				theirs[i].released = true
			}
		}
		limits = append(limits, theirs...)
	}
	made := DayOf(t.At, m.zone(t.Site))
	limits = append(limits, limit{name: "assessment", day: made + Day(f.Days) - 1})
	if f.ShopDays > 0 {
		limits = append(limits, limit{name: "shop_limit", day: made + Day(f.ShopDays) - 1})
	}
	return settle(f.DateKind, limits, midnights, t.At)
}

// datesOfRun takes the limits of all fillings and of what else the pieces are made of.
func (m *Model) datesOfRun(t *Thing) Dates {
	var limits []limit
	kind := "best_before"
	for _, d := range t.Draws {
		switch d.source[0] {
		case 'G':
			ganache := m.Things[d.source].Recorded
			limits = append(limits, ganache.limits...)
			if ganache.Kind == "use_by" {
				kind = "use_by"
			}
		case 'L':
			theirs := m.ownLimits(m.Things[d.source])
			limits = append(limits, theirs...)
			kind = kindOf(theirs, kind)
		default:
			limits = append(limits, m.drawnLimits(d)...)
		}
	}
	return settle(kind, limits, m.midnights(t.Site), t.At)
}

// redate writes down the dates that have become earlier by what is known now, that of pieces which had none among them.
// None becomes later by itself.
func (m *Model) redate() {
	for _, code := range m.Order {
		t := m.Things[code]
		if code[0] != 'G' && code[0] != 'R' {
			continue
		}
		if now := m.datesOf(t); now.Date != NoDay && (t.Recorded.Date == NoDay || now.Date < t.Recorded.Date) {
			t.Recorded = now
		}
	}
}
