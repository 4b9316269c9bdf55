package generate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// day is one day of the shop.
func (s *shop) day(n int) error {
	plan := s.plan()
	for _, part := range []func() error{
		func() error { s.begin(s.today, 5, 0); return s.thermometers() },
		s.clear,
		func() error { s.begin(s.today, 5, 30); return s.deliveries(plan) },
		func() error { s.begin(s.today, 6, 0); return s.fillTanks(n, plan) },
		func() error { return s.mould(plan) },
		func() error { s.begin(s.today, 9, 0); return s.sell() },
		func() error { s.begin(s.today, 18, 0); return s.evening(n) },
	} {
		if err := part(); err != nil {
			return err
		}
	}
	return nil
}

// A plan is what is moulded on a day: how many moulds each run has, and of what.
type plan struct {
	moulds int
	runs   []piece
	uses   map[string]events.Mass // of each ingredient, and of the chocolate in each tank by its kind
}

// perSale is how many pieces a sale has on average; cover for how many days the shop likes to have pieces on hand.
const (
	perSale = 2.5
	cover   = 3
)

// plan chooses for each run the piece of which there is the least for how often it is asked for.
func (s *shop) plan() plan {
	p := plan{uses: map[string]events.Mass{}}
	stands, all := map[string]int{}, 0
	for _, place := range sells {
		for _, line := range s.book.Set().StandingAt(place) {
			stands[line.Subject] += int(line.Amount)
			all += int(line.Amount)
		}
	}
	sold := float64(s.SalesPerDay) * perSale
	made := sold + (cover*sold-float64(all))/4 // a quarter of what is missing, or too much
	p.moulds = max(1, int(math.Round(made/float64(s.RunsPerDay*cavities))))
	short := func(p piece) int { return stands[p.slug] * 100 / p.weight }
	for range s.RunsPerDay {
		next := slices.MinFunc(pieces, func(a, b piece) int { return cmp.Compare(short(a), short(b)) })
		stands[next.slug] += p.moulds * cavities
		p.runs = append(p.runs, next)
		p.uses[next.chocolate] += grams(next.shell + next.cap).Times(p.moulds * cavities)
		if next.straight != "" {
			p.uses[next.straight] += grams(next.filling).Times(p.moulds * cavities)
		}
	}
	for _, r := range recipes {
		scale := p.scale(r)
		for _, in := range r.inputs {
			if in.Ingredient == "couverture-"+r.chocolate {
				p.uses[r.chocolate] += events.Mass(float64(in.Quantity) * scale)
			} else {
				p.uses[in.Ingredient] += events.Mass(float64(in.Quantity) * scale)
			}
		}
	}
	return p
}

// scale is how many times a recipe is made for the runs of a day, with a little over.
func (p plan) scale(r recipe) float64 {
	filled, whole := events.Mass(0), events.Mass(0)
	for _, run := range p.runs {
		if run.formula == r.slug {
			filled += grams(run.filling).Times(p.moulds * cavities)
		}
	}
	for _, in := range r.inputs {
		whole += in.Quantity
	}
	return math.Ceil(float64(filled)/float64(whole)*1.02*100) / 100
}

// clear takes away what is past its date and what is too little to use.
func (s *shop) clear() error {
	for _, place := range []string{bench, coldRoom, store, shelf, stall} {
		for reason, lines := range s.pastDate(place) {
			if err := s.discard(place, reason, lines); err != nil {
				return err
			}
		}
	}
	return nil
}

// discard throws some lines of stock at a place away.
func (s *shop) discard(place, reason string, lines []workshop.HandledLine) error {
	for some := range slices.Chunk(lines, 50) {
		if _, err := s.do(counter, workshop.Discard{Place: place, Lines: some, Reason: reason, Destination: "composting"}); err != nil {
			return err
		}
	}
	return nil
}

func (s *shop) pastDate(place string) map[string][]workshop.HandledLine {
	found := map[string][]workshop.HandledLine{}
	for _, line := range s.book.Set().StandingAt(place) {
		if line.Held || line.Dates.EndsBy.IsZero() || s.now.Before(line.Dates.EndsBy) {
			continue
		}
		reason := "past_best_before"
		if line.Dates.Kind == "use_by" {
			reason = "past_use_by"
		}
		found[reason] = append(found[reason], handled(line, line.Amount))
	}
	return found
}

// handled names an amount of a line of stock.
func handled(line *workshop.StockLine, amount int64) workshop.HandledLine {
	if line.Code.Kind() == events.KindRun {
		return workshop.HandledLine{Code: line.Code, Grade: line.Grade, Pieces: int(amount)}
	}
	return workshop.HandledLine{Code: line.Code, Quantity: events.Mass(amount)}
}

