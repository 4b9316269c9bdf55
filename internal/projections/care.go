package projections

import (
	"cmp"
	"context"
	"math"
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

// careTypes are the events that say what was found of a thing, what stood against it and what was decided, and those that
// put that right.
var careTypes = []string{
	events.Checked{}.EventType(), events.DeviationOpened{}.EventType(), events.DeviationDecided{}.EventType(),
	events.HoldPlaced{}.EventType(), events.HoldLifted{}.EventType(), events.CommandCorrected{}.EventType(),
}

// Care is every check, deviation, decision and hold that concerns some things, and every correction, in the order of the
// log. What came out of a held thing was held with it, though the event that placed the hold does not name it: Took says of
// each hold what it took in of those things.
type Care struct {
	Events []events.Recorded
	Took   map[uuid.UUID][]events.Code
}

// CareOf gathers the care of some things.
func CareOf(ctx context.Context, q Querier, codes []events.Code) (Care, error) {
	took := map[uuid.UUID][]events.Code{}
	rows, err := q.Query(ctx, standingHolds, codes)
	if err != nil {
		return Care{}, wrap(err, "find what holds stand")
	}
	var code events.Code
	var hold uuid.UUID
	if _, err = pgx.ForEachRow(rows, []any{&code, &hold}, func() error {
		took[hold] = append(took[hold], code)
		return nil
	}); err != nil {
		return Care{}, wrap(err, "find what holds stand")
	}
	return careOf(ctx, q, codes, took, math.MaxInt64)
}

// careOf gathers the care of some things that was known at a position, from the holds that stood then and what each of them
// had taken in.
func careOf(ctx context.Context, q Querier, codes []events.Code, took map[uuid.UUID][]events.Code, known int64) (Care, error) {
	care := Care{Took: took}
	var err error
	if care.Events, err = EventsOf(ctx, q, codes, careTypes); err != nil {
		return care, err
	}
	care.Events = slices.DeleteFunc(care.Events, func(r events.Recorded) bool { return r.Position > known })
	placed := map[uuid.UUID]bool{}
	note := func(id uuid.UUID, data events.Event) {
		switch e := data.(type) {
		case events.HoldPlaced:
			placed[id] = true
			care.Took[id] = append(care.Took[id], e.Codes...)
		case events.HoldLifted:
			care.Took[e.Hold] = append(care.Took[e.Hold], e.Codes...)
		}
	}
	for _, r := range care.Events {
		note(r.ID, r.Data)
		if corrected, is := r.Data.(events.CommandCorrected); is {
			for _, e := range corrected.Events {
				note(e.ID, e.Data)
			}
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
