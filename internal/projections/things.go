package projections

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	thingsPage     = query("things")
	thingsOpenPage = query("things_open")
	thingsWaiting  = query("things_waiting")
	thingsLines    = query("things_lines")
	history        = query("history")
	dating         = query("dates")
)

// Thing is a lot or portion, a charge, a ganache, a run or part of one, or boxes: exactly one of the five is there.
type Thing struct {
	Code     events.Code
	Position int64 // of the event that made it known
	Lot      *workshop.Lot
	Charge   *workshop.Charge
	Ganache  *workshop.Ganache
	Run      *workshop.Run
	Box      *workshop.Box

	Lines     []workshop.StockLine // its own
	PartLines []workshop.StockLine // those of its parts
}

// ThingFilter says which things. The zero of a field other than Kind leaves it out.
type ThingFilter struct {
	Kind    events.Kind
	Site    string
	Places  []string // with Site: what stands or stood at one of these is of the site too
	Subject string   // ingredient, formula or design; of a charge its vat
	Open    bool     // stands somewhere, or is not finished: a run still in its moulds, a charge not emptied
	Whole   bool     // no parts
	Waiting bool     // of runs: has good pieces or seconds that wait for release
	After   events.Code
	Limit   int
}

// Things lists things of a kind in code order, oldest first, with their open lines of stock. Parts are things of
// their own.
func Things(ctx context.Context, q Querier, f ThingFilter) ([]Thing, error) {
	sql := thingsPage
	switch {
	case f.Waiting:
		sql = thingsWaiting
	case f.Open:
		sql = thingsOpenPage
	}
	day, sequence, part := f.After.Numbers()
	things, err := collect(ctx, q, scanThing, "list things", sql, f.Kind.String(), f.Site, f.Subject, day, sequence, part, pageSize(f.Limit), f.Whole, f.Places)
	if err != nil {
		return nil, err
	}
	return things, addLines(ctx, q, things, false)
}

// ThingsOf finds things by their codes, in code order, with their open lines of stock. Unknown codes are left out.
func ThingsOf(ctx context.Context, q Querier, codes []events.Code) ([]Thing, error) {
	things, err := collect(ctx, q, scanThing, "find things",
		"SELECT code, position, state FROM things WHERE code = ANY ($1::text[]) ORDER BY day, sequence, part, code", codes)
	if err != nil {
		return nil, err
	}
	return things, addLines(ctx, q, things, false)
}

// OneThing finds a thing with every line of stock that it and its parts ever had; nil if there is none.
func OneThing(ctx context.Context, q Querier, code events.Code) (*Thing, error) {
	things, err := collect(ctx, q, scanThing, "find "+string(code), "SELECT code, position, state FROM things WHERE code = $1", code)
	if err != nil || len(things) == 0 {
		return nil, err
	}
	return &things[0], addLines(ctx, q, things, true)
}

// Parts lists the parts of a whole in their order: the portions of a lot, the parts of a run.
func Parts(ctx context.Context, q Querier, whole events.Code) ([]Thing, error) {
	day, sequence, _ := whole.Numbers()
	things, err := collect(ctx, q, scanThing, "find the parts of "+string(whole),
		"SELECT code, position, state FROM things WHERE kind = $1 AND day = $2 AND sequence = $3 AND part > 0 ORDER BY part",
		whole.Kind().String(), day, sequence)
	if err != nil {
		return nil, err
	}
	return things, addLines(ctx, q, things, false)
}

// MaxHistory bounds the history of a thing.
const MaxHistory = 500

// History gives the newest events that concern a code, at most MaxHistory of them, in the order of positions.
func History(ctx context.Context, q Querier, code events.Code) ([]events.Recorded, error) {
	found, err := collect(ctx, q, scanRecorded, "read the history of "+string(code), history, code, MaxHistory)
	slices.Reverse(found)
	return found, err
}

// datingTypes are the events that say a date.
var datingTypes = []string{
	events.IngredientReceived{}.EventType(), events.PortionOpened{}.EventType(), events.VatEmptied{}.EventType(),
	events.GanacheMade{}.EventType(), events.RunStarted{}.EventType(), events.ShellsCast{}.EventType(),
	events.PiecesDecorated{}.EventType(), events.MouldsFilled{}.EventType(), events.MouldsCapped{}.EventType(),
	events.StockMoved{}.EventType(), events.Redated{}.EventType(),
}

// Dating gives the newest events that may say a date of one of these codes, at most MaxHistory of them, in the order of
// positions.
func Dating(ctx context.Context, q Querier, codes []events.Code) ([]events.Recorded, error) {
	found, err := collect(ctx, q, func(row pgx.CollectableRow) (events.Recorded, error) {
		var position int64
		var text []byte
		if err := row.Scan(&position, &text); err != nil {
			return events.Recorded{}, err
		}
		return events.ParseCanonical(text)
	}, "read the dates", dating, codes, datingTypes, MaxHistory)
	slices.Reverse(found)
	return found, err
}

func scanThing(row pgx.CollectableRow) (Thing, error) {
	var t Thing
	var state []byte
	if err := row.Scan(&t.Code, &t.Position, &state); err != nil {
		return t, err
	}
	var err error
	switch t.Code.Kind() {
	case events.KindLot:
		t.Lot, err = pointer[workshop.Lot](state)
	case events.KindCharge:
		t.Charge, err = pointer[workshop.Charge](state)
	case events.KindGanache:
		t.Ganache, err = pointer[workshop.Ganache](state)
	case events.KindRun:
		t.Run, err = pointer[workshop.Run](state)
	case events.KindBox:
		t.Box, err = pointer[workshop.Box](state)
	default:
		err = errUnknownKind
	}
	return t, wrap(err, string(t.Code))
}

func pointer[T any](state []byte) (*T, error) {
	t, err := decode[T](state)
	return &t, err
}

// addLines reads the lines of stock of things and of their parts.
func addLines(ctx context.Context, q Querier, things []Thing, closedToo bool) error {
	codes := make([]events.Code, len(things))
	at := make(map[events.Code]*Thing, len(things))
	for i := range things {
		codes[i], at[things[i].Code] = things[i].Code, &things[i]
	}
	rows, err := q.Query(ctx, thingsLines, codes, closedToo)
	if err != nil {
		return fmt.Errorf("read the stock of things: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var of events.Code
		line, err := scanLine(rows, &of)
		if err != nil {
			return fmt.Errorf("read the stock of things: %w", err)
		}
		if line.Code == of {
			at[of].Lines = append(at[of].Lines, line)
		} else {
			at[of].PartLines = append(at[of].PartLines, line)
		}
	}
	return wrap(rows.Err(), "read the stock of things")
}
