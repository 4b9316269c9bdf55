package projections

import (
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
	loadThings       = query("wanted", "load_things")
	loadLines        = query("wanted", "load_lines")
	loadOpen         = query("load_open")
	loadOpenAnywhere = query("load_open_anywhere")
	loadPlaces       = query("load_places")
	loadSequences    = query("load_sequences")
	downstreamThings = query("forward", "downstream_things")
	downstreamLines  = query("forward", "downstream_lines")
)

// QueueLoad puts into the batch what reads the needs into the set: a query or two for a kind of need, however
// many of it there are. A row that the set already has stays as the set has it. The needs are met once the
// batch's results have been read without an error.
//
// More comes along, because it is mostly wanted next: with a thing the whole that it is a part of, its parts, and
// the lots that it is mixed of; with a vat its charge, with a hold what it took in, with a deviation what it is
// of, each with the same.
func QueueLoad(b *pgx.Batch, set *workshop.Set, needs []workshop.Need) {
	l := loading{b: b, set: set}
	kinds := byKind(needs)
	l.open(kinds[workshop.NeedsStock])
	l.places(kinds[workshop.NeedsPlace])
	l.sequences(kinds[workshop.NeedsSequence])
	l.vats(kinds[workshop.NeedsVat])
	l.holds(kinds[workshop.NeedsHold])
	l.deviations(kinds[workshop.NeedsDeviation])
	l.things(kinds)
	l.downstream(kinds[workshop.NeedsDownstream])
}

// byKind sorts needs by their kind, each need once.
func byKind(needs []workshop.Need) map[workshop.NeedKind][]workshop.Need {
	seen := make(map[workshop.Need]struct{}, len(needs))
	kinds := map[workshop.NeedKind][]workshop.Need{}
	for _, n := range needs {
		if _, again := seen[n]; !again {
			seen[n] = struct{}{}
			kinds[n.Kind] = append(kinds[n.Kind], n)
		}
	}
	return kinds
}

// eachOf is one argument of a query: what it takes of each need.
func eachOf[T any](needs []workshop.Need, of func(workshop.Need) T) []T {
	values := make([]T, 0, len(needs))
	for _, n := range needs {
		values = append(values, of(n))
	}
	return values
}

func codeOf(n workshop.Need) string    { return string(n.Code) }
func placeOf(n workshop.Need) string   { return n.Place }
func subjectOf(n workshop.Need) string { return n.Subject }
func idOf(n workshop.Need) pgtype.UUID { return uuidOf(n.ID) }

// loading is a set being filled by a batch.
type loading struct {
	b   *pgx.Batch
	set *workshop.Set
}

// open loads open lines by place and subject; those asked for everywhere have a query of their own.
func (l loading) open(needs []workshop.Need) {
	var anywhere []workshop.Need
	needs = slices.DeleteFunc(needs, func(n workshop.Need) bool {
		if n.Place == "" {
			anywhere = append(anywhere, n)
		}
		return n.Place == ""
	})
	if len(needs) > 0 {
		l.lines(loadOpen, needs, eachOf(needs, placeOf), eachOf(needs, subjectOf))
	}
	if len(anywhere) > 0 {
		l.lines(loadOpenAnywhere, anywhere, eachOf(anywhere, subjectOf))
	}
}

func (l loading) places(needs []workshop.Need) {
	if len(needs) > 0 {
		l.lines(loadPlaces, needs, eachOf(needs, placeOf))
	}
}

// lines queues a query of lines of stock, and marks needs as met.
func (l loading) lines(sql string, needs []workshop.Need, args ...any) {
	l.b.Queue(sql, args...).Query(func(rows pgx.Rows) error { return l.addLines(rows, needs) })
}

func (l loading) addLines(rows pgx.Rows, met []workshop.Need) error {
	for rows.Next() {
		line, err := scanLine(rows)
		if err != nil {
			return fmt.Errorf("load stock: %w", err)
		}
		l.set.AddLine(line)
	}
	l.set.Loaded(met...)
	return wrap(rows.Err(), "load stock")
}

func (l loading) vats(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	const sql = "SELECT slug, state FROM vats WHERE slug = ANY ($1::text[])"
	l.b.Queue(sql, eachOf(needs, subjectOf)).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(slug string, state []byte) error {
			if l.set.Vats.Has(slug) {
				return nil
			}
			vat, err := decode[workshop.VatState](state)
			l.set.Vats.Add(slug, vat)
			return err
		})
		l.set.Loaded(needs...)
		return wrap(err, "load vats")
	})
}

// things loads things with all their stock.
func (l loading) things(kinds map[workshop.NeedKind][]workshop.Need) {
	met := kinds[workshop.NeedsThing]
	vats, holds, deviations := kinds[workshop.NeedsVat], kinds[workshop.NeedsHold], kinds[workshop.NeedsDeviation]
	if len(met)+len(vats)+len(holds)+len(deviations) == 0 {
		return
	}
	args := []any{eachOf(met, codeOf), eachOf(vats, subjectOf), eachOf(holds, idOf), eachOf(deviations, idOf)}
	l.b.Queue(loadThings, args...).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(code string, state []byte) error {
			met = append(met, workshop.NeedThing(events.Code(code)))
			return l.addThing(events.Code(code), state)
		})
		return wrap(err, "load things")
	})
	l.b.Queue(loadLines, args...).Query(func(rows pgx.Rows) error { return l.addLines(rows, met) })
}

