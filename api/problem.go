package api

import (
	"encoding/json"
	"fmt"
	"net/http"

	"github.com/google/uuid"

	"firstout/internal/workshop"
)

// A problem is an answer other than the one hoped for, on its way to becoming RFC 9457. Handlers return it as an
// error where the shell could not have known: a key used for another request, a cursor ahead of the book.
type problem struct {
	slug   workshop.Slug // a key of kinds
	status int           // 0: its kind's
	detail string        // a sentence that a person can act on
	facts  workshop.Facts
	off    []misfit // of invalid-request
	header map[string]string
}

// A misfit is one place where a request is off the document.
type misfit struct {
	Pointer string `json:"pointer"` // JSON Pointer into the body, or /query/…, /path/…, /header/…
	Detail  string `json:"detail"`
}

func (p *problem) Error() string { return fmt.Sprintf("%s: %s", p.slug, p.detail) }

// invalid is the problem of a request that is off the document in these places.
func invalid(off ...misfit) *problem {
	detail := "The request is not as the document says. Mend what errors names and send it again."
	if len(off) == 1 {
		detail = "The request is not as the document says: " + off[0].text()
	}
	return &problem{slug: slugInvalidRequest, detail: detail, off: off}
}

// impossible is the problem of a request that is on the document, and cannot be meant: what this place says does not
// go with another, in a way that the document has no words for.
func impossible(off misfit) *problem {
	return &problem{
		slug: slugInvalidRequest, status: http.StatusUnprocessableEntity, off: []misfit{off},
		detail: "The request cannot be meant so: " + off.text(),
	}
}

func (m misfit) text() string {
	if m.Pointer == "" {
		return m.Detail + "."
	}
	return m.Pointer + ": " + m.Detail + "."
}

// body gives the problem's document. Facts stand beside the standard's own members and never over them.
func (p *problem) body(status int, id uuid.UUID) ([]byte, error) {
	members := map[string]any{}
	for name, fact := range p.facts {
		members[name] = fact
	}
	members["type"] = problemPath + string(p.slug)
	members["title"] = kinds[p.slug].Title
	members["status"] = status
	members["detail"] = p.detail
	members["instance"] = "urn:uuid:" + id.String()
	members["request_id"] = id.String()
	if len(p.off) > 0 {
		members["errors"] = p.off
	}
	return json.Marshal(members)
}

// problemPath is where the pages that problem types lead to are served.
const problemPath = "/problems/"

// statusOf is a refusal's status. A decision is asked for only what is on the document.
func statusOf(r *workshop.Refusal) int {
	switch {
	case r.Slug == workshop.RefusedUnknownCode && r.InURL:
		return http.StatusNotFound
	case r.Slug == workshop.RefusedInvalid:
		return http.StatusUnprocessableEntity
	}
	return kinds[r.Slug].Status
}
