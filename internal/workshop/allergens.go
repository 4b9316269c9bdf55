package workshop

import (
	"slices"

	"firstout/internal/events"
)

// Allergens is what a thing contains and what it may contain, by the codes of the law's list with the nut and
// the cereal named. Unknown lists the lots whose allergens nobody has said: until they are known, nothing made
// of them can be released. What is made where it is handled is the site's to add.
type Allergens struct {
	Contains   []string      `json:"contains"`
	MayContain []string      `json:"may_contain"`
	Unknown    []events.Code `json:"unknown,omitempty"`
}

// allergensOf is the union over the lots of a mix, from each lot's own label, else its ingredient's definition
// in force. What a lot put in by hand contains, the mix contains, however little; of what came by way of a vat,
// less than the stated trace only may be contained. A supplier's own precaution is passed on as it is.
func (s *Set) allergensOf(m Mix, site string) Allergens {
	a := Allergens{Contains: []string{}, MayContain: []string{}}
	whole, trace := m.Total(), s.Defs.TraceAt(site)
	for _, p := range m {
		contains, may, known := s.allergensOfPart(p)
		if !known {
			a.Unknown = append(a.Unknown, p.Lot)
		}
		if p.Direct || p.Certain(whole, trace) {
			a.Contains = append(a.Contains, contains...)
		} else {
			a.MayContain = append(a.MayContain, contains...)
		}
		a.MayContain = append(a.MayContain, may...)
	}
	a.Contains = sortedSet(a.Contains)
	a.MayContain = slices.DeleteFunc(sortedSet(a.MayContain), func(code string) bool {
		return slices.Contains(a.Contains, code)
	})
	return a
}

func (s *Set) allergensOfPart(p MixPart) (contains, may []string, known bool) {
	if p.Lot == "" && p.Ingredient == "" { // of unknown lots: the others that the vat had seen are in the mix with it
		return nil, nil, true
	}
	ingredient := p.Ingredient
	var own, ownMay *[]string
	if p.Lot != "" {
		if lot := s.Lot(p.Lot); lot != nil {
			ingredient, own, ownMay = lot.Ingredient, lot.Allergens, lot.MayContain
		}
	}
	if def := s.Defs.Ingredients.Latest(ingredient); def != nil {
		if own == nil {
			own = def.Body.Allergens
		}
		may = def.Body.MayContain
	}
	if ownMay != nil {
		may = *ownMay
	}
	if own == nil {
		return nil, may, false
	}
	return *own, may, true
}

// labelAllergens is what a design's label says it contains: the union over the definitions in force of
// everything it is made of.
func (d *Definitions) labelAllergens(design events.Design) []string {
	var all []string
	add := func(ingredient string) {
		if def := d.Ingredients.Latest(ingredient); def != nil && def.Body.Allergens != nil {
			all = append(all, *def.Body.Allergens...)
		}
	}
	for _, filling := range design.Fillings {
		add(filling.Ingredient)
		if formula := d.Formulas.Latest(filling.Formula); formula != nil {
			for _, input := range formula.Body.Inputs {
				add(input.Ingredient)
			}
		}
	}
	for _, decoration := range design.Decorations {
		add(decoration.Ingredient)
	}
	return sortedSet(all)
}

func sortedSet(codes []string) []string {
	slices.Sort(codes)
	return slices.Compact(codes)
}
