package api

import (
	"context"
	"encoding/json"
	"fmt"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// partedOf tells what a part came out of; nil of what is no part that a move made.
func partedOf(p workshop.Parting) *openapi.Parted {
	if p.Parted == nil {
		return nil
	}
	return &openapi.Parted{From: string(p.Parted.From), At: p.Parted.At, Cause: openapi.PartedCause(p.Parted.Cause)}
}

// frozenNow gives what is in the freezer the date that it would have if it were thawed now.
func (m moment) frozenNow(things ...projections.Thing) {
	for _, t := range things {
		switch {
		case t.Run != nil:
			t.Run.Expiry = m.shown(t.Run.Expiry, t.Run.Frozen, t.Run.Site)
		case t.Box != nil:
			t.Box.Expiry = m.shown(t.Box.Expiry, t.Box.Frozen, t.Box.Site)
		case t.Ganache != nil:
			t.Ganache.Expiry = m.shown(t.Ganache.Expiry, t.Ganache.Frozen, t.Ganache.Site)
		case t.Lot != nil:
			t.Lot.Expiry = m.shown(t.Lot.Expiry, t.Lot.Frozen, t.Lot.Site)
		}
	}
}

func (m moment) shown(e events.Expiry, frozen *events.Freezing, site string) events.Expiry {
	return workshop.Shown(e, frozen, m.now, m.defs.Zone(site))
}

// frozenDates gives, of lines of stock, those that stand in a freezer the dates that they would have if they were thawed
// at the moment.
func (h *handlers) frozenDates(ctx context.Context, m moment, lines []*workshop.StockLine) (map[events.Code]events.Expiry, error) {
	var codes []events.Code
	for _, l := range lines {
		if place := m.defs.Places.Latest(l.Place); place != nil && place.Body.Storage == "frozen" {
			codes = append(codes, l.Code)
		}
	}
	if len(codes) == 0 {
		return nil, nil
	}
	things, err := projections.ThingsOf(ctx, h.pool, codes)
	if err != nil {
		return nil, err
	}
	m.frozenNow(things...)
	shown := map[events.Code]events.Expiry{}
	for _, t := range things {
		switch {
		case t.Run != nil && t.Run.Frozen != nil:
			shown[t.Code] = t.Run.Expiry
		case t.Box != nil && t.Box.Frozen != nil:
			shown[t.Code] = t.Box.Expiry
		case t.Ganache != nil && t.Ganache.Frozen != nil:
			shown[t.Code] = t.Ganache.Expiry
		case t.Lot != nil && t.Lot.Frozen != nil:
			shown[t.Code] = t.Lot.Expiry
		}
	}
	for _, l := range lines {
		if e, frozen := shown[l.Code]; frozen {
			l.Dates = workshop.LineDates{Kind: e.Kind, Date: e.Date, EndsBy: e.EndsBy, DiscardBy: e.DiscardBy}
		}
	}
	return shown, nil
}

// frozenBoard does the same for the lines of a board.
func (h *handlers) frozenBoard(ctx context.Context, m moment, board []projections.BoardLine) error {
	lines := make([]*workshop.StockLine, len(board))
	for i := range board {
		lines[i] = &board[i].StockLine
	}
	shown, err := h.frozenDates(ctx, m, lines)
	if err != nil {
		return err
	}
	for i, l := range board {
		if e, frozen := shown[l.Code]; frozen {
			if board[i].Expiry, err = json.Marshal(e); err != nil {
				return fmt.Errorf("show the date of %s: %w", l.Code, err)
			}
		}
	}
	return nil
}
