package projections

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

var (
	careEvents    = query("care_events")
	standingHolds = query("standing_holds")
	recorders     = query("recorders")
)

// Record is who wrote an event down, and when.
type Record struct {
	Position   int64
	ID         uuid.UUID
	Actor      string
	OccurredAt time.Time
	RecordedAt time.Time
}

// careTypes are the events that say what was found of a thing, what stood against it and what was decided.
var careTypes = []string{
	events.Checked{}.EventType(), events.DeviationOpened{}.EventType(), events.DeviationDecided{}.EventType(),
	events.HoldPlaced{}.EventType(), events.HoldLifted{}.EventType(),
}

// Care is every check, deviation, decision and hold that concerns some things, in the order of the log. What came out
// of a held thing was held with it, though the event that placed the hold does not name it: Took says of each hold what
// it took in of those things.
type Care struct {
	Events []events.Recorded
	Took   map[uuid.UUID][]events.Code
}

// CareOf gathers the care of some things.
func CareOf(ctx context.Context, q Querier, codes []events.Code) (Care, error) {
	care := Care{Took: map[uuid.UUID][]events.Code{}}
	var err error
	if care.Events, err = EventsOf(ctx, q, codes, careTypes); err != nil {
		return care, err
	}
	rows, err := q.Query(ctx, standingHolds, codes)
	if err != nil {
		return care, wrap(err, "find what holds stand")
	}
	var code events.Code
	var hold uuid.UUID
	if _, err = pgx.ForEachRow(rows, []any{&code, &hold}, func() error {
		care.Took[hold] = append(care.Took[hold], code)
		return nil
	}); err != nil {
		return care, wrap(err, "find what holds stand")
	}
	placed := map[uuid.UUID]bool{}
	for _, r := range care.Events {
		switch e := r.Data.(type) {
		case events.HoldPlaced:
			placed[r.ID] = true
			care.Took[r.ID] = append(care.Took[r.ID], e.Codes...)
		case events.HoldLifted:
			care.Took[e.Hold] = append(care.Took[e.Hold], e.Codes...)
		}
	}
	var absent []uuid.UUID
	for id := range care.Took {
		if !placed[id] {
			absent = append(absent, id)
		}
	}
	inherited, err := collect(ctx, q, scanRecorded, "read holds", "SELECT canonical FROM log WHERE id = ANY ($1::uuid[])", absent)
	care.Events = append(care.Events, inherited...)
	slices.SortFunc(care.Events, func(a, b events.Recorded) int { return cmp.Compare(a.Position, b.Position) })
	return care, err
}

// EventsOf gives the events of some types that concern any of some things, once each, in the order of the log.
func EventsOf(ctx context.Context, q Querier, codes []events.Code, types []string) ([]events.Recorded, error) {
	return collect(ctx, q, scanRecorded, "read what concerns things", careEvents, codes, types)
}

func scanRecorded(row pgx.CollectableRow) (events.Recorded, error) {
	var text []byte
	if err := row.Scan(&text); err != nil {
		return events.Recorded{}, err
	}
	return events.ParseCanonical(text)
}

// RecordsOf tells who wrote some events down, by their positions.
func RecordsOf(ctx context.Context, q Querier, positions []int64) (map[int64]Record, error) {
	found, err := collect(ctx, q, pgx.RowToStructByName[Record], "find who wrote something down", recorders, positions)
	records := make(map[int64]Record, len(found))
	for _, r := range found {
		r.OccurredAt, r.RecordedAt = r.OccurredAt.UTC(), r.RecordedAt.UTC()
		records[r.Position] = r
	}
	return records, err
}
