package api

import (
	"context"
	"errors"
	"net"
	"reflect"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"firstout/internal/book"
	"firstout/internal/workshop"
)

const metricsPage = "/metrics"

// Metrics count what a process does, for Prometheus to read. A label takes its values from a fixed set: patterns of
// routes, methods, statuses, kinds of command and of problem. No code, slug, key, site or path is ever one, so that
// what is kept stays small and tells nothing of the shop.
type Metrics struct {
	registry *prometheus.Registry
	requests *prometheus.CounterVec   // route, method, status
	took     *prometheus.HistogramVec // route, method
	problems *prometheus.CounterVec   // problem
	commands *prometheus.CounterVec   // command, outcome
	group    prometheus.Histogram     // commands
	commit   prometheus.Histogram     // seconds
	appended prometheus.Counter       // events
	sealing  *prometheus.CounterVec   // outcome
}

// NewMetrics starts counting from nothing. What the collectors gather is told beside it.
func NewMetrics(more ...prometheus.Collector) *Metrics {
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "firstout_http_requests_total", Help: "Requests answered, by pattern of route, method and status.",
		}, []string{"route", "method", "status"}),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "firstout_http_request_duration_seconds", Help: "Time from a request's headers to the end of its answer; streams are left out.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 10},
		}, []string{"route", "method"}),
		problems: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "firstout_problems_total", Help: "Answers that were problems, by the last part of their type.",
		}, []string{"problem"}),
		commands: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "firstout_commands_total",
			Help: "Commands decided, by kind and what became of them: recorded, unchanged, replayed, or the problem that was told.",
		}, []string{"command", "outcome"}),
		group: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "firstout_group_commands", Help: "Commands in a group that was committed together.", Buckets: prometheus.ExponentialBuckets(1, 2, 9),
		}),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "firstout_group_duration_seconds", Help: "Time to decide, write and commit a group.",
			Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, 1, 5},
		}),
		appended: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "firstout_events_appended_total", Help: "Events that this process has added to the log.",
		}),
		sealing: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "firstout_seal_looks_total", Help: "Times that this process looked whether there is anything to seal, by how that went: done or failed. None at all: it has no key.",
		}, []string{"outcome"}),
	}
	m.registry.MustRegister(m.requests, m.took, m.problems, m.commands, m.group, m.commit, m.appended, m.sealing,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	m.registry.MustRegister(more...)
	for _, slug := range allSlugs() { // a rate needs its zero
		m.problems.WithLabelValues(string(slug))
	}
	return m
}

// Committed counts a group of commands; it is what book.Options.Committed asks for.
func (m *Metrics) Committed(g book.Group) {
	m.group.Observe(float64(g.Commands))
	m.commit.Observe(g.Took.Seconds())
	m.appended.Add(float64(g.Events))
}

// SealLooked counts a look of the sealer's; it is what sealer.Options.Outcome asks for.
func (m *Metrics) SealLooked(err error) {
	outcome := "done"
	if err != nil {
		outcome = "failed"
	}
	m.sealing.WithLabelValues(outcome).Inc()
}

// decided counts a command.
func (m *Metrics) decided(command workshop.Command, answer book.Answer, err error) {
	m.commands.WithLabelValues(commandName(command), outcomeOf(answer, err)).Inc()
}

// commandName is the type's own name: there are as many as there are types.
func commandName(command workshop.Command) string {
	if define, is := command.(workshop.Define); is {
		return "Define" + reflect.TypeOf(define.Body).Name()
	}
	return reflect.TypeOf(command).Name()
}

func outcomeOf(answer book.Answer, err error) string {
	refusal := new(workshop.Refusal)
	switch {
	case err == nil && answer.Replayed:
		return "replayed"
	case err == nil && answer.Position == 0:
		return "unchanged"
	case err == nil:
		return "recorded"
	case errors.As(err, &refusal):
		return string(refusal.Slug)
	case errors.Is(err, book.ErrKeyReused):
		return string(slugKeyReused)
	case errors.Is(err, book.ErrUnavailable):
		return string(slugUnavailable)
	}
	return string(slugFault)
}

// otherRoute stands for every address and method that is not served.
const otherRoute = "other"

// measured counts requests by the pattern of their route.
func (m *Metrics) measured(routes map[string]bool, now func() time.Time) echo.MiddlewareFunc {
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			began := now()
			err := next(c)
			method, route := c.Request().Method, c.Path()
			if !routes[method+" "+route] {
				method, route = otherRoute, otherRoute
			}
			m.requests.WithLabelValues(route, method, strconv.Itoa(c.Response().Status)).Inc()
			if !streamRoutes[route] {
				m.took.WithLabelValues(route, method).Observe(now().Sub(began).Seconds())
			}
			return err
		}
	}
}

func (m *Metrics) register(e *echo.Echo) {
	const atOnce = 4 // scrapes
	e.GET(metricsPage, echo.WrapHandler(promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{
		EnableOpenMetrics: true, MaxRequestsInFlight: atOnce,
	})))
}

// fromThisMachine says whether a request was made on this machine and came by no proxy: behind one, every request
// seems to be. A proxy that nobody spoke of gives itself away by the headers that it adds.
func (g *gate) fromThisMachine(c echo.Context) bool {
	if g.behindProxy {
		return false
	}
	for _, header := range []string{echo.HeaderXForwardedFor, echo.HeaderXRealIP, "Forwarded", "Via"} {
		if c.Request().Header.Get(header) != "" {
			return false
		}
	}
	ip := net.ParseIP(c.RealIP())
	return ip != nil && ip.IsLoopback()
}

// bookState tells, when it is asked, where the book stands and how many streams are open.
type bookState struct {
	book    Book
	streams *streams
}

// stateWait is what the database gets to tell where the book stands: a scrape waits no longer.
const stateWait = 2 * time.Second

var (
	databaseUp  = prometheus.NewDesc("firstout_database_up", "Whether the book could be read just now: 1 or 0.", nil, nil)
	logPosition = prometheus.NewDesc("firstout_log_position", "Position of the newest event in the log, whoever wrote it.", nil, nil)
	openStreams = prometheus.NewDesc("firstout_open_streams", "Streams that this process holds open.", nil, nil)
)

// Describe says what Collect gives.
func (s bookState) Describe(to chan<- *prometheus.Desc) {
	to <- databaseUp
	to <- logPosition
	to <- openStreams
}

// Collect looks. Without the database there is no position to tell.
func (s bookState) Collect(to chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), stateWait)
	defer cancel()
	mark, err := s.book.Mark(ctx)
	up := 1.0
	if err != nil {
		up = 0
	} else {
		to <- prometheus.MustNewConstMetric(logPosition, prometheus.CounterValue, float64(mark.Position))
	}
	to <- prometheus.MustNewConstMetric(databaseUp, prometheus.GaugeValue, up)
	to <- prometheus.MustNewConstMetric(openStreams, prometheus.GaugeValue, float64(s.streams.count()))
}

// count is how many streams are open.
func (s *streams) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.inAll
}
