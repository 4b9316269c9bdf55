package api

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"firstout"
	"firstout/internal/civil"
	"firstout/internal/workshop"
)

// A Mark is where the book stands: everything that an answer about its state can depend on. While it stays the same,
// so do the answers.
type Mark struct {
	Epoch    string      // of the book: another after it was put back from a backup
	Position int64       // of the last event
	Today    []civil.Day // the civil date at each site, always in the same order
	NextDue  time.Time   // when the next date falls due; zero if none does

	moment moment // what follows from the rest; no part of a tag
}

// Book is what the shell must know of the book.
type Book interface {
	Mark(ctx context.Context) (Mark, error)
}

// tagged gives every GET of state an entity tag and answers 304 where the caller's still holds. The mark is read
// before the answer is made: should the book move in between, the tag is older than the answer and only costs one
// more request. A stream is no state: it gets the mark that it starts from, and no tag.
func tagged(book Book) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			r := c.Request()
			if r.Method != http.MethodGet || !strings.HasPrefix(c.Path(), "/v1/") {
				return next(c)
			}
			if strings.HasPrefix(c.Path(), sealRoutes) { // the seal follows the book, and moves when the book does not
				c.Response().Header().Set("Cache-Control", "private, no-cache")
				return next(c)
			}
			mark, err := book.Mark(r.Context())
			if err != nil {
				return fmt.Errorf("mark the book: %w", err)
			}
			k := callOf(r.Context())
			k.mark = mark
			if streamRoutes[c.Path()] {
				return next(c)
			}
			tag := entityTag(mark, k.actor, r.Method, r.URL.RequestURI(), r.Header.Get(echo.HeaderAccept))
			header := c.Response().Header()
			header.Set("ETag", tag)
			header.Set("Cache-Control", "private, no-cache")
			header.Set("Vary", "Accept, Authorization")
			if holds(r.Header.Values("If-None-Match"), tag) {
				return c.NoContent(http.StatusNotModified)
			}
			return next(c)
		}
	}
}

// entityTag names an answer for its caller. Two callers share one only if they may see the same.
func entityTag(mark Mark, actor workshop.Actor, parts ...string) string {
	seen := slices.Sorted(slices.Values(actor.Roles))
	text, err := json.Marshal([]any{documentHash, mark, seen, actor.Site, parts})
	if err != nil { // a year beyond 9999 only
		text = fmt.Append(nil, documentHash, mark, seen, actor.Site, parts)
	}
	sum := sha256.Sum256(text)
	return `"` + base64.RawURLEncoding.EncodeToString(sum[:18]) + `"`
}

// documentHash changes the tags where a newer program answers in another form.
var documentHash = sha256.Sum256(firstout.Document)

// holds compares tags weakly, as If-None-Match does (RFC 9110, section 13.1.2). "*" is not taken for an answer that
// the caller has: whether there is a thing of that name at all, the handler says.
func holds(have []string, tag string) bool {
	for _, list := range have {
		for one := range strings.SplitSeq(list, ",") {
			if strings.TrimPrefix(strings.TrimSpace(one), "W/") == tag {
				return true
			}
		}
	}
	return false
}
