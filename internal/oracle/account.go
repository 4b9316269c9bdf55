package oracle

import (
	"fmt"
	"slices"
	"strings"
)

// Account says what both books can be asked over HTTP beside Look: where everything went, and whether it adds up.
func (m *Model) Account() Facts {
	clear(m.parts)
	var f Facts
	for _, code := range m.Order {
		if isPart(code) {
			continue
		}
		if code[0] == 'L' || code[0] == 'G' {
			m.sayForward(&f, code)
		}
		m.sayBalance(&f, code)
	}
	return f
}

// sayForward accounts for the released pieces of every run that a thing went into.
func (m *Model) sayForward(f *Facts, code string) {
	for _, run := range m.downstream(code) {
		if run[0] != 'R' {
			continue
		}
		certainty := Contains
		if code[0] == 'L' {
			x := m.mixOf(run)
			certainty = m.certainty(x.mass[code], x.total())
		}
		f.Say(fmt.Sprintf("forward %s %s", code, run), "%s", certainty)
		sum := map[string]int64{}
		for _, v := range m.moves {
			if v.key.code == run && v.key.released {
				sum[v.cause] += v.delta
			}
		}
		hand := int64(0)
		for _, k := range m.lines(run) {
			if k.released {
				hand += m.onHand(k)
			}
		}
		SayPieces(f, code, run, sum["released"], hand, -sum["sold"], -sum["given"], -sum["discarded"],
			sum["released"]-hand+sum["sold"]+sum["given"]+sum["discarded"])
	}
}

// SayPieces puts what became of the pieces of a run as it is compared.
func SayPieces(f *Facts, of, run string, released, hand, sold, given, discarded, difference int64) {
	f.Say(fmt.Sprintf("pieces of %s, forward %s", run, of), "released %d, on hand %d, sold %d, given %d, discarded %d, difference %d",
		released, hand, sold, given, discarded, difference)
}

// SayBalance puts a balance as it is compared; out is unordered.
func SayBalance(f *Facts, code string, in int64, out []string, discarded, hand, loss, difference int64) {
	slices.Sort(out)
	f.Say("balance "+code, "in %s, out %s, discarded %s, on hand %s, process loss %s, difference %s",
		signed(in), strings.Join(out, "; "), signed(discarded), signed(hand), signed(loss), signed(difference))
}

// SayOut is one destination of a balance.
func SayOut(to string, mass int64) string { return to + " " + signed(mass) }

func signed(mg int64) string {
	if mg < 0 {
		return "-" + grams(-mg)
	}
	return grams(mg)
}

// sayBalance adds up what came into a thing, with its portions, and what went out.
func (m *Model) sayBalance(f *Facts, code string) {
	t := m.Things[code]
	each := int64(1)
	came, discarded, hand := int64(0), int64(0), int64(0)
	out := map[string]int64{}
	if code[0] == 'R' {
		each = t.PieceMass
		came = t.Shell + t.Filled + t.Caps
		discarded = int64(t.Broken+t.Left) * each
	}
	for _, part := range m.withParts(code) {
		for _, v := range m.moves {
			if v.key.code != part {
				continue
			}
			switch v.cause {
			case "received", "made":
				came += v.delta
			case "discarded":
				discarded -= v.delta * each
			case "sold", "given":
				out[v.cause] -= v.delta * each
			}
		}
		for _, k := range m.lines(part) {
			hand += m.onHand(k) * each
		}
		for _, other := range m.Order {
			for _, d := range m.Things[other].Draws {
				if d.source == part {
					out[other] += d.mass
				}
			}
			for _, o := range m.ops[other] {
				if o.kind == in && o.from == part {
					out[other] += o.mass
				}
			}
		}
	}
	loss := int64(0)
	if code[0] == 'G' {
		came, loss = t.Inputs, t.Inputs-t.Yield
	}
	difference := came - discarded - hand - loss
	var outs []string
	for to, mass := range out {
		difference -= mass
		if mass != 0 {
			outs = append(outs, SayOut(to, mass))
		}
	}
	SayBalance(f, code, came, outs, discarded, hand, loss, difference)
}
