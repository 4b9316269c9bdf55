package expiry

import (
	"fmt"
	"maps"
	"math"
	"slices"
)

// The parts that a composition is stated in. Water and what dissolves in it come first; fat, protein, dry cocoa and
// fibre take no part in the water phase.
const (
	water = iota
	sucrose
	glucose
	fructose
	maltose
	lactose
	sorbitol
	glycerol
	ethanol
	organicAcids
	milkSalts
	nacl
	syrupSolids
	milkFat
	cocoaButter
	otherFat
	protein
	cocoaSolidsFatFree
	fibreAndOther
	partsOfAll
)

var partNames = [partsOfAll]string{
	water: "water", sucrose: "sucrose", glucose: "glucose", fructose: "fructose", maltose: "maltose", lactose: "lactose",
	sorbitol: "sorbitol", glycerol: "glycerol", ethanol: "ethanol", organicAcids: "organic_acids", milkSalts: "milk_salts",
	nacl: "nacl", syrupSolids: "syrup_solids", milkFat: "milk_fat", cocoaButter: "cocoa_butter", otherFat: "other_fat",
	protein: "protein", cocoaSolidsFatFree: "cocoa_solids_ff", fibreAndOther: "fibre_other",
}

// keySyrupDE is the dextrose equivalent of the syrup solids: no mass, but what their molar mass is worked out from.
const keySyrupDE = "syrup_de"

// A composition's parts must add up to about 100 g: tables of analyses are off by as much as 2.3 g, and what is far from
// 100 g leaves out something that may be water.
const (
	leastSum = 95.0
	mostSum  = 105.0
)

// A Composition is what 100 g of something holds, in grams.
type Composition struct {
	grams   [partsOfAll]float64
	syrupDE float64
}

// CompositionKeys are the names that a composition's parts have, and syrup_de.
func CompositionKeys() []string { return append(slices.Clone(partNames[:]), keySyrupDE) }

// NewComposition reads a composition in g per 100 g; an absent key is 0. The error names the key and what to do.
func NewComposition(grams map[string]float64) (Composition, error) {
	var c Composition
	sum := 0.0
	for _, key := range slices.Sorted(maps.Keys(grams)) {
		value := grams[key]
		if math.IsNaN(value) || value < 0 || value > 100 {
			return Composition{}, fmt.Errorf("composition.%s: %g is not between 0 and 100: give g per 100 g", key, value)
		}
		if key == keySyrupDE {
			c.syrupDE = value
			continue
		}
		part := slices.Index(partNames[:], key)
		if part < 0 {
			return Composition{}, fmt.Errorf("composition.%s: not a part that is counted: use %v", key, CompositionKeys())
		}
		c.grams[part] = value
	}
	for _, value := range c.grams {
		sum += value
	}
	if sum < leastSum || sum > mostSum {
		return Composition{}, fmt.Errorf("composition: the parts add up to %.1f g, not to about 100 g: state all of them, water too", sum)
	}
	if c.grams[syrupSolids] > 0 && c.syrupDE == 0 {
		return Composition{}, fmt.Errorf("composition.%s: give the dextrose equivalent of the syrup solids, above 0 and up to 100", keySyrupDE)
	}
	return c, nil
}

// WithLabel gives an ingredient's composition with what a lot's own label states in place of it, key by key. Both are in
// g per 100 g; either may be nil. The result is nil only if both are.
func WithLabel(ingredient, label map[string]float64) map[string]float64 {
	if ingredient == nil && label == nil {
		return nil
	}
	merged := make(map[string]float64, len(ingredient)+len(label))
	maps.Copy(merged, ingredient)
	maps.Copy(merged, label)
	return merged
}

// Grams gives the composition in g per 100 g, parts that are 0 left out.
func (c Composition) Grams() map[string]float64 {
	grams := map[string]float64{}
	for part, value := range c.grams {
		if value != 0 {
			grams[partNames[part]] = value
		}
	}
	if c.grams[syrupSolids] > 0 {
		grams[keySyrupDE] = c.syrupDE
	}
	return grams
}
