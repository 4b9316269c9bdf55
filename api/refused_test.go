package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A refused is one request that somebody sends who should not, and what comes of it. The number is that of the OWASP API
// Security Top 10, 2023; docs/security.md has the table of all that is refused, and where each is tested.
type refused struct {
	number  int
	what    string
	as      string // a role, at the pier: an owner bound to that site, nobody, or Authorization as it is sent
	ask     string // method, path and, after a space, the body; words in braces as in atThePier
	headers []string
	status  int
	slug    string // none: another answer than a problem
}

// bigBody is over the limit by its text alone.
var bigBody = `{"place":"counter","channel":"counter","reference":"` + strings.Repeat("x", maxBody) + `","lines":[]}`

func manyLines(n int) string {
	return `{"place":"counter","channel":"counter","lines":[` + strings.TrimSuffix(strings.Repeat(`{"design":"blackcurrant-dome","pieces":1},`, n), ",") + `]}`
}

const oneSale = `{"place":"counter","channel":"counter","lines":[{"design":"blackcurrant-dome","pieces":1}]}`

func refusedRequests() []refused {
	const header = headerIdempotencyKey
	return []refused{
		{1, "a lot of another site", "at the pier", "GET /v1/lots/{cream}", nil, 404, "unknown-code"},
		{1, "what is made of it", "at the pier", "GET /v1/trace/{cream}/forward", nil, 404, "unknown-code"},
		{1, "its label", "at the pier", "GET /v1/labels/{cream}", nil, 404, "unknown-code"},
		{1, "its balance", "at the pier", "GET /v1/balances/{cream}", nil, 404, "unknown-code"},
		{1, "another site's board", "at the pier", "GET /v1/board?place=counter", nil, 403, "forbidden"},
		{1, "a sale from another site's place", "at the pier", "POST /v1/sales " + oneSale, nil, 403, "forbidden"},
		{1, "a hold on what another site has", "at the pier", `POST /v1/holds {"code":"{cream}","reason":"?"}`, nil, 422, "unknown-code"},
		{1, "the whole log", "at the pier", "GET /v1/events", nil, 403, "forbidden"},
		{1, "everybody's data, erased", "at the pier", `POST /v1/erasures {"buyer":"harbour-cafe"}`, []string{header, ""}, 403, "forbidden"},

		{2, "no key", "nobody", "GET /v1/stock", nil, 401, "unauthenticated"},
		{2, "a key that nobody made", "Bearer firstout_AAAAAAAAAAAAAAAAAAAAAAAAAA", "GET /v1/stock", nil, 401, "unauthenticated"},
		{2, "a key in the address", "nobody", "GET /v1/stock?key={key}", nil, 401, "unauthenticated"},
		{2, "a key by another scheme", "Basic {key}", "GET /v1/stock", nil, 401, "unauthenticated"},
		{2, "a key as a cookie", "nobody", "GET /v1/stock", []string{"Cookie", sessionCookie + "={key}"}, 401, "unauthenticated"},
		{2, "a write by a session", "nobody", "POST /v1/sales " + oneSale, []string{"Cookie", "{session}"}, 401, "unauthenticated"},
		{2, "a forged session", "nobody", "GET /", []string{"Cookie", "{session}x"}, 401, "unauthenticated"},

		{3, "a field that there is not", roleOwner, `POST /v1/sales ` + oneSale[:len(oneSale)-1] + `,"cost_minor":1}`, nil, 400, "invalid-request"},
		{3, "a version that the book gives", roleOwner, `PUT /v1/moulds/dome-9 {"name":"Dome","cavities":9,"version":7}`, nil, 400, "invalid-request"},
		{3, "who did it", roleOwner, `POST /v1/holds {"code":"{cream}","reason":"?","actor":"somebody"}`, nil, 400, "invalid-request"},
		{3, "somebody erased by a definition", roleOwner, `PUT /v1/buyers/pier-cafe {"name":"Pier Café","erased":true}`, nil, 400, "invalid-request"},
		{3, "a price, by who may not set it", roleMaker, `PUT /v1/designs/dear {"name":"Dear","chocolate":"dark","shell_g":4,"cap_g":1,"fillings":[],"price_minor":1}`, nil, 403, "forbidden"},
		{3, "suppliers, to the counter", roleCounter, "GET /v1/suppliers", nil, 403, "forbidden"},
		{3, "prices paid, to the counter", roleCounter, "GET /v1/lots", nil, 403, "forbidden"},

		{4, "a body without end", roleOwner, "POST /v1/sales " + bigBody, nil, 413, "too-large"},
		{4, "lines without end", roleOwner, "POST /v1/sales " + manyLines(201), nil, 400, "invalid-request"},
		{4, "a text without end", roleOwner, `POST /v1/holds {"code":"{cream}","reason":"` + strings.Repeat("x", 501) + `"}`, nil, 400, "invalid-request"},
		{4, "nesting without end", roleOwner, "POST /v1/sales " + strings.Repeat("[", 100) + strings.Repeat("]", 100), nil, 400, "invalid-request"},
		{4, "a page without end", roleOwner, "GET /v1/events?limit=501", nil, 400, "invalid-request"},
		{4, "a report over a century", roleOwner, "GET /v1/waste?from=1950-01-01&to=2050-01-01", nil, 422, "invalid-request"},
		{4, "a balance over a century", roleOwner, "GET /v1/balances?from=1950-01-01&to=2050-01-01", nil, 422, "invalid-request"},
		{4, "candidates over a year", roleOwner, "GET /v1/trace/candidates?design=blackcurrant-dome&sold_from=2025-01-01T00:00:00Z&sold_to=2026-01-01T00:00:00Z", nil, 422, "invalid-request"},
		{4, "a key without end", roleOwner, "POST /v1/sales " + oneSale, []string{header, strings.Repeat("k", maxKey+1)}, 400, "invalid-request"},
		{4, "a body that unpacks", roleOwner, "POST /v1/sales " + oneSale, []string{"Content-Encoding", "gzip"}, 415, "unsupported-media-type"},
		{4, "a body where none belongs", roleOwner, "GET /v1/stock {}", nil, 400, "invalid-request"},
		{4, "a log-in without end", "nobody", "POST /login key=" + strings.Repeat("k", maxForm), []string{"Content-Type", "application/x-www-form-urlencoded"}, 413, "too-large"},

		{5, "a lift by the counter", roleCounter, `POST /v1/holds/{hold}/lifts {"reason":"?"}`, nil, 403, "forbidden"},
		{5, "a write by the auditor", roleAuditor, "POST /v1/sales " + oneSale, nil, 403, "forbidden"},
		{5, "the till reads waste", roleTill, "GET /v1/waste?from=2026-11-25&to=2026-11-25", nil, 403, "forbidden"},
		{5, "the maker reads the log", roleMaker, "GET /v1/events", nil, 403, "forbidden"},
		{5, "the figures of the process", roleMaker, "GET /metrics", nil, 403, "forbidden"},
		{5, "the book's clock", roleMaker, `POST /v1/clock {"now":"2026-11-26T08:00:00Z"}`, []string{header, ""}, 403, "forbidden"},
		{5, "another method by a header", roleCounter, "GET /v1/sales", []string{"X-Http-Method-Override", "POST"}, 405, "method-not-allowed"},

		{6, "a discard without a reason", roleCounter, `POST /v1/discards {"place":"counter","lines":[{"code":"{run}","pieces":1}],"destination":"refuse"}`, nil, 400, "invalid-request"},
		{6, "a correction without a reason", roleOwner, `POST /v1/corrections {"event":"{hold}"}`, nil, 400, "invalid-request"},
		{6, "a correction of another's hold", roleCounter, `POST /v1/corrections {"event":"{hold}","reason":"?"}`, nil, 403, "forbidden"},
		{6, "a recall by the maker", roleMaker, `POST /v1/recalls {"code":"{cream}","reach":"contains","reason":"?"}`, nil, 403, "forbidden"},
		{6, "a later date by the maker", roleMaker, `POST /v1/redatings {"code":"{cream}","date":"2027-12-31","reason":"?"}`, nil, 403, "forbidden"},
		{6, "a sale twice", roleOwner, "POST /v1/sales " + oneSale, []string{header, ""}, 400, "key-missing"},
		{6, "another's key for another thing", roleOwner, "POST /v1/sales " + manyLines(2), []string{header, "spent"}, 422, "key-reused"},
		{6, "an erasure by the maker", roleMaker, `POST /v1/erasures {"buyer":"harbour-cafe"}`, []string{header, ""}, 403, "forbidden"},

		{7, "a file for an address", roleOwner, `PUT /v1/sites/third {"name":"Third","time_zone":"Europe/Dublin","currency":"EUR","links":"file:///etc/passwd"}`, nil, 400, "invalid-request"},
		{7, "an address with somebody's password", roleOwner, `PUT /v1/sites/third {"name":"Third","time_zone":"Europe/Dublin","currency":"EUR","links":"http://a:b@10.0.0.1"}`, nil, 400, "invalid-request"},
		{7, "a way home", roleOwner, `POST /v1/holds {"code":"{cream}","reason":"?","callback":"http://10.0.0.1"}`, nil, 400, "invalid-request"},
		{7, "a proxy's request", roleOwner, "GET http://10.0.0.1/v1/secrets", nil, 404, "not-found"},

		{8, "a body that is no JSON", roleOwner, "POST /v1/sales <sale/>", []string{"Content-Type", "application/xml"}, 415, "unsupported-media-type"},
		{8, "an answer that there is not", roleOwner, "GET /v1/stock", []string{"Accept", "application/xml"}, 406, "not-acceptable"},
		{8, "a method that there is not", roleOwner, "TRACE /v1/stock", nil, 405, "method-not-allowed"},
		{8, "a log-in from another site's page", "nobody", "POST /login key={key}", []string{"Content-Type", "application/x-www-form-urlencoded", "Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site"}, 403, "forbidden"},
		{8, "leave for another site's script", "nobody", "OPTIONS /v1/sales", []string{"Origin", "https://elsewhere.example", "Access-Control-Request-Method", "POST"}, 204, ""},

		{9, "a profile of the process", roleOwner, "GET /debug/pprof/", nil, 404, "not-found"},
		{9, "its variables", roleOwner, "GET /debug/vars", nil, 404, "not-found"},
		{9, "a version that is not", roleOwner, "GET /v2/stock", nil, 404, "not-found"},
		{9, "one before the first", roleOwner, "GET /v0/stock", nil, 404, "not-found"},
		{9, "a file of settings", roleOwner, "GET /.env", nil, 404, "not-found"},
		{9, "a file beside the pages", "nobody", "GET /assets/..%2f..%2fauth.go", nil, 404, "not-found"},

		{10, "a member twice", roleOwner, `POST /v1/sales ` + oneSale[:len(oneSale)-1] + `,"place":"stall"}`, nil, 400, "invalid-request"},
		{10, "something after the end", roleOwner, "POST /v1/sales " + oneSale + `{"place":"stall"}`, nil, 400, "invalid-request"},
		{10, "a number that is none", roleOwner, strings.Replace("POST /v1/sales "+oneSale, `"pieces":1`, `"pieces":1e400`, 1), nil, 400, "invalid-request"},
		{10, "bytes that are no text", roleOwner, strings.Replace("POST /v1/sales "+oneSale, "counter", "count\xff", 1), nil, 400, "invalid-request"},
		{10, "half a character", roleOwner, `POST /v1/holds {"code":"{cream}","reason":"\ud800"}`, nil, 400, "invalid-request"},
		{10, "a character that rings a bell", roleOwner, `POST /v1/holds {"code":"{cream}","reason":"\u0007"}`, nil, 400, "invalid-request"},
		{10, "a code with a slip in it", roleOwner, "GET /v1/lots/L261125-01-0", nil, 400, "mistyped-code"},
		{10, "a cursor of another list", roleOwner, "GET /v1/runs?cursor=eyJsIjoieCJ9", nil, 400, "invalid-request"},
		{10, "an id of another book's feed", roleOwner, "GET /v1/feed", []string{"Last-Event-ID", "elsewhere-1"}, 410, "cursor-gone"},
	}
}

