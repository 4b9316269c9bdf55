package workshop

import (
	"slices"
	"time"

	"firstout/internal/events"
)

// standings says what stood where when. Sales come in the order of time and far more often than anything comes or goes, so
// what stood there is worked out at each change and not for each sale.
type standings map[standing]*presence

// standing is a design at a place.
type standing struct{ place, subject string }

// presence is what stood of a design at a place. codes is the set that stood there from from on, before any comes (until)
// and as long as all stay (through); it is not to be changed.
type presence struct {
	stood          []Stood // in code order
	codes          []events.Code
	from           time.Time
	until, through *time.Time // nil: for ever
}

func standingsOf(stood []Stood) standings {
	all := standings{}
	for _, s := range stood {
		key := standing{place: s.Place, subject: s.Subject}
		if all[key] == nil {
			all[key] = &presence{}
		}
		all[key].stood = append(all[key].stood, s)
	}
	for _, p := range all {
		slices.SortFunc(p.stood, func(a, b Stood) int { return a.Code.Compare(b.Code) })
	}
	return all
}

// couldBe is every run of a sale's design, the subject, that stood at its place at that instant, the one that was presumed
// among them, in code order. The result is shared.
func (s standings) couldBe(sale *RecalledSale, subject string) []events.Code {
	p := s[standing{place: sale.Place, subject: subject}]
	if p == nil {
		return []events.Code{sale.Code}
	}
	if !p.holds(sale.OccurredAt) {
		p.look(sale.OccurredAt)
	}
	if slices.Contains(p.codes, sale.Code) {
		return p.codes
	}
	return codeSet(append(slices.Clone(p.codes), sale.Code))
}

// holds says whether codes is what stood there at an instant.
func (p *presence) holds(at time.Time) bool {
	return p.codes != nil && !at.Before(p.from) && (p.until == nil || at.Before(*p.until)) && (p.through == nil || !at.After(*p.through))
}

// look works out what stood there at an instant, and how long that holds. Who comes and who goes at an instant stood there
// at it.
func (p *presence) look(at time.Time) {
	p.codes, p.from, p.until, p.through = make([]events.Code, 0, len(p.codes)+2), at, nil, nil
	for i := range p.stood {
		s := &p.stood[i] // a copy whose parts are pointed at would be made for each
		switch {
		case at.Before(s.From):
			if p.until == nil || s.From.Before(*p.until) {
				p.until = &s.From
			}
		case s.Until == nil || !at.After(*s.Until):
			p.codes = append(p.codes, s.Code)
			if s.Until != nil && (p.through == nil || s.Until.Before(*p.through)) {
				p.through = s.Until
			}
		}
	}
	p.codes = slices.Compact(p.codes)
}
