package projections

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// QueueSave puts into the batch what writes the set's changed rows, its movements and its edges: one statement a
// table that changed. recorded is the events that changed them: they say where a new thing, hold or deviation
// stands in the log, and which definitions are new.
func QueueSave(b *pgx.Batch, set *workshop.Set, recorded []events.Recorded) error {
	origins := newOrigins()
	for _, r := range recorded {
		origins.note(r)
		origins.wrote(r)
	}
	origins.swap(set.Swapped)
	queueForget(b, set)
	tables, err := stateRows(set, origins)
	if err != nil {
		return err
	}
	sales := dailySales{}
	sales.add(set.Movements, 1)
	sales.add(set.Swapped.MovementsPut, 1)
	sales.add(set.Swapped.MovementsGone, -1)
	tables = append(tables, movementRows(slices.Concat(set.Movements, set.Swapped.MovementsPut)),
		edgeRows(slices.Concat(set.Edges, set.Swapped.EdgesPut)), readingRows(slices.Concat(set.Readings, set.Swapped.ReadingsPut)), sales.rows())
	for _, t := range tables {
		if t.len() > 0 {
			b.Queue(t.save, t.arrays()...)
		}
	}
	queueForgetSales(b, set.Swapped)
	queuePeople(b, set)
	return nil
}

// origins is where in the log things, holds and deviations came to be, and the definitions met on the way.
type origins struct {
	things      map[events.Code]int64
	marks       map[uuid.UUID]int64 // holds, deviations and recalls: the id is their event's
	definitions []definition
	corrections []events.Recorded
	acts        map[uuid.UUID]time.Time // by correction: the earliest instant at which it changes anything
}

func newOrigins() *origins {
	return &origins{things: map[events.Code]int64{}, marks: map[uuid.UUID]int64{}, acts: map[uuid.UUID]time.Time{}}
}

// note takes one event in. The first event that touches a code is the one that made it known.
func (o *origins) note(r events.Recorded) {
	for _, code := range r.Data.Touches() {
		if _, known := o.things[code]; !known {
			o.things[code] = r.Position
		}
	}
	switch r.Data.(type) {
	case events.HoldPlaced, events.DeviationOpened, events.RecallOpened:
		o.marks[r.ID] = r.Position
	}
	if d, is := definitionOf(r); is {
		o.definitions = append(o.definitions, d)
	}
}

// wrote takes in what an event says of other commands, whether it counts itself or not.
func (o *origins) wrote(r events.Recorded) {
	if _, is := r.Data.(events.CommandCorrected); is {
		o.corrections = append(o.corrections, r)
	}
}

// stateRows is the rows of every table that holds states, of what the set has changed.
func stateRows(set *workshop.Set, o *origins) ([]rows, error) {
	definitions, err := definitionRows(o.definitions)
	if err != nil {
		return nil, err
	}
	things, err := thingRows(set, o)
	if err != nil {
		return nil, err
	}
	vats, err := vatRows(set)
	if err != nil {
		return nil, err
	}
	holds, err := holdRows(set, o)
	if err != nil {
		return nil, err
	}
	deviations, err := deviationRows(set, o)
	if err != nil {
		return nil, err
	}
	recalls, err := recallRows(set, o)
	if err != nil {
		return nil, err
	}
	ops, err := opRows(set)
	if err != nil {
		return nil, err
	}
	return []rows{
		definitions, things, stockRows(set), vats, holds, deviations, recalls, sequenceRows(set), ops, correctionRows(o),
	}, nil
}

// thing is a row of things on its way in.
type thing struct {
	code       events.Code
	subject    string
	site       string
	at         time.Time
	unfinished bool
	supplier   string // of a delivery and its portions
	lotCode    string // of these: the supplier's
	state      any
}

