package projections

import (
	"encoding/json"
	"fmt"
	"maps"
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
	loadLater        = query("load_later")
	loadCounted      = query("load_counted")
	loadMoved        = query("load_moved")
	loadSequences    = query("load_sequences")
	downstreamCodes  = query("forward", "downstream_codes")
	loadReached      = query("forward", "load_reached")
	loadOps          = query("load_ops")
	loadVatsAt       = query("load_vats_at")
	remixThings      = query("forward", "remixed", "remix_things")
	remixLines       = query("forward", "remixed", "remix_lines")
	remixOps         = query("forward", "remix_ops")
	remixFlows       = query("forward", "remix_flows")
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
	l.later(kinds[workshop.NeedsLater])
	l.counted(kinds[workshop.NeedsCounted])
	l.moved(kinds[workshop.NeedsMoved])
	l.readings(kinds[workshop.NeedsReadings])
	l.sequences(kinds[workshop.NeedsSequence])
	l.vats(kinds[workshop.NeedsVat])
	l.holds(kinds[workshop.NeedsHold])
	l.deviations(kinds[workshop.NeedsDeviation])
	l.deviationsAt(kinds[workshop.NeedsDeviationsAt])
	l.things(kinds)
	l.downstream(kinds[workshop.NeedsDownstream])
	l.reach(kinds[workshop.NeedsReach])
	l.recalled(kinds[workshop.NeedsRecalled])
	l.ops(kinds[workshop.NeedsOps])
	l.vatsAt(kinds[workshop.NeedsVatAt])
	l.remix(kinds[workshop.NeedsRemix])
	l.recalls(kinds[workshop.NeedsRecall])
	l.supplied(kinds[workshop.NeedsSupplied])
	l.accounts(kinds[workshop.NeedsAccount])
	l.commands(kinds[workshop.NeedsCommand])
	l.histories(kinds[workshop.NeedsHistory])
	l.decisions(kinds[workshop.NeedsDecisions])
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
func atOf(n workshop.Need) time.Time   { return n.At }
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

// counted loads lines that were counted after an instant.
func (l loading) counted(needs []workshop.Need) {
	if len(needs) > 0 {
		l.lines(loadCounted, needs, eachOf(needs, placeOf), eachOf(needs, subjectOf), eachOf(needs, atOf))
	}
}

// moved loads lines of which something moved after an instant.
func (l loading) moved(needs []workshop.Need) {
	if len(needs) > 0 {
		l.lines(loadMoved, needs, eachOf(needs, placeOf), eachOf(needs, atOf))
	}
}

// later loads the movements of things after an instant; of a thing asked for several times, after the earliest.
func (l loading) later(needs []workshop.Need) {
	from := map[events.Code]time.Time{}
	for _, n := range needs {
		if at, asked := from[n.Code]; !asked || n.At.Before(at) {
			from[n.Code] = n.At
		}
	}
	if len(from) == 0 {
		return
	}
	codes := slices.Sorted(maps.Keys(from))
	instants := make([]time.Time, 0, len(codes))
	for _, code := range codes {
		instants = append(instants, from[code])
	}
	l.b.Queue(loadLater, codes, instants).Query(func(rows pgx.Rows) error {
		moved := map[events.Code][]workshop.Movement{}
		for rows.Next() {
			var m workshop.Movement
			if err := rows.Scan(&m.Position, &m.Number, &m.OccurredAt, &m.Code, &m.Place, &m.Grade, &m.Unreleased, &m.Delta, &m.Cause, &m.Other); err != nil {
				return fmt.Errorf("load movements: %w", err)
			}
			m.OccurredAt = m.OccurredAt.UTC()
			moved[m.Code] = append(moved[m.Code], m)
		}
		for code, at := range from {
			l.set.AddLater(code, at, moved[code])
		}
		return wrap(rows.Err(), "load movements")
	})
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
	met := slices.Concat(kinds[workshop.NeedsThing], kinds[workshop.NeedsParts]) // the parts of a whole come with it
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
	case events.KindBox:
		if !s.Boxes.Has(code) {
			var box workshop.Box
			box, err = decode[workshop.Box](state)
			s.Boxes.Add(code, box)
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
	l.b.Queue("SELECT id::text, state FROM deviations WHERE id = ANY ($1::uuid[])", eachOf(needs, idOf)).Query(l.addDeviations(needs))
}

// deviationsAt loads the undecided deviations of places themselves.
func (l loading) deviationsAt(needs []workshop.Need) {
	if len(needs) > 0 {
		const sql = "SELECT id::text, state FROM deviations WHERE open AND code = '' AND state ->> 'place' = ANY ($1::text[])"
		l.b.Queue(sql, eachOf(needs, placeOf)).Query(l.addDeviations(needs))
	}
}

func (l loading) addDeviations(needs []workshop.Need) func(pgx.Rows) error {
	return func(rows pgx.Rows) error {
		err := eachState(rows, func(_ string, state []byte) error {
			deviation, err := decode[workshop.Deviation](state)
			if err == nil && !l.set.Deviations.Has(deviation.ID) {
				l.set.Deviations.Add(deviation.ID, deviation)
			}
			return err
		})
		l.set.Loaded(needs...)
		return wrap(err, "load deviations")
	}
}

// downstream loads everything that the codes went into, with what it is made of. What was reached is told in code order.
func (l loading) downstream(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	codes, all := eachOf(needs, codeOf), []time.Time{} // from the beginning
	l.b.Queue(downstreamCodes, codes, all).Query(func(rows pgx.Rows) error {
		reached := map[events.Code][]events.Code{}
		for rows.Next() {
			var root, code events.Code
			if err := rows.Scan(&root, &code); err != nil {
				return fmt.Errorf("load downstream: %w", err)
			}
			reached[root] = append(reached[root], code)
		}
		for _, n := range needs {
			events.SortCodes(reached[n.Code])
			l.set.Downstream[n.Code] = reached[n.Code]
		}
		return wrap(rows.Err(), "load downstream")
	})
	met := needs
	l.b.Queue(remixThings, codes, all).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(code string, state []byte) error {
			met = append(met, workshop.NeedThing(events.Code(code)))
			return l.addThing(events.Code(code), state)
		})
		return wrap(err, "load downstream")
	})
	l.b.Queue(remixLines, codes, all).Query(func(rows pgx.Rows) error { return l.addLines(rows, met) })
}