// TestWhatIsRefusedByOWASPNumber sends each of them, and wants every answer bare: the headers that all have, no leave for other
// sites, and neither the key nor anything of the process's inside in it. Nothing of it may be written down.
func TestWhatIsRefusedByOWASPNumber(t *testing.T) {
	t.Parallel()
	h := twoHouses(t)
	h.owner.post(t, "/v1/sales", oneSale, headerIdempotencyKey, "spent")
	h.words["key"] = h.owner.key
	h.words["session"] = h.session(h.owner)
	clients := map[string]client{"nobody": {handler: h.handler}, "at the pier": h.pier}
	for _, role := range Roles {
		clients[role] = h.as(role)
	}
	stood := h.position()
	seen := map[int]bool{}
	for _, line := range refusedRequests() {
		seen[line.number] = true
		t.Run(fmt.Sprintf("API%d %s", line.number, line.what), func(t *testing.T) {
			c, known := clients[line.as]
			headers := slices.Clone(line.headers)
			if !known {
				c, headers = clients["nobody"], append(headers, "Authorization", line.as)
			}
			for i := range headers {
				headers[i] = h.named(headers[i])
			}
			method, rest, _ := strings.Cut(h.named(line.ask), " ")
			target, body, _ := strings.Cut(rest, " ")
			a := serve(t, c, c.request(t, method, target, body, headers...))
			require.Equal(t, line.status, a.Status, "%s", a.Body)
			if line.slug != "" {
				a.problem(line.status, line.slug)
			}
			requireBare(t, a, h.owner.key, c.key)
		})
	}
	for number := 1; number <= 10; number++ {
		require.True(t, seen[number], "API%d has no line", number)
	}
	require.Equal(t, stood, h.position(), "nothing was written")
}

