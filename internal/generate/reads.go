package generate

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// A Read is one of the questions that are asked all day.
type Read struct {
	Name string
	Ask  func(ctx context.Context) (rows int, err error)
}

// What is asked of runs and lots among the Reads.
const (
	TraceBack        = "a run back to its lots"
	TraceBackAlike   = "a run back, as long as book 1's"
	TraceForward     = "a lot of cream forward"
	TraceForwardLike = "a lot forward, as long as book 1's"
)

// Subjects are what is asked about in a generated book.
type Subjects struct {
	Run      events.Code       // the last one made that stands on the counter
	Lot      events.Code       // of cream, of the middle of the book: long gone
	RunAlike events.Code       // a run on the counter whose trace has about as many edges as that of the book that it is to be compared with
	LotAlike events.Code       // the same of a delivery of cream; the other edges of both are in Edges
	Edges    [2]int            // of the traces of RunAlike and LotAlike
	Until    civil.Day         // the book's last day
	Earlier  *projections.Past // the book three days before its end, which is there in a week's book too
	RunThen  events.Code       // a run that stood on the counter then
}

// newest bounds among how many runs and lots an alike one is looked for.
const newest = 120

// SubjectsOf chooses what to ask about. Traces grow as long as a tank is not cleaned, whatever the age of the book: to tell
// that age from them, like (nil: none, the longest traces are taken) says how long those of the other book are.
func SubjectsOf(ctx context.Context, q projections.Querier, until civil.Day, like *Subjects) (Subjects, error) {
	s := Subjects{Until: until}
	var err error
	if s.Earlier, err = earlier(ctx, q); err != nil {
		return s, err
	}
	stood, err := s.Earlier.BoardLines(ctx, shelf)
	if err != nil {
		return s, fmt.Errorf("find something that stood there earlier: %w", err)
	}
	if len(stood) == 0 {
		return s, errors.New("nothing stood on the counter three days before the book's end")
	}
	for _, line := range stood {
		if s.RunThen == "" || line.Code.Compare(s.RunThen) > 0 {
			s.RunThen = line.Code
		}
	}
	runs, err := codes(ctx, q, `SELECT s.code FROM stock s JOIN things t USING (code)
WHERE s.open AND s.place = $1 AND s.grade = 'first' AND NOT s.unreleased AND s.code LIKE 'R%' ORDER BY t.position DESC LIMIT $2`, shelf)
	if err != nil {
		return s, err
	}
	lots, err := codes(ctx, q, "SELECT code FROM things WHERE kind = 'lot' AND part = 0 AND subject = $1 ORDER BY day DESC, sequence DESC LIMIT $2", "cream-35")
	if err != nil {
		return s, err
	}
	middle, err := codes(ctx, q, `SELECT code FROM things WHERE kind = 'lot' AND part = 0 AND subject = $1
    AND occurred_at <= (SELECT min(occurred_at) + (max(occurred_at) - min(occurred_at)) / 2 FROM things)
ORDER BY occurred_at DESC LIMIT $2`, "cream-35")
	if err != nil {
		return s, err
	}
	s.Run, s.Lot = runs[0], middle[0]
	wanted := [2]int{math.MaxInt32, math.MaxInt32}
	if like != nil {
		wanted = like.Edges
	}
	if s.RunAlike, s.Edges[0], err = alike(ctx, q, runs, wanted[0], projections.TraceBack); err != nil {
		return s, err
	}
	s.LotAlike, s.Edges[1], err = alike(ctx, q, lots, wanted[1], projections.TraceForward)
	return s, err
}

// codes reads the newest codes of something that there must be.
func codes(ctx context.Context, q projections.Querier, sql, about string) ([]events.Code, error) {
	rows, err := q.Query(ctx, sql, about, newest)
	if err != nil {
		return nil, fmt.Errorf("find something of %s to ask about: %w", about, err)
	}
	defer rows.Close()
	var found []events.Code
	for rows.Next() {
		var code events.Code
		if err := rows.Scan(&code); err != nil {
			return nil, fmt.Errorf("find something of %s to ask about: %w", about, err)
		}
		found = append(found, code)
	}
	if rows.Err() == nil && len(found) == 0 {
		return nil, fmt.Errorf("there is nothing of %s to ask about", about)
	}
	return found, rows.Err()
}

// alike finds the one whose trace has the number of edges that is nearest to what is wanted.
func alike(ctx context.Context, q projections.Querier, among []events.Code, wanted int,
	trace func(context.Context, projections.Querier, events.Code) (projections.Trace, error),
) (best events.Code, edges int, err error) {
	for _, code := range among {
		t, err := trace(ctx, q, code)
		if err != nil {
			return "", 0, err
		}
		if far := len(t.Edges) - wanted; best == "" || max(far, -far) < max(edges-wanted, wanted-edges) {
			best, edges = code, len(t.Edges)
		}
	}
	return best, edges, nil
}