// reach loads everything that the codes went into and where it stands, in one walk. Each row is of one of three kinds: a thing
// has a state, a code that was reached has a root, and a line of stock has neither.
func (l loading) reach(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	l.b.Queue(loadReached, eachOf(needs, codeOf), []time.Time{}).Query(func(rows pgx.Rows) error {
		reached := map[events.Code][]events.Code{}
		var root, code events.Code
		var state []byte
		const atRoot, atState = lineColumns, lineColumns + 1
		ofReached, ofThing := make([]any, atState+1), make([]any, atState+1)
		ofReached[0], ofReached[atRoot] = &code, &root
		ofThing[0], ofThing[atState] = &code, &state
		met := needs
		next := func() error {
			columns := rows.RawValues()
			if columns[atState] != nil {
				if err := rows.Scan(ofThing...); err != nil {
					return err
				}
				met = append(met, workshop.NeedThing(code))
				return l.addThing(code, state)
			}
			if columns[atRoot] != nil {
				err := rows.Scan(ofReached...)
				reached[root] = append(reached[root], code)
				return err
			}
			line, err := scanLine(rows, nil, nil)
			if err == nil {
				l.set.AddLine(line)
			}
			return err
		}
		for rows.Next() {
			if err := next(); err != nil {
				return fmt.Errorf("load what is reached: %w", err)
			}
		}
		for _, n := range needs {
			events.SortCodes(reached[n.Code])
			l.set.Downstream[n.Code] = reached[n.Code]
			met = append(met, workshop.NeedRecalled(n.Code))
		}
		l.set.Loaded(met...)
		return wrap(rows.Err(), "load what is reached")
	})
}

// vatsAt loads the charges of vats that had not ended at an instant.
func (l loading) vatsAt(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	l.b.Queue(loadVatsAt, eachOf(needs, subjectOf), eachOf(needs, atOf)).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(code string, state []byte) error { return l.addThing(events.Code(code), state) })
		l.set.Loaded(needs...)
		return wrap(err, "load the charges of vats")
	})
}

// ops loads everything that happened in charges.
func (l loading) ops(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	l.b.Queue(loadOps, eachOf(needs, codeOf)).Query(func(rows pgx.Rows) error {
		ops, err := pgx.CollectRows(rows, scanOp)
		l.set.AddOps(ops)
		l.set.Loaded(needs...)
		return wrap(err, "load what happened in vats")
	})
}

// remix loads what a late entry in a charge may change.
func (l loading) remix(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	codes, instants := eachOf(needs, codeOf), eachOf(needs, atOf)
	met := needs
	l.b.Queue(remixThings, codes, instants).Query(func(rows pgx.Rows) error {
		err := eachState(rows, func(code string, state []byte) error {
			met = append(met, workshop.NeedThing(events.Code(code)))
			if code := events.Code(code); code.Kind() == events.KindCharge {
				met = append(met, workshop.NeedOps(code))
			}
			return l.addThing(events.Code(code), state)
		})
		return wrap(err, "load what was drawn since")
	})
	l.b.Queue(remixOps, codes, instants).Query(func(rows pgx.Rows) error {
		ops, err := pgx.CollectRows(rows, scanOp)
		l.set.AddOps(ops)
		return wrap(err, "load what happened in vats since")
	})
	l.b.Queue(remixFlows, codes, instants).Query(func(rows pgx.Rows) error {
		flows, err := pgx.CollectRows(rows, scanEdge)
		l.set.AddFlows(flows)
		return wrap(err, "load what was made since")
	})
	l.b.Queue(remixLines, codes, instants).Query(func(rows pgx.Rows) error { return l.addLines(rows, met) })
}

func scanOp(row pgx.CollectableRow) (workshop.ChargeOp, error) {
	var op workshop.ChargeOp
	var mix []byte
	err := row.Scan(&op.Position, &op.Number, &op.Charge, &op.OccurredAt, &op.Kind, &op.Mass, &op.Other, &op.Use, &mix)
	if err != nil {
		return op, err
	}
	op.OccurredAt = op.OccurredAt.UTC()
	op.Mix, err = decode[workshop.Mix](mix)
	return op, err
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
