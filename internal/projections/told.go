package projections

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	toldEvents = query("told_events")
	pourings   = query("pourings")
	amountsAt  = query("amounts_at")
)

// Told gives the events that a trace is told with, in the order of time: those that made its things and its edges, and
// those of some types that concern any of its things.
func Told(ctx context.Context, q Querier, t Trace, types []string) ([]events.Recorded, error) {
	codes, positions := make([]events.Code, 0, len(t.Nodes)), make([]int64, 0, len(t.Nodes)+len(t.Edges))
	for _, n := range t.Nodes {
		codes, positions = append(codes, n.Code), append(positions, n.Position)
	}
	for _, e := range t.Edges {
		positions = append(positions, e.Position)
	}
	return collect(ctx, q, scanRecorded, "read what happened on a trace", toldEvents, positions, codes, types)
}

// Pouring is chocolate that one event put into a charge, onto what was left in it.
type Pouring struct {
	Position   int64
	OccurredAt time.Time
	Rest       events.Mass
	Poured     events.Mass
}

// PouringsInto lists what was poured into charges, in the order in which it folds. What was found in one came in by no
// pouring: it is in the rest.
func PouringsInto(ctx context.Context, q Querier, charges []events.Code) (map[events.Code][]Pouring, error) {
	rows, err := q.Query(ctx, pourings, charges)
	if err != nil {
		return nil, wrap(err, "read what was poured into charges")
	}
	into := newPourings()
	var op workshop.ChargeOp
	_, err = pgx.ForEachRow(rows, []any{&op.Charge, &op.Position, &op.OccurredAt, &op.Kind, &op.Mass}, func() error {
		into.add(&op)
		return nil
	})
	return into.of, wrap(err, "read what was poured into charges")
}

// pouredInto gathers what was poured into charges.
type pouredInto struct {
	of  map[events.Code][]Pouring
	has map[events.Code]events.Mass
}

func newPourings() *pouredInto {
	return &pouredInto{of: map[events.Code][]Pouring{}, has: map[events.Code]events.Mass{}}
}

// add takes in what happened to a charge after what is known of it.
func (p *pouredInto) add(op *workshop.ChargeOp) {
	known := p.of[op.Charge]
	switch op.Kind {
	case workshop.OpIn:
		if last := len(known) - 1; last >= 0 && known[last].Position == op.Position {
			known[last].Poured += op.Mass
		} else {
			p.of[op.Charge] = append(known, Pouring{
				Position: op.Position, OccurredAt: op.OccurredAt.UTC(), Rest: p.has[op.Charge], Poured: op.Mass,
			})
		}
		p.has[op.Charge] += op.Mass
	case workshop.OpFound:
		p.has[op.Charge] += op.Mass
	case workshop.OpOut:
		p.has[op.Charge] -= op.Mass
	case workshop.OpEnded:
		p.has[op.Charge] = 0
	case workshop.OpFilm:
	}
}

// Concern is a thing as an event concerned it.
type Concern struct {
	Position   int64
	Code       events.Code
	OccurredAt time.Time
}

// AmountsAt gives how much there was of things when events happened: pieces, or mass. What there was none of then has
// none.
func AmountsAt(ctx context.Context, q Querier, concerns []Concern) (map[Concern]events.Amount, error) {
	positions, codes, instants := []int64{}, []events.Code{}, []time.Time{}
	asked := map[Concern]Concern{}
	for _, c := range concerns {
		positions, codes, instants = append(positions, c.Position), append(codes, c.Code), append(instants, c.OccurredAt)
		asked[Concern{Position: c.Position, Code: c.Code}] = c
	}
	rows, err := q.Query(ctx, amountsAt, positions, codes, instants)
	if err != nil {
		return nil, wrap(err, "find how much there was")
	}
	amounts := map[Concern]events.Amount{}
	var c Concern
	var pieces int
	var mass events.Mass
	_, err = pgx.ForEachRow(rows, []any{&c.Position, &c.Code, &pieces, &mass}, func() error {
		amounts[asked[c]] = events.Amount{Pieces: max(0, pieces), Quantity: max(0, mass)}
		return nil
	})
	return amounts, wrap(err, "find how much there was")
}
