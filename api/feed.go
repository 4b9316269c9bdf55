package api

import (
	"context"
	"net/http"
	"strconv"
	"strings"

	"firstout/api/openapi"
)

// GetFeed hands on the log as it grows.
func (h *handlers) GetFeed(ctx context.Context, r openapi.GetFeedRequestObject) (openapi.GetFeedResponseObject, error) {
	from, err := startOf(ctx, r.Params.LastEventID, r.Params.After)
	if err != nil {
		return nil, err
	}
	return feedStream{h.streams.stream(ctx, from, wholeLog{})}, nil
}

// feedStream is how the generated code asks for the stream.
type feedStream struct{ *stream }

func (s feedStream) VisitGetFeedResponse(w http.ResponseWriter) error { return s.serve(w) }

// wholeLog is the view of who reads the log: each event whole, and whatever falls due.
type wholeLog struct{}

func (wholeLog) event(m *message) (name string, data []byte, err error) { return "", m.event, nil }

func (wholeLog) sees(touch) bool { return true }

// A start is where a stream begins.
type start struct {
	after int64 // position
	now   bool  // because the caller asked for no other
}

// startOf finds where a stream begins: after the last message that the caller took, else after the position that it
// asks for, else at now. What this book never gave is gone.
func startOf(ctx context.Context, lastEventID *string, after *int64) (start, error) {
	mark := callOf(ctx).mark
	s := start{after: mark.Position, now: lastEventID == nil && after == nil}
	switch {
	case lastEventID != nil:
		epoch, position, err := splitID(*lastEventID)
		if err != nil {
			return start{}, err
		}
		if epoch != mark.Epoch {
			return start{}, cursorGone()
		}
		s.after = position
	case after != nil:
		s.after = *after
	}
	if s.after > mark.Position {
		return start{}, cursorGone()
	}
	return s, nil
}

// splitID takes the id of a message apart: the book's epoch, and a position.
func splitID(id string) (epoch string, position int64, err error) {
	at := strings.LastIndexByte(id, '-')
	if at > 0 {
		if position, err = strconv.ParseInt(id[at+1:], 10, 64); err == nil && position >= 0 {
			return id[:at], position, nil
		}
	}
	return "", 0, invalid(misfit{Pointer: "/header/Last-Event-ID", Detail: "expected the id of a message of this stream, as it was given"})
}

// messageID is the id of the message of an event.
func messageID(epoch string, position int64) string {
	return epoch + "-" + strconv.FormatInt(position, 10)
}
