package api

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/api/openapi"
	"firstout/internal/events"
)

// Every place that is off is told at once, by its JSON Pointer, with what was expected.
func TestMisfitsOfABody(t *testing.T) {
	t.Parallel()
	owner := newBench(t, stub{}).as(roleOwner)
	for _, c := range []struct {
		name, path, body string
		want             map[string]string // pointer → part of the detail
	}{
		{"missing", "/v1/sales", `{}`, map[string]string{"/place": "add it", "/lines": "add it", "/channel": "add it"}},
		{
			"several at once", "/v1/sales", `{"place":"Counter!","channel":"post","lines":[{"design":"dome","pieces":0},{"design":"dome","pieces":1.5}],"x":1}`,
			map[string]string{
				"/x": "no such field", "/place": "slug", "/channel": "one of counter", "/lines/0/pieces": "at least 1", "/lines/1/pieces": "a whole number",
			},
		},
		{
			"texts and numbers", "/v1/sales", `{"place":"Counter!","channel":"counter","lines":[{"design":"dome","pieces":"6"}],"reference":""}`,
			map[string]string{"/place": "slug", "/lines/0/pieces": "a whole number", "/reference": "at least 1 characters"},
		},
		{"no one of two", "/v1/sales", `{"place":"counter","channel":"counter","lines":[{"pieces":6}]}`, map[string]string{"/lines/0": "exactly one of design and code"}},
		{"both of two", "/v1/sales", `{"place":"counter","channel":"counter","lines":[{"design":"dome","code":"R","pieces":6}]}`, map[string]string{"/lines/0": "exactly one of design and code"}},
		{"trade without buyer", "/v1/sales", `{"place":"counter","channel":"trade","lines":[{"design":"dome","pieces":6}]}`, map[string]string{"": "names its buyer"}},
		{"not in the list", "/v1/sales", `{"place":"counter","channel":"counter","lines":[{"design":"dome","pieces":6,"grade":"third"}]}`, map[string]string{"/lines/0/grade": "one of first, second"}},
		{"null", "/v1/sales", `{"place":null,"channel":"counter","lines":[{"design":"dome","pieces":6}]}`, map[string]string{"/place": "expected a text"}},
		{"no lines", "/v1/sales", `{"place":"counter","channel":"counter","lines":[]}`, map[string]string{"/lines": "at least 1"}},
		{"too many lines", "/v1/sales", `{"place":"counter","channel":"counter","lines":[` + strings.Repeat(`{"design":"dome","pieces":6},`, 200) + `{"design":"dome","pieces":6}]}`, map[string]string{"/lines": "at most 200"}},
		{"no instant", "/v1/sales", `{"place":"counter","channel":"counter","lines":[{"design":"dome","pieces":6}],"occurred_at":"2026-11-25 08:00"}`, map[string]string{"/occurred_at": "RFC 3339"}},
		{"no such instant", "/v1/sales", `{"place":"counter","channel":"counter","lines":[{"design":"dome","pieces":6}],"occurred_at":"2026-02-30T08:00:00Z"}`, map[string]string{"/occurred_at": "RFC 3339"}},
		{"an instant without offset", "/v1/sales", `{"place":"counter","channel":"counter","lines":[{"design":"dome","pieces":6}],"occurred_at":"2026-11-25T08:00:00"}`, map[string]string{"/occurred_at": "RFC 3339"}},
		{"too fine", "/v1/lots/L261125-01-8/openings", `{"quantity_g":0.0015}`, map[string]string{"/quantity_g": "at most three decimals"}},
		{"too fine by a little", "/v1/lots/L261125-01-8/openings", `{"quantity_g":1000.0005}`, map[string]string{"/quantity_g": "at most three decimals"}},
		{"nothing", "/v1/lots/L261125-01-8/openings", `{"quantity_g":0}`, map[string]string{"/quantity_g": "at least 0.001"}},
		{"a list", "/v1/sales", `[]`, map[string]string{"": "an object"}},
		{"no body", "/v1/sales", ``, map[string]string{"": "JSON"}},
		{"a key twice", "/v1/sales", `{"place":"counter","place":"counter","channel":"counter","lines":[{"design":"dome","pieces":6}]}`, map[string]string{"/place": "twice"}},
		{"text after", "/v1/sales", aSale + "x", map[string]string{"": "follows"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			off := owner.post(t, c.path, c.body, "Content-Type", "application/json").misfits()
			for pointer, detail := range c.want {
				require.Contains(t, off, pointer)
				require.Contains(t, off[pointer], detail)
			}
		})
	}
}

