package api

import (
	"fmt"
	"log/slog"
	"runtime/debug"
	"time"

	"github.com/labstack/echo/v4"
)

// logged writes one line a request: what was asked for, by which roles, what became of it. No body, no secret, no
// name, no path with a code in it.
func logged(log *slog.Logger, now func() time.Time) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			began := now()
			if err := next(c); err != nil {
				c.Error(err) // answered here, so that the line tells the status
			}
			r := c.Request()
			k := callOf(r.Context())
			log.LogAttrs(r.Context(), slog.LevelInfo, "request",
				slog.String("method", r.Method),
				slog.String("route", k.route),
				slog.Int("status", c.Response().Status),
				slog.Duration("took", now().Sub(began)),
				slog.String("request_id", k.id.String()),
				slog.Any("roles", k.actor.Roles),
			)
			return nil
		}
	}
}

// netted turns a panic into an error, so that it is answered and logged like any other fault.
func netted(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		defer func() {
			if thrown := recover(); thrown != nil {
				err = fmt.Errorf("panic: %v\n%s", thrown, debug.Stack())
			}
		}()
		return next(c)
	}
}
