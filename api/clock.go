package api

import (
	"context"
	"errors"
	"time"

	"firstout/api/openapi"
	"firstout/internal/book"
	"firstout/internal/workshop"
)

// SetClock moves the manual clock of a demo or test book.
func (h *handlers) SetClock(ctx context.Context, r openapi.SetClockRequestObject) (openapi.SetClockResponseObject, error) {
	now := r.Body.Now.UTC().Truncate(time.Microsecond) // what the book keeps
	err := h.book.SetClock(ctx, now)
	switch {
	case errors.Is(err, book.ErrNoManualClock):
		return nil, &workshop.Refusal{
			Slug:   workshop.RefusedWrongState,
			Detail: "This book goes by the clock on the wall: only a demo or test book that was started with the manual clock can be set.",
		}
	case errors.Is(err, book.ErrClockBack):
		return nil, &workshop.Refusal{
			Slug: workshop.RefusedTooLongAgo, Facts: workshop.Facts{"asked": now},
			Detail: "The manual clock moves forward only: give a time that is not before the one it shows.",
		}
	case err != nil:
		return nil, err
	}
	return openapi.SetClock200JSONResponse{Now: now}, nil
}
