package main

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/events"
	"firstout/internal/generate"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// The floors are what any program would have to ask PostgreSQL at the least. Their walks look at no time, which leads them
// further. There are two: one tells codes only, and of a recall each sale's position and reference; the other fetches the rows
// that the answer is made of, bare. OFFSET keeps PostgreSQL, which cannot know how far a walk leads, from going through the
// whole table of movements instead: the floor is the better of the two plans.

// The account of a recall is not among generate's questions: a command reads it.
const (
	openDrill      = "recall of that lot: reach and account"
	openDrillAlike = "recall, of the lot as long as book 1's"
)

// floors are under one question.
type floors struct{ codes, rows generate.Read }

// floorsOf are the floors under each question; there are none where the round trip is all.
func floorsOf(pool *pgxpool.Pool, s generate.Subjects) map[string]floors {
	under := func(at, to string, of events.Code, codes, rows string) floors {
		return floors{codes: bare(pool, walk(at, to)+codes, of), rows: bare(pool, walk(at, to)+rows, of)}
	}
	back := func(of events.Code) floors {
		return under("to_code", "from_code", of, "SELECT code FROM walk", edgesAndThings("to_code"))
	}
	forward := func(of events.Code) floors {
		return under("from_code", "to_code", of, "SELECT code FROM walk", edgesAndThings("from_code"))
	}
	recall := func(of events.Code) floors {
		return under("from_code", "to_code", of, `SELECT m.*
FROM walk
CROSS JOIN LATERAL (SELECT m.code, m.position, m.reference FROM movements m WHERE m.code = walk.code AND m.cause = 'sold' OFFSET 0) m`,
			thingsAndMovements)
	}
	return map[string]floors{
		generate.TraceBack: back(s.Run), generate.TraceBackAlike: back(s.RunAlike),
		generate.TraceForward: forward(s.Lot), generate.TraceForwardLike: forward(s.LotAlike),
		openDrill: recall(s.Lot), openDrillAlike: recall(s.LotAlike),
	}
}

// edgesAndThings asks for every edge of what was walked to, and for what a trace tells of each thing.
func edgesAndThings(at string) string {
	return `SELECT e.*
FROM walk
CROSS JOIN LATERAL (SELECT position, number, occurred_at, from_code, to_code, mass_mg, ingredient, NULL, NULL FROM edges e WHERE e.` + at + ` = walk.code OFFSET 0) e
UNION ALL
SELECT position, NULL, occurred_at, code, NULL, NULL, subject, supplier, supplier_lot FROM things WHERE code = ANY (ARRAY(SELECT code FROM walk))`
}

// thingsAndMovements asks for what a recall tells of each thing that was walked to and judges it by, and for every movement of
// it: what was made, sold to whom, thrown away or used.
const thingsAndMovements = `SELECT code, subject, site, state -> 'mix', NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL
FROM things
WHERE code = ANY (ARRAY(SELECT code FROM walk))
UNION ALL
SELECT m.*
FROM walk
CROSS JOIN LATERAL (
    SELECT code, cause, grade, NULL::jsonb, delta, event, position, occurred_at, place, channel, buyer, reference, how FROM movements m WHERE m.code = walk.code OFFSET 0
) m`

func walk(at, to string) string {
	return `WITH RECURSIVE walk (code) AS (
    SELECT $1::text COLLATE "C" UNION SELECT e.` + to + ` FROM walk w JOIN edges e ON e.` + at + ` = w.code
)
`
}

// bare reads what a statement gives and looks at nothing of it.
func bare(pool *pgxpool.Pool, sql string, args ...any) generate.Read {
	return generate.Read{Name: "bare SQL", Ask: func(ctx context.Context) (int, error) {
		rows, err := pool.Query(ctx, sql, args...)
		if err != nil {
			return 0, fmt.Errorf("ask in bare SQL: %w", err)
		}
		defer rows.Close()
		count := 0
		for rows.Next() {
			count++
		}
		return count, rows.Err()
	}}
}

// mostLoads bounds how often a decision may turn out to need more.
const mostLoads = 20

// recalled is everything that a command reads and works out to open a drill of a lot, its account with it. Nothing is
// written down.
func recalled(pool *pgxpool.Pool, defs *workshop.Definitions, name string, lot events.Code) generate.Read {
	owner := workshop.Actor{ID: uuid.Nil.String(), Roles: []string{"owner"}}
	command := workshop.OpenRecall{Code: lot, Reach: workshop.ReachMayContain, Drill: true, Reason: "an exercise"}
	return generate.Read{Name: name, Ask: func(ctx context.Context) (int, error) {
		set, needs := workshop.NewSet(defs, false), command.Needs()
		for range mostLoads {
			load := &pgx.Batch{}
			projections.QueueLoad(load, set, needs)
			if err := pool.SendBatch(ctx, load).Close(); err != nil {
				return 0, fmt.Errorf("load for a drill: %w", err)
			}
			outcome, err := workshop.Carry(set, command, owner, "drill", workshop.Clock{Now: time.Now(), Next: 1, NewID: uuid.New})
			switch {
			case err != nil:
				return 0, err
			case outcome.Refusal != nil:
				return 0, outcome.Refusal
			case len(outcome.Missing) == 0:
				return len(outcome.Answer.(workshop.RecallAnswer).Account.Sales), nil
			}
			needs = outcome.Missing
		}
		return 0, fmt.Errorf("a drill of %s: more is lacking after %d loads", lot, mostLoads)
	}}
}
