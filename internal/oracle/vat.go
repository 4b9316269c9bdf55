package oracle

import (
	"cmp"
	"slices"
	"time"
)

// unknownLot is what was found in a vat that the book had too little in.
const unknownLot = "?"

// dust is less than the book can weigh, in milligrams: what is left of numbers that are not quite exact.
const dust = 0.5

// A mix is what something is made of: the mass of each lot, as exact as the machine can. A lot with no mass may be in
// it. Direct are the lots that were put in by hand and not by way of a vat.
type mix struct {
	mass   map[string]float64
	direct map[string]bool
}

func noMix() mix { return mix{mass: map[string]float64{}, direct: map[string]bool{}} }

func (x mix) total() (sum float64) {
	for _, mass := range x.mass {
		sum += mass
	}
	return sum
}

// add puts a share of another mix in.
func (x mix) add(y mix, share float64, direct bool) {
	for lot, mass := range y.mass {
		x.mass[lot] += mass * share
		if direct && y.direct[lot] {
			x.direct[lot] = true
		}
	}
}

// What happens to a charge.
const (
	in    = "in"
	out   = "out"
	film  = "film"
	found = "found"
	ended = "ended"
)

// An op is one of the things that happen to a charge, in the order of time.
type op struct {
	charge string
	at     time.Time
	seq    int
	kind   string
	mass   int64
	from   string // of in: the lot; of film: the run or charge whose lots cling
}

func (m *Model) op(o op) int {
	o.seq = m.next()
	m.ops[o.charge] = append(m.ops[o.charge], o)
	return o.seq
}

// A flow is one thing going into another.
type flow struct {
	from, to string
	at       time.Time
	seq      int
}

func (m *Model) flow(from, to string, at time.Time) {
	m.flows = append(m.flows, flow{from: from, to: to, at: at, seq: m.next()})
}

// downstream lists a thing, its portions, and everything that it went into: what left a thing before the other came
// into it does not lead on.
func (m *Model) downstream(code string) []string { return m.downstreamSince(code, time.Time{}, 0) }

// downstreamSince follows only what left the thing after a moment.
func (m *Model) downstreamSince(code string, at time.Time, seq int) []string {
	reached := m.withParts(code)
	if m.fault == HoldNotDownstream {
		return reached
	}
	flows := slices.Clone(m.flows)
	slices.SortStableFunc(flows, func(a, b flow) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.seq, b.seq)) })
	for _, f := range flows {
		if f.at.Before(at) || f.at.Equal(at) && f.seq <= seq {
			continue
		}
		if slices.Contains(reached, f.from) && !slices.Contains(reached, f.to) {
			reached = append(reached, f.to)
		}
	}
	return reached
}

func (m *Model) withParts(code string) []string {
	codes := []string{code}
	for _, other := range m.Order {
		if isPart(other) && wholeOf(other) == code {
			codes = append(codes, other)
		}
	}
	return codes
}

// opsOf lists what happened to a charge in the order of time.
func (m *Model) opsOf(charge string) []op {
	ops := slices.Clone(m.ops[charge])
	slices.SortStableFunc(ops, func(a, b op) int {
		if m.fault == LateMeltIgnored {
			return cmp.Compare(a.seq, b.seq)
		}
		return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.seq, b.seq))
	})
	return ops
}

// chargeBefore is what was in a charge when what comes at (at, seq) happened to it.
func (m *Model) chargeBefore(charge string, at time.Time, seq int) mix {
	return m.once(moment{charge, at, seq}, m.fold)
}

// A moment is a thing as it was before what comes at (at, seq).
type moment struct {
	code string
	at   time.Time
	seq  int
}

// once works a mix out, and remembers it until something changes.
func (m *Model) once(at moment, work func(moment) mix) mix {
	x, known := m.parts[at]
	if !known {
		x = work(at)
		m.parts[at] = x
	}
	return x
}

