package workshop_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// loads is how often one command may ask for what is not loaded before something is wrong.
const loads = 500

// A partial carries commands out on sets that hold nothing but what was asked for, as the committer does: what is
// missing is copied from the whole book and the command decided again.
type partial struct {
	*shop
	set *workshop.Set
}

func (s *shop) partial() *partial {
	return &partial{shop: s, set: workshop.NewSet(s.set.Defs, false)}
}

// load copies what a need asks for from the whole book.
func (p *partial) load(need workshop.Need) {
	whole := p.shop.set
	switch need.Kind {
	case workshop.NeedsThing:
		p.thing(need.Code)
	case workshop.NeedsStock:
		p.lines(func(l *workshop.StockLine) bool {
			return l.Amount > 0 && l.Subject == need.Subject && (need.Place == "" || l.Place == need.Place)
		})
	case workshop.NeedsPlace:
		p.lines(func(l *workshop.StockLine) bool { return l.Amount > 0 && l.Place == need.Place })
	case workshop.NeedsVat:
		add(whole.Vats.Dirty(), p.set.Vats.Add, need.Subject)
	case workshop.NeedsSequence:
		add(whole.Sequences.Dirty(), p.set.Sequences.Add, workshop.SequenceKey{Kind: need.Letter, Day: need.Day})
	case workshop.NeedsHold:
		add(whole.Holds.Dirty(), p.set.Holds.Add, need.ID)
	case workshop.NeedsDeviation:
		add(whole.Deviations.Dirty(), p.set.Deviations.Add, need.ID)
	case workshop.NeedsDownstream, workshop.NeedsReach:
		p.set.Downstream[need.Code] = whole.Downstream[need.Code]
		for _, code := range whole.Downstream[need.Code] {
			p.thing(code)
		}
	case workshop.NeedsLater:
		var later []workshop.Movement
		for _, m := range p.shop.movements {
			if m.Code == need.Code && m.OccurredAt.After(need.At) {
				later = append(later, m)
			}
		}
		p.set.AddLater(need.Code, need.At, later)
	case workshop.NeedsCounted:
		p.lines(func(l *workshop.StockLine) bool {
			return l.Place == need.Place && l.Subject == need.Subject && l.CountedAt != nil && l.CountedAt.After(need.At)
		})
	case workshop.NeedsMoved:
		for _, m := range p.shop.movements {
			if m.Place == need.Place && m.OccurredAt.After(need.At) {
				p.lines(func(l *workshop.StockLine) bool { return l.StockKey == m.StockKey })
			}
		}
	case workshop.NeedsReadings:
		p.set.AddReadings(need.Subject, need.At, slices.DeleteFunc(slices.Clone(whole.Readings), func(r workshop.Reading) bool {
			return r.Subject != need.Subject
		}))
	case workshop.NeedsVatAt:
		for code, c := range whole.Charges.Dirty() {
			if c.Vat == need.Subject && (c.EndedAt == nil || c.EndedAt.After(need.At)) {
				add(whole.Charges.Dirty(), p.set.Charges.Add, code)
			}
		}
	case workshop.NeedsParts:
		for _, r := range p.log {
			for _, code := range r.Codes() {
				if code.Whole() == need.Code {
					p.thing(code)
				}
			}
		}
	case workshop.NeedsDeviationsAt:
		for id, deviation := range whole.Deviations.Dirty() {
			if deviation.Place == need.Place && deviation.Code == "" && deviation.Decision == nil {
				add(whole.Deviations.Dirty(), p.set.Deviations.Add, id)
			}
		}
	case workshop.NeedsOps:
		p.ops(need.Code)
	case workshop.NeedsRemix:
		p.remix(need.Code, need.At)
	default:
		require.FailNow(p.t, "no such need", "%v", need)
	}
	p.set.Loaded(need)
}

func (p *partial) ops(charge events.Code) {
	var ops []workshop.ChargeOp
	for _, op := range p.shop.set.Ops.Dirty() {
		if op.Charge == charge {
			ops = append(ops, *op)
		}
	}
	p.set.AddOps(ops)
	p.set.Loaded(workshop.NeedOps(charge))
}

