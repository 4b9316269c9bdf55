package oracle_test

import (
	"slices"
	"time"

	"firstout/internal/events"
	"firstout/internal/oracle"
	"firstout/internal/workshop"
)

// This file tells of tanks: what is in one is held, and it is emptied without cleaning and filled again, so that holds and
// allergens pass on until a cleaned emptying ends that. By chance alone that hardly ever happens.

const tanksInAll = 8 // in a hundred commands

// tellBesides tells something of boxes, readings or tanks, unless it is the turn of something else.
func (b *correctedBook) tellBesides(m *oracle.Model, g *teller) bool {
	switch {
	case g.in(besideInAll):
		b.tellBeside(g)
	case g.in(tanksInAll):
		b.tellTank(m, g)
	default:
		return false
	}
	return true
}

// tellTank tells what comes next of a tank.
func (b *correctedBook) tellTank(m *oracle.Model, g *teller) {
	vat := oneOf(g, []string{"vat-dark", "vat-dark", "vat-milk"})
	code := b.set.Vat(vat).Charge
	if code == "" || g.in(15) {
		if lot, found := g.lotOf("couverture-" + oneOf(g, []string{"dark", "milk"})); found {
			draw := oracle.Draw{Source: lot.Code, Place: lot.Place, Mass: min(lot.Amount, int64(500+g.IntN(2000))*oracle.Gram)}
			b.tell(m, oracle.Command{Kind: oracle.Melt, Vat: vat, Draws: []oracle.Draw{draw}, Done: true})
		}
		return
	}
	charge := b.set.Charge(code)
	switch hold := (oracle.Command{Kind: oracle.Hold, Code: string(code), Flag: g.in(50)}); {
	case !charge.Held() && g.in(75):
		if b.now.After(charge.At) && g.in(30) {
			hold.At = g.between(charge.At, b.now)
		}
		b.tell(m, hold)
	case charge.Held() && g.in(25):
		if nth := slices.Index(b.holds, oneOf(g, charge.Holds)); nth >= 0 && nth < len(m.Holds) {
			b.tell(m, oracle.Command{Kind: oracle.Lift, Nth: nth + 1})
		}
	case g.in(50):
		b.tell(m, oracle.Command{Kind: oracle.Empty, Vat: vat, Flag: g.in(20)})
	default:
		b.setBlock(m, g, charge)
	}
}

// setBlock empties a tank into a block, which no model knows. Some of that is written down late.
func (b *correctedBook) setBlock(m *oracle.Model, g *teller, charge *workshop.Charge) {
	cmd := workshop.Empty{Vat: charge.Vat, Cleaned: g.in(20), Rest: "block", Place: "workshop"}
	if b.now.After(charge.LastAt) && g.in(50) {
		at := g.between(charge.LastAt, b.now)
		cmd.OccurredAt = &at
	}
	if ids, refusal := b.write(cmd); refusal == nil {
		b.said = append(b.said, spoken{beside: cmd, recorded: ids})
		m.Do(oracle.Command{Kind: oracle.Empty, Vat: cmd.Vat, Flag: cmd.Cleaned})
	}
}

// between is some second after one instant, and not after another.
func (g *teller) between(from, to time.Time) time.Time {
	return from.Add(time.Duration(1+g.Int64N(max(1, int64(to.Sub(from)/time.Second)))) * time.Second)
}

// heldOver lists what holds passed on to in a set: what came out of a held tank, and no event says that it is held.
func (b *correctedBook) heldOver(set *workshop.Set) (codes []events.Code) {
	said := map[string]bool{}
	for _, r := range b.log {
		if placed, is := r.Data.(events.HoldPlaced); is {
			for _, code := range placed.Codes {
				said[r.ID.String()+string(code)] = true
			}
		}
	}
	for id, hold := range set.Holds.Dirty() {
		for _, code := range hold.Codes {
			fromTank := code.Kind() == events.KindCharge || code.Kind() == events.KindLot && set.Exists(code) && len(set.Lot(code).Mix) > 0
			if fromTank && !said[id.String()+string(code)] {
				codes = append(codes, code)
			}
		}
	}
	slices.SortFunc(codes, events.Code.Compare)
	return slices.Compact(codes)
}