func (m *Model) fold(before moment) mix {
	charge, at, seq := before.code, before.at, before.seq
	x := noMix()
	for _, o := range m.opsOf(charge) {
		if m.fault == LateMeltIgnored && o.seq >= seq || m.fault != LateMeltIgnored && (o.at.After(at) || o.at.Equal(at) && o.seq >= seq) {
			break
		}
		total := x.total()
		switch o.kind {
		case in:
			x.add(m.lotMix(o.from), float64(o.mass), false)
		case found:
			x.mass[unknownLot] += float64(o.mass)
		case film:
			x.add(m.filmOf(o), 0, false)
		case ended:
			for lot := range x.mass {
				x.mass[lot] = 0
			}
		case out:
			left := max(0, 1-float64(o.mass)/total)
			if total-float64(o.mass) < dust {
				left = 0
			}
			for lot, mass := range x.mass {
				x.mass[lot] = mass * left
			}
		}
	}
	return x
}

// chargeAt is what is in a charge once everything dated up to an instant has happened.
func (m *Model) chargeAt(charge string, at time.Time) mix {
	return m.chargeBefore(charge, at, 1<<60)
}

// filmOf is what clung to what was scraped back, or to the walls.
func (m *Model) filmOf(o op) mix {
	if o.from[0] == 'C' {
		return m.chargeBefore(o.from, o.at, o.seq)
	}
	return m.madeOf(o.from, o.at, o.seq)
}

// lotMix is one unit of a lot.
func (m *Model) lotMix(code string) mix {
	x := noMix()
	x.mass[wholeOf(code)], x.direct[wholeOf(code)] = 1, true
	return x
}

// madeOf is what a ganache or a run is made of by what was drawn into it before a moment.
func (m *Model) madeOf(code string, at time.Time, seq int) mix {
	return m.once(moment{code, at, seq}, m.drawnInto)
}

func (m *Model) drawnInto(before moment) mix {
	x := noMix()
	for _, d := range m.Things[before.code].Draws {
		if d.at.After(before.at) || d.at.Equal(before.at) && d.seq >= before.seq {
			continue
		}
		switch d.source[0] {
		case 'L':
			x.add(m.lotMix(d.source), float64(d.mass), true)
		case 'G':
			whole := m.mixOf(d.source)
			x.add(whole, float64(d.mass)/whole.total(), true)
		default:
			charge := m.chargeBefore(d.source, d.at, d.seq)
			if total := charge.total(); total > 0 {
				x.add(charge, float64(d.mass)/total, false)
			}
		}
	}
	return x
}

// mixOf is what a ganache or a run is made of altogether.
func (m *Model) mixOf(code string) mix { return m.madeOf(code, ever, 1<<60) }

// chocolateFits refuses what a vat does not take.
func (m *Model) chocolateFits(vat *Vat, source string) {
	if source[0] != 'L' {
		if source[0] != 'R' {
			m.refuse("wrong-kind-of-thing")
		}
		return
	}
	lot := m.Things[source]
	if lot == nil {
		return
	}
	switch i := ingredientOf(lot.Name); {
	case i.Kind != "couverture":
		m.refuse("wrong-kind-of-thing")
	case i.Chocolate != vat.Chocolate:
		m.refuse("wrong-chocolate")
	}
}

