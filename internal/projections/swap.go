package projections

import (
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// This file saves what only a correction does: it takes rows out, and puts rows in the place of others.

var (
	forgetMovements = query("forget_movements")
	forgetEdges     = query("forget_edges")
	forgetOps       = query("forget_ops")
	forgetStock     = query("forget_stock")
	forgetSales     = query("forget_sales")
)

// swap takes in where in the log things, holds, deviations and recalls came to be that a correction brings.
func (o *origins) swap(s workshop.Swapped) {
	maps.Copy(o.things, s.Things)
	maps.Copy(o.marks, s.Marks)
	for _, r := range o.corrections {
		o.acts[r.Command] = s.ActsAt
	}
}

// queueForget takes out the rows that a correction takes out, before others are written in their places.
func queueForget(b *pgx.Batch, set *workshop.Set) {
	codes := slices.Concat(set.Lots.Gone(), set.Charges.Gone(), set.Ganaches.Gone(), set.Runs.Gone(), set.Boxes.Gone())
	if len(codes) > 0 {
		b.Queue("DELETE FROM things WHERE code = ANY ($1::text[])", codes)
	}
	if lines := set.Stock.Gone(); len(lines) > 0 {
		codes, places, grades, unreleased := texts(len(lines)), texts(len(lines)), texts(len(lines)), make([]bool, len(lines))
		for i, key := range lines {
			codes[i], places[i], grades[i], unreleased[i] = string(key.Code), key.Place, key.Grade, key.Unreleased
		}
		b.Queue(forgetStock, codes.array(), places.array(), grades.array(), unreleased)
	}
	if slugs := set.Vats.Gone(); len(slugs) > 0 {
		b.Queue("DELETE FROM vats WHERE slug = ANY ($1::text[])", slugs)
	}
	if ids := set.Holds.Gone(); len(ids) > 0 {
		b.Queue("DELETE FROM holds WHERE id = ANY ($1::uuid[])", ids)
	}
	if ids := set.Deviations.Gone(); len(ids) > 0 {
		b.Queue("DELETE FROM deviations WHERE id = ANY ($1::uuid[])", ids)
	}
	if ids := set.Recalls.Gone(); len(ids) > 0 {
		b.Queue("DELETE FROM recalls WHERE id = ANY ($1::uuid[])", ids)
	}
	if gone := set.Swapped.ReadingsGone; len(gone) > 0 {
		positions := make([]int64, len(gone))
		for i, r := range gone {
			positions[i] = r.Position
		}
		b.Queue("DELETE FROM readings WHERE position = ANY ($1::bigint[])", positions)
	}
	queueForgetKeys(b, forgetOps, set.Ops.Gone(), func(key workshop.OpKey) workshop.OpKey { return key })
	queueForgetKeys(b, forgetMovements, set.Swapped.MovementsGone, func(m workshop.Movement) workshop.OpKey {
		return workshop.OpKey{Position: m.Position, Number: m.Number}
	})
	queueForgetKeys(b, forgetEdges, set.Swapped.EdgesGone, func(e workshop.Edge) workshop.OpKey {
		return workshop.OpKey{Position: e.Position, Number: e.Number}
	})
}

// queueForgetKeys takes out rows by position and number.
func queueForgetKeys[T any](b *pgx.Batch, sql string, rows []T, key func(T) workshop.OpKey) {
	if len(rows) == 0 {
		return
	}
	positions, numbers := make([]int64, len(rows)), make([]int32, len(rows))
	for i, row := range rows {
		k := key(row)
		positions[i], numbers[i] = k.Position, int32(k.Number)
	}
	b.Queue(sql, positions, numbers)
}

// queueForgetSales takes out the days on which nothing was sold after all.
func queueForgetSales(b *pgx.Batch, s workshop.Swapped) {
	gone := dailySales{}
	gone.add(s.MovementsGone, 1)
	if len(gone) > 0 {
		keys := gone.rows().arrays()
		b.Queue(forgetSales, keys[:3]...)
	}
}

// correctionRows is who corrected what, and from when on that acts.
func correctionRows(o *origins) rows {
	recorded := o.corrections
	n := len(recorded)
	commands, corrected, ids := make(values[pgtype.UUID], n), make(values[pgtype.UUID], n), make(values[pgtype.UUID], n)
	positions, voids := make(values[int64], n), make(values[bool], n)
	recordedAt, actsAt := make(values[time.Time], n), make(values[time.Time], n)
	for i, r := range recorded {
		e := r.Data.(events.CommandCorrected)
		commands[i], corrected[i], ids[i] = uuidOf(r.Command), uuidOf(e.Corrected), uuidOf(r.ID)
		positions[i], voids[i] = r.Position, len(e.Events) == 0
		recordedAt[i], actsAt[i] = r.RecordedAt, o.acts[r.Command]
	}
	return rows{table: "corrections", save: saveCorrections, columns: []column{
		{"command", commands},
		{"corrected", corrected},
		{"position", positions},
		{"event", ids},
		{"voids", voids},
		{"recorded_at", recordedAt},
		{"acts_at", actsAt},
	}}
}
