package eventlog

import (
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

// Arrays are unnested side by side in the list of columns, not in FROM: there PostgreSQL would keep a store of 16 kB
// for each of them, and with eleven of those the server gives memory back and fetches it anew at every statement.
const (
	insertLog = `
INSERT INTO log (position, id, type, version, occurred_at, recorded_at, actor, site, key, command, canonical)
SELECT unnest($1::bigint[]), unnest($2::uuid[]), unnest($3::text[]), unnest($4::integer[]), unnest($5::timestamptz[]),
       unnest($6::timestamptz[]), unnest($7::text[]), unnest($8::text[]), unnest($9::text[]), unnest($10::uuid[]), unnest($11::text[])`
	insertCodes = `
INSERT INTO event_codes (code, position)
SELECT unnest($1::text[]), unnest($2::bigint[])`
	moveHead = `
UPDATE head SET position = $1, recorded_at = $2, definitions_at = $3`
)

// QueueAppend writes events, what they touch and the answers to the commands they came of, and moves the head to
// next. The transaction must hold the head's lock, and the events must be numbered on from where the head stood:
// next is that head After them. An error means that nothing was queued.
func QueueAppend(b *pgx.Batch, recorded []events.Recorded, answers []Answered, next Head) error {
	rows, err := rowsOf(recorded, next)
	if err != nil {
		return err
	}
	if len(recorded) > 0 {
		b.Queue(insertLog, rows.position, rows.id, rows.kind, rows.version, rows.occurredAt, rows.recordedAt,
			rows.actor, rows.site, rows.key, rows.command, rows.canonical)
		if len(rows.code) > 0 {
			b.Queue(insertCodes, rows.code, rows.codeAt)
		}
		b.Queue(moveHead, next.Position, next.RecordedAt, next.DefinitionsAt)
	}
	queueAnswers(b, answers)
	return nil
}

// logRows are events as columns, the form that unnest takes.
type logRows struct {
	position               []int64
	id, command            []uuid.UUID
	kind                   []string
	version                []int32
	occurredAt, recordedAt []time.Time
	actor, site, key       []string
	canonical              []string
	code                   []string
	codeAt                 []int64
}

func rowsOf(recorded []events.Recorded, next Head) (logRows, error) {
	var rows logRows
	for i, r := range recorded {
		if due := next.Position - int64(len(recorded)-1-i); r.Position != due {
			return logRows{}, fmt.Errorf("append %s: it has position %d where %d is due", r.Data.EventType(), r.Position, due)
		}
		canonical, err := r.Canonical()
		if err != nil {
			return logRows{}, fmt.Errorf("append at position %d: %w", r.Position, err)
		}
		rows.position = append(rows.position, r.Position)
		rows.id = append(rows.id, r.ID)
		rows.kind = append(rows.kind, r.Data.EventType())
		rows.version = append(rows.version, int32(r.Version))
		rows.occurredAt = append(rows.occurredAt, r.OccurredAt)
		rows.recordedAt = append(rows.recordedAt, r.RecordedAt)
		rows.actor = append(rows.actor, r.Actor)
		rows.site = append(rows.site, r.Site)
		rows.key = append(rows.key, r.Key)
		rows.command = append(rows.command, r.Command)
		rows.canonical = append(rows.canonical, string(canonical))
		for _, code := range r.Codes() {
			rows.code = append(rows.code, string(code))
			rows.codeAt = append(rows.codeAt, r.Position)
		}
	}
	return rows, nil
}