func changedThings(set *workshop.Set) []thing {
	var things []thing
	for code, l := range set.Lots.Dirty() {
		things = append(things, thing{
			code: code, subject: l.Ingredient, site: l.Site, at: l.At, supplier: l.Supplier, lotCode: l.SupplierLot, state: l,
		})
	}
	for code, c := range set.Charges.Dirty() {
		things = append(things, thing{
			code: code, subject: c.Vat, site: c.Site, at: c.At, unfinished: c.EndedAt == nil, state: c,
		})
	}
	for code, g := range set.Ganaches.Dirty() {
		things = append(things, thing{code: code, subject: g.Formula, site: g.Site, at: g.At, state: g})
	}
	for code, r := range set.Runs.Dirty() {
		things = append(things, thing{
			code: code, subject: r.Design, site: r.Site, at: r.At, unfinished: r.State != workshop.StateTurnedOut, state: r,
		})
	}
	for code, b := range set.Boxes.Dirty() {
		things = append(things, thing{code: code, site: b.Site, at: b.At, state: b})
	}
	slices.SortFunc(things, func(a, b thing) int { return strings.Compare(string(a.code), string(b.code)) })
	return things
}

func thingRows(set *workshop.Set, o *origins) (rows, error) {
	things := changedThings(set)
	n := len(things)
	codes, kinds, subjects, sites, suppliers, lotCodes := texts(n), texts(n), texts(n), texts(n), texts(n), texts(n)
	days, sequences, parts := make(values[int32], n), make(values[int32], n), make(values[int32], n)
	at, positions, unfinished, states := make(values[time.Time], n), make(values[int64], n), make(values[bool], n), texts(n)
	for i, t := range things {
		state, err := json.Marshal(t.state)
		if err != nil {
			return rows{}, fmt.Errorf("encode %s: %w", t.code, err)
		}
		day, sequence, part := t.code.Numbers()
		codes[i], kinds[i], subjects[i], sites[i] = string(t.code), t.code.Kind().String(), t.subject, t.site
		suppliers[i], lotCodes[i] = t.supplier, t.lotCode
		days[i], sequences[i], parts[i] = int32(day), int32(sequence), int32(part)
		at[i], positions[i], unfinished[i], states[i] = t.at, o.things[t.code], t.unfinished, string(state)
	}
	return rows{table: "things", save: saveThings, columns: []column{
		{"code", codes},
		{"kind", kinds},
		{"day", days},
		{"sequence", sequences},
		{"part", parts},
		{"subject", subjects},
		{"site", sites},
		{"occurred_at", at},
		{"position", positions},
		{"unfinished", unfinished},
		{"supplier", suppliers},
		{"supplier_lot", lotCodes},
		{"state", states},
	}}, nil
}

func stockRows(set *workshop.Set) rows {
	var lines []*workshop.StockLine
	for _, l := range set.Stock.Dirty() {
		lines = append(lines, l)
	}
	slices.SortFunc(lines, func(a, b *workshop.StockLine) int { return strings.Compare(string(a.Code), string(b.Code)) })
	n := len(lines)
	codes, places, grades, subjects, sites, kinds := texts(n), texts(n), texts(n), texts(n), texts(n), texts(n)
	unreleased, held := make(values[bool], n), make(values[bool], n)
	amounts, pieceMasses := make(values[int64], n), make(values[int64], n)
	dates := make(values[pgtype.Date], n)
	endsBy, discardBy, counted := make(values[*time.Time], n), make(values[*time.Time], n), make(values[*time.Time], n)
	arrived, last := make(values[time.Time], n), make(values[time.Time], n)
	for i, l := range lines {
		codes[i], places[i], grades[i], unreleased[i] = string(l.Code), l.Place, l.Grade, l.Unreleased
		subjects[i], sites[i], amounts[i], held[i] = l.Subject, l.Site, l.Amount, l.Held
		kinds[i], dates[i] = l.Dates.Kind, dateOrNone(l.Dates.Date)
		if !l.Dates.EndsBy.IsZero() {
			endsBy[i] = &l.Dates.EndsBy
		}
		discardBy[i], pieceMasses[i], arrived[i], counted[i] = l.Dates.DiscardBy, int64(l.PieceMass), l.ArrivedAt, l.CountedAt
		last[i] = l.LastAt
	}
	return rows{table: "stock", save: saveStock, columns: []column{
		{"code", codes},
		{"place", places},
		{"grade", grades},
		{"unreleased", unreleased},
		{"subject", subjects},
		{"site", sites},
		{"amount", amounts},
		{"held", held},
		{"date_kind", kinds},
		{"date", dates},
		{"ends_by", endsBy},
		{"discard_by", discardBy},
		{"piece_mg", pieceMasses},
		{"arrived_at", arrived},
		{"counted_at", counted},
		{"last_at", last},
	}}
}

