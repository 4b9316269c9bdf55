package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

// scrape reads the metrics as Prometheus would, from this machine.
func scrape(t *testing.T, handler http.Handler) map[string]*dto.MetricFamily {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/metrics", http.NoBody)
	r.RemoteAddr = "127.0.0.1:9"
	a := serve(t, client{handler: handler}, r)
	require.Equal(t, http.StatusOK, a.Status, "%s", a.Body)
	require.True(t, strings.HasPrefix(a.Header.Get("Content-Type"), "text/plain; version=0.0.4"), a.Header.Get("Content-Type"))
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(a.Body))
	require.NoError(t, err)
	return families
}

// value adds up what a metric says of these labels, which come in pairs.
func value(families map[string]*dto.MetricFamily, name string, labels ...string) (sum float64) {
	for _, m := range families[name].GetMetric() {
		fits := true
		for i := 0; i < len(labels); i += 2 {
			fits = fits && slices.ContainsFunc(m.GetLabel(), func(l *dto.LabelPair) bool { return l.GetName() == labels[i] && l.GetValue() == labels[i+1] })
		}
		if fits {
			sum += m.GetCounter().GetValue() + m.GetGauge().GetValue() + float64(m.GetHistogram().GetSampleCount())
		}
	}
	return sum
}

// TestASealThatIsStuckIsSeen: every look of the sealer's is counted by how it went.
func TestASealThatIsStuckIsSeen(t *testing.T) {
	t.Parallel()
	metrics := NewMetrics()
	b := openTestBook(t, pgtest.NewBook(t), true, func(c *Config) { c.Metrics = metrics })
	metrics.SealLooked(nil)
	metrics.SealLooked(errors.New("position 5 is missing"))
	metrics.SealLooked(errors.New("position 5 is missing"))
	families := scrape(t, b.handler)
	require.EqualValues(t, 1, value(families, "firstout_seal_looks_total", "outcome", "done"))
	require.EqualValues(t, 2, value(families, "firstout_seal_looks_total", "outcome", "failed"))
}

// After requests of every strange kind the labels hold nothing that a caller wrote.
func TestLabelsAreOfFixedSets(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, _, run := b.onCounter()
	b.post("sales", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 1}}, "channel": "counter", "reference": "till-strange"})
	g := &gateBench{bench: newBench(t, stub{}), t: t}
	for _, handler := range []http.Handler{b.handler, g.echo} {
		c := client{handler: handler, key: b.owner.key}
		for _, target := range []string{
			"/v1/runs/" + run, "/v1/lots/strange", "/v1/strange", "/strange/" + run, "/v1/board?place=strange", "/problems/strange", "/docs/strange",
			"/assets/strange", "/v1/runs/" + run + "%2fstrange", "/v1//runs/strange", "/%73trange", "/v1/trace/strange/back", "/v1/moulds/strange?strange=1",
		} {
			for _, method := range []string{http.MethodGet, http.MethodPost, http.MethodDelete, "STRANGE", "get"} {
				r := httptest.NewRequestWithContext(t.Context(), method, target, http.NoBody)
				r.Host = "strange.test"
				r.Header.Set("Authorization", "Bearer "+c.key)
				r.Header.Set("User-Agent", "strange")
				serve(t, c, r)
			}
		}
	}
	routes := []string{otherRoute}
	methods := []string{otherRoute, http.MethodGet, http.MethodPost, http.MethodPut}
	for _, p := range permitLines(t) {
		routes = append(routes, p.path)
	}
	var problems, outcomes []string
	for _, slug := range allSlugs() {
		problems = append(problems, string(slug))
	}
	outcomes = append(outcomes, problems...)
	outcomes = append(outcomes, "recorded", "unchanged", "replayed")
	commands := []string{
		"DefineSite", "DefinePlace", "DefineSupplier", "DefineBuyer", "DefineIngredient", "DefineFormula", "DefineVat", "DefineMould", "DefineDesign",
		"Receive", "Open", "Melt", "Empty", "MakeGanache", "MakeRun", "Release", "Move", "Sell", "Give", "Discard", "Count", "PlaceHold", "LiftHold", "Check",
		"DecideDeviation", "Redate",
	}
	var statuses []string
	for status := 200; status < 600; status++ {
		if http.StatusText(status) != "" {
			statuses = append(statuses, strconv.Itoa(status))
		}
	}
	allowed := map[string][]string{"route": routes, "method": methods, "status": statuses, "problem": problems, "outcome": outcomes, "command": commands, "quantile": nil, "version": nil, "le": nil}
	families := scrape(t, b.handler)
	for name, family := range families {
		for _, m := range family.GetMetric() {
			for _, l := range m.GetLabel() {
				values, known := allowed[l.GetName()]
				require.True(t, known, "%s has a label %s", name, l.GetName())
				if values != nil {
					require.Contains(t, values, l.GetValue(), "%s{%s}", name, l.GetName())
				}
			}
		}
	}
	require.Positive(t, value(families, "firstout_http_requests_total", "route", otherRoute, "method", otherRoute, "status", "404"))
	require.Positive(t, value(families, "firstout_http_requests_total", "route", otherRoute, "status", "405"))
	require.Positive(t, value(families, "firstout_http_requests_total", "route", "/v1/runs/:code", "method", "GET", "status", "200"))
	for _, line := range strings.Split(g.log.String(), "\n") {
		require.NotContains(t, line, "strange", "and no more does the log")
	}
}