// remix copies a charge and everything that was drawn from it after an instant.
func (p *partial) remix(charge events.Code, at time.Time) {
	since := slices.DeleteFunc(slices.Clone(p.edges), func(e workshop.Edge) bool { return e.From == charge && !e.OccurredAt.After(at) })
	for _, code := range append(downstream(since, charge), charge) {
		p.thing(code)
		if code.Kind() == events.KindCharge {
			p.ops(code)
			continue
		}
		p.set.AddFlows(slices.DeleteFunc(slices.Clone(p.edges), func(e workshop.Edge) bool { return e.From != code }))
	}
}

func (p *partial) thing(code events.Code) {
	whole := p.shop.set
	add(whole.Lots.Dirty(), p.set.Lots.Add, code)
	add(whole.Charges.Dirty(), p.set.Charges.Add, code)
	add(whole.Ganaches.Dirty(), p.set.Ganaches.Add, code)
	add(whole.Runs.Dirty(), p.set.Runs.Add, code)
	p.lines(func(l *workshop.StockLine) bool { return l.Code == code })
	p.set.Loaded(workshop.NeedThing(code))
}

func (p *partial) lines(which func(*workshop.StockLine) bool) {
	for _, line := range p.shop.set.Stock.Dirty() {
		if which(line) {
			p.set.AddLine(*line)
		}
	}
}

func add[K comparable, V any](dirty func(func(K, *V) bool), into func(K, V), key K) {
	for k, row := range dirty {
		if k == key {
			into(k, *row)
		}
	}
}

// carry decides a command, loading what it turns out to need.
func (p *partial) carry(cmd workshop.Command, ids uint64) workshop.Outcome {
	p.t.Helper()
	for _, need := range cmd.Needs() {
		p.load(need)
	}
	for range loads {
		p.ids = ids
		outcome, err := workshop.Carry(p.set, cmd, p.as, "key", workshop.Clock{Now: p.now, Next: int64(len(p.log)) + 1, NewID: p.newID})
		require.NoError(p.t, err)
		if len(outcome.Missing) == 0 {
			return outcome
		}
		for _, need := range outcome.Missing {
			require.False(p.t, p.set.IsLoaded(need), "%v was loaded and is asked for again", need)
		}
		for _, need := range outcome.Missing {
			p.load(need)
		}
	}
	require.FailNow(p.t, "it asked for ever more")
	panic("unreachable")
}

// both decides a command on the whole book and on a set that is loaded as it goes, and holds the two together.
func (s *shop) both(cmd workshop.Command) workshop.Outcome {
	s.t.Helper()
	ids := s.ids
	whole := s.carry(cmd)
	after := s.ids
	p := s.partial()
	part := p.carry(cmd, ids)
	s.ids = after
	require.Equal(s.t, whole.Refusal, part.Refusal)
	if !reflect.DeepEqual(whole.Recorded, part.Recorded) {
		require.Equal(s.t, whole.Recorded, part.Recorded)
	}
	if !reflect.DeepEqual(whole.Answer, part.Answer) {
		require.Equal(s.t, whole.Answer, part.Answer)
	}
	if whole.Refusal == nil {
		same(s.t, rows(whole.Set.Stock.Dirty()), rows(part.Set.Stock.Dirty()))
		same(s.t, rows(whole.Set.Runs.Dirty()), rows(part.Set.Runs.Dirty()))
		same(s.t, rows(whole.Set.Lots.Dirty()), rows(part.Set.Lots.Dirty()))
		same(s.t, rows(whole.Set.Charges.Dirty()), rows(part.Set.Charges.Dirty()))
		same(s.t, rows(whole.Set.Ganaches.Dirty()), rows(part.Set.Ganaches.Dirty()))
		same(s.t, rows(whole.Set.Holds.Dirty()), rows(part.Set.Holds.Dirty()))
		same(s.t, whole.Set.Movements, part.Set.Movements)
		same(s.t, whole.Set.Edges, part.Set.Edges)
	}
	return whole
}

