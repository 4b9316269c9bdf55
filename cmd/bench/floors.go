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
// further, and tell codes only. OFFSET keeps PostgreSQL, which cannot know how far a walk leads, from going through the whole
// table of movements instead: the floor is the better of the two plans.

// The account of a recall is not among generate's questions: a command reads it.
const (
	openDrill      = "recall of that lot: reach and account"
	openDrillAlike = "recall, of the lot as long as book 1's"
)

// floorsOf are the floors under each question, nil where the round trip is all.
func floorsOf(pool *pgxpool.Pool, s generate.Subjects) map[string]*generate.Read {
	back := func(of events.Code) *generate.Read {
		return bare(pool, walk("to_code", "from_code")+"SELECT code FROM walk", of)
	}
	forward := func(of events.Code) *generate.Read {
		return bare(pool, walk("from_code", "to_code")+"SELECT code FROM walk", of)
	}
	sales := func(of events.Code) *generate.Read {
		return bare(pool, walk("from_code", "to_code")+
			`SELECT m.*
FROM walk
CROSS JOIN LATERAL (SELECT m.code, m.position, m.reference FROM movements m WHERE m.code = walk.code AND m.cause = 'sold' OFFSET 0) m`, of)
	}
	return map[string]*generate.Read{
		generate.TraceBack: back(s.Run), generate.TraceBackAlike: back(s.RunAlike),
		generate.TraceForward: forward(s.Lot), generate.TraceForwardLike: forward(s.LotAlike),
		openDrill: sales(s.Lot), openDrillAlike: sales(s.LotAlike),
	}
}

func walk(at, to string) string {
	return `WITH RECURSIVE walk (code) AS (
    SELECT $1::text COLLATE "C" UNION SELECT e.` + to + ` FROM walk w JOIN edges e ON e.` + at + ` = w.code
)
`
}

// bare reads what a statement gives and looks at nothing of it.
func bare(pool *pgxpool.Pool, sql string, args ...any) *generate.Read {
	return &generate.Read{Name: "bare SQL", Ask: func(ctx context.Context) (int, error) {
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
