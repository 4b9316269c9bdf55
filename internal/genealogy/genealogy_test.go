// Package genealogy_test tells random genealogies to the workshop and to a model of equations, and holds the two together:
// what can be in what, how much of it, and that the mass adds up.
package genealogy_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

// TB is a test or a property's round.
type TB interface {
	Helper()
	Errorf(format string, args ...any)
	FailNow()
}

// memory is a whole book in memory.
type memory struct {
	t         TB
	set       *workshop.Set
	teller    *storyteller
	edges     []workshop.Edge
	movements []workshop.Movement
	position  int64
}

func inMemory(t TB, chance chance) *memory {
	m := &memory{t: t, set: workshop.NewSet(&workshop.Definitions{}, true)}
	m.teller = tell(chance, m.carry)
	for _, d := range catalogue() {
		_, refusal := m.carry(d)
		require.Nil(t, refusal)
	}
	return m
}

func (m *memory) carry(cmd workshop.Command) (any, *workshop.Refusal) {
	m.t.Helper()
	ids := uint64(0)
	newID := func() (id uuid.UUID) {
		ids++
		binary.BigEndian.PutUint64(id[:8], uint64(m.position+1))
		binary.BigEndian.PutUint64(id[8:], ids)
		return id
	}
	o, err := workshop.Carry(m.set, cmd, maker, "key", workshop.Clock{Now: m.teller.now, Next: m.position + 1, NewID: newID})
	require.NoError(m.t, err)
	require.Empty(m.t, o.Missing)
	if o.Refusal == nil {
		o.Set.Merge()
		m.position += int64(len(o.Recorded))
		m.edges, m.movements = append(m.edges, m.set.Edges...), append(m.movements, m.set.Movements...)
		m.set.Edges, m.set.Movements, m.set.Remixed = nil, nil, nil
	}
	return o.Answer, o.Refusal
}

// variables gives everything that the genealogy made, with the variable of the model that it is.
func (s *storyteller) made() map[events.Code]int {
	all := map[events.Code]int{}
	for code, is := range s.runs {
		all[code] = is
	}
	for code, thing := range s.things {
		if !thing.exact {
			all[code] = thing.is
		}
	}
	for _, v := range s.vats {
		all[v.charge] = v.is
	}
	return all
}

func (m *memory) mixOf(code events.Code) workshop.Mix {
	switch code.Kind() {
	case events.KindRun:
		return m.set.Run(code).Mix
	case events.KindGanache:
		return m.set.Ganache(code).Mix
	case events.KindCharge:
		return m.set.Charge(code).Mix
	default:
		return m.set.Lot(code).Mix
	}
}

// name is a part of a mix as the model names its sources.
func name(p workshop.MixPart) string {
	if p.Lot == "" {
		return p.Ingredient
	}
	return string(p.Lot)
}

// agree holds what the workshop says of everything against the model.
func (m *memory) agree() {
	m.t.Helper()
	solved, err := m.teller.solve()
	require.NoError(m.t, err)
	reached := m.reachedByEdges()
	for code, is := range m.teller.made() {
		mix := m.mixOf(code)
		names := []string{}
		for _, p := range mix {
			names = append(names, name(p))
			want := solved.At(is, slices.Index(m.teller.sources, name(p)))
			require.InDelta(m.t, want, float64(p.Mass), m.teller.model.variables[is].off+1e-3, "%s in %s", name(p), code)
		}
		slices.Sort(names)
		require.Equal(m.t, append([]string{}, m.teller.reached(is)...), names, "what may be in %s", code)
		require.Equal(m.t, names, reached[code], "what the edges lead back to from %s", code)
	}
}

// reachedByEdges lists for everything the lots that its trace back leads to, by gonum's walk over the edges of the book in
// the order of time.
func (m *memory) reachedByEdges() map[events.Code][]string {
	found := map[events.Code][]string{}
	for code := range m.teller.made() {
		found[code] = lotsBack(m.edges, code, m.teller.things)
	}
	return found
}