// Each command on the bench, and each of the refused ones, on a set that is loaded as it goes.
func TestAPartOfTheBookDecidesAsTheWholeDoes(t *testing.T) {
	t.Parallel()
	b := newWorkshop(t).bench()
	for name, cmd := range everyCommand(&b) {
		require.Nil(t, b.both(cmd).Refusal, name)
	}
	for _, row := range refusalsInOrder {
		for _, a := range row.asks {
			t.Run(string(row.slug)+"/"+a.name, func(t *testing.T) {
				t.Parallel()
				b := newWorkshop(t).bench()
				cmd, _ := a.ask(&b)
				require.Equal(t, row.slug, b.both(cmd).Refusal.Slug)
				if row.recorded {
					require.Nil(t, b.both(doneAt(cmd, func(d *workshop.Done) { d.AlreadyDone = true })).Refusal)
				}
			})
		}
	}
}

// What a refused command made while it was being decided is not taken as loaded afterwards.
func TestARefusedCommandMarksNothingAsLoaded(t *testing.T) {
	t.Parallel()
	b := newWorkshop(t).bench()
	p := b.partial()
	cmd := moulding("blackcurrant-dome", b.batch)
	cmd.TurnedOut.Good = 99 // refused in its last step
	require.Equal(t, workshop.RefusedWrongState, p.carry(cmd, b.ids).Refusal.Slug)
	run := events.NewCode(events.KindRun, day("2026-11-25"), 2, 0)
	require.False(t, p.set.IsLoaded(workshop.NeedThing(run)))
}

// ---- random days ----

// A day at random: whatever somebody might type, right or wrong. Its chance is even, from one number that a failure
// tells.
type anyDay struct {
	*shop
	chance *rand.Rand
}

func (d anyDay) number(from, to int) int { return from + d.chance.IntN(to-from+1) }

func (d anyDay) odds(percent int) bool { return d.number(1, 100) <= percent }

func oneOf[T any](d anyDay, all ...T) T { return all[d.chance.IntN(len(all))] }

// code picks something of a kind that is in the book, or now and then nothing that is.
func (d anyDay) code(kinds ...events.Kind) events.Code {
	var codes []events.Code
	for _, r := range d.log {
		for _, code := range r.Codes() {
			for _, kind := range kinds {
				if code.Kind() == kind {
					codes = append(codes, code)
				}
			}
		}
	}
	if len(codes) == 0 || d.odds(2) {
		return strange(kinds[0])
	}
	if d.odds(50) {
		return codes[len(codes)-1-d.number(0, min(4, len(codes)-1))]
	}
	return oneOf(d, codes...)
}

func (d anyDay) place() string {
	return oneOf(d, "counter", "workshop", "workshop", "cold-room", "freezer", "stall")
}

func (d anyDay) done() workshop.Done {
	done := workshop.Done{AlreadyDone: d.odds(15)}
	if d.odds(10) {
		done.OccurredAt = ptr(d.now.Add(-time.Duration(d.number(0, 600)) * time.Minute))
	}
	return done
}

func (d anyDay) draws(n int, kinds ...events.Kind) []workshop.DrawLine {
	var lines []workshop.DrawLine
	for range d.number(1, n) {
		lines = append(lines, workshop.DrawLine{Source: d.code(kinds...), Quantity: events.Mass(d.number(1, 400_000))})
	}
	return lines
}

// couverture is a draw or two from lots of couverture, or now and then from whatever.
func (d anyDay) couverture() []workshop.DrawLine {
	var lots []events.Code
	for code, lot := range d.set.Lots.Dirty() {
		if lot.Ingredient == "couverture-dark-60" || lot.Ingredient == "couverture-milk-36" {
			lots = append(lots, code)
		}
	}
	slices.SortFunc(lots, events.Code.Compare)
	lines := d.draws(2, events.KindLot)
	for i := range lines {
		if d.odds(90) {
			lines[i].Source = oneOf(d, lots...)
		}
	}
	return lines
}

