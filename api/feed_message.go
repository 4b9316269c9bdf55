package api

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// A message is what streams are made of: an event of the log, or an instant at which something fell due. It is made
// once for all streams, and not changed.
type message struct {
	position int64  // of the event; 0: it is a tick
	event    []byte // as GET /v1/events answers it
	touches  []touch
	tick     *tick
}

// A touch is what an event has to do with a board: a thing at a place; or without a code, a definition that the boards
// of that place, of that site or, where neither is named, everywhere show.
type touch struct {
	place, site string
	code        events.Code
}

// A tick is an instant at which something fell due, which writes no event.
type tick struct {
	at       time.Time
	due      []due
	midnight []string // the sites where a day began
}

type due struct {
	touch
	discard bool // its discard_by, else its ends_by
}

// toldTick is a tick as it is told.
type toldTick struct {
	At        time.Time `json:"at"`
	EndsBy    []string  `json:"ends_by"`
	DiscardBy []string  `json:"discard_by"`
	Midnight  []string  `json:"midnight"`
}

// told gives what a view sees of the tick, nil if that is nothing.
func (t *tick) told(v view) ([]byte, error) {
	told := toldTick{At: t.at, EndsBy: []string{}, DiscardBy: []string{}, Midnight: []string{}}
	for _, d := range t.due {
		switch {
		case !v.sees(d.touch):
		case d.discard:
			told.DiscardBy = appendCode(told.DiscardBy, d.code)
		default:
			told.EndsBy = appendCode(told.EndsBy, d.code)
		}
	}
	for _, site := range t.midnight {
		if v.sees(touch{site: site}) {
			told.Midnight = append(told.Midnight, site)
		}
	}
	if len(told.EndsBy)+len(told.DiscardBy)+len(told.Midnight) == 0 {
		return nil, nil
	}
	return json.Marshal(told)
}

// appendCode adds a code unless it is none or there already.
func appendCode(codes []string, code events.Code) []string {
	if code == "" || slices.Contains(codes, string(code)) {
		return codes
	}
	return append(codes, string(code))
}

// readBatch is how many events are read at once: few enough for a slow reader's goroutine to hold, enough for one that
// starts at the beginning to get on.
const readBatch = 100

// readMessages reads the next events after a position, with what they touched.
func readMessages(ctx context.Context, q projections.Querier, defs *workshop.Definitions, after int64) ([]*message, error) {
	found, err := eventlog.Read(ctx, q, eventlog.Filter{After: after, Limit: readBatch})
	if err != nil {
		return nil, err
	}
	recorded := make([]events.Recorded, len(found))
	for i, s := range found {
		recorded[i] = s.Recorded
	}
	touched, err := projections.Touched(ctx, q, recorded)
	if err != nil {
		return nil, err
	}
	messages := make([]*message, len(found))
	for i, s := range found {
		event, err := eventOf(s)
		if err != nil {
			return nil, err
		}
		m := &message{position: s.Position, touches: shownBy(s.Data)}
		if m.event, err = json.Marshal(event); err != nil {
			return nil, fmt.Errorf("show the event at %d: %w", s.Position, err)
		}
		for len(touched) > 0 && touched[0].Position == s.Position {
			t := touched[0]
			m.touches, touched = append(m.touches, touch{place: t.Place, site: defs.SiteOf(t.Place), code: t.Code}), touched[1:]
		}
		messages[i] = m
	}
	return messages, nil
}

// shownBy tells which boards show a definition: names, days for the customer, what a site handles.
func shownBy(data events.Event) []touch {
	switch e := data.(type) {
	case events.DesignDefined:
		return []touch{{}}
	case events.SiteDefined:
		return []touch{{site: e.Slug}}
	case events.PlaceDefined:
		return []touch{{place: e.Slug, site: e.Site}}
	}
	return nil
}

// readTicks finds what fell due after one moment and up to another, in the order of the instants. A clock that was
// moved over several midnights tells of a site's last one only: it is another day there.
func readTicks(ctx context.Context, q projections.Querier, defs *workshop.Definitions, after, until time.Time) ([]*message, error) {
	found, err := projections.DueBetween(ctx, q, after, until)
	if err != nil {
		return nil, err
	}
	ticks := map[time.Time]*tick{}
	at := func(instant time.Time) *tick {
		if ticks[instant] == nil {
			ticks[instant] = &tick{at: instant}
		}
		return ticks[instant]
	}
	for _, d := range found {
		t := at(d.At)
		t.due = append(t.due, due{touch: touch{place: d.Place, site: defs.SiteOf(d.Place), code: d.Code}, discard: d.Discard})
	}
	for slug := range defs.Sites {
		if instant, is := midnightBetween(defs.Zone(slug), after, until); is {
			t := at(instant)
			t.midnight = append(t.midnight, slug)
		}
	}
	messages := make([]*message, 0, len(ticks))
	for _, t := range ticks {
		slices.Sort(t.midnight)
		messages = append(messages, &message{tick: t})
	}
	slices.SortFunc(messages, func(a, b *message) int { return a.tick.at.Compare(b.tick.at) })
	return messages, nil
}

// midnightBetween gives the instant at which the day at until began, if it is another day than at after.
func midnightBetween(zone *time.Location, after, until time.Time) (time.Time, bool) {
	today := civil.DayOf(until, zone)
	if today == civil.DayOf(after, zone) {
		return time.Time{}, false
	}
	began := today.StartIn(zone).UTC()
	if !began.After(after) || began.After(until) { // the clock goes back over midnight: the date changes more than once
		began = until
	}
	return began, true
}
