package api

import (
	"context"
	"encoding/json"
	"net/http"

	"firstout/api/openapi"
)

// GetBoardStream tells when a board changes, and not how: whoever is told asks for the board again.
func (h *handlers) GetBoardStream(ctx context.Context, r openapi.GetBoardStreamRequestObject) (openapi.GetBoardStreamResponseObject, error) {
	view := boardChanges{site: actorOf(ctx).Site}
	if r.Params.Place != nil {
		if err := checkPlace(ctx, *r.Params.Place); err != nil {
			return nil, err
		}
		view.place, view.site = *r.Params.Place, momentOf(ctx).defs.SiteOf(*r.Params.Place)
	}
	from, err := startOf(ctx, r.Params.LastEventID, r.Params.After)
	if err != nil {
		return nil, err
	}
	return boardStream{h.streams.stream(ctx, from, view)}, nil
}

// boardStream is how the generated code asks for the stream.
type boardStream struct{ *stream }

func (s boardStream) VisitGetBoardStreamResponse(w http.ResponseWriter) error { return s.serve(w) }

// boardChanges is the view of who shows a board: which codes at which position, and nothing else of the event.
type boardChanges struct {
	place string // empty: any
	site  string // empty: any; the place's, if one is given
}

func (b boardChanges) sees(t touch) bool {
	return (b.place == "" || t.place == "" || t.place == b.place) && (b.site == "" || t.site == "" || t.site == b.site)
}

func (b boardChanges) event(m *message) (name string, data []byte, err error) {
	change, concerned := boardChange{Position: m.position, Codes: []string{}}, false
	for _, t := range m.touches {
		if b.sees(t) {
			concerned = true
			change.Codes = appendCode(change.Codes, t.code)
		}
	}
	if !concerned {
		return "", nil, nil
	}
	data, err = json.Marshal(change)
	return "board", data, err
}

// boardChange is what a board is told of an event.
type boardChange struct {
	Position int64    `json:"position"`
	Codes    []string `json:"codes"`
}