// deliveries brings in what would not do for today and tomorrow.
func (s *shop) deliveries(p plan) error {
	for i, in := range ingredients() {
		needs := p.uses[in.slug]
		if in.chocolate != "" {
			needs = p.uses[in.chocolate]
		}
		needs = max(needs, grams(200))
		if s.onHand(in) >= 2*needs {
			continue
		}
		kind := "best_before"
		if in.useBy {
			kind = "use_by"
		}
		temperature := 16.5
		if in.storage == "chilled" {
			temperature = 3 + s.rng.Float64()
		}
		quantity := needs.Times(in.lasts + 2)
		if _, err := s.do(maker, workshop.Receive{
			Ingredient: in.slug, Supplier: in.supplier, SupplierLot: fmt.Sprintf("%c%d-%04d", 'A'+i, s.today.Year%100, s.rng.IntN(10000)), Quantity: quantity - quantity%1000,
			DateMark: events.DateMark{Kind: kind, Date: of(s.today.AddDays(in.keeps))}, PriceMinor: of(int64(quantity / 1000 * 8 / 10)),
			TemperatureC: of(math.Round(temperature*10) / 10), DeliveryNote: fmt.Sprintf("DN-%05d", s.rng.IntN(100000)), Place: in.place(),
		}); err != nil {
			return err
		}
		s.tick(5 * time.Minute)
	}
	return nil
}

func (i stocked) place() string {
	if i.storage == "chilled" {
		return coldRoom
	}
	return store
}

// onHand is what may be used of an ingredient, today and tomorrow.
func (s *shop) onHand(in stocked) events.Mass {
	total := events.Mass(0)
	for _, line := range s.book.Set().OpenAt(in.place(), in.slug) {
		if !line.Held && line.Dates.EndsBy.After(s.now.Add(40*time.Hour)) {
			total += events.Mass(line.Amount)
		}
	}
	return total
}

// emptyEvery is how many days a tank goes on for.
const emptyEvery = 28

// fillTanks melts what the day takes. Every four weeks a tank is emptied and cleaned first; of every fourth time a block is
// left.
func (s *shop) fillTanks(n int, p plan) error {
	for i, chocolate := range chocolates {
		tank := tanks[chocolate]
		has := s.inTank(tank)
		if has > 0 && (n+1+9*i)%emptyEvery == 0 {
			empty := workshop.Empty{Vat: tank, Cleaned: true, Rest: "discard", Reason: "process_loss", Destination: "refuse"}
			if s.chance(250) {
				empty = workshop.Empty{Vat: tank, Cleaned: true, Rest: "block", Place: bench}
			}
			if _, err := s.do(maker, empty); err != nil {
				return err
			}
			has = 0
		}
		needs := p.uses[chocolate] + p.uses[chocolate]/4 + grams(2000)
		if has >= needs {
			continue
		}
		inputs := s.fromStore("couverture-"+chocolate, needs-has+grams(1000))
		for j := range inputs {
			inputs[j].Purpose = "top_up"
		}
		if _, err := s.do(maker, workshop.Melt{Vat: tank, Inputs: inputs}); err != nil {
			return err
		}
		s.tick(10 * time.Minute)
	}
	return nil
}

func (s *shop) inTank(tank string) events.Mass {
	charge := s.book.Set().Vat(tank).Charge
	if charge == "" {
		return 0
	}
	return s.book.Set().Charge(charge).Mix.Total()
}

// fromStore picks so much of an ingredient, first expiring first.
func (s *shop) fromStore(ingredient string, quantity events.Mass) []workshop.DrawLine {
	var inputs []workshop.DrawLine
	for _, line := range s.book.Set().OpenAt("", ingredient) {
		take := min(quantity, events.Mass(line.Amount))
		if line.Held || take <= 0 || line.Place == bench {
			continue
		}
		inputs = append(inputs, workshop.DrawLine{Source: line.Code, Place: line.Place, Quantity: take})
		quantity -= take
	}
	return inputs
}

// mould makes the day's fillings and its runs, and lets what was turned out through the gate.
func (s *shop) mould(p plan) error {
	batches := map[string]events.Code{}
	for _, r := range recipes {
		scale := p.scale(r)
		if scale == 0 {
			continue
		}
		if err := s.openCarton(); err != nil {
			return err
		}
		made, err := s.do(maker, workshop.MakeGanache{
			Formula: r.slug, PickFefo: true, Scale: scale, Vat: tanks[r.chocolate], HeatStep: &events.HeatStep{Boiled: true}, Place: bench,
		})
		if err != nil {
			return err
		}
		batches[r.slug] = made.(workshop.GanacheAnswer).Ganache.Code
		s.tick(6 * time.Minute)
	}
	for _, next := range p.runs {
		if err := s.run(p, next, batches[next.formula]); err != nil {
			return err
		}
		s.tick(3 * time.Minute)
	}
	return nil
}