// requireBare wants the headers that every answer has, and nothing in it that is nobody's business.
func requireBare(t *testing.T, a answer, secrets ...string) {
	t.Helper()
	for name, value := range map[string]string{
		"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Cache-Control": "no-store", "Cross-Origin-Resource-Policy": "same-origin",
	} {
		require.Equal(t, value, a.Header.Get(name), name)
	}
	require.Contains(t, a.Header.Get("Content-Security-Policy"), "frame-ancestors 'none'")
	require.NotEmpty(t, a.Header.Get("Referrer-Policy"))
	require.NotEmpty(t, a.Header.Get(headerRequestID))
	for name := range a.Header {
		require.False(t, strings.HasPrefix(name, "Access-Control-"), name)
		require.NotContains(t, []string{"Server", "X-Powered-By"}, name)
	}
	for _, inside := range append(secrets, "goroutine", ".go:", "SELECT", "SQLSTATE", "pgx", "postgres://") {
		if inside != "" {
			require.NotContains(t, string(a.Body), inside)
		}
	}
}

// session logs a client in and gives the cookie that it got.
func (h *house) session(c client) string {
	h.t.Helper()
	nobody := client{handler: h.handler}
	a := serve(h.t, nobody, nobody.request(h.t, http.MethodPost, "/login", "key="+c.key, "Content-Type", "application/x-www-form-urlencoded"))
	require.Equal(h.t, http.StatusSeeOther, a.Status, "%s", a.Body)
	cookie, _, _ := strings.Cut(a.Header.Get("Set-Cookie"), ";")
	return cookie
}

