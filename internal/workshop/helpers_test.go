package workshop_test

import (
	"encoding/binary"
	"reflect"
	"slices"
	"testing"
	"time"
	_ "time/tzdata" // the zones of the Go release that builds the test, whatever the machine has

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// TB is a test, a benchmark or a property's round: what the shop reports to.
type TB interface {
	Helper()
	Errorf(format string, args ...any)
	FailNow()
}

// Who gives commands in the tests.
var (
	owner = workshop.Actor{ID: "owner", Roles: []string{"owner"}}
	maker = workshop.Actor{ID: "maker", Roles: []string{"maker"}}
)

// A shop is a whole book in memory: every command is decided by Carry and merged, as the committer does it.
type shop struct {
	t   TB
	set *workshop.Set
	now time.Time
	as  workshop.Actor

	log       []events.Recorded
	edges     []workshop.Edge
	movements []workshop.Movement
	ids       uint64
}

func newShop(t TB) *shop {
	return &shop{t: t, set: workshop.NewSet(&workshop.Definitions{}, true), now: at("2026-11-25T10:00:00Z"), as: owner}
}

// newID makes a UUIDv7 of the shop's clock and a counter.
func (s *shop) newID() uuid.UUID {
	s.ids++
	var id uuid.UUID
	binary.BigEndian.PutUint64(id[:8], uint64(s.now.UnixMilli())<<16)
	binary.BigEndian.PutUint64(id[8:], s.ids)
	id[6], id[8] = 0x70, 0x80
	return id
}

// carry decides a command and keeps nothing.
func (s *shop) carry(cmd workshop.Command) workshop.Outcome {
	s.t.Helper()
	s.readyDownstream(cmd)
	outcome, err := workshop.Carry(s.set, cmd, s.as, "key", workshop.Clock{Now: s.now, Next: int64(len(s.log)) + 1, NewID: s.newID})
	require.NoError(s.t, err)
	require.Empty(s.t, outcome.Missing, "the whole book is there")
	return outcome
}

// keep merges what was decided.
func (s *shop) keep(o workshop.Outcome) {
	o.Set.Merge()
	s.log = append(s.log, o.Recorded...)
	s.edges, s.movements = append(s.edges, s.set.Edges...), s.set.Movements // what moved is looked back at
	s.set.Edges, s.set.Remixed = nil, nil
}

// try carries a command out and gives its answer or its refusal.
func (s *shop) try(cmd workshop.Command) (any, *workshop.Refusal) {
	s.t.Helper()
	outcome := s.carry(cmd)
	if outcome.Refusal == nil {
		s.keep(outcome)
	}
	return outcome.Answer, outcome.Refusal
}

// do carries a command out that must not be refused.
func (s *shop) do(cmd workshop.Command) any {
	s.t.Helper()
	answer, refusal := s.try(cmd)
	if refusal != nil {
		require.FailNow(s.t, "refused", "%T: %s %v", cmd, refusal, refusal.Facts)
	}
	return answer
}

// refuse carries a command out that must be refused.
func (s *shop) refuse(cmd workshop.Command) *workshop.Refusal {
	s.t.Helper()
	_, refusal := s.try(cmd)
	require.NotNil(s.t, refusal, "%T was not refused", cmd)
	require.NotEmpty(s.t, refusal.Detail)
	return refusal
}

// recorded gives the events of the last command.
func (s *shop) recorded() []events.Recorded {
	command := s.log[len(s.log)-1].Command
	from := slices.IndexFunc(s.log, func(r events.Recorded) bool { return r.Command == command })
	return s.log[from:]
}

// types lists the event types of the last command.
func (s *shop) types() []string {
	var types []string
	for _, r := range s.recorded() {
		types = append(types, r.Data.EventType())
	}
	return types
}

// last gives the last event of a type.
func last[E events.Event](s *shop) E {
	s.t.Helper()
	for _, r := range slices.Backward(s.log) {
		if e, is := r.Data.(E); is {
			return e
		}
	}
	require.FailNow(s.t, "no such event")
	panic("unreachable")
}

// wait moves the clock.
func (s *shop) wait(d time.Duration) { s.now = s.now.Add(d) }

// lines gives the open lines of stock of a code at a place ("" = anywhere).
func (s *shop) lines(code events.Code, place string) []*workshop.StockLine {
	return slices.DeleteFunc(s.set.LinesOf(code), func(l *workshop.StockLine) bool {
		return l.Amount == 0 || place != "" && l.Place != place
	})
}

// onHand sums what stands of a code at a place ("" = anywhere).
func (s *shop) onHand(code events.Code, place string) int64 {
	total := int64(0)
	for _, l := range s.lines(code, place) {
		total += l.Amount
	}
	return total
}

// readyDownstream puts into the set what the things went into that a command may ask about, as loading it from the
// book would: a hold about its own, a decision about what the deviation is of, and what is done already about any.
func (s *shop) readyDownstream(cmd workshop.Command) {
	switch c := cmd.(type) {
	case workshop.PlaceHold:
		s.set.Downstream[c.Code] = downstream(s.edges, c.Code)
	case workshop.Redate:
		s.set.Downstream[c.Code] = downstream(s.edges, c.Code)
	case workshop.DecideDeviation:
		if deviation := s.set.Deviation(c.Deviation); deviation != nil {
			s.set.Downstream[deviation.Code] = downstream(s.edges, deviation.Code)
		}
	case workshop.Check:
		for _, e := range s.edges {
			s.set.Downstream[e.From] = downstream(s.edges, e.From)
		}
	default:
		if field := reflect.ValueOf(cmd).FieldByName("AlreadyDone"); field.IsValid() && field.Bool() {
			for _, e := range s.edges {
				s.set.Downstream[e.From] = downstream(s.edges, e.From)
			}
		}
	}
}

// downstream lists what a thing went into.
func downstream(edges []workshop.Edge, from events.Code) []events.Code {
	reached := []events.Code{}
	for _, e := range workshop.WalkForward(edges, from) {
		if e.To != from {
			reached = append(reached, e.To)
		}
	}
	slices.SortFunc(reached, events.Code.Compare)
	return slices.Compact(reached)
}

// rows copies the rows of a layer of a set that was built by commands alone.
func rows[K comparable, V any](dirty func(func(K, *V) bool)) map[K]V {
	all := map[K]V{}
	for key, row := range dirty {
		all[key] = *row
	}
	return all
}

// checkBook holds what must be true of every book: each line of stock is the sum of its movements and not below
// nothing, a charge's line is its mix, the marks on the stock are those of its things, every event reads back as it
// was written, and a fold of the log gives the same book.
func (s *shop) checkBook() {
	s.t.Helper()
	s.checkStock()
	fold := workshop.NewSet(&workshop.Definitions{}, true)
	for i, r := range s.log {
		require.Equal(s.t, int64(i+1), r.Position)
		text, err := r.Canonical()
		require.NoError(s.t, err)
		back, err := events.ParseCanonical(text)
		require.NoError(s.t, err)
		require.NoError(s.t, fold.Apply(back))
	}
	same(s.t, rows(s.set.Stock.Dirty()), rows(fold.Stock.Dirty()))
	same(s.t, rows(s.set.Lots.Dirty()), rows(fold.Lots.Dirty()))
	same(s.t, rows(s.set.Charges.Dirty()), rows(fold.Charges.Dirty()))
	same(s.t, rows(s.set.Ganaches.Dirty()), rows(fold.Ganaches.Dirty()))
	same(s.t, rows(s.set.Runs.Dirty()), rows(fold.Runs.Dirty()))
	same(s.t, rows(s.set.Boxes.Dirty()), rows(fold.Boxes.Dirty()))
	same(s.t, rows(s.set.Recalls.Dirty()), rows(fold.Recalls.Dirty()))
	same(s.t, rows(s.set.Vats.Dirty()), rows(fold.Vats.Dirty()))
	same(s.t, rows(s.set.Holds.Dirty()), rows(fold.Holds.Dirty()))
	same(s.t, rows(s.set.Deviations.Dirty()), rows(fold.Deviations.Dirty()))
	same(s.t, rows(s.set.Sequences.Dirty()), rows(fold.Sequences.Dirty()))
	same(s.t, s.movements, fold.Movements)
	same(s.t, s.edges, fold.Edges)
	same(s.t, s.set.Readings, fold.Readings)
}

func same(t TB, want, got any) {
	t.Helper()
	if !reflect.DeepEqual(want, got) {
		require.Equal(t, want, got, "the fold of the log differs from the book")
	}
}

func (s *shop) checkStock() {
	s.t.Helper()
	sums := map[workshop.StockKey]int64{}
	for _, m := range s.movements {
		sums[m.StockKey] += m.Delta
	}
	stock := rows(s.set.Stock.Dirty())
	for key, sum := range sums {
		if key.Grade == "broken" {
			require.Zero(s.t, sum, "broken pieces stand nowhere")
			continue
		}
		require.Equal(s.t, stock[key].Amount, sum, "%v", key)
	}
	for key, line := range stock {
		require.GreaterOrEqual(s.t, line.Amount, int64(0), "%v", key)
		require.Contains(s.t, sums, key)
		dates, held := s.marks(key.Code)
		require.Equal(s.t, held, line.Held, "%v", key)
		if key.Code.Kind() == events.KindCharge {
			require.Equal(s.t, int64(s.set.Charge(key.Code).Mix.Total()), line.Amount, "%v", key)
			continue
		}
		require.Equal(s.t, dates.Date, line.Dates.Date, "%v", key)
		require.Equal(s.t, dates.DiscardBy, line.Dates.DiscardBy, "%v", key)
		require.True(s.t, dates.EndsBy.Equal(line.Dates.EndsBy), "%v", key)
	}
}

// marks gives what a thing says of its date and of holds.
func (s *shop) marks(code events.Code) (events.Expiry, bool) {
	switch code.Kind() {
	case events.KindLot:
		return s.set.Lot(code).Expiry, s.set.Lot(code).Held()
	case events.KindCharge:
		return events.Expiry{}, s.set.Charge(code).Held()
	case events.KindGanache:
		return s.set.Ganache(code).Expiry, s.set.Ganache(code).Held()
	case events.KindBox:
		return s.set.Box(code).Expiry, s.set.Box(code).Held()
	default:
		return s.set.Run(code).Expiry, s.set.Run(code).Held()
	}
}

func at(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t
}

func day(text string) civil.Day {
	d, err := civil.ParseDay(text)
	if err != nil {
		panic(err)
	}
	return d
}

func ptr[T any](v T) *T { return &v }

// g makes a mass of grams.
func g(grams float64) events.Mass { return events.Mass(grams*1000 + 0.5) }

func done(text string) workshop.Done { return workshop.Done{OccurredAt: ptr(at(text))} }

// already says that it was done already.
var already = workshop.Done{AlreadyDone: true}

// finish checks the whole book when the test is over.
func finish(t *testing.T, s *shop) *shop {
	t.Cleanup(func() {
		if !t.Failed() {
			s.checkBook()
		}
	})
	return s
}