func (m *Model) melt() {
	c := m.c
	vat := vatOf(c.Vat)
	if vat == nil {
		m.refuse("unknown-code")
		return
	}
	m.site = vat.Site
	m.happened()
	w := m.drawing()
	charge, full := "", int64(0)
	if all := m.chargesOf(c.Vat, m.at); len(all) > 0 { // or the next, which then began with this
		charge = all[0].Code
		_, full = m.since(all[0], m.at)
	}
	for _, d := range c.Draws {
		w.plan(d, m.at)
		m.chocolateFits(vat, d.Source)
		full += d.Mass
	}
	if full > vat.Capacity {
		m.refuse("wrong-state")
	}
	if m.refusal() != "" {
		return
	}
	w.bookShort()
	sources := w.opened(m.at)
	if charge == "" {
		t := m.newThing('C', m.at, m.site)
		t.Name = c.Vat
		charge = t.Code
	}
	if t := m.Things[charge]; m.at.Before(t.At) {
		t.At = m.at
	}
	for i, l := range w.lines {
		m.shift(m.at, key{sources[i], l.place, true}, -l.mass, "drawn")
		m.flow(sources[i], charge, m.at)
		m.op(op{charge: charge, at: m.at, kind: in, mass: l.mass, from: sources[i]})
		m.shift(m.at, key{charge, c.Vat, true}, l.mass, "made")
	}
	clear(m.parts)
	m.brokeRules([]string{charge}, true)
	m.said.Say("charge", "%s", charge)
	m.said.Measure("quantity", float64(m.onHand(key{charge, c.Vat, true})), 0)
}

// chargesOf lists the charges of a vat that had not ended at an instant, oldest first.
func (m *Model) chargesOf(vat string, at time.Time) (all []*Thing) {
	for _, code := range m.Order {
		if t := m.Things[code]; code[0] == 'C' && t.Name == vat && (t.Ended == nil || at.Before(*t.Ended)) {
			all = append(all, t)
		}
	}
	slices.SortStableFunc(all, func(a, b *Thing) int { return cmp.Or(a.At.Compare(b.At), compareCodes(a.Code, b.Code)) })
	return all
}

// chargeIn is the charge that was in a vat at an instant; none where nothing was.
func (m *Model) chargeIn(vat string, at time.Time) string {
	for _, t := range m.chargesOf(vat, at) {
		if !at.Before(t.At) {
			return t.Code
		}
	}
	return ""
}

// since gives the least and the most that was in a charge from an instant until it was emptied: what is drawn late must
// leave enough for every draw since, and what is melted late must never have been too much for the vat.
func (m *Model) since(charge *Thing, at time.Time) (least, most int64) {
	k := key{charge.Code, charge.Name, true}
	least = m.level(k, at)
	most = least
	for _, v := range m.inOrder(k) {
		if v.emptying {
			break
		}
		if v.at.After(at) {
			least, most = min(least, m.levelAfter(k, v)), max(most, m.levelAfter(k, v))
		}
	}
	return max(0, least), most
}

func (m *Model) empty() {
	c := m.c
	vat := vatOf(c.Vat)
	if vat == nil {
		m.refuse("unknown-code")
		return
	}
	m.site = vat.Site
	m.happened()
	charge := m.chargeIn(c.Vat, m.at)
	if charge == "" {
		m.refuse("wrong-state")
		return
	}
	if m.refusal() != "" {
		return
	}
	k := key{charge, c.Vat, true}
	if rest := m.onHand(k); rest > 0 {
		m.shift(m.at, k, -rest, "discarded")
		m.moves[len(m.moves)-1].emptying = true
		m.op(op{charge: charge, at: m.at, kind: out, mass: rest})
	}
	m.moves = append(m.moves, move{at: m.at, seq: m.next(), key: k, count: true, cause: "emptied", emptying: true})
	m.op(op{charge: charge, at: m.at, kind: ended})
	at := m.at
	m.Things[charge].Ended = &at
	m.said.Say("charge", "%s", charge)
	if c.Flag {
		return
	}
	next := m.newThing('C', m.at, m.site)
	next.Name = c.Vat
	m.op(op{charge: next.Code, at: m.at, kind: film, from: charge})
	m.flow(charge, next.Code, m.at)
	for _, h := range m.Holds {
		if !h.lifted && slices.Contains(h.codes, charge) {
			h.codes = append(h.codes, next.Code)
		}
	}
	m.said.Say("next", "%s", next.Code)
}
