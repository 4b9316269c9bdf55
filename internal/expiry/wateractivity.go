package expiry

import (
	"fmt"
	"math"
	"strings"
)

// The grounds on which a water activity is not estimated, but has to be measured.
const (
	RefusedUnknown     = "unknown composition"
	RefusedLowWater    = "low water"
	RefusedLowActivity = "low aw"
	RefusedEthanol     = "high ethanol"
	RefusedSalt        = "high salt"
)

// The range in which the estimate is made, as shares of 1. Outside it the equation was not checked, or is known to fail
// (common practice, no source, but for the low water activity: there glycerol solutions of Zhang, Grace & Sun 2022 are up
// to 0.037 above the equation).
const (
	leastWaterShare    = 0.08 // of the mass
	leastWaterActivity = 0.65 // without ethanol
	mostEthanolShare   = 0.15 // of water and ethanol
	mostSaltShare      = 0.05 // of the water
)

// What dissolves at most, in g per g of water; the rest is crystals (sucrose: 67 % by mass at 20 °C; lactose: handbook
// values at 20 °C, from memory).
const (
	mostSucrose = 2.00
	mostLactose = 0.18
)

// estimateMargin is added to an estimated water activity before anything is decided by it: what is left out of the
// equation and the errors of compositions come to 0.02 to 0.03 (common practice, no source).
const estimateMargin = 0.02

// mostlyInvert is the share of glucose and fructose in what is dissolved from which they rule the water activity.
const mostlyInvert = 0.5

// An Estimated is a water activity worked out from a composition. Where it is refused, for Grounds, there is none.
type Estimated struct {
	WithEthanol    float64 // of the water phase as it is
	WithoutEthanol float64 // its ethanol left out, its water kept: the spirit evaporates
	EthanolShare   float64 // of water and ethanol by mass, 0 to 1
	SaltShare      float64 // of common salt to water by mass
	WaterShare     float64 // of the mass
	Grounds        []string
	mostlyInvert   bool
	unknown        []string
}

// Refused tells whether there is no estimate.
func (e Estimated) Refused() bool { return len(e.Grounds) > 0 }

// Decision is the value that limits are compared with: the estimate without ethanol and the margin, at most 1.
func (e Estimated) Decision() float64 { return DecisionValue(e.WithoutEthanol) }

// DecisionValue gives the value to decide by from an estimate without ethanol.
func DecisionValue(withoutEthanol float64) float64 {
	return min(1, tidy(withoutEthanol+estimateMargin))
}

// tidy frees a figure of what binary fractions add, and of the last digits in which processors differ.
func tidy(value float64) float64 { return math.Round(value*1e9) / 1e9 }

// WaterActivity estimates the mixture's water activity. Fat, protein, fibre and dry cocoa are left out: they take up
// some water, so that leaving them out errs to the safe side.
func (m Mixture) WaterActivity() Estimated {
	if len(m.Unknown) > 0 {
		return Estimated{Grounds: []string{RefusedUnknown}, unknown: m.Unknown}
	}
	var e Estimated
	waterG, ethanolG := m.parts[water].grams(), m.parts[ethanol].grams()
	if m.parts[water] <= 0 || m.mass <= 0 {
		return Estimated{Grounds: []string{RefusedLowWater}}
	}
	e.WaterShare = waterG / m.MassG()
	e.EthanolShare = ethanolG / (waterG + ethanolG)
	e.SaltShare = m.parts[nacl].grams() / waterG
	phase := m.dissolved()
	e.mostlyInvert = phase.shareOf(glucose, fructose) >= mostlyInvert
	e.WithEthanol = tidy(phase.solution(true).WaterActivity())
	e.WithoutEthanol = e.WithEthanol
	if ethanolG > 0 {
		e.WithoutEthanol = tidy(phase.solution(false).WaterActivity())
	}
	e.Grounds = e.grounds()
	return e
}

func (e Estimated) grounds() []string {
	var grounds []string
	for _, rule := range []struct {
		ground string
		holds  bool
	}{
		{RefusedLowWater, e.WaterShare < leastWaterShare},
		{RefusedLowActivity, e.WithoutEthanol < leastWaterActivity},
		{RefusedEthanol, e.EthanolShare > mostEthanolShare},
		{RefusedSalt, e.SaltShare > mostSaltShare},
	} {
		if rule.holds {
			grounds = append(grounds, rule.ground)
		}
	}
	return grounds
}

// A phase is the water phase of a mixture: what is dissolved, in grams.
type phase struct {
	grams  [partsOfAll]float64
	syrups []syrup
}

func (m Mixture) dissolved() phase {
	p := phase{syrups: m.syrups}
	for part := water; part <= syrupSolids; part++ {
		p.grams[part] = m.parts[part].grams()
	}
	p.grams[sucrose] = min(p.grams[sucrose], mostSucrose*p.grams[water])
	p.grams[lactose] = min(p.grams[lactose], mostLactose*p.grams[water])
	return p
}

func (p phase) shareOf(parts ...int) float64 {
	all, some := 0.0, 0.0
	for part := sucrose; part <= syrupSolids; part++ {
		all += p.grams[part]
	}
	for _, part := range parts {
		some += p.grams[part]
	}
	if all == 0 {
		return 0
	}
	return some / all
}

func (p phase) solution(withEthanol bool) Solution {
	s := Solution{WaterG: p.grams[water], NaClG: p.grams[nacl], Solutes: make([]Dissolved, 0, partsOfAll)}
	for part, solute := range soluteParts() {
		if p.grams[part] > 0 && part != water && (withEthanol || part != ethanol) {
			s.Solutes = append(s.Solutes, Dissolved{Solute: solute, G: p.grams[part]})
		}
	}
	for _, syrup := range p.syrups {
		s.Solutes = append(s.Solutes, Dissolved{Solute: SyrupSolids(syrup.de), G: syrup.mass.grams()})
	}
	return s
}

// why says, each in a sentence, why there is no estimate.
func (e Estimated) why() []string {
	var sentences []string
	for _, ground := range e.Grounds {
		said := map[string]string{
			RefusedUnknown:     fmt.Sprintf("the composition of %s is not known", strings.Join(e.unknown, ", ")),
			RefusedLowWater:    fmt.Sprintf("water is %.1f %% of the mass, less than %g %%", 100*e.WaterShare, 100*leastWaterShare),
			RefusedLowActivity: fmt.Sprintf("it would be %.3f, below %g, where the equation was not checked", e.WithoutEthanol, leastWaterActivity),
			RefusedEthanol:     fmt.Sprintf("ethanol is %.1f %% of water and ethanol, more than %g %%", 100*e.EthanolShare, 100*mostEthanolShare),
			RefusedSalt:        fmt.Sprintf("common salt is %.1f %% of the water, more than %g %%", 100*e.SaltShare, 100*mostSaltShare),
		}[ground]
		sentences = append(sentences, "No water activity is estimated, because "+said+": have it measured.")
	}
	return sentences
}
