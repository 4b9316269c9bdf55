package projections

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	recallMovements = query("recall_movements")
	recallStood     = query("recall_stood")
	recallsPage     = query("recalls")
	loadSupplied    = query("load_supplied")
)

// recalls loads recalls.
func (l loading) recalls(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	l.b.Queue("SELECT id::text, state FROM recalls WHERE id = ANY ($1::uuid[])", eachOf(needs, idOf)).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(_ string, state []byte) error {
			recall, err := decode[workshop.Recall](state)
			if err == nil && !l.set.Recalls.Has(recall.ID) {
				l.set.Recalls.Add(recall.ID, recall)
			}
			return err
		})
		l.set.Loaded(needs...)
		return wrap(err, "load recalls")
	})
}

// supplied loads lots by their supplier. A day is the calendar's where a lot came in, which the set looks at again: a day
// more on either side holds it in every zone.
func (l loading) supplied(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	around := func(day civil.Day, days int) time.Time {
		if day.IsZero() {
			return time.Time{}
		}
		return day.AddDays(days).StartIn(time.UTC)
	}
	l.b.Queue(loadSupplied, eachOf(needs, subjectOf), eachOf(needs, placeOf),
		eachOf(needs, func(n workshop.Need) time.Time { return around(n.Day, -1) }),
		eachOf(needs, func(n workshop.Need) time.Time { return around(n.To, 2) }),
	).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(code string, state []byte) error { return l.addThing(events.Code(code), state) })
		l.set.Loaded(needs...)
		return wrap(err, "load what a supplier delivered")
	})
}

// accounts loads what became of things.
func (l loading) accounts(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	codes := eachOf(needs, codeOf)
	facts := l.set.Facts
	l.b.Queue(recallMovements, codes).Query(func(rows pgx.Rows) error {
		var sold []workshop.RecalledSale
		var moments []moment
		amounts := map[events.Code]*workshop.Amounts{}
		known := words{}
		var s workshop.RecalledSale
		var m moment
		var cause, grade string
		var delta int64
		// Of what was not sold only the amount is told: the other columns are NULL.
		ofOther := []any{known.code(&s.Code), known.text(&cause), known.text(&grade), &delta, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil}
		ofSale := []any{
			known.code(&s.Code), known.text(&cause), known.text(&grade), &delta, &s.Event, &m.position, &m.number, &s.OccurredAt,
			known.text(&s.Place), known.text(&s.Channel), known.text(&s.Buyer), &s.Reference, known.text(&s.How), known.text(&s.Subject),
		}
		for rows.Next() {
			of, isSale := ofOther, rows.RawValues()[4] != nil
			if isSale {
				of = ofSale
			}
			if err := rows.Scan(of...); err != nil {
				return fmt.Errorf("find what became of things: %w", err)
			}
			if amounts[s.Code] == nil {
				amounts[s.Code] = &workshop.Amounts{Code: s.Code}
			}
			amounts[s.Code].Add(cause, grade, delta)
			if isSale {
				s.OccurredAt, s.Pieces = s.OccurredAt.UTC(), -delta
				m.at = s.OccurredAt
				sold, moments = append(sold, s), append(moments, m)
			}
		}
		for code, a := range amounts {
			facts.Amounts[code] = *a
		}
		facts.Sales = append(facts.Sales, ordered(sold, moments, moment.compare)...)
		return wrap(rows.Err(), "find what became of things")
	})
	l.b.Queue(recallStood, codes).Query(func(rows pgx.Rows) error {
		found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s workshop.Stood, err error) {
			err = row.Scan(&s.Place, &s.Subject, &s.Code, &s.From, &s.Until)
			s.From, s.Until = s.From.UTC(), utc(s.Until)
			return s, err
		})
		facts.Stood = append(facts.Stood, found...)
		l.set.Loaded(needs...)
		return wrap(err, "find what stood there")
	})
}

func recallRows(set *workshop.Set, o *origins) (rows, error) {
	var ids values[pgtype.UUID]
	var states values[string]
	var open values[bool]
	var positions values[int64]
	for id, r := range set.Recalls.Dirty() {
		state, err := json.Marshal(r)
		if err != nil {
			return rows{}, fmt.Errorf("encode recall %s: %w", id, err)
		}
		ids, open = append(ids, uuidOf(id)), append(open, r.Closed == nil)
		positions, states = append(positions, o.marks[id]), append(states, string(state))
	}
	return rows{table: "recalls", save: saveRecalls, columns: []column{
		{"id", ids}, {"open", open}, {"position", positions}, {"state", states},
	}}, nil
}

// RecallFilter says which recalls. The zero of a field leaves it out.
type RecallFilter struct {
	Open  bool  // not closed
	After int64 // position
	Limit int
}

// Recalls lists recalls in the order in which they were opened.
func Recalls(ctx context.Context, q Querier, f RecallFilter) ([]At[workshop.Recall], error) {
	return collect(ctx, q, scanAt[workshop.Recall], "list recalls", recallsPage, f.Open, f.After, pageSize(f.Limit))
}

// maxReads bounds how often a question may find that it needs more.
const maxReads = 20

// AccountOf draws up the account of a recall as the book stands; nil if there is no such recall.
func AccountOf(ctx context.Context, q Querier, defs *workshop.Definitions, id uuid.UUID) (*workshop.RecallAnswer, error) {
	set := workshop.NewSet(defs, false)
	for range maxReads {
		var answer workshop.RecallAnswer
		lacks := workshop.Lacking(func() {
			answer = workshop.RecallAnswer{Recall: set.Recall(id), Account: set.AccountOf(id)}
		})
		if len(lacks) == 0 {
			if answer.Recall == nil {
				return nil, nil
			}
			return &answer, nil
		}
		b := &pgx.Batch{}
		QueueLoad(b, set, lacks)
		if err := q.SendBatch(ctx, b).Close(); err != nil {
			return nil, fmt.Errorf("account for recall %s: %w", id, err)
		}
	}
	return nil, fmt.Errorf("account for recall %s: more is lacking after %d reads", id, maxReads)
}
