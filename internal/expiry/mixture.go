package expiry

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// A Part is what went into a mixture: so many grams of a lot, of an earlier ganache, or of what a vat held.
type Part struct {
	Name        string       // the code or the ingredient, to be named where its composition is unknown
	QuantityG   float64      // as weighed
	Composition *Composition // of a lot; nil: unknown
	// Of is what the part is itself made of, in any quantities: an earlier ganache's inputs, or the lots in a vat, of which
	// QuantityG was taken, every one in proportion. EvaporatedG is the water that went from them.
	Of          []Part
	EvaporatedG float64
}

// LotPart is a lot as it was weighed in, with what its own label states over its ingredient's composition, both in g per
// 100 g and either nil. Where they come to no composition that can be read, it is unknown.
func LotPart(code string, quantityG float64, ingredient, label map[string]float64) Part {
	part := Part{Name: code, QuantityG: quantityG}
	if stated := WithLabel(ingredient, label); stated != nil {
		if composition, err := NewComposition(stated); err == nil {
			part.Composition = &composition
		}
	}
	return part
}

// A Mixture is what parts come to, perfectly mixed. Masses are kept in whole nanograms, so that the order in which parts
// were added never shows.
type Mixture struct {
	mass    nanograms
	parts   [partsOfAll]nanograms
	syrups  []syrup  // the syrup solids by their dextrose equivalent, in its order
	Unknown []string // the parts of which no composition is known, by name
}

type nanograms int64

const nanogramsInGram = 1e9

func nano(g float64) nanograms { return nanograms(math.Round(g * nanogramsInGram)) }

func (n nanograms) grams() float64 { return float64(n) / nanogramsInGram }

type syrup struct {
	de   float64
	mass nanograms
}

// Mix adds up parts and takes off the water that was weighed as lost in cooking, in grams. What stuck to the pan is no
// water lost: it is left out of evaporatedG.
func Mix(parts []Part, evaporatedG float64) Mixture {
	var m Mixture
	for _, p := range parts {
		m.add(p, 1)
	}
	m.lose(evaporatedG)
	slices.Sort(m.Unknown)
	m.Unknown = slices.Compact(m.Unknown)
	return m
}

func (m *Mixture) lose(evaporatedG float64) {
	m.mass -= nano(evaporatedG)
	m.parts[water] -= nano(evaporatedG)
}

// add adds the part's quantity times a factor.
func (m *Mixture) add(p Part, factor float64) {
	switch {
	case p.QuantityG == 0: // a film: it may be there, and adds nothing
	case p.Of != nil:
		m.addMade(p, factor)
	case p.Composition == nil:
		m.mass += nano(p.QuantityG * factor)
		m.Unknown = append(m.Unknown, p.Name)
	default:
		m.addKnown(*p.Composition, p.QuantityG*factor)
	}
}

// addMade adds what a part is made of in proportion.
func (m *Mixture) addMade(p Part, factor float64) {
	var whole nanograms
	for _, in := range p.Of {
		whole += nano(in.QuantityG)
	}
	whole -= nano(p.EvaporatedG)
	if whole <= 0 {
		m.mass += nano(p.QuantityG * factor)
		m.Unknown = append(m.Unknown, p.Name)
		return
	}
	factor *= p.QuantityG / whole.grams()
	for _, in := range p.Of {
		m.add(in, factor)
	}
	m.lose(p.EvaporatedG * factor)
}

func (m *Mixture) addKnown(c Composition, g float64) {
	m.mass += nano(g)
	for part, per100 := range c.grams {
		m.parts[part] += nano(g * per100 / 100)
	}
	solids := nano(g * c.grams[syrupSolids] / 100)
	if solids == 0 {
		return
	}
	at, found := slices.BinarySearchFunc(m.syrups, c.syrupDE, func(s syrup, de float64) int { return cmp.Compare(s.de, de) })
	if found {
		m.syrups[at].mass += solids
	} else {
		m.syrups = slices.Insert(m.syrups, at, syrup{de: c.syrupDE, mass: solids})
	}
}

// MassG is the mixture's mass in grams.
func (m Mixture) MassG() float64 { return m.mass.grams() }

// WaterG is the water in it, in grams.
func (m Mixture) WaterG() float64 { return m.parts[water].grams() }

// Per100G gives the mixture's composition in g per 100 g, parts that are 0 left out. Syrups of several kinds count as
// one with their mean dextrose equivalent by mass: reducing power adds up. Nil where the composition of a part is unknown.
func (m Mixture) Per100G() map[string]float64 {
	if len(m.Unknown) > 0 || m.mass <= 0 {
		return nil
	}
	grams := map[string]float64{}
	for part, mass := range m.parts {
		if mass != 0 {
			grams[partNames[part]] = mass.grams() / m.MassG() * 100
		}
	}
	reducing := 0.0
	for _, s := range m.syrups {
		reducing += s.de * s.mass.grams()
	}
	if solids := m.parts[syrupSolids]; solids > 0 {
		grams[keySyrupDE] = reducing / solids.grams()
	}
	return grams
}

// ReferenceParts reads a recipe of reference ingredients, in grams.
func ReferenceParts(recipe map[string]float64) ([]Part, error) {
	parts := make([]Part, 0, len(recipe))
	for name, quantityG := range recipe {
		ingredient, found := Reference(name)
		switch {
		case !found:
			return nil, fmt.Errorf("recipe.%s: not a reference ingredient: give one of those listed, or an ingredient of the shop", name)
		case math.IsNaN(quantityG) || quantityG <= 0:
			return nil, fmt.Errorf("recipe.%s: %g is not a quantity: give grams, more than 0", name, quantityG)
		}
		parts = append(parts, Part{Name: name, QuantityG: quantityG, Composition: &ingredient.Composition})
	}
	slices.SortFunc(parts, func(a, b Part) int { return cmp.Compare(a.Name, b.Name) })
	return parts, nil
}