func (d anyDay) pieces() []workshop.PieceLine {
	var lines []workshop.PieceLine
	for range d.number(1, 3) {
		line := workshop.PieceLine{Pieces: d.number(1, 5)}
		if d.odds(60) {
			line.Design = oneOf(d, "blackcurrant-dome", "dark-drop", "twin-dome")
		} else {
			line.Code = d.code(events.KindRun)
		}
		lines = append(lines, line)
	}
	return lines
}

func (d anyDay) handled() []workshop.HandledLine {
	var lines []workshop.HandledLine
	for range d.number(1, 3) {
		line := workshop.HandledLine{Code: d.code(events.KindRun, events.KindLot, events.KindGanache, events.KindCharge)}
		if line.Code.Kind() == events.KindRun {
			line.Pieces = d.number(1, 5)
		} else {
			line.Quantity = events.Mass(d.number(1, 200_000))
		}
		lines = append(lines, line)
	}
	return lines
}

func (d anyDay) vat() string {
	return oneOf(d, "vat-dark", "vat-dark", "vat-dark", "vat-milk")
}

func (d anyDay) mass(most int) *events.Mass {
	if d.odds(50) {
		return nil
	}
	return ptr(events.Mass(d.number(0, most)))
}

func (d anyDay) chocolate() *workshop.ChocolateStep {
	if d.odds(15) {
		return nil
	}
	return &workshop.ChocolateStep{Vat: d.vat(), Drawn: d.mass(300_000), Returned: d.mass(60_000), TemperatureC: ptr(float64(d.number(29, 34)))}
}

func (d anyDay) run() workshop.MakeRun {
	cmd := workshop.MakeRun{
		Done: d.done(), Design: oneOf(d, "blackcurrant-dome", "dark-drop", "twin-dome"),
		Mould: "dome-24", Moulds: 1, Place: "workshop", Casting: d.chocolate(), Capping: d.chocolate(),
	}
	if d.odds(20) {
		cmd.Run, cmd.Casting = d.code(events.KindRun), nil
	}
	if cmd.Design != "dark-drop" {
		for range d.number(0, 2) {
			cmd.Filling = append(cmd.Filling, workshop.FillingStep{Source: d.code(events.KindGanache, events.KindGanache, events.KindLot), Quantity: d.mass(200_000)})
		}
	}
	if d.odds(20) {
		cmd.Decorations = []workshop.DecorationStep{{Stage: oneOf(d, "before_casting", "after_capping"), Inputs: []workshop.DecorationInput{
			{Source: d.code(events.KindLot), Quantity: ptr(events.Mass(d.number(1, 3000)))},
		}}}
	}
	if d.odds(80) {
		cmd.TurnedOut = &workshop.TurnOut{
			Good: d.number(0, 18), Seconds: d.number(0, 2), Broken: d.number(0, 2), Unfilled: d.number(0, 2),
			Eaten: d.number(0, 1), BrokenTo: oneOf(d, "", "bin", "seconds"),
		}
		if d.odds(50) {
			cmd.TurnedOut.UnfilledTo = d.vat()
		}
	}
	return cmd
}

