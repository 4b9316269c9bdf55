package projections

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
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
	loadRecalled    = query("forward", "load_recalled")
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

// recalled loads what a recall tells of everything that the codes went into, in one walk. Each row is of one of three kinds: a
// line of stock has a place, a code that was reached has a root, and a thing has neither.
func (l loading) recalled(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	facts := l.set.Facts
	l.b.Queue(loadRecalled, eachOf(needs, codeOf), []time.Time{}).Query(func(rows pgx.Rows) error {
		reached := map[events.Code][]events.Code{}
		known := words{}
		var root events.Code
		var r workshop.Recalled
		var contents []byte
		const atPlace, atRoot = 1, lineColumns
		ofReached, ofThing := make([]any, lineColumns+4), make([]any, lineColumns+4)
		ofReached[0], ofReached[atRoot] = known.code(&r.Code), known.code(&root)
		ofThing[0], ofThing[4], ofThing[5] = known.code(&r.Code), known.text(&r.Subject), known.text(&r.Site)
		ofThing[7], ofThing[8], ofThing[9] = &r.Held, known.text(&r.DateKind), &r.Date
		ofThing[atRoot+1], ofThing[atRoot+2], ofThing[atRoot+3] = (*mixText)(&r.Mix), &r.Name, &contents
		thing := func() (err error) {
			r.Contents = nil
			if err := rows.Scan(ofThing...); err != nil {
				return err
			}
			if contents != nil {
				r.Contents, err = decode[[]events.BoxContent](contents)
			}
			facts.Reached[r.Code] = r
			return err
		}
		next := func() error {
			switch columns := rows.RawValues(); {
			case columns[atPlace] != nil:
				line, err := scanLine(rows, nil, nil, nil, nil)
				facts.Standing[line.Code] = append(facts.Standing[line.Code], &line)
				return err
			case columns[atRoot] != nil:
				err := rows.Scan(ofReached...)
				reached[root] = append(reached[root], r.Code)
				return err
			}
			return thing()
		}
		for rows.Next() {
			if err := next(); err != nil {
				return fmt.Errorf("load what is recalled: %w", err)
			}
		}
		for _, n := range needs {
			events.SortCodes(reached[n.Code])
			l.set.Downstream[n.Code] = reached[n.Code]
		}
		l.set.Loaded(needs...)
		return wrap(rows.Err(), "load what is recalled")
	})
}

// mixText scans a mix out of the text of its JSON.
type mixText workshop.Mix

// ScanBytes takes the text as the driver has it; NULL is no mix.
func (m *mixText) ScanBytes(text []byte) error {
	*m = nil
	if text == nil {
		return nil
	}
	return (*workshop.Mix)(m).UnmarshalJSON(text)
}

// soldRows are sales as they come, of which there may be very many: they stay where they are put and are never moved.
type soldRows struct {
	chunks [][]soldRow
	keys   []soldKey
}

type soldRow struct {
	sale     workshop.RecalledSale
	position int64
	number   int
}

// soldKey is when a sale was and which it is, from 0.
type soldKey struct {
	at int64 // in microseconds
	n  int
}

const soldChunk = 256

func (s *soldRows) add(sale *workshop.RecalledSale, position int64, number int) {
	n := len(s.keys)
	if n%soldChunk == 0 {
		s.chunks = append(s.chunks, make([]soldRow, 0, soldChunk))
	}
	chunk := &s.chunks[n/soldChunk]
	*chunk = append(*chunk, soldRow{sale: *sale, position: position, number: number})
	s.keys = append(roomFor(s.keys), soldKey{at: sale.OccurredAt.UnixMicro(), n: n})
}

func (s *soldRows) at(n int) *soldRow { return &s.chunks[n/soldChunk][n%soldChunk] }

// ordered gives the sales in the order of time; of two of one instant the one that was recorded first comes first.
func (s *soldRows) ordered() []*workshop.RecalledSale {
	slices.SortFunc(s.keys, func(a, b soldKey) int {
		if a.at != b.at {
			return cmp.Compare(a.at, b.at)
		}
		x, y := s.at(a.n), s.at(b.n)
		return cmp.Or(cmp.Compare(x.position, y.position), cmp.Compare(x.number, y.number))
	})
	sales := make([]*workshop.RecalledSale, 0, len(s.keys))
	for _, key := range s.keys {
		sales = append(sales, &s.at(key.n).sale)
	}
	return sales
}

// accounts loads what became of things.
func (l loading) accounts(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	codes := eachOf(needs, codeOf)
	facts := l.set.Facts
	l.b.Queue(recallMovements, codes).Query(func(rows pgx.Rows) error {
		var sold soldRows
		amounts := make(map[events.Code]*workshop.Amounts, len(codes))
		known := words{}
		var s workshop.RecalledSale
		var position int64
		var number int
		var event [16]byte // scanned far faster than what the driver does not know
		var cause, grade string
		var delta int64
		// Of what was not sold only the amount is told: the other columns are NULL.
		ofOther := []any{known.code(&s.Code), &delta, known.text(&cause), known.text(&grade), nil, nil, nil, nil, nil, nil, nil, nil, nil}
		ofSale := []any{
			known.code(&s.Code), &delta, nil, nil, &event, &position, &number, &s.OccurredAt,
			known.text(&s.Place), known.text(&s.Channel), known.text(&s.Buyer), &s.Reference, known.text(&s.How),
		}
		for rows.Next() {
			of, isSale := ofOther, rows.RawValues()[4] != nil
			if isSale {
				of, cause, grade = ofSale, workshop.CauseSold, ""
			}
			if err := rows.Scan(of...); err != nil {
				return fmt.Errorf("find what became of things: %w", err)
			}
			all := amounts[s.Code]
			if all == nil {
				all = &workshop.Amounts{Code: s.Code}
				amounts[s.Code] = all
			}
			all.Add(cause, grade, delta)
			if isSale {
				s.Event, s.OccurredAt, s.Pieces = event, s.OccurredAt.UTC(), -delta
				sold.add(&s, position, number)
			}
		}
		for code, a := range amounts {
			facts.Amounts[code] = *a
		}
		facts.Sales = append(facts.Sales, sold.ordered()...)
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