// A fault tells nothing of the inside to the caller, and no key to the log.
func TestWhatIsRefusedAFaultTellsNothing(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{board: func(context.Context) error {
		return errors.New("pgx: SELECT secret FROM postgres://me:pw@db at inside.go:7")
	}})
	c := b.as(roleOwner)
	a := c.get(t, "/v1/board?place=counter")
	a.problem(http.StatusInternalServerError, "fault")
	requireBare(t, a, c.key, "secret", "inside")
	c.post(t, "/v1/sales", "{", "Cookie", "firstout_session="+c.key)
	serve(t, c, c.request(t, http.MethodGet, "/v1/board?place=counter&key="+c.key, ""))
	require.Contains(t, b.log.String(), "inside.go:7", "who runs it is told")
	require.NotContains(t, b.log.String(), c.key, "a key is never logged")
	require.NotContains(t, b.log.String(), strings.TrimPrefix(c.key, "firstout_"))
}

// Log-ins are counted apart and by less than calls, before the key is looked at: a right one has to wait too.
func TestWhatIsRefusedLogInsWithoutEnd(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{}, func(d *Deps) { d.Rate = Rate{PerSecond: 20, Burst: 60} })
	nobody, key := b.nobody(), b.keys.add(roleOwner)
	enter := func(key string) answer {
		return serve(t, nobody, nobody.request(t, http.MethodPost, "/login", "key="+key, "Content-Type", "application/x-www-form-urlencoded"))
	}
	for range 3 {
		require.Equal(t, http.StatusUnauthorized, enter("firstout_AAAAAAAAAAAAAAAAAAAAAAAAAA").Status)
	}
	a := enter(key)
	require.Equal(t, http.StatusTooManyRequests, a.Status)
	require.Equal(t, "1", a.Header.Get("Retry-After"))
	require.NotEqual(t, http.StatusTooManyRequests, b.as(roleOwner).get(t, "/v1/board?place=counter").Status, "calls go on")
	b.now = b.now.Add(time.Second)
	require.Equal(t, http.StatusSeeOther, enter(key).Status)
}

// Over TLS, browsers are told to come by nothing else; in the clear on loopback they are not.
func TestWhatIsRefusedPlainTextOnceThereIsTLS(t *testing.T) {
	t.Parallel()
	for secure, want := range map[bool]string{true: "max-age=31536000", false: ""} {
		b := newBench(t, stub{}, func(d *Deps) { d.Secure = secure })
		for _, target := range []string{"/healthz", "/v1/stock", "/nowhere", "/login"} {
			require.Equal(t, want, b.nobody().plain(t, target).Header.Get("Strict-Transport-Security"), target)
		}
	}
}

// No request names an address that the program would fetch: webhooks there are none, and links are printed only.
func TestWhatIsRefusedNoAddressIsFetched(t *testing.T) {
	t.Parallel()
	operations, err := document()
	require.NoError(t, err)
	for name, op := range operations {
		for _, schema := range requestSchemas(op) {
			for member := range schema.Properties {
				for _, word := range []string{"url", "uri", "callback", "webhook", "href", "endpoint"} {
					require.NotContains(t, strings.ToLower(member), word, name)
				}
			}
		}
	}
}