// What is counted is what happened.
func TestMetricsTellWhatHappened(t *testing.T) {
	t.Parallel()
	metrics := NewMetrics()
	b := openTestBook(t, newTestBook(t).db, true, func(c *Config) { c.Metrics = metrics })
	before := scrape(t, b.handler)
	require.Zero(t, value(before, "firstout_http_requests_total"))
	require.Zero(t, value(before, "firstout_problems_total", "problem", "not-enough"), "a zero that is told")
	require.Len(t, before["firstout_problems_total"].GetMetric(), len(allSlugs()))

	_, _, run := b.onCounter()
	sale := func(pieces int, key string) answer {
		return b.owner.post(t, "/v1/sales", text(t, obj{"place": "counter", "lines": []obj{{"code": run, "pieces": pieces}}, "channel": "counter"}), headerIdempotencyKey, key)
	}
	require.Equal(t, http.StatusCreated, sale(2, "a").Status)
	require.Equal(t, http.StatusCreated, sale(2, "a").Status)
	require.Equal(t, http.StatusUnprocessableEntity, sale(3, "a").Status)
	require.Equal(t, http.StatusConflict, sale(9999, "b").Status)
	require.Equal(t, http.StatusOK, b.put("moulds/dome-24", obj{"name": "Dome 24", "cavities": 24}).Status)
	require.Equal(t, http.StatusUnauthorized, client{handler: b.handler}.get(t, "/v1/board?place=counter").Status)

	after := scrape(t, b.handler)
	for outcome, times := range map[string]float64{"recorded": 1, "replayed": 1, "key-reused": 1, "not-enough": 1} {
		require.InDelta(t, times, value(after, "firstout_commands_total", "command", "Sell", "outcome", outcome), 0, outcome)
	}
	require.InDelta(t, 1, value(after, "firstout_commands_total", "command", "DefineMould", "outcome", "unchanged"), 0)
	require.InDelta(t, 1, value(after, "firstout_commands_total", "command", "DefineMould", "outcome", "recorded"), 0)
	require.InDelta(t, 2, value(after, "firstout_http_requests_total", "route", "/v1/sales", "status", "201"), 0)
	require.InDelta(t, 4, value(after, "firstout_http_request_duration_seconds", "route", "/v1/sales"), 0)
	require.InDelta(t, 1, value(after, "firstout_problems_total", "problem", "unauthenticated"), 0)
	require.InDelta(t, 1, value(after, "firstout_database_up"), 0)
	require.InDelta(t, 0, value(after, "firstout_open_streams"), 0)
	require.Positive(t, value(after, "firstout_log_position"))
	for _, name := range []string{"go_goroutines", "process_open_fds"} {
		require.Positive(t, value(after, name), name)
	}

	metrics.Committed(book.Group{Commands: 3, Events: 7, Took: 2 * time.Millisecond})
	counted := scrape(t, b.handler)
	require.InDelta(t, 1, value(counted, "firstout_group_commands"), 0)
	require.InDelta(t, 1, value(counted, "firstout_group_duration_seconds"), 0)
	require.InDelta(t, 7, value(counted, "firstout_events_appended_total"), 0)
}

// away is a book that cannot be read.
type away struct{}

func (away) Mark(context.Context) (Mark, error) { return Mark{}, errors.New("connection refused") }

func TestMetricsWithoutADatabase(t *testing.T) {
	t.Parallel()
	metrics := NewMetrics(bookState{book: away{}, streams: &streams{inAll: 3}})
	families := scrape(t, newBench(t, stub{}, func(d *Deps) { d.Metrics = metrics }).echo)
	require.InDelta(t, 0, value(families, "firstout_database_up"), 0)
	require.Len(t, families["firstout_database_up"].GetMetric(), 1)
	require.NotContains(t, families, "firstout_log_position")
	require.InDelta(t, 3, value(families, "firstout_open_streams"), 0)
}

func TestOutcomes(t *testing.T) {
	t.Parallel()
	require.Equal(t, "fault", outcomeOf(book.Answer{}, errors.New("broken")))
	require.Equal(t, "unavailable", outcomeOf(book.Answer{}, book.ErrUnavailable))
	require.Equal(t, "forbidden", outcomeOf(book.Answer{}, &workshop.Refusal{Slug: workshop.RefusedForbidden}))
}