func vatRows(set *workshop.Set) (rows, error) {
	var slugs, states values[string]
	for slug, v := range set.Vats.Dirty() {
		state, err := json.Marshal(v)
		if err != nil {
			return rows{}, fmt.Errorf("encode vat %s: %w", slug, err)
		}
		slugs, states = append(slugs, slug), append(states, string(state))
	}
	return rows{table: "vats", save: saveVats, columns: []column{{"slug", slugs}, {"state", states}}}, nil
}

func holdRows(set *workshop.Set, o *origins) (rows, error) {
	var ids values[pgtype.UUID]
	var open values[bool]
	var positions values[int64]
	var states values[string]
	for id, h := range set.Holds.Dirty() {
		state, err := json.Marshal(h)
		if err != nil {
			return rows{}, fmt.Errorf("encode hold %s: %w", id, err)
		}
		ids, open = append(ids, uuidOf(id)), append(open, h.LiftedAt == nil)
		positions, states = append(positions, o.marks[id]), append(states, string(state))
	}
	return rows{table: "holds", save: saveHolds, columns: []column{
		{"id", ids}, {"open", open}, {"position", positions}, {"state", states},
	}}, nil
}

func deviationRows(set *workshop.Set, o *origins) (rows, error) {
	var ids values[pgtype.UUID]
	var open values[bool]
	var codes, states values[string]
	var positions values[int64]
	for id, d := range set.Deviations.Dirty() {
		state, err := json.Marshal(d)
		if err != nil {
			return rows{}, fmt.Errorf("encode deviation %s: %w", id, err)
		}
		ids, open, codes = append(ids, uuidOf(id)), append(open, d.DecidedAt == nil), append(codes, string(d.Code))
		positions, states = append(positions, o.marks[id]), append(states, string(state))
	}
	return rows{table: "deviations", save: saveDeviations, columns: []column{
		{"id", ids}, {"open", open}, {"code", codes}, {"position", positions}, {"state", states},
	}}, nil
}

func sequenceRows(set *workshop.Set) rows {
	var kinds values[string]
	var days values[pgtype.Date]
	var last values[int32]
	for key, n := range set.Sequences.Dirty() {
		kinds, days, last = append(kinds, key.Kind.String()), append(days, dateOf(key.Day)), append(last, int32(*n))
	}
	return rows{table: "sequences", save: saveSequences, columns: []column{{"kind", kinds}, {"day", days}, {"last", last}}}
}

func movementRows(movements []workshop.Movement) rows {
	n := len(movements)
	positions, numbers, at, days := make(values[int64], n), make(values[int32], n), make(values[time.Time], n), make(values[pgtype.Date], n)
	codes, places, grades, unreleased, subjects := texts(n), texts(n), texts(n), make(values[bool], n), texts(n)
	deltas, weights := make(values[int64], n), make(values[int64], n)
	causes, reasons, destinations, others := texts(n), texts(n), texts(n), texts(n)
	channels, buyers, references, how, told := texts(n), texts(n), texts(n), texts(n), make(values[pgtype.UUID], n)
	for i, m := range movements {
		positions[i], numbers[i], at[i], days[i] = m.Position, int32(m.Number), m.OccurredAt, dateOf(m.Day)
		codes[i], places[i], grades[i], unreleased[i] = string(m.Code), m.Place, m.Grade, m.Unreleased
		subjects[i], deltas[i], weights[i] = m.Subject, m.Delta, int64(m.Weight)
		causes[i], reasons[i], destinations[i], others[i] = m.Cause, m.Reason, m.Destination, m.Other
		channels[i], buyers[i], references[i], how[i], told[i] = m.Channel, m.Buyer, m.Reference, m.How, uuidOf(m.Event)
	}
	return rows{table: "movements", save: saveMovements, columns: []column{
		{"position", positions},
		{"number", numbers},
		{"occurred_at", at},
		{"day", days},
		{"code", codes},
		{"place", places},
		{"grade", grades},
		{"unreleased", unreleased},
		{"subject", subjects},
		{"delta", deltas},
		{"weight_mg", weights},
		{"cause", causes},
		{"reason", reasons},
		{"destination", destinations},
		{"other", others},
		{"channel", channels},
		{"buyer", buyers},
		{"reference", references},
		{"how", how},
		{"event", told},
	}}
}