// next is what is typed next.
func (d anyDay) next() workshop.Command {
	switch d.number(0, 19) {
	case 0, 1:
		cmd := delivery(oneOf(d, "cream-35", "couverture-dark-60", "couverture-milk-36", "blackcurrant-puree", "hazelnut-paste", "biscuit-crumb"),
			float64(d.number(1, 3000)), useBy("2026-12-04"))
		cmd.DateMark.Date = ptr(day("2026-11-25").AddDays(d.number(-1, 20)))
		if d.odds(10) {
			cmd.SupplierLot = ""
		}
		return cmd
	case 2:
		return workshop.Open{Done: d.done(), Lot: d.code(events.KindLot), Quantity: events.Mass(d.number(1, 500_000))}
	case 3, 4:
		return workshop.Melt{Done: d.done(), Vat: d.vat(), Inputs: d.couverture(), OtherChocolate: d.odds(30)}
	case 5:
		return workshop.Empty{Done: d.done(), Vat: d.vat(), Cleaned: d.odds(30), Rest: oneOf(d, "discard", "block"), Place: "workshop"}
	case 6, 7:
		cmd := batch(d.draws(4, events.KindLot, events.KindLot, events.KindCharge, events.KindGanache)...)
		cmd.Done = d.done()
		if d.odds(40) {
			cmd.Inputs, cmd.PickFefo, cmd.Scale, cmd.Vat = nil, true, float64(d.number(1, 8))/10, "vat-dark"
		}
		return cmd
	case 8, 9, 10:
		return d.run()
	case 11, 12:
		return workshop.Release{Done: d.done(), Run: d.code(events.KindRun), Pieces: d.number(1, 12), Place: d.place(), Grade: oneOf(d, "", "second")}
	case 13, 14:
		cmd := sale(d.pieces()...)
		cmd.Done, cmd.Place = d.done(), oneOf(d, "counter", "counter", "stall")
		return cmd
	case 15:
		return workshop.Give{Done: d.done(), Place: d.place(), Lines: d.pieces(), Release: d.odds(50)}
	case 16:
		return workshop.Move{Done: d.done(), From: d.place(), To: d.place(), Lines: d.handled(), Sealed: d.odds(50), IntoBag: d.odds(10)}
	case 17:
		if d.odds(50) {
			return workshop.Count{Place: d.place(), Lines: d.handled(), Complete: d.odds(10)}
		}
		return workshop.Discard{Done: d.done(), Place: d.place(), Lines: d.handled(), Reason: "damaged", Destination: "refuse"}
	case 18:
		if holds := rows(d.set.Holds.Dirty()); len(holds) > 0 && d.odds(60) {
			return workshop.LiftHold{Hold: d.opened("hold_placed"), Reason: "all clear"}
		}
		return workshop.PlaceHold{Code: d.code(events.KindLot, events.KindCharge, events.KindGanache, events.KindRun), Downstream: d.odds(50), Reason: "a call"}
	default:
		if len(rows(d.set.Deviations.Dirty())) > 0 && d.odds(60) {
			cmd := workshop.DecideDeviation{Deviation: d.opened("deviation_opened"), Decision: oneOf(d, "accept", "shorten", "rework", "discard"), Reason: "looked at"}
			if cmd.Decision == "shorten" {
				cmd.Date = ptr(day("2026-11-26").AddDays(d.number(0, 9)))
			}
			return cmd
		}
		if d.odds(60) {
			return d.reading()
		}
		return workshop.Check{Code: d.code(events.KindRun, events.KindGanache, events.KindLot), Kind: oneOf(d, "metal", "visual"), Result: "fail"}
	}
}

// reading is a temperature of a place or a thing, now or earlier, at once or for some hours, or a failure.
func (d anyDay) reading() workshop.Check {
	check := workshop.Check{Done: d.done(), Slug: d.place(), Kind: "temperature", Value: ptr(float64(d.number(-25, 30)))}
	end := d.now
	if check.OccurredAt != nil {
		end = *check.OccurredAt
	}
	switch d.number(0, 6) {
	case 0:
		check.Value, check.Result = nil, "fail"
	case 1:
		check.Slug, check.Code = "", d.code(events.KindRun, events.KindGanache)
	}
	if d.odds(30) {
		check.From = ptr(end.Add(-time.Duration(d.number(1, 30)) * time.Hour))
	}
	return check
}

// opened picks the id of a hold or a deviation, the later ones first.
func (d anyDay) opened(eventType string) uuid.UUID {
	var ids []uuid.UUID
	for _, r := range d.log {
		if r.Data.EventType() == eventType {
			ids = append(ids, r.ID)
		}
	}
	return ids[len(ids)-1-d.number(0, len(ids)-1)]
}