// Reads are the hot questions of a generated book, asked of what a shop asks them of.
func Reads(q projections.Querier, s Subjects) []Read {
	from := s.Until.AddDays(-1).StartIn(time.UTC).Add(10 * time.Hour)
	edges := func(trace func(context.Context, projections.Querier, events.Code) (projections.Trace, error), of events.Code) func(context.Context) (int, error) {
		return func(ctx context.Context) (int, error) {
			t, err := trace(ctx, q, of)
			return len(t.Edges), err
		}
	}
	return []Read{
		{TraceBack, edges(projections.TraceBack, s.Run)},
		{TraceBackAlike, edges(projections.TraceBack, s.RunAlike)},
		{TraceForward, edges(projections.TraceForward, s.Lot)},
		{TraceForwardLike, edges(projections.TraceForward, s.LotAlike)},
		{"candidates of a piece", func(ctx context.Context) (int, error) {
			found, err := projections.Candidates(ctx, q, pieces[0].slug, from, from.Add(8*time.Hour), []string{shelf})
			return len(found), err
		}},
		{"board", func(ctx context.Context) (int, error) {
			lines, err := projections.BoardLines(ctx, q, shelf)
			if err != nil {
				return 0, err
			}
			_, err = projections.Demand(ctx, q, shelf, s.Until)
			return len(lines), err
		}},
		{"pick list", func(ctx context.Context) (int, error) {
			lines, err := projections.PickLines(ctx, q, shelf, pieces[0].slug)
			return len(lines), err
		}},
		{"stock, a page of 100", func(ctx context.Context) (int, error) {
			lines, err := projections.Stock(ctx, q, projections.StockFilter{Limit: 100})
			return len(lines), err
		}},
		{"history of a run", func(ctx context.Context) (int, error) {
			recorded, err := projections.History(ctx, q, s.Run)
			return len(recorded), err
		}},
		{"stock three days ago", func(ctx context.Context) (int, error) {
			lines, err := s.Earlier.Stock(ctx, projections.StockFilter{
				Place: shelf, Kinds: []events.Kind{events.KindRun, events.KindLot, events.KindGanache, events.KindBox}, Limit: 101,
			})
			return len(lines), err
		}},
		{"board three days ago", func(ctx context.Context) (int, error) {
			lines, err := s.Earlier.BoardLines(ctx, shelf)
			return len(lines), err
		}},
		{"balance of a run three days ago", func(ctx context.Context) (int, error) {
			_, err := s.Earlier.Balance(ctx, s.RunThen)
			return 1, err
		}},
		{"a run back three days ago", func(ctx context.Context) (int, error) {
			t, err := s.Earlier.Trace(ctx, s.RunThen, false, false)
			if err != nil || t == nil {
				return 0, err
			}
			return len(t.Edges), nil
		}},
		{"stale labels", func(ctx context.Context) (int, error) {
			codes, err := projections.LabelledCodes(ctx, q, nil)
			return len(codes), err
		}},
	}
}

// earlier is the book three days before its end, as it was known then.
func earlier(ctx context.Context, q projections.Querier) (*projections.Past, error) {
	defs, err := projections.LoadDefinitions(ctx, q)
	if err != nil {
		return nil, err
	}
	var cut workshop.Cut
	if err := q.QueryRow(ctx, "SELECT recorded_at - interval '3 days' FROM head").Scan(&cut.At); err != nil {
		return nil, fmt.Errorf("find out when three days ago was: %w", err)
	}
	cut.Known, err = projections.PositionAt(ctx, q, cut.At)
	return projections.NewPast(q, defs, cut), err
}

// Took is how long a question took.
type Took struct {
	Rows     int
	P50, P99 time.Duration
}

// warmUp is how often each is asked before anything is measured: PostgreSQL settles on a plan at the sixth time. fewest is how
// often each is measured at the least.
const (
	warmUp = 6
	fewest = 6
)

// Measure asks some questions in turn, so many times each but no longer than for a time in all, and tells for each how long
// it took. clock is the time on the wall.
func Measure(ctx context.Context, clock func() time.Time, times int, most time.Duration, reads ...Read) ([]Took, error) {
	all, measured := make([][]time.Duration, len(reads)), make([]Took, len(reads))
	start := clock()
	for n := range warmUp + times {
		if n >= warmUp+fewest && clock().Sub(start) > most {
			break
		}
		for i, read := range reads {
			began := clock()
			rows, err := read.Ask(ctx)
			took := clock().Sub(began)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", read.Name, err)
			}
			if measured[i].Rows = rows; n >= warmUp {
				all[i] = append(all[i], took)
			}
		}
	}
	for i, took := range all {
		slices.Sort(took)
		measured[i].P50, measured[i].P99 = took[(len(took)-1)/2], took[(len(took)-1)*99/100]
	}
	return measured, nil
}