// openCarton opens a litre of cream now and then; what is drawn beside opens by itself.
func (s *shop) openCarton() error {
	for _, line := range s.book.Set().OpenAt(coldRoom, "cream-35") {
		if !line.Code.IsPart() && !line.Held && line.Amount > int64(grams(1000)) {
			_, err := s.do(maker, workshop.Open{Lot: line.Code, Place: coldRoom, Quantity: grams(1000)})
			return err
		}
	}
	return nil
}

// run moulds one run, whole or step by step, and releases it.
func (s *shop) run(p plan, of piece, batch events.Code) error {
	cast := p.moulds * cavities
	making := workshop.MakeRun{
		Design: of.slug, Mould: mould, Moulds: p.moulds, Place: bench, Casting: s.chocolate(of, grams(of.shell).Times(cast), 1000),
	}
	seconds, broken := s.rng.IntN(cast/40+1), s.rng.IntN(cast/40+1)
	turnout := &workshop.TurnOut{Good: cast - seconds - broken, Seconds: seconds, Broken: broken, BrokenTo: "bin"}
	switch {
	case of.formula != "":
		making.Filling = []workshop.FillingStep{{Source: batch, TemperatureC: s.degrees(29, 31)}}
	case of.straight != "":
		for _, in := range s.fromStore(of.straight, grams(of.filling).Times(cast)) {
			making.Filling = append(making.Filling, workshop.FillingStep{Source: in.Source, Place: in.Place, Quantity: &in.Quantity})
		}
	}
	if of.filling > 0 {
		making.Capping = s.chocolate(of, grams(of.cap).Times(cast), 300)
	}
	steps := []workshop.MakeRun{making}
	if s.chance(200) {
		first, then := making, workshop.MakeRun{Filling: making.Filling, Capping: making.Capping, TurnedOut: turnout}
		first.Filling, first.Capping = nil, nil
		steps = []workshop.MakeRun{first, then}
	} else {
		steps[0].TurnedOut = turnout
	}
	var made *workshop.Run
	for i, step := range steps {
		if i > 0 {
			step.Run = made.Code
			s.tick(20 * time.Minute)
		}
		answer, err := s.do(maker, step)
		if err != nil {
			return err
		}
		made = answer.(workshop.RunAnswer).Run
		for _, deviation := range answer.(workshop.RunAnswer).Deviations {
			if _, err := s.do(owner, workshop.DecideDeviation{Deviation: deviation.ID, Decision: workshop.DecisionAccept, Reason: "the temper is good all the same"}); err != nil {
				return err
			}
		}
	}
	return s.release(made.Code, turnout.Good)
}

// release lets most out to the counter and the rest to the stall: more where less stands for what is sold there.
func (s *shop) release(run events.Code, good int) error {
	atStall := good / 5
	if s.standing(stall)*7 < s.standing(shelf)*3 {
		atStall = good * 2 / 5
	}
	for _, to := range []struct {
		place  string
		pieces int
	}{{shelf, good - atStall}, {stall, atStall}} {
		if to.pieces == 0 {
			continue
		}
		if _, err := s.do(maker, workshop.Release{Run: run, Pieces: to.pieces, Place: to.place}); err != nil {
			return err
		}
	}
	return nil
}

// standing is how many pieces stand at a place.
func (s *shop) standing(place string) (all int64) {
	for _, line := range s.book.Set().StandingAt(place) {
		all += line.Amount
	}
	return all
}

// chocolate is a draw from a tank, so often in a thousand with what was scraped back; now and then too warm.
func (s *shop) chocolate(of piece, net events.Mass, scraped int) *workshop.ChocolateStep {
	step := &workshop.ChocolateStep{Vat: tanks[of.chocolate], TemperatureC: s.degrees(30.6, 31)}
	if s.chance(10) {
		step.TemperatureC = s.degrees(34, 35)
	}
	if s.chance(scraped / 2) {
		drawn, returned := net+net/5, net/5
		step.Drawn, step.Returned = &drawn, &returned
	}
	return step
}

func (s *shop) degrees(least, most float64) *float64 {
	t := math.Round((least+s.rng.Float64()*(most-least))*10) / 10
	return &t
}
