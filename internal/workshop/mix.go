package workshop

import (
	"cmp"
	"encoding/json"
	"math"
	"math/bits"
	"slices"
	"strings"
	"time"

	"firstout/internal/events"
)

// MixPart is one lot's share of a mix. An untracked ingredient has no lot. A part with neither was found in a vat
// that the book had too little in: nobody knows of which lots it is. A part with no mass is a film: it may be there,
// and is never dropped by rounding.
type MixPart struct {
	Lot        events.Code `json:"lot,omitempty"`
	Ingredient string      `json:"ingredient,omitempty"` // of an untracked part
	Mass       events.Mass `json:"g"`
	Direct     bool        `json:"direct,omitempty"` // put in by hand, not by way of a vat
}

func (p MixPart) compare(o MixPart) int {
	return cmp.Or(p.Lot.Compare(o.Lot), strings.Compare(p.Ingredient, o.Ingredient))
}

// Mix is what something is made of, by lot, in code order, each lot once. It is perfectly mixed: whatever is
// taken of it has every lot in proportion.
type Mix []MixPart

// UnmarshalJSON reads a mix. A recall reads hundreds, of twenty parts each and more, and encoding/json takes most of a
// microsecond over each part: what is written as mixes are is read here, and anything else there.
func (m *Mix) UnmarshalJSON(text []byte) error {
	if mix, plain := readMix(text); plain {
		*m = mix
		return nil
	}
	return json.Unmarshal(text, (*[]MixPart)(m))
}

// A Trace is the stated trace of a site, in millionths: the share of the thing asked about below which a lot only may be
// contained.
type Trace int64

// DefaultTrace is 0.1 %, where a site states none.
const DefaultTrace Trace = 1000

// TraceAt is the stated trace of a site.
func (d *Definitions) TraceAt(site string) Trace {
	if def := d.Sites.Latest(site); def != nil && def.Body.ContainsFrom != nil {
		return Trace(math.Round(*def.Body.ContainsFrom / 100 * Millionth))
	}
	return DefaultTrace
}

// Total is the mass of the mix.
func (m Mix) Total() events.Mass {
	var total events.Mass
	for _, p := range m {
		total += p.Mass
	}
	return total
}

// Plus is both mixes together.
func (m Mix) Plus(n Mix) Mix {
	sum := slices.Clone(m)
	for _, p := range n {
		at, found := slices.BinarySearchFunc(sum, p, MixPart.compare)
		if found {
			sum[at].Mass += p.Mass
			sum[at].Direct = sum[at].Direct || p.Direct
		} else {
			sum = slices.Insert(sum, at, p)
		}
	}
	return sum
}

// Film is the mix as it clings: every lot, no mass.
func (m Mix) Film() Mix {
	film := slices.Clone(m)
	for i := range film {
		film[i].Mass, film[i].Direct = 0, false
	}
	return film
}

// Take draws a quantity from the mix, every lot in proportion to the milligram: what was taken, and what is
// left. Both name every lot. The quantity must not be more than the total.
func (m Mix) Take(quantity events.Mass) (taken, left Mix) {
	taken = m.Of(quantity)
	left = slices.Clone(m)
	for i := range left {
		left[i].Mass -= taken[i].Mass
	}
	return taken, left
}

// poured is a mix once it is in a vat: none of it was put in by hand any more.
func (m Mix) poured() Mix {
	poured := slices.Clone(m)
	for i := range poured {
		poured[i].Direct = false
	}
	return poured
}

// swap is a mix with one part of it made up as another. Lots stay in it though nothing of them may be left.
func (m Mix) swap(old, now Mix) Mix {
	taken := slices.Clone(old)
	for i := range taken {
		taken[i].Mass = -taken[i].Mass
	}
	return m.Plus(taken).Plus(now)
}

// dated lists the lots of what is in a vat whose dates count for what is drawn from it.
func (m Mix) dated(at time.Time, op OpKey, trace Trace) []DatedInput {
	whole := m.Total()
	var inputs []DatedInput
	for _, p := range m {
		if p.Lot != "" && p.Mass > 0 {
			inputs = append(inputs, DatedInput{Source: p.Lot, At: at, Trace: !p.Certain(whole, trace), Op: &op})
		}
	}
	return inputs
}

// Of gives a quantity made up as the mix is, apportioned by largest remainder so that the parts add up to it
// exactly. A mix without mass gives films.
func (m Mix) Of(quantity events.Mass) Mix {
	shares := slices.Clone(m)
	weights := make([]uint64, len(m))
	for i, p := range m {
		weights[i] = uint64(p.Mass)
	}
	for i, mass := range apportion(uint64(quantity), weights) {
		shares[i].Mass = events.Mass(mass)
	}
	return shares
}

// apportion divides a whole by weights and largest remainder: the parts add up to it exactly, and of like remainders
// the earlier ones are rounded up. Without any weight there are no parts. The weights must add up to less than 2⁶⁴.
func apportion(whole uint64, weights []uint64) []uint64 {
	var total uint64
	for _, w := range weights {
		total += w
	}
	if total == 0 {
		return nil
	}
	parts, remainders, order := make([]uint64, len(weights)), make([]uint64, len(weights)), make([]int, len(weights))
	left := whole
	for i, w := range weights {
		hi, lo := bits.Mul64(whole, w)
		parts[i], remainders[i] = bits.Div64(hi, lo, total)
		left -= parts[i]
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(remainders[b], remainders[a]) })
	for _, i := range order[:left] {
		parts[i]++
	}
	return parts
}

// Certain says whether the part is at least the stated trace of a whole.
func (p MixPart) Certain(whole events.Mass, trace Trace) bool {
	if p.Mass <= 0 {
		return false
	}
	isHi, isLo := bits.Mul64(uint64(p.Mass), Millionth)
	mustHi, mustLo := bits.Mul64(uint64(whole), uint64(trace))
	return isHi > mustHi || isHi == mustHi && isLo >= mustLo
}