// addThing puts a thing into the set, unless the set has it.
func (l loading) addThing(code events.Code, state []byte) error {
	var err error
	switch s := l.set; code.Kind() {
	case events.KindLot:
		if !s.Lots.Has(code) {
			var lot workshop.Lot
			lot, err = decode[workshop.Lot](state)
			s.Lots.Add(code, lot)
		}
	case events.KindCharge:
		if !s.Charges.Has(code) {
			var charge workshop.Charge
			charge, err = decode[workshop.Charge](state)
			s.Charges.Add(code, charge)
		}
	case events.KindGanache:
		if !s.Ganaches.Has(code) {
			var ganache workshop.Ganache
			ganache, err = decode[workshop.Ganache](state)
			s.Ganaches.Add(code, ganache)
		}
	case events.KindRun:
		if !s.Runs.Has(code) {
			var run workshop.Run
			run, err = decode[workshop.Run](state)
			s.Runs.Add(code, run)
		}
	default:
		err = errUnknownKind
	}
	return wrap(err, string(code))
}

func (l loading) sequences(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	kinds := eachOf(needs, func(n workshop.Need) string { return n.Letter.String() })
	days := eachOf(needs, func(n workshop.Need) pgtype.Date { return dateOf(n.Day) })
	l.b.Queue(loadSequences, kinds, days).Query(func(rows pgx.Rows) error {
		last := map[string]int{}
		for rows.Next() {
			var kind string
			var day civil.Day
			var number int
			if err := rows.Scan(&kind, &day, &number); err != nil {
				return fmt.Errorf("load sequences: %w", err)
			}
			last[kind+day.String()] = number
		}
		for _, n := range needs {
			key := workshop.SequenceKey{Kind: n.Letter, Day: n.Day}
			if number, given := last[n.Letter.String()+n.Day.String()]; given && !l.set.Sequences.Has(key) {
				l.set.Sequences.Add(key, number)
			}
		}
		l.set.Loaded(needs...)
		return wrap(rows.Err(), "load sequences")
	})
}

func (l loading) holds(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	const sql = "SELECT id::text, state FROM holds WHERE id = ANY ($1::uuid[])"
	l.b.Queue(sql, eachOf(needs, idOf)).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(_ string, state []byte) error {
			hold, err := decode[workshop.Hold](state)
			if err == nil && !l.set.Holds.Has(hold.ID) {
				l.set.Holds.Add(hold.ID, hold)
			}
			return err
		})
		l.set.Loaded(needs...)
		return wrap(err, "load holds")
	})
}

func (l loading) deviations(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	const sql = "SELECT id::text, state FROM deviations WHERE id = ANY ($1::uuid[])"
	l.b.Queue(sql, eachOf(needs, idOf)).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(_ string, state []byte) error {
			deviation, err := decode[workshop.Deviation](state)
			if err == nil && !l.set.Deviations.Has(deviation.ID) {
				l.set.Deviations.Add(deviation.ID, deviation)
			}
			return err
		})
		l.set.Loaded(needs...)
		return wrap(err, "load deviations")
	})
}

// downstream loads everything that the codes went into, with its stock. What was reached is told in code order.
func (l loading) downstream(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	codes, met := eachOf(needs, codeOf), needs
	l.b.Queue(downstreamThings, codes).Query(func(rows pgx.Rows) error {
		reached := map[events.Code][]events.Code{}
		for rows.Next() {
			var root, code events.Code
			var state []byte
			if err := rows.Scan(&root, &code, &state); err != nil {
				return fmt.Errorf("load downstream: %w", err)
			}
			reached[root] = append(reached[root], code)
			met = append(met, workshop.NeedThing(code))
			if err := l.addThing(code, state); err != nil {
				return fmt.Errorf("load downstream: %w", err)
			}
		}
		for _, n := range needs {
			slices.SortFunc(reached[n.Code], events.Code.Compare)
			l.set.Downstream[n.Code] = reached[n.Code]
		}
		return wrap(rows.Err(), "load downstream")
	})
	l.b.Queue(downstreamLines, codes).Query(func(rows pgx.Rows) error { return l.addLines(rows, met) })
}

// eachState goes through rows of a key and a state.
func eachState(rows pgx.Rows, each func(key string, state []byte) error) error {
	for rows.Next() {
		var key string
		var state []byte
		if err := rows.Scan(&key, &state); err != nil {
			return err
		}
		if err := each(key, state); err != nil {
			return err
		}
	}
	return rows.Err()
}

func decode[T any](state []byte) (T, error) {
	var t T
	err := json.Unmarshal(state, &t)
	return t, wrap(err, "decode state")
}

func dateOf(d civil.Day) pgtype.Date {
	if d.IsZero() {
		return pgtype.Date{}
	}
	return pgtype.Date{Time: time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC), Valid: true}
}

func uuidOf(id uuid.UUID) pgtype.UUID { return pgtype.UUID{Bytes: id, Valid: true} }
