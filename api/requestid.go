package api

import (
	"net/http"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
)

// headerRequestID carries the request's id. One that the caller sends is not taken over: it could name another's.
const headerRequestID = "X-Request-Id"

// barePolicy is for what loads nothing: a problem's page, and what is no page at all.
const barePolicy = "default-src 'none'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"

// identify gives every request an id of its own, so that an answer, its problem and its log line can be told to
// belong together. Beside it go the headers that every answer has, whatever becomes of it; secure says that it travels
// over TLS only.
func identify(secure bool) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			id, err := uuid.NewV7()
			if err != nil {
				return err
			}
			begin(c, id)
			header := c.Response().Header()
			header.Set(headerRequestID, id.String())
			header.Set("X-Content-Type-Options", "nosniff")
			header.Set("Content-Security-Policy", barePolicy) // a page that loads something says otherwise
			header.Set("X-Frame-Options", "DENY")             // what the policy says, for a browser that does not know it
			header.Set("Referrer-Policy", "no-referrer")      // a page that needs it says otherwise
			header.Set("Cross-Origin-Resource-Policy", "same-origin")
			header.Set("Cache-Control", "no-store") // a GET of state says otherwise
			if secure {
				header.Set("Strict-Transport-Security", "max-age=31536000")
			}
			return next(c)
		}
	}
}

// requestID is the id that a request was given; the nil id where it never came that far.
func requestID(r *http.Request) uuid.UUID {
	if k, ok := r.Context().Value(callKey{}).(*call); ok {
		return k.id
	}
	return uuid.Nil
}
