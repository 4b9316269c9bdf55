// Package generate plays days of an invented shop straight into the workshop's own decisions, and has what comes of them
// written down by COPY: books of any size, the same for the same seed, for measuring. What it writes are true events: every
// one was decided by package workshop. It writes nothing down late, and the answers that it keeps beside the idempotency keys
// are short ones.
package generate

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events/eventlog"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// Size says what to play.
type Size struct {
	Days        int
	RunsPerDay  int
	SalesPerDay int
	Seed        uint64
	Until       civil.Day // the last of the days
}

// shop is the invented shop at work.
type shop struct {
	Size
	ctx   context.Context
	book  *projections.Bulk
	rng   *rand.Rand
	now   time.Time
	today civil.Day
	keys  int

	holds []uuid.UUID // to be lifted
}

// The people, by the opaque ids of keys that nobody has.
var (
	owner   = workshop.Actor{ID: "6f1c1f0e-9a5e-4d0b-8a53-2f4f6d1c0a01", Roles: []string{"owner"}}
	maker   = workshop.Actor{ID: "6f1c1f0e-9a5e-4d0b-8a53-2f4f6d1c0a02", Roles: []string{"maker"}}
	counter = workshop.Actor{ID: "6f1c1f0e-9a5e-4d0b-8a53-2f4f6d1c0a03", Roles: []string{"counter"}}
)

// Play plays the days, one after the other, and tells after each how many are done.
func Play(ctx context.Context, book *projections.Bulk, size Size, done func(days int)) error {
	s := &shop{Size: size, ctx: ctx, book: book, rng: rand.New(rand.NewPCG(size.Seed, 0xf1257))}
	s.begin(size.Until.AddDays(-size.Days), 8, 0)
	for _, define := range catalogue() {
		if _, err := s.do(owner, define); err != nil {
			return err
		}
	}
	for n := range size.Days {
		s.today = size.Until.AddDays(n + 1 - size.Days)
		if err := s.day(n); err != nil {
			return fmt.Errorf("%s: %w", s.today, err)
		}
		if err := book.Shed(ctx, s.now.Add(-36*time.Hour)); err != nil {
			return err
		}
		done(n + 1)
	}
	return nil
}

// begin moves the clock to a time of a day; it never goes back.
func (s *shop) begin(day civil.Day, hour, minute int) {
	if at := time.Date(day.Year, day.Month, day.Day, hour, minute, 0, 0, time.UTC); at.After(s.now) {
		s.now = at
	}
}

// tick lets some time pass between two entries.
func (s *shop) tick(most time.Duration) { s.now = s.now.Add(time.Millisecond + s.upTo(most)) }

func (s *shop) upTo(most time.Duration) time.Duration {
	return time.Duration(s.rng.Int64N(int64(most))).Truncate(time.Microsecond)
}

// chance is true so many times in a thousand.
func (s *shop) chance(perMille int) bool { return s.rng.IntN(1000) < perMille }

// try has a command decided and written down. A refusal is told and nothing written.
func (s *shop) try(who workshop.Actor, command workshop.Command) (any, *workshop.Refusal, error) {
	s.keys++
	key := ""
	if _, defines := command.(workshop.Define); !defines {
		key = fmt.Sprintf("generated-%d", s.keys)
	}
	clock := workshop.Clock{Now: s.now.Truncate(time.Microsecond), Next: s.book.Head().Position + 1, NewID: s.newID}
	outcome, err := workshop.Carry(s.book.Set(), command, who, key, clock)
	if err != nil || outcome.Refusal != nil {
		return nil, outcome.Refusal, err
	}
	s.tick(20 * time.Millisecond)
	answer, err := answerTo(key, outcome)
	if err != nil {
		return nil, nil, err
	}
	return outcome.Answer, nil, s.book.Take(s.ctx, outcome, answer)
}

// do is try, of what cannot be refused.
func (s *shop) do(who workshop.Actor, command workshop.Command) (any, error) {
	answer, refusal, err := s.try(who, command)
	if refusal != nil {
		return nil, fmt.Errorf("%T was refused: %w", command, refusal)
	}
	return answer, err
}

// answerTo is the answer that a command's key gets for ever; nil of a definition, and where nothing was recorded.
func answerTo(key string, outcome workshop.Outcome) (*eventlog.Answered, error) {
	if key == "" || len(outcome.Recorded) == 0 {
		return nil, nil
	}
	type event struct {
		ID       uuid.UUID `json:"id"`
		Position int64     `json:"position"`
		Type     string    `json:"type"`
	}
	first := outcome.Recorded[0]
	told := map[string]any{"command": first.ID, "at": first.RecordedAt}
	var list []event
	for _, r := range outcome.Recorded {
		list = append(list, event{ID: r.ID, Position: r.Position, Type: r.Data.EventType()})
	}
	told["events"] = list
	body, err := json.Marshal(map[string]any{"recorded": told})
	if err != nil {
		return nil, fmt.Errorf("write the answer to %s: %w", key, err)
	}
	hash := sha256.Sum256([]byte(key))
	return &eventlog.Answered{
		Key: key, RequestHash: hash[:], Status: http.StatusCreated, Body: body, FirstPosition: first.Position, Command: first.ID, RecordedAt: first.RecordedAt,
	}, nil
}

// newID is a UUIDv7 of the shop's own time, and of chance that the seed gives.
func (s *shop) newID() (id uuid.UUID) {
	binary.BigEndian.PutUint64(id[:8], uint64(s.now.UnixMilli())<<16|s.rng.Uint64N(1<<12)|0x7000)
	binary.BigEndian.PutUint64(id[8:], s.rng.Uint64()>>2|1<<63)
	return id
}
