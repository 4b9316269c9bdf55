package api

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"firstout/internal/events/eventlog"
	"firstout/internal/workshop"
)

// problems is the one place where errors become answers. There are three kinds: a refusal of the workshop's and a
// request off the document are told in full; a fault is told in one sentence and logged, once, with its text.
func problems(log *slog.Logger, metrics *Metrics) echo.HTTPErrorHandler {
	return func(err error, c echo.Context) {
		r := c.Request()
		p, status := problemOf(err)
		metrics.problems.WithLabelValues(string(p.slug)).Inc()
		if p.slug == slugFault {
			log.LogAttrs(r.Context(), slog.LevelError, "fault",
				slog.String("method", r.Method),
				slog.String("route", c.Path()),
				slog.String("request_id", requestID(r).String()),
				slog.String("error", err.Error()),
			)
		}
		if c.Response().Committed {
			return
		}
		write := writeProblem
		if asksForPage(c) {
			write = showProblem
		}
		if err := write(c, p, status); err != nil {
			log.LogAttrs(r.Context(), slog.LevelInfo, "answer not taken", slog.String("error", err.Error()))
		}
	}
}

func writeProblem(c echo.Context, p *problem, status int) error {
	body, err := p.body(status, requestID(c.Request()))
	if err != nil {
		return err
	}
	header := c.Response().Header()
	for _, ofTheAnswerHopedFor := range []string{"ETag", "Link", "Vary", "Idempotency-Replayed"} {
		header.Del(ofTheAnswerHopedFor)
	}
	header.Set("Cache-Control", "no-store")
	for name, value := range p.header {
		header.Set(name, value)
	}
	return c.Blob(status, "application/problem+json", body)
}

// problemOf finds what kind of error it is.
func problemOf(err error) (*problem, int) {
	var (
		refusal *workshop.Refusal
		p       *problem
		tooBig  *http.MaxBytesError
		web     *echo.HTTPError
	)
	switch {
	case errors.As(err, &refusal):
		p = &problem{slug: refusal.Slug, detail: refusal.Detail, facts: refusal.Facts}
		return p, statusOf(refusal)
	case errors.As(err, &p):
	case errors.As(err, &tooBig):
		p = tooLarge()
	case unavailable(err):
		p = &problem{
			slug:   slugUnavailable,
			detail: "The book cannot be reached just now. Nothing is lost: send the same request with the same key again in a moment.",
			header: map[string]string{"Retry-After": retryAfter},
		}
	case errors.As(err, &web):
		p = routed(web)
	default:
		p = &problem{slug: slugFault}
	}
	if p.slug == slugFault {
		p.detail = "Something is wrong with the program, not with your request. Nothing is lost: send it again with the same key, and report the request_id if it happens again."
	}
	return p, cmp.Or(p.status, kinds[p.slug].Status)
}

// retryAfter is how many seconds a caller should wait for a database that is away: a private one is up again sooner.
const retryAfter = "2"

// unavailable says whether the database was away or too slow. Whoever speaks to it says so by a method Unavailable, or
// hands on what the database itself told; a caller that hung up has no answer to read at all.
func unavailable(err error) bool {
	var told interface{ Unavailable() bool }
	if errors.As(err, &told) && told.Unavailable() {
		return true
	}
	return eventlog.Away(err) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled)
}

func tooLarge() *problem {
	return &problem{slug: slugTooLarge, detail: "The body is over 1 MiB: send it in parts."}
}

// routed translates what echo and the generated code say in echo's own words.
func routed(web *echo.HTTPError) *problem {
	switch web.Code {
	case http.StatusNotFound:
		return &problem{slug: slugNotFound, detail: "There is nothing at this address: look at /openapi.yaml for those there are."}
	case http.StatusMethodNotAllowed:
		return &problem{slug: slugMethodNotAllowed, detail: "This address does not take this method: the Allow header names those it takes."}
	case http.StatusUnsupportedMediaType:
		return wrongMediaType()
	case http.StatusRequestEntityTooLarge:
		return tooLarge()
	case http.StatusBadRequest:
		return invalid(unbound(web))
	}
	return &problem{slug: slugFault}
}

// unbound is the misfit of a request that the document lets through and the types do not, e.g. a mass so fine that
// floating point cannot tell it from a milligram.
func unbound(web *echo.HTTPError) misfit {
	var wrongType *json.UnmarshalTypeError
	switch {
	case errors.As(web.Internal, &wrongType):
		return misfit{
			Pointer: "/" + strings.ReplaceAll(wrongType.Field, ".", "/"),
			Detail:  "this value does not fit here: send what the document says",
		}
	case web.Internal != nil:
		return misfit{Detail: web.Internal.Error()}
	}
	text, _ := web.Message.(string)
	return misfit{Detail: text}
}
