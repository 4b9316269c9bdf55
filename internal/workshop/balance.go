package workshop

import "firstout/internal/events"

// Balance is the mass balance of a thing: in = out + on hand + discarded + process loss + difference. The
// difference is shown, never hidden.
type Balance struct {
	In          events.Mass
	Out         []BalanceOut // by where it went, in the order in which it first went there
	Discarded   events.Mass
	OnHand      events.Mass
	ProcessLoss *events.Mass // of a ganache: what went in and did not come out of the bowl
}

// BalanceOut is what went to one destination: a code, or sold, or given.
type BalanceOut struct {
	To   string
	Mass events.Mass
}

// Send adds what went to a destination.
func (b *Balance) Send(to string, mass events.Mass) {
	for i := range b.Out {
		if b.Out[i].To == to {
			b.Out[i].Mass += mass
			return
		}
	}
	b.Out = append(b.Out, BalanceOut{To: to, Mass: mass})
}

// Difference is what nobody has accounted for: positive what is missing, negative what was found.
func (b Balance) Difference() events.Mass {
	left := b.In - b.Discarded - b.OnHand
	for _, o := range b.Out {
		left -= o.Mass
	}
	if b.ProcessLoss != nil {
		left -= *b.ProcessLoss
	}
	return left
}

// NoWaste are the reasons of what went without a sale and is not waste: people ate it, or it was used.
var NoWaste = []string{"taster", "qc_sample", "staff", "donated", "rework", "feed"}
