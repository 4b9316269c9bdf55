package eventlog

import (
	"crypto/sha256"
	"encoding/hex"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Answered is the first answer that an idempotency key got. It stands for ever.
type Answered struct {
	Key           string
	RequestHash   []byte // SHA-256 of method, route and body in canonical form
	Status        int
	Body          []byte // UTF-8
	FirstPosition int64  // of the command's events; 0: it needed none
	Command       uuid.UUID
	RecordedAt    time.Time
}

const (
	findKeys = `
SELECT key, request_hash, status, answer, coalesce(first_position, 0),
       coalesce(command, '00000000-0000-0000-0000-000000000000'), recorded_at
FROM commands
WHERE key = ANY($1)`
	insertCommands = `
INSERT INTO commands (key, request_hash, status, answer, first_position, command, recorded_at)
SELECT unnest($1::text[]), unnest($2::bytea[]), unnest($3::integer[]), unnest($4::text[]), unnest($5::bigint[]),
       unnest($6::uuid[]), unnest($7::timestamptz[])`
	findEvent = `
SELECT EXISTS (SELECT FROM log WHERE id = $1)`
)

// QueueFindKeys looks up which of the keys were answered before and puts those answers into the map. It must be
// queued after QueueLock: looked up before it, a key whose command is about to commit would be missed.
func QueueFindKeys(b *pgx.Batch, keys []string, into map[string]Answered) {
	if len(keys) == 0 {
		return
	}
	b.Queue(findKeys, keys).Query(func(rows pgx.Rows) error {
		var a Answered
		var body string
		_, err := pgx.ForEachRow(rows, []any{&a.Key, &a.RequestHash, &a.Status, &body, &a.FirstPosition, &a.Command, &a.RecordedAt}, func() error {
			found := a
			found.Body, found.RecordedAt = []byte(body), a.RecordedAt.UTC()
			found.RequestHash = append([]byte(nil), a.RequestHash...)
			into[a.Key] = found
			return nil
		})
		return err
	})
}

// QueueFindEvent says whether an event of that id stands in the log. After QueueLock the answer is final: whoever
// else was writing has committed or will not.
func QueueFindEvent(b *pgx.Batch, id uuid.UUID, into *bool) {
	b.Queue(findEvent, id).QueryRow(func(row pgx.Row) error { return row.Scan(into) })
}

// QueueProbe writes an answer under a key that nobody can send, to see whether there is room for one. The transaction
// is to be rolled back.
func QueueProbe(b *pgx.Batch, body string) {
	hash := sha256.Sum256([]byte(body))
	b.Queue(`INSERT INTO commands (key, request_hash, status, answer, recorded_at) VALUES ($1, $2, 0, $3, 'epoch')`,
		"\tprobe "+hex.EncodeToString(hash[:]), hash[:], body)
}

func queueAnswers(b *pgx.Batch, answers []Answered) {
	if len(answers) == 0 {
		return
	}
	var keys, bodies []string
	var hashes [][]byte
	var statuses []int32
	var positions []*int64
	var commands []*uuid.UUID
	var times []time.Time
	for _, a := range answers {
		keys, hashes, statuses = append(keys, a.Key), append(hashes, a.RequestHash), append(statuses, int32(a.Status))
		bodies, times = append(bodies, string(a.Body)), append(times, a.RecordedAt)
		if a.FirstPosition == 0 {
			positions, commands = append(positions, nil), append(commands, nil)
		} else {
			positions, commands = append(positions, &a.FirstPosition), append(commands, &a.Command)
		}
	}
	b.Queue(insertCommands, keys, hashes, statuses, bodies, positions, commands, times)
}
