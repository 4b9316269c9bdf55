package api

import (
	"context"
	"net/http"
	"net/url"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"firstout/internal/workshop"
)

// A call is what the shell has found out about a request by the time its handler runs. The shell alone writes it.
type call struct {
	id    uuid.UUID
	route string // the route's pattern, e.g. /v1/runs/:code
	url   *url.URL
	actor workshop.Actor
	key   string // of a POST that needs one, without its quotes
	hash  [32]byte
	mark  Mark // of a GET of state

	capture *workshop.Command // nil: commands are carried out; else they are put here
	header  http.Header

	accepts string // of the media types of the answer, the one that the caller likes best

	whole   context.Context                 // the request's, without a deadline: ends when the caller leaves
	inForce func(ctx context.Context) error // whether the caller's key still is, looked up anew; nil without a key
}

type callKey struct{}

// begin attaches a new call to the request.
func begin(c echo.Context, id uuid.UUID) *call {
	r := c.Request()
	k := &call{id: id, route: c.Path(), url: r.URL, header: c.Response().Header()}
	k.whole = context.WithValue(r.Context(), callKey{}, k)
	c.SetRequest(r.WithContext(k.whole))
	return k
}

// callOf gives the call that a context belongs to. Outside of the shell there is none, and that is a fault of ours.
func callOf(ctx context.Context) *call {
	return ctx.Value(callKey{}).(*call)
}

// actorOf says who calls.
func actorOf(ctx context.Context) workshop.Actor { return callOf(ctx).actor }

// keyOf gives a write's idempotency key and the hash of the request that came with it.
func keyOf(ctx context.Context) (key string, hash [32]byte) {
	k := callOf(ctx)
	return k.key, k.hash
}

// replayed marks the answer as the stored first one.
func replayed(ctx context.Context) { callOf(ctx).header.Set("Idempotency-Replayed", "true") }
