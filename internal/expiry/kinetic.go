package expiry

import "math"

// MeanKineticTemperature gives the one temperature in °C at which as much would have gone by as at those of the spells,
// weighted by their lengths: T = (ΔH/R) / −ln(Σ h exp(−ΔH/(R T)) / Σ h) in kelvin, with ΔH 83.144 kJ/mol and R
// 8.3144 J/(mol K), so that ΔH/R is 10 000 K (USP <1079>). It is for the auditor; nothing is dated by it. NaN of no time
// at all.
func MeanKineticTemperature(spells []Spell) float64 {
	const (
		kelvin    = 273.15
		activated = 10_000.0 // ΔH/R in K
	)
	sum, hours := 0.0, 0.0
	for _, s := range spells {
		h := s.To.Sub(s.From).Hours()
		sum += h * math.Exp(-activated/(s.TemperatureC+kelvin))
		hours += h
	}
	return activated/-math.Log(sum/hours) - kelvin
}
