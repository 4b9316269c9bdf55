package expiry

import (
	"fmt"
	"math"
	"sync"
)

// Molar masses in g/mol: IUPAC standard atomic weights, but for the glucose unit of syrups, which is glucose less water.
const (
	molarMassWater       = 18.015
	molarMassNaCl        = 58.443
	molarMassGlucose     = 180.156
	molarMassGlucoseUnit = 162.141
)

// A Solute is something dissolved, as Norrish's equation counts it.
type Solute struct {
	MolarMass float64 // g/mol; of salts and syrups the effective one, per particle
	K         float64 // Norrish's constant in natural-logarithm form, without a unit; 0: ideal
}

// A Dissolved is so many grams of a solute in solution.
type Dissolved struct {
	Solute
	G float64
}

// A Solution is a water phase: water, what is dissolved in it, and common salt.
type Solution struct {
	WaterG  float64
	Solutes []Dissolved
	NaClG   float64
}

var solutes = sync.OnceValue(func() map[string]Solute {
	byName := map[string]Solute{}
	for _, row := range readTable("solutes.csv") {
		byName[row["solute"]] = Solute{MolarMass: row.number("molar_mass_g_mol"), K: row.number("k")}
	}
	return byName
})

// soluteParts are the solutes that compositions state, by their part.
var soluteParts = sync.OnceValue(func() (byPart [nacl]Solute) {
	for part := sucrose; part < nacl; part++ {
		s, found := solutes()[partNames[part]]
		if !found {
			panic("expiry: solutes.csv: no " + partNames[part])
		}
		byPart[part] = s
	}
	return byPart
})

// SoluteNamed gives a solute of the shipped table.
func SoluteNamed(name string) (Solute, error) {
	s, found := solutes()[name]
	if !found {
		return Solute{}, fmt.Errorf("%q is not a solute with a constant that could be confirmed: measure the water activity", name)
	}
	return s, nil
}

// SyrupSolids gives the solids of a starch syrup by its dextrose equivalent (DE), above 0 and up to 100, as one solute:
// number-average molar mass M = 18015.6 / DE (the definition of DE: 100 glucose/M in percent), and K = 2.26 for each
// glucose unit (glucose 2.25; maltose 4.54 over two units). Checked against Sloan & Labuza 1975, corn syrup, water
// activity 0.7 to 0.9: within 0.005.
func SyrupSolids(de float64) Solute {
	const perGlucoseUnit = 2.26
	m := 100 * molarMassGlucose / de
	return Solute{MolarMass: m, K: perGlucoseUnit * (m - molarMassWater) / molarMassGlucoseUnit}
}

// WaterActivity gives the water activity of a solution, 0 to 1: Norrish's equation for several solutes,
//
//	aw = x_w · exp(−(Σ √K_i · x_i)²),
//
// with x the mole fractions in the water phase (Norrish 1966, J. Food Technol. 1:25; constants in tables/solutes.csv),
// times the factor of common salt. Between 0 and 25 °C such solutions hardly change, so there is no temperature in it.
// Valid above 0.75, where it is within 0.006 of solutions in print; below 0.70 glycerol reads up to 0.037 too low.
// The water must be more than 0.
func (s Solution) WaterActivity() float64 {
	molesWater := s.WaterG / molarMassWater
	moles, weighted := molesWater, 0.0
	for _, d := range s.Solutes {
		n := d.G / d.MolarMass
		moles += n
		weighted += math.Sqrt(d.K) * n
	}
	weighted /= moles
	return molesWater / moles * math.Exp(-weighted*weighted) * SaltFactor(s.NaClG, s.WaterG)
}

// SaltFactor gives the water activity of common salt in water, both in grams, at 25 °C: aw = exp(−2 m φ · 0.018015) with
// m in mol/kg and the osmotic coefficient of Pitzer & Mayorga 1973 (J. Phys. Chem. 77:2300),
//
//	φ = 1 − 0.3915 √m / (1 + 1.2 √m) + m (0.0765 + 0.2664 exp(−2 √m)) + 0.00127 m².
//
// Valid up to saturation, 6.1 mol/kg.
func SaltFactor(naclG, waterG float64) float64 {
	if naclG == 0 {
		return 1
	}
	m := naclG / molarMassNaCl / waterG * 1000
	root := math.Sqrt(m)
	phi := 1 - 0.3915*root/(1+1.2*root) + m*(0.0765+0.2664*math.Exp(-2*root)) + 0.00127*m*m
	return math.Exp(-2 * m * phi * molarMassWater / 1000)
}
