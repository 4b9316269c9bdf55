package workshop

import (
	"cmp"
	"slices"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// Recalled is what a recall tells of a thing that it reaches, and judges it by: much less than the thing.
type Recalled struct {
	Code     events.Code
	Subject  string // ingredient, formula or design; of a charge its vat, of boxes none
	Site     string
	Held     bool
	DateKind string // "" while there is no date
	Date     *civil.Day
	Mix      Mix
	Name     string              // of boxes
	Contents []events.BoxContent // of one box
}

// recalled tells of a thing that is reached: as a command left it, or as the tables have it.
func (s *Set) recalled(code events.Code) Recalled {
	if told, is := s.Facts.Reached[code]; is && s.partial == nil && !s.has(code) {
		return told
	}
	if !s.Exists(code) {
		return Recalled{Code: code}
	}
	a := s.alike(code)
	r := Recalled{Code: code, Site: a.site, Held: a.care.Held(), DateKind: a.expiry.Kind, Date: a.expiry.Date}
	switch code.Kind() {
	case events.KindLot:
		r.Subject, r.Mix = s.Lot(code).Ingredient, s.Lot(code).Mix
	case events.KindCharge:
		r.Subject, r.Mix = s.Charge(code).Vat, s.Charge(code).Mix
	case events.KindGanache:
		r.Subject, r.Mix = s.Ganache(code).Formula, s.Ganache(code).Mix
	case events.KindRun:
		r.Subject, r.Mix = s.Run(code).Design, s.Run(code).Mix
	default:
		r.Mix, r.Name, r.Contents = s.Box(code).Mix, s.Box(code).Name, s.Box(code).Contents
	}
	return r
}

// has says whether a thing is in the set, without asking for it.
func (s *Set) has(code events.Code) bool {
	switch code.Kind() {
	case events.KindLot:
		return s.Lots.Has(code)
	case events.KindCharge:
		return s.Charges.Has(code)
	case events.KindGanache:
		return s.Ganaches.Has(code)
	case events.KindRun:
		return s.Runs.Has(code)
	default:
		return s.Boxes.Has(code)
	}
}

// standing lists the open lines of stock of a thing that is reached, in the order of places and grades.
func (s *Set) standing(code events.Code) []*StockLine {
	if _, is := s.Facts.Reached[code]; is && s.partial == nil && !s.IsLoaded(NeedThing(code)) {
		lines := s.Facts.Standing[code]
		slices.SortFunc(lines, func(a, b *StockLine) int { return a.StockKey.Compare(b.StockKey) })
		return lines
	}
	return slices.DeleteFunc(s.LinesOf(code), func(l *StockLine) bool { return l.Amount == 0 })
}

// nameOf is what a thing is called.
func (s *Set) nameOf(r Recalled) string {
	switch r.Code.Kind() {
	case events.KindLot:
		if def := s.Defs.Ingredients.Latest(r.Subject); def != nil {
			return def.Body.Name
		}
	case events.KindCharge:
		if def := s.Defs.Vats.Latest(r.Subject); def != nil {
			return def.Body.Name
		}
	case events.KindGanache:
		if def := s.Defs.Formulas.Latest(r.Subject); def != nil {
			return def.Body.Name
		}
	case events.KindRun:
		return s.designName(r.Subject)
	case events.KindBox:
		return cmp.Or(r.Name, "Box of "+s.designName(r.Contents[0].Design))
	default:
		return string(r.Code)
	}
	return r.Subject
}

func (s *Set) designName(slug string) string {
	if def := s.Defs.Designs.Latest(slug); def != nil {
		return def.Body.Name
	}
	return slug
}