func edgeRows(edges []workshop.Edge) rows {
	n := len(edges)
	positions, numbers, at, masses := make(values[int64], n), make(values[int32], n), make(values[time.Time], n), make(values[int64], n)
	from, to, ingredients := texts(n), texts(n), texts(n)
	for i, e := range edges {
		positions[i], numbers[i], at[i], masses[i] = e.Position, int32(e.Number), e.OccurredAt, int64(e.Mass)
		from[i], to[i], ingredients[i] = string(e.From), string(e.To), e.Ingredient
	}
	return rows{table: "edges", save: saveEdges, columns: []column{
		{"position", positions},
		{"number", numbers},
		{"from_code", from},
		{"to_code", to},
		{"occurred_at", at},
		{"mass_mg", masses},
		{"ingredient", ingredients},
	}}
}

func opRows(set *workshop.Set) (rows, error) {
	var ops []*workshop.ChargeOp
	for _, op := range set.Ops.Dirty() {
		ops = append(ops, op)
	}
	slices.SortFunc(ops, func(a, b *workshop.ChargeOp) int {
		return cmp.Or(cmp.Compare(a.Position, b.Position), cmp.Compare(a.Number, b.Number))
	})
	n := len(ops)
	positions, numbers, at, masses := make(values[int64], n), make(values[int32], n), make(values[time.Time], n), make(values[int64], n)
	charges, kinds, others, uses, mixes := texts(n), texts(n), texts(n), texts(n), texts(n)
	for i, op := range ops {
		mix, err := json.Marshal(op.Mix)
		if err != nil {
			return rows{}, fmt.Errorf("encode what happened in %s: %w", op.Charge, err)
		}
		positions[i], numbers[i], at[i], masses[i] = op.Position, int32(op.Number), op.OccurredAt, int64(op.Mass)
		charges[i], kinds[i], others[i], uses[i], mixes[i] = string(op.Charge), string(op.Kind), string(op.Other), op.Use, string(mix)
	}
	return rows{table: "charge_ops", save: saveOps, columns: []column{
		{"position", positions},
		{"number", numbers},
		{"charge", charges},
		{"occurred_at", at},
		{"kind", kinds},
		{"mass_mg", masses},
		{"other", others},
		{"use", uses},
		{"mix", mixes},
	}}, nil
}

// dailySales sums sales of loose pieces by place, design and day. What is sold in boxes was chosen when they were packed.
type dailySales map[daily]int64

type daily struct {
	place, subject string
	day            civil.Day
}

// add adds sales, or with a sign of -1 takes them off.
func (s dailySales) add(movements []workshop.Movement, sign int64) {
	for _, m := range movements {
		if m.Cause == workshop.CauseSold && m.Code.Kind() != events.KindBox {
			s[daily{place: m.Place, subject: m.Subject, day: m.Day}] -= sign * m.Delta
		}
	}
}

func (s dailySales) rows() rows {
	var places, subjects values[string]
	var days values[pgtype.Date]
	var pieces values[int64]
	for key, sold := range s {
		places, subjects = append(places, key.place), append(subjects, key.subject)
		days, pieces = append(days, dateOf(key.day)), append(pieces, sold)
	}
	return rows{table: "daily_sales", save: saveDailySales, columns: []column{
		{"place", places}, {"subject", subjects}, {"day", days}, {"pieces", pieces},
	}}
}

func dateOrNone(d *civil.Day) pgtype.Date {
	if d == nil {
		return pgtype.Date{}
	}
	return dateOf(*d)
}
