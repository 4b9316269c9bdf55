package api

import (
	"context"
	"slices"
	"time"

	"firstout/internal/civil"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// A moment is where the book stood when a request came in: what a question is answered as of.
type moment struct {
	now        time.Time
	recordedAt time.Time // of the newest event
	defs       *workshop.Definitions
}

// Clock is the time on the wall, and whether the book's manual clock stands over it.
type Clock struct {
	Wall   func() time.Time
	Manual bool
}

// State tells where the book stands. It keeps the catalogue, which changes seldom, until a newer one is written.
type State struct {
	pool  projections.Querier
	clock Clock

	turn chan struct{} // holds one while nobody uses what follows: who waits for it may give up
	at   int64         // position of the newest definition in defs
	defs *workshop.Definitions
}

// NewState tells where the book in that database stands.
func NewState(pool projections.Querier, clock Clock) *State {
	s := &State{pool: pool, clock: clock, turn: make(chan struct{}, 1)}
	s.turn <- struct{}{}
	return s
}

// Mark reads where the book stands.
func (s *State) Mark(ctx context.Context) (Mark, error) {
	mark, err := projections.ReadMark(ctx, s.pool, s.clock.Wall(), s.clock.Manual)
	if err != nil {
		return Mark{}, err
	}
	defs, err := s.definitions(ctx, mark.DefinitionsAt)
	if err != nil {
		return Mark{}, err
	}
	m := Mark{Epoch: mark.Epoch, Position: mark.Position, moment: moment{now: mark.Now, recordedAt: mark.RecordedAt, defs: defs}}
	if mark.NextDue != nil {
		m.NextDue = *mark.NextDue
	}
	sites := make([]string, 0, len(defs.Sites))
	for slug := range defs.Sites {
		sites = append(sites, slug)
	}
	slices.Sort(sites)
	for _, slug := range sites {
		m.Today = append(m.Today, civil.DayOf(mark.Now, defs.Zone(slug)))
	}
	return m, nil
}

func (s *State) definitions(ctx context.Context, at int64) (*workshop.Definitions, error) {
	select {
	case <-s.turn:
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	defer func() { s.turn <- struct{}{} }()
	if s.defs == nil || s.at != at {
		defs, err := projections.LoadDefinitions(ctx, s.pool)
		if err != nil {
			return nil, err
		}
		s.defs, s.at = defs, at
	}
	return s.defs, nil
}

// momentOf is where the book stood when the question came in.
func momentOf(ctx context.Context) moment { return callOf(ctx).mark.moment }
