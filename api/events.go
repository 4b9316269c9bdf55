package api

import (
	"context"
	"encoding/json"
	"fmt"

	"firstout/api/openapi"
	"firstout/internal/events/eventlog"
	"firstout/internal/workshop"
)

// ListEvents answers the log itself, by position.
func (h *handlers) ListEvents(ctx context.Context, r openapi.ListEventsRequestObject) (openapi.ListEventsResponseObject, error) {
	p := r.Params
	page, err := pageOf(ctx, p.Limit, p.Cursor)
	if err != nil {
		return nil, err
	}
	filter := eventlog.Filter{After: valueOf(p.After), Type: valueOf(p.Type), Limit: page.limit + 1}
	if filter.After > callOf(ctx).mark.Position {
		return nil, cursorGone()
	}
	if p.Code != nil {
		code, refusal := workshop.ParseCode(*p.Code)
		if refusal != nil {
			return nil, refusal
		}
		filter.Code = code
	}
	if err := page.follows(&filter.After); err != nil {
		return nil, err
	}
	found, err := eventlog.Read(ctx, h.pool, filter)
	if err != nil {
		return nil, err
	}
	rows, next, err := turn(ctx, page, found, func(s eventlog.Stored) any { return s.Position })
	if err != nil {
		return nil, err
	}
	answer := openapi.EventPage{Events: make([]openapi.Event, 0, len(rows)), NextCursor: next}
	for _, s := range rows {
		event, err := eventOf(s)
		if err != nil {
			return nil, err
		}
		answer.Events = append(answer.Events, event)
	}
	return openapi.ListEvents200JSONResponse(answer), nil
}

func eventOf(s eventlog.Stored) (openapi.Event, error) {
	var sealed struct {
		Codes []string        `json:"codes"`
		Data  json.RawMessage `json:"data"`
	}
	if err := json.Unmarshal([]byte(s.Canonical), &sealed); err != nil {
		return openapi.Event{}, fmt.Errorf("read the event at %d: %w", s.Position, err)
	}
	return openapi.Event{
		Position: s.Position, ID: s.ID, Type: s.Data.EventType(), Version: s.Version, OccurredAt: s.OccurredAt,
		RecordedAt: s.RecordedAt, Actor: s.Actor, Site: s.Site, Key: s.Key, Command: s.Command, Data: sealed.Data,
		Codes: sealed.Codes, Canonical: s.Canonical,
	}, nil
}
