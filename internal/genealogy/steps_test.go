package genealogy_test

import (
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// tank is a vat that holds something, if any does.
func (s *storyteller) tank() (string, *vat) {
	slug := pick(s, []string{"vat-one", "vat-two"})
	if v := s.vats[slug]; v != nil && v.total > 0 {
		return slug, v
	}
	return "", nil
}

// melt pours one or two lots into a vat, or blocks that were set of another's rest.
func (s *storyteller) melt() {
	slug := pick(s, []string{"vat-one", "vat-two"})
	var inputs []workshop.DrawLine
	for range 1 + s.chance(2) {
		lots := s.of(false)
		if len(lots) == 0 {
			return
		}
		lot := pick(s, lots)
		quantity := s.mass(s.left[lot])
		if len(inputs) > 0 && inputs[0].Source == lot {
			break
		}
		inputs = append(inputs, workshop.DrawLine{Source: lot, Quantity: quantity})
	}
	answer, ok := s.try(workshop.Melt{Vat: slug, Inputs: inputs})
	if !ok {
		return
	}
	v := s.vats[slug]
	if v == nil {
		v = &vat{charge: answer.(workshop.Melted).Charge.Code, is: s.add(false)}
		s.vats[slug] = v
	}
	for _, input := range inputs {
		s.left[input.Source] -= input.Quantity
		s.pour(v, s.draw(input.Source, input.Quantity), input.Quantity)
	}
}

// filling makes a ganache of cream, chocolate out of a vat, water, and now and then what is left of an earlier one.
func (s *storyteller) filling() {
	creams := s.of(true)
	_, v := s.tank()
	if len(creams) == 0 || v == nil {
		return
	}
	cream := pick(s, creams)
	inputs := []workshop.DrawLine{
		{Source: cream, Quantity: s.mass(s.left[cream])}, {Source: v.charge, Quantity: s.mass(v.total)}, {Ingredient: "water", Quantity: s.mass(100 * events.Gram)},
	}
	if old := s.filled(); old != "" && s.chance(2) == 0 {
		inputs = append(inputs, workshop.DrawLine{Source: old, Quantity: s.mass(s.left[old])})
	}
	var total events.Mass
	for _, input := range inputs {
		total += input.Quantity
	}
	yield := total - events.Mass(s.chance(int(total/10)+1))
	answer, ok := s.try(workshop.MakeGanache{
		Formula: "plain", Inputs: inputs, Yield: &yield, HeatStep: &events.HeatStep{Boiled: true}, Place: "workshop",
	})
	if !ok {
		return
	}
	var terms []term
	for _, input := range inputs {
		switch input.Source {
		case "":
			terms = append(terms, term{s.source(input.Ingredient), float64(input.Quantity)})
		case v.charge:
			terms = append(terms, term{s.take(v, input.Quantity), 1})
		default:
			s.left[input.Source] -= input.Quantity
			terms = append(terms, term{s.draw(input.Source, input.Quantity), 1})
		}
	}
	code := answer.(workshop.GanacheAnswer).Ganache.Code
	s.ganaches, s.left[code] = append(s.ganaches, code), yield
	s.things[code] = made{is: s.add(false, terms...), total: total}
}

// filled is a ganache of which something is left; "" if there is none.
func (s *storyteller) filled() events.Code {
	for range s.ganaches {
		if code := pick(s, s.ganaches); s.left[code] > 0 {
			return code
		}
	}
	return ""
}

// cavities is what the one mould has; what stays in it is a multiple, so that a piece's mass is whole milligrams.
const cavities = 24

func (s *storyteller) net(limit events.Mass) events.Mass { return s.mass(limit) / cavities * cavities }

// moulding casts, fills and caps a run. What is scraped back off the caps leaves a film of what it met.
func (s *storyteller) moulding() {
	castOf, shells := s.tank()
	capOf, caps := s.tank()
	ganache := s.filled()
	if shells == nil || caps == nil || ganache == "" {
		return
	}
	shell, filled := s.net(shells.total), s.net(s.left[ganache])
	lid := s.net(caps.total - map[bool]events.Mass{true: shell}[caps == shells])
	scraped := events.Mass(s.chance(2)) * 50 * events.Gram
	if shell == 0 || filled == 0 || lid == 0 {
		return
	}
	drawn := lid + scraped
	if caps.total-map[bool]events.Mass{true: shell}[caps == shells] < drawn {
		drawn, scraped = lid, 0
	}
	answer, ok := s.try(workshop.MakeRun{
		Design: "dome", Mould: "dome-24", Moulds: 1, Place: "workshop", Casting: &workshop.ChocolateStep{Vat: castOf, Drawn: &shell, Returned: new(events.Mass)},
		Filling:   []workshop.FillingStep{{Source: ganache, Quantity: &filled}},
		Capping:   &workshop.ChocolateStep{Vat: capOf, Drawn: &drawn, Returned: &scraped},
		TurnedOut: &workshop.TurnOut{Good: 20, Seconds: 1, Broken: 2, Eaten: 1},
	})
	if !ok {
		return
	}
	s.left[ganache] -= filled
	open := s.add(false, term{s.take(shells, shell), 1}, term{s.draw(ganache, filled), 1})
	closed := s.add(false, term{open, 1}, term{s.take(caps, lid), 1})
	if scraped > 0 {
		s.cling(caps, open)
	}
	s.runs[answer.(workshop.RunAnswer).Run.Code] = closed
}

// shells casts a run that is never filled, and melts it again.
func (s *storyteller) shells() {
	castOf, from := s.tank()
	backTo, into := s.tank()
	if from == nil || into == nil {
		return
	}
	shell := s.net(from.total - 1)
	if shell == 0 {
		return
	}
	answer, ok := s.try(workshop.MakeRun{
		Design: "dome", Mould: "dome-24", Moulds: 1, Place: "workshop", Casting: &workshop.ChocolateStep{Vat: castOf, Drawn: &shell, Returned: new(events.Mass)},
		TurnedOut: &workshop.TurnOut{Unfilled: cavities, UnfilledTo: backTo},
	})
	if !ok {
		return
	}
	cast := s.take(from, shell)
	s.runs[answer.(workshop.RunAnswer).Run.Code] = cast
	s.pour(into, s.add(true, term{cast, 1}), shell)
}

// emptying ends a charge: cleaned or not, its rest thrown away or set into a block.
func (s *storyteller) emptying() {
	slug := pick(s, []string{"vat-one", "vat-two"})
	v := s.vats[slug]
	if v == nil {
		return
	}
	cleaned, rest := s.chance(2) == 0, pick(s, []string{"block", "discard"})
	answer, ok := s.try(workshop.Empty{Vat: slug, Cleaned: cleaned, Rest: rest, Place: "workshop"})
	if !ok {
		return
	}
	emptied := answer.(workshop.Emptied)
	if emptied.Event.Block != nil {
		block := emptied.Event.Block.Lot
		s.lots, s.left[block] = append(s.lots, block), v.total
		s.things[block] = made{is: s.add(true, term{v.is, 1}), total: v.total}
	}
	delete(s.vats, slug)
	if !cleaned {
		s.vats[slug] = &vat{charge: emptied.NextCharge, is: s.add(false, term{v.is, 0})}
	}
}