// balance draws a balance up from movements and edges.
func (m *memory) balance(code events.Code) workshop.Balance {
	var b workshop.Balance
	same := func(c events.Code) bool { return c.Whole() == code }
	for _, e := range m.edges {
		switch {
		case same(e.To) && !same(e.From):
			b.In += e.Mass
		case same(e.From) && !same(e.To):
			b.Send(string(e.To), e.Mass)
		}
	}
	for _, v := range m.movements {
		if !same(v.Code) {
			continue
		}
		switch v.Cause {
		case workshop.CauseReceived:
			b.In += v.Weight
		case workshop.CauseDiscarded:
			b.Discarded += v.Weight
		}
	}
	for _, line := range m.set.Stock.Dirty() {
		if same(line.Code) && line.Grade != "" {
			b.OnHand += line.PieceMass.Times(int(line.Amount))
		} else if same(line.Code) {
			b.OnHand += events.Mass(line.Amount)
		}
	}
	if code.Kind() == events.KindGanache {
		loss := b.In - m.set.Ganache(code).Yield
		b.ProcessLoss = &loss
	}
	return b
}

// addUp wants the mass of everything to add up to the milligram.
func (m *memory) addUp() {
	m.t.Helper()
	for code := range m.teller.made() {
		require.Zero(m.t, m.balance(code).Difference(), "%s: %+v", code, m.balance(code))
	}
	for code := range m.teller.left {
		require.Zero(m.t, m.balance(code).Difference(), "%s: %+v", code, m.balance(code))
	}
}

const steps = 40

// Five hundred genealogies.
func TestTracesSharesAndBalancesOfRandomGenealogies(t *testing.T) {
	t.Parallel()
	for part := range 5 {
		t.Run(fmt.Sprint(part), func(t *testing.T) {
			t.Parallel()
			for seed := range 100 {
				m := inMemory(t, rand.New(rand.NewPCG(uint64(part), uint64(seed))).IntN)
				m.teller.tellAll(steps)
				m.agree()
				m.addUp()
				require.Positive(t, m.teller.told)
			}
		})
	}
}

// The same with rapid, which makes a failure as small as it can.
func TestTracesSharesAndBalancesOfAnyGenealogy(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := inMemory(t, func(below int) int { return rapid.IntRange(0, below-1).Draw(t, "chance") })
		m.teller.tellAll(rapid.IntRange(1, steps).Draw(t, "steps"))
		m.agree()
		m.addUp()
	})
}

// The same genealogies through the committer into PostgreSQL: the traces that SQL finds are those in memory.
func TestTracesInPostgreSQLAreThoseInMemory(t *testing.T) {
	t.Parallel()
	for seed := range uint64(3) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			db := pgtest.NewBook(t)
			now := time.Time{}
			b, err := book.Open(t.Context(), db.App, book.Options{Clock: func() time.Time { return now }})
			require.NoError(t, err)
			t.Cleanup(b.Close)
			keys := 0
			m := inMemory(t, rand.New(rand.NewPCG(7, seed)).IntN)
			m.teller.now = m.teller.now.Add(time.Minute)
			now = m.teller.now
			for _, d := range catalogue() {
				put(t.Context(), t, b, d, &keys)
			}
			remember := m.teller.carry
			m.teller.carry = func(cmd workshop.Command) (any, *workshop.Refusal) {
				answer, refusal := remember(cmd)
				if refusal == nil {
					now = m.teller.now
					put(t.Context(), t, b, cmd, &keys)
				}
				return answer, refusal
			}
			m.teller.tellAll(steps)
			m.agree()
			require.Greater(t, len(m.teller.made()), 5)
			for code := range m.teller.made() {
				back, err := projections.TraceBack(t.Context(), db.App, code)
				require.NoError(t, err)
				require.Equal(t, told(walkBack(m.edges, code)), told(back.Edges), code)
				forward, err := projections.TraceForward(t.Context(), db.App, code)
				require.NoError(t, err)
				require.Equal(t, told(walkForward(m.edges, code)), told(forward.Edges), code)
			}
		})
	}
}

func put(ctx context.Context, t *testing.T, b *book.Book, cmd workshop.Command, keys *int) {
	t.Helper()
	*keys++
	_, err := b.Do(ctx, book.Request{
		Command: cmd, Key: fmt.Sprint("key-", *keys), RequestHash: [32]byte{byte(*keys)}, Actor: maker,
		Render: func(any, []events.Recorded) (int, []byte, error) { return 201, []byte("{}"), nil },
	})
	require.NoError(t, err)
}