func TestMisfitsOfTheURL(t *testing.T) {
	t.Parallel()
	owner := newBench(t, stub{}).as(roleOwner)
	for _, c := range []struct{ target, want string }{
		{"/v1/board", "/query/place"},
		{"/v1/board?place=Counter", "/query/place"},
		{"/v1/board?place=", "/query/place"},
		{"/v1/board?place=counter&date=2026-02-30", "/query/date"},
		{"/v1/board?place=counter&day=2026-02-03", "/query/day"},
		{"/v1/board?place=counter&place=counter", "/query/place"},
		{"/v1/board?place=counter%00", "/query/place"},
		{"/v1/board?place=%ff", "/query/place"},
		{"/v1/board?place=%zz", "/query"},
		{"/v1/moulds?limit=0", "/query/limit"},
		{"/v1/moulds?limit=501", "/query/limit"},
		{"/v1/moulds?limit=many", "/query/limit"},
		{"/v1/moulds/Dome", "/path/slug"},
		{"/v1/moulds/dome--24", "/path/slug"},
		{"/v1/moulds/dome%0024", "/path/slug"},
		{"/v1/moulds/" + strings.Repeat("m", 65), "/path/slug"},
		{"/v1/moulds/dome-24?version=1.5", "/query/version"},
		{"/v1/events?after=-1", "/query/after"},
		{"/v1/events?after=9007199254740993", "/query/after"},
		{"/v1/waste?from=2026-11-25&to=2026-11-25&by=", "/query/by"},
	} {
		require.Contains(t, owner.get(t, c.target).misfits(), c.want, c.target)
	}
	require.Equal(t, http.StatusOK, owner.get(t, "/v1/board?place=counter&date=2026-11-26").Status)
}

// A mass reaches the handler to the milligram, and what floating point cannot tell from one is still refused.
func TestGramsAreExact(t *testing.T) {
	t.Parallel()
	maker := newBench(t, stub{}).as(roleMaker)
	open := func(grams string) answer {
		return maker.post(t, "/v1/lots/L261125-01-8/openings", `{"quantity_g":`+grams+`}`)
	}
	for grams, want := range map[string]string{"1000": "1000", "0.001": "0.001", "0.3": "0.3", "1e3": "1000", "4.100": "4.1", "123456.789": "123456.789"} {
		a := open(grams)
		require.Equal(t, http.StatusCreated, a.Status, "%s", a.Body)
		require.Contains(t, string(a.Body), `"on_hand_g":`+want+",")
	}
	require.NotEmpty(t, open("0.10000000000000000001").misfits())
	require.NotEmpty(t, open("1000000000.001").misfits())
}

func TestMassesAreAliases(t *testing.T) {
	t.Parallel()
	require.IsType(t, events.Gram, openapi.Grams(0)) // not a plain number
}

func TestMediaTypes(t *testing.T) {
	t.Parallel()
	till := newBench(t, stub{}).as(roleTill)
	for _, contentType := range []string{"application/json", "application/json; charset=utf-8", "application/json;charset=UTF-8"} {
		require.Equal(t, http.StatusCreated, till.post(t, "/v1/sales", aSale, "Content-Type", contentType).Status, contentType)
	}
	for _, contentType := range []string{"", "text/plain", "application/x-www-form-urlencoded", "application/json; charset=latin1", "application/merge-patch+json", "nonsense;;"} {
		a := till.post(t, "/v1/sales", aSale, "Content-Type", contentType)
		a.problem(http.StatusUnsupportedMediaType, "unsupported-media-type")
		require.Equal(t, "application/json", a.Header.Get("Accept-Post"))
	}
	till.post(t, "/v1/sales", aSale, "Content-Encoding", "gzip").problem(http.StatusUnsupportedMediaType, "unsupported-media-type")
}

func TestAccept(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	till := b.as(roleTill)
	for _, accept := range []string{"application/json", "*/*", "application/*;q=0.1", "text/html, application/json;q=0.9", "text/html,*/*;q=0.8"} {
		require.Equal(t, http.StatusOK, till.get(t, "/v1/board?place=counter", "Accept", accept).Status, accept)
	}
	for _, accept := range []string{"text/html", "application/xml", "application/json;q=0", "*/*, application/json;q=0", "nonsense;;"} {
		facts := till.get(t, "/v1/board?place=counter", "Accept", accept).problem(http.StatusNotAcceptable, "not-acceptable")
		require.Equal(t, []any{"application/json"}, facts["available"], accept)
	}
	require.Equal(t, http.StatusOK, b.nobody().get(t, "/problems/not-enough", "Accept", "text/html").Status)
}

func TestBodySize(t *testing.T) {
	t.Parallel()
	till := newBench(t, stub{}).as(roleTill)
	fill := func(size int) string { return aSale + strings.Repeat(" ", size-len(aSale)) }
	require.Equal(t, http.StatusCreated, till.post(t, "/v1/sales", fill(maxBody)).Status)
	till.post(t, "/v1/sales", fill(maxBody+1)).problem(http.StatusRequestEntityTooLarge, "too-large")

	// Without a length told beforehand it is counted on the way.
	r := till.request(t, http.MethodPost, "/v1/sales", fill(maxBody+1))
	r.ContentLength = -1
	serve(t, till, r).problem(http.StatusRequestEntityTooLarge, "too-large")

	till.do(t, http.MethodGet, "/v1/board?place=counter", "{}").misfits()
}

func TestPutTakesNoKey(t *testing.T) {
	t.Parallel()
	maker := newBench(t, stub{}).as(roleMaker)
	a := maker.do(t, http.MethodPut, "/v1/moulds/dome-24", `{"name":"Dome 24","cavities":24}`)
	require.Equal(t, http.StatusCreated, a.Status, "%s", a.Body)
	require.Contains(t, maker.do(t, http.MethodPut, "/v1/moulds/dome-24", `{"name":" ","cavities":24}`).misfits()["/name"], "blank")
}
