package api

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"

	"github.com/google/uuid"

	"firstout/api/openapi"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

func (s stored) VisitErasePersonResponse(w http.ResponseWriter) error { return s.write(w) }

// ErasePerson takes what identifies a supplier or buyer away for ever.
func (h *handlers) ErasePerson(ctx context.Context, r openapi.ErasePersonRequestObject) (openapi.ErasePersonResponseObject, error) {
	erase := workshop.Erase{Supplier: valueOf(r.Body.Supplier), Buyer: valueOf(r.Body.Buyer)}
	var erased workshop.Erased
	recorded, err := h.unkeyed(ctx, erase, func(decided any) { erased = decided.(workshop.Erased) })
	if err != nil {
		return nil, err
	}
	shown := openapi.Erasure{Kind: openapi.ErasureKind(erased.Kind), Slug: erased.Slug, Versions: erased.Versions}
	if len(recorded) == 0 {
		return answered(http.StatusOK, shown)
	}
	shown.ID, shown.Recorded = &erased.ID, pointerTo(recordedOf(recorded))
	return answered(http.StatusCreated, shown)
}

// An answer that a key keeps for ever says who somebody is by the log's word for them only. Before it goes out, the first
// time and every time, that is replaced by what is kept of them, which may have been erased meanwhile.
const standIn = "person:"

// standingIn finds stand-ins in an answer. Inside of a text its quotation marks would be escaped, so that nothing anybody
// typed looks like one.
var standingIn = regexp.MustCompile(`"contact":"` + standIn + `([0-9a-f-]{36})"`)

// withContacts puts contacts into the place of their stand-ins.
func (h *handlers) withContacts(ctx context.Context, body []byte) ([]byte, error) {
	found := standingIn.FindAllSubmatch(body, -1)
	if found == nil {
		return body, nil
	}
	people := make([]uuid.UUID, 0, len(found))
	for _, match := range found {
		id, err := uuid.ParseBytes(match[1])
		if err != nil {
			return nil, fmt.Errorf("read a kept answer: %w", err)
		}
		people = append(people, id)
	}
	contacts, err := projections.Contacts(ctx, h.pool, people)
	if err != nil {
		return nil, err
	}
	return standingIn.ReplaceAllFunc(body, func(match []byte) []byte {
		id := uuid.MustParse(string(standingIn.FindSubmatch(match)[1]))
		text, _ := json.Marshal(contacts[id]) // of a string: it does not fail
		return bytes.Join([][]byte{[]byte(`"contact":`), text}, nil)
	}), nil
}

// standInFor is what an answer that is kept has in the place of a buyer's contact; nil where there is none.
func standInFor(s workshop.RecallSale) *string {
	if s.Contact == "" || s.Person == uuid.Nil {
		return nil
	}
	return pointerTo(standIn + s.Person.String())
}

// contactOf is a buyer's contact for an answer that nobody keeps.
func contactOf(s workshop.RecallSale) *string { return optional(s.Contact) }