// Whatever is typed, in whatever order: the book stays whole, part of it decides as the whole does, and mass is
// neither made nor lost.
func TestWhateverIsTypedTheBookStaysWhole(t *testing.T) {
	t.Parallel()
	said := map[string]int{}
	rapid.Check(t, func(rt *rapid.T) {
		s := newWorkshop(rt)
		d := anyDay{shop: s, chance: rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "chance"), 1))}
		b := s.bench()
		b.release(b.domes, 12)
		for range rapid.IntRange(20, 40).Draw(rt, "commands") {
			s.wait(time.Duration(d.number(0, 240)) * time.Minute)
			cmd := d.next()
			outcome := s.both(cmd)
			if outcome.Refusal == nil {
				s.keep(outcome)
				said[fmt.Sprintf("%T", cmd)]++
			} else {
				said[string(outcome.Refusal.Slug)]++
			}
			s.checkStock()
		}
		s.checkBook()
		s.checkMass()
		s.checkMixing()
	})
	t.Log(said)
	for _, command := range []string{"Receive", "Open", "Melt", "Empty", "MakeGanache", "MakeRun", "Release", "Sell", "Give", "Move", "Count", "Discard", "PlaceHold", "LiftHold", "Check", "DecideDeviation"} {
		require.Positive(t, said["workshop."+command], "%s was never accepted: %v", command, said)
	}
}

// checkMass holds what went into each thing against what became of it.
func (s *shop) checkMass() {
	s.t.Helper()
	in, out := map[events.Code]events.Mass{}, map[events.Code]events.Mass{}
	for _, e := range s.edges {
		if e.To.Kind() == events.KindRun && e.To.IsPart() {
			continue // pieces that part go on as pieces
		}
		in[e.To] += e.Mass
		out[e.From] += e.Mass
	}
	gone := map[events.Code]events.Mass{} // discarded, less what counts found
	for _, m := range s.movements {
		if m.Grade != "" {
			continue
		}
		switch m.Cause {
		case workshop.CauseDiscarded:
			gone[m.Code] -= events.Mass(m.Delta)
		case workshop.CauseCounted, workshop.CauseBookShort, workshop.CauseAbsorbed:
			gone[m.Code] -= events.Mass(m.Delta)
		}
	}
	onHand := map[events.Code]events.Mass{}
	for key, line := range rows(s.set.Stock.Dirty()) {
		if key.Grade == "" {
			onHand[key.Code] += events.Mass(line.Amount)
		}
	}
	for code, lot := range rows(s.set.Lots.Dirty()) {
		require.Equal(s.t, lot.Received, out[code]+onHand[code]+gone[code], "lot %s", code)
	}
	for code, charge := range rows(s.set.Charges.Dirty()) {
		require.Equal(s.t, in[code], out[code]+onHand[code]+gone[code], "charge %s", code)
		require.Equal(s.t, charge.Mix.Total(), onHand[code], "charge %s", code)
	}
	for code, ganache := range rows(s.set.Ganaches.Dirty()) {
		if ganache.Of == "" { // a part has the mix of its batch
			require.Equal(s.t, in[code], ganache.Mix.Total(), "what went into ganache %s", code)
		} else {
			require.Equal(s.t, in[code], ganache.Yield, "what parted as %s", code)
		}
		require.Equal(s.t, ganache.Yield, out[code]+onHand[code]+gone[code], "ganache %s", code)
	}
	for code, run := range rows(s.set.Runs.Dirty()) {
		if code.IsPart() {
			continue
		}
		require.Equal(s.t, in[code], run.Mix.Total(), "what went into run %s", code)
		require.Equal(s.t, in[code], run.Shell+run.Filled+run.CapMass+run.Decorated, "run %s", code)
		require.LessOrEqual(s.t, run.TurnedOut(), run.Cavities)
		require.LessOrEqual(s.t, out[code], run.Shell, "only shells go back, from run %s", code)
	}
}
