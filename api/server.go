package api

import (
	"log/slog"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"firstout/api/openapi"
)

// Deps is what the HTTP layer is given.
type Deps struct {
	Book Book
	Keys Keys
	Now  func() time.Time // the clock of the machine, for limits and keys; the book has its own
	Log  *slog.Logger
	Rate Rate  // the zero value is DefaultRate
	Wait Waits // the zero value is DefaultWaits

	Board       BoardPage
	Secure      bool // TLS ends here or in a proxy in front: a session's cookie travels over nothing else
	BehindProxy bool // requests come by a proxy on this machine or near it: that one comes from here says nothing
	Metrics     *Metrics
}

// shell puts everything that is alike for all requests around the operations' handlers.
func shell(deps Deps, handlers openapi.StrictServerInterface) *echo.Echo {
	ReadAhead()
	if deps.Rate == (Rate{}) {
		deps.Rate = DefaultRate
	}
	if deps.Wait == (Waits{}) {
		deps.Wait = DefaultWaits
	}
	if deps.Metrics == nil {
		deps.Metrics = NewMetrics()
	}
	e := echo.New()
	e.HTTPErrorHandler = problems(deps.Log, deps.Metrics)
	e.IPExtractor = echo.ExtractIPDirect() // what a header says of the address is not believed
	entrance := &gate{
		keys:    newKeyring(deps.Keys, deps.Now),
		limiter: newLimiter(deps.Rate, deps.Now),
		logins:  newLimiter(deps.Rate.logins(), deps.Now),
		rights:  rights,
		routes:  map[string]bool{},
		secure:  deps.Secure,

		behindProxy: deps.BehindProxy,
	}
	e.Use(
		identify(deps.Secure), deps.Metrics.measured(entrance.routes, deps.Now), logged(deps.Log, deps.Now), netted, deps.Wait.deadline,
		entrance.admit, validated, tagged(deps.Book),
	)
	openapi.RegisterHandlers(e, openapi.NewStrictHandler(handlers, nil))
	(&pages{gate: entrance, boardPage: deps.Board, book: deps.Book, origin: http.NewCrossOriginProtection()}).register(e)
	registerDocs(e)
	deps.Metrics.register(e)
	for _, route := range e.Routes() {
		entrance.routes[route.Method+" "+route.Path] = true
	}
	return e
}

// HTTPServer gives the server around a handler, with limits on time and size. The caller listens, serves, and stops
// it with Shutdown.
func HTTPServer(handler http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           handler,
		ReadHeaderTimeout: readHeaders,
		ReadTimeout:       readAll,
		WriteTimeout:      writeAll,
		IdleTimeout:       idle,
		MaxHeaderBytes:    maxHeaders,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}
