package api

import (
	"context"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/api/web"
	"firstout/internal/events/eventlog"
)

// isPage says whether a route is for people, and therefore not in the document.
func isPage(route string) bool { return pageRoutes[route] || route == "GET "+pageAsset }

// A visitor is a browser without a screen: it asks for pages and keeps cookies.
type visitor struct {
	t       *testing.T
	handler http.Handler
	cookies map[string]string
	last    *http.Cookie
}

func visit(t *testing.T, handler http.Handler) *visitor {
	t.Helper()
	return &visitor{t: t, handler: handler, cookies: map[string]string{}}
}

// do sends a request as a browser would from a page of the same site; headers come in pairs.
func (v *visitor) do(method, target, form string, headers ...string) answer {
	v.t.Helper()
	r := httptest.NewRequestWithContext(v.t.Context(), method, target, strings.NewReader(form))
	if form == "" {
		r.Body, r.ContentLength = http.NoBody, 0
	}
	r.Header.Set("Accept", "text/html,application/xhtml+xml,*/*;q=0.8")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for name, value := range v.cookies {
		r.AddCookie(&http.Cookie{Name: name, Value: value})
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	a := serve(v.t, client{handler: v.handler}, r)
	for _, cookie := range (&http.Response{Header: a.Header}).Cookies() {
		v.last = cookie
		if v.cookies[cookie.Name] = cookie.Value; cookie.MaxAge < 0 {
			delete(v.cookies, cookie.Name)
		}
	}
	return a
}

func (v *visitor) get(target string, headers ...string) answer {
	v.t.Helper()
	return v.do(http.MethodGet, target, "", headers...)
}

func (v *visitor) logIn(key string, headers ...string) answer {
	v.t.Helper()
	return v.do(http.MethodPost, "/login", url.Values{"key": {key}}.Encode(), headers...)
}

// enter logs in and wants it to be so.
func (v *visitor) enter(key string) *visitor {
	v.t.Helper()
	a := v.logIn(key)
	require.Equal(v.t, http.StatusSeeOther, a.Status, "%s", a.Body)
	require.Equal(v.t, "/", a.Header.Get("Location"))
	return v
}

// page wants a page with a status and gives the words on it.
func (a answer) page(status int) string {
	a.t.Helper()
	require.Equal(a.t, status, a.Status, "%s", a.Body)
	require.Equal(a.t, "text/html; charset=UTF-8", a.Header.Get("Content-Type"))
	require.Equal(a.t, web.Policy, a.Header.Get("Content-Security-Policy"))
	require.Equal(a.t, "no-store", a.Header.Get("Cache-Control"))
	require.Equal(a.t, "nosniff", a.Header.Get("X-Content-Type-Options"))
	text := regexp.MustCompile(`(?s)<title>.*?</title>|<[^>]*>`).ReplaceAllString(string(a.Body), " ")
	return strings.Join(strings.Fields(html.UnescapeString(text)), " ")
}

func TestWithoutASessionThePageAsksForTheKey(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	v := visit(t, b.handler)
	said := v.get("/?place=counter").page(http.StatusUnauthorized)
	require.Contains(t, said, "Key")
	require.NotContains(t, said, "logged out")
	require.Contains(t, string(v.get("/?place=counter").Body), `<input type="hidden" name="place" value="counter">`)
	require.Contains(t, v.get("/login").page(http.StatusOK), "Log in")
	v.get("/", "Accept", "application/json").problem(http.StatusUnauthorized, "unauthenticated")

	a := v.do(http.MethodPost, "/login", url.Values{"key": {b.owner.key}, "place": {"a&b"}}.Encode())
	require.Equal(t, "/?place=a%26b", a.Header.Get("Location"), "it goes where it was asked for, and nowhere else")
}

func TestALogInNeedsAKeyThatReadsTheBoard(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	v := visit(t, b.handler)
	for _, wrong := range []string{"", "x", eventlog.KeyPrefix + strings.Repeat("A", 26), b.owner.key[:20], b.owner.key + strings.Repeat("A", 100)} {
		require.Contains(t, v.logIn(wrong).page(http.StatusUnauthorized), "That is no key, or none that is in force any more.")
	}
	require.Contains(t, v.logIn(b.as("janitor").key).page(http.StatusForbidden), "This key may not see the board")
	require.Empty(t, v.cookies)
	v.do(http.MethodPost, "/login", "key="+strings.Repeat("A", maxForm)).page(http.StatusRequestEntityTooLarge)
	require.Contains(t, v.do(http.MethodPost, "/login", "key=%zz").page(http.StatusBadRequest), "the form could not be read")
	for _, role := range Roles {
		visit(t, b.handler).enter(" " + b.as(role).key + "\n").get("/").page(http.StatusOK)
	}
}

// The cookie tells nothing of the key, no script reads it, and no other site makes a browser send it.
func TestTheCookieOfASession(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	v := visit(t, b.handler).enter(b.owner.key)
	require.Equal(t, "firstout_session", v.last.Name)
	require.True(t, v.last.HttpOnly)
	require.Equal(t, http.SameSiteStrictMode, v.last.SameSite)
	require.Equal(t, "/", v.last.Path)
	require.False(t, v.last.Secure, "on loopback there is no TLS")
	require.Equal(t, morning.Add(12*time.Hour), v.last.Expires.UTC())
	hash := eventlog.HashKey(b.owner.key)
	for _, secret := range []string{b.owner.key, encode([]byte(b.owner.key)), encode(hash[:]), fmt.Sprintf("%x", hash)} {
		require.NotContains(t, v.last.Value, secret)
	}

	tls := openTestBook(t, b.db, true, func(c *Config) { c.Secure = true })
	v = visit(t, tls.handler).enter(tls.owner.key)
	require.Equal(t, "__Host-firstout_session", v.last.Name)
	require.True(t, v.last.Secure)
	v.get("/").page(http.StatusOK)
}

// A session is good for the board and for hearing that it changes. Everything else asks for the key itself.
func TestASessionOpensNothingElse(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	v := visit(t, b.echo).enter(b.as(roleOwner).key)
	for route, allowed := range rights {
		method, path, _ := strings.Cut(route, " ")
		if allowed.public || sessionRoutes[route] {
			continue
		}
		path = strings.NewReplacer(":slug", "counter", ":code", "R261125-01-7", ":id", someID.String()).Replace(path)
		v.do(method, path, "").problem(http.StatusUnauthorized, "unauthenticated")
	}
	for route := range sessionRoutes {
		require.True(t, strings.HasPrefix(route, "GET "), "a session never writes")
	}
	require.Contains(t, v.get("/", "Authorization", "Bearer "+eventlog.KeyPrefix+"none").page(http.StatusUnauthorized), "Key", "a key that is sent is the one that counts")
}

func TestASessionIsHeldAgainstItsKey(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{}, func(d *Deps) {
		d.Board = func(context.Context, string) (HTML, error) { return web.Places{}, nil }
	})
	owner, other := b.as(roleOwner), b.as(roleTill)
	v := visit(t, b.echo).enter(owner.key)
	good := v.cookies["firstout_session"]
	parts := strings.Split(good, ".")
	ends := b.now.Add(sessionLife)
	later := encode([]byte("key-owner")) + "." + fmt.Sprint(ends.Add(time.Hour).Unix()) + "." + parts[2]
	status := func(value string) int {
		v.cookies["firstout_session"] = value
		return v.get("/").Status
	}
	require.Equal(t, http.StatusOK, status(good))
	for what, forged := range map[string]string{
		"nothing":               "",
		"a part of it":          parts[0] + "." + parts[1],
		"no proof":              parts[0] + "." + parts[1] + ".",
		"a longer life":         later,
		"another key's name":    encode([]byte("key-till")) + "." + parts[1] + "." + parts[2],
		"a name of nobody's":    newSession("nobody", eventlog.HashKey(owner.key), ends),
		"made with another key": newSession("key-owner", eventlog.HashKey(other.key), ends),
		"too much":              good + strings.Repeat("A", sessionMost),
		"no base64":             "%." + parts[1] + "." + parts[2],
		"the key itself":        owner.key,
	} {
		require.Equal(t, http.StatusUnauthorized, status(forged), what)
	}
	require.Contains(t, v.get("/").page(http.StatusUnauthorized), "You are logged out")

	b.now = ends.Add(-time.Second)
	require.Equal(t, http.StatusOK, status(good))
	b.now = ends
	require.Equal(t, http.StatusUnauthorized, status(good), "a session has its end, whatever the browser keeps")
}

// A session is no longer than its key, is known to every process, and ends with its key at once.
func TestASessionEndsWithItsKey(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{}, func(d *Deps) {
		d.Board = func(context.Context, string) (HTML, error) { return web.Places{}, nil }
	})
	owner := b.as(roleOwner)
	hash, noon := eventlog.HashKey(owner.key), b.now.Add(time.Hour)
	b.keys.keys[hash] = Key{ID: "k", Roles: []string{roleOwner}, Expires: &noon}
	v := visit(t, b.echo).enter(owner.key)
	require.Equal(t, noon.UTC(), v.last.Expires.UTC())
	v.get("/").page(http.StatusOK)

	another := newBench(t, stub{}, func(d *Deps) {
		d.Keys = b.keys
		d.Board = func(context.Context, string) (HTML, error) { return web.Places{}, nil }
	})
	elsewhere := &visitor{t: t, handler: another.echo, cookies: v.cookies}
	elsewhere.get("/").page(http.StatusOK)

	delete(b.keys.keys, hash)
	v.get("/").page(http.StatusUnauthorized)
	elsewhere.get("/").page(http.StatusUnauthorized)
}

// The session's key is looked up; that it cannot be is no wrong key.
func TestASessionWhoseKeyCannotBeLookedUp(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	v := visit(t, b.echo).enter(b.as(roleOwner).key)
	b.keys.err = notReady{fmt.Errorf("connection refused")}
	require.Contains(t, v.get("/").page(http.StatusServiceUnavailable), "The book cannot be reached just now.")
}

func TestLogOut(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	v := visit(t, b.handler).enter(b.owner.key)
	a := v.do(http.MethodPost, "/logout", "")
	require.Equal(t, http.StatusSeeOther, a.Status)
	require.Equal(t, "/login", a.Header.Get("Location"))
	require.Empty(t, v.cookies)
	v.get("/").page(http.StatusUnauthorized)
}

// Another site's page can neither log a browser in nor out.
func TestFormsOfOtherSites(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	v := visit(t, b.handler).enter(b.owner.key)
	for _, from := range [][]string{
		{"Sec-Fetch-Site", "cross-site"},
		{"Sec-Fetch-Site", "same-site"},
		{"Sec-Fetch-Site", "", "Origin", "https://elsewhere.example"},
		{"Sec-Fetch-Site", "", "Origin", "null"},
	} {
		require.Contains(t, v.logIn(b.owner.key, from...).page(http.StatusForbidden), "another site's page")
		v.do(http.MethodPost, "/logout", "", from...).page(http.StatusForbidden)
	}
	require.Equal(t, http.StatusSeeOther, v.logIn(b.owner.key, "Sec-Fetch-Site", "", "Origin", "http://example.com").Status, "the request's own host")
}

// Guessing at the form is slower than guessing at the API.
func TestLogInsAreCountedByAddress(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{}, func(d *Deps) { d.Rate = Rate{PerSecond: 20, Burst: 60} })
	v := visit(t, b.echo)
	for range 3 {
		v.logIn("firstout_wrong").page(http.StatusUnauthorized)
	}
	a := v.logIn("firstout_wrong")
	a.page(http.StatusTooManyRequests)
	require.Equal(t, "1", a.Header.Get("Retry-After"))
}

// The page and the API answer the same question with the same figures.
func TestThePageShowsTheBoard(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	v := visit(t, b.handler).enter(b.owner.key)
	require.Contains(t, v.get("/").page(http.StatusOK), "No place that sells is in the book yet.")

	b.put("sites/quay-lane", obj{"name": "Quay Lane", "time_zone": "Europe/Dublin", "currency": "EUR", "operator": "Example Chocolate Ltd", "address": "1 Quay Lane", "country": "IE", "handles": []string{"nuts:hazelnut"}})
	b.put("sites/market", obj{"name": "Market", "time_zone": "Europe/Dublin", "currency": "EUR", "operator": "Example Chocolate Ltd", "address": "Square", "country": "IE"})
	b.put("places/counter", obj{"name": "Counter", "site": "quay-lane", "storage": "cool", "sells": true})
	b.put("places/workroom", obj{"name": "Workroom", "site": "quay-lane", "storage": "cool"})
	require.Contains(t, v.get("/").page(http.StatusOK), "Counter Quay Lane as of 08:00 Wed 25 Nov", "the only place that sells")
	b.put("places/stall", obj{"name": "Stall", "site": "market", "storage": "cool", "sells": true})
	require.Contains(t, v.get("/").page(http.StatusOK), "Which counter?")
	require.Contains(t, v.get("/?place=workroom").page(http.StatusOK), "Workroom Quay Lane")
	require.Contains(t, v.get("/?place=nowhere").page(http.StatusNotFound), `There is no place "nowhere"`)
	require.Contains(t, v.get("/?place=nowhere").page(http.StatusNotFound), "Log out")

	b.put("suppliers/example-cocoa", obj{"name": "Example Cocoa"})
	b.put("ingredients/dark", obj{"name": "Dark", "kind": "couverture", "chocolate": "dark", "storage": "dry", "allergens": []string{"soybeans"}, "may_contain": []string{"milk"}})
	b.put("vats/vat-dark", obj{"name": "Dark tank", "chocolate": "dark", "capacity_g": 24000, "site": "quay-lane"})
	b.put("moulds/bar-6", obj{"name": "Bar 6", "cavities": 6})
	b.put("designs/bar", obj{"name": `Bar <i>"plain"</i>`, "chocolate": "dark", "shell_g": 60, "price_minor": 450})
	lot := b.post("lots", obj{"ingredient": "dark", "supplier": "example-cocoa", "supplier_lot": "C-1", "quantity_g": 9000, "date_mark": obj{"kind": "best_before", "date": "2026-11-26"}, "place": "workroom", "price_minor": 100})
	b.post("vats/vat-dark/melts", obj{"inputs": []obj{{"source": lot.text("code"), "quantity_g": 9000, "purpose": "melt"}}})
	run := b.post("runs", obj{"design": "bar", "mould": "bar-6", "moulds": 2, "place": "workroom", "casting": obj{"vat": "vat-dark"}, "turned_out": obj{"good": 12}})
	b.post("runs/"+run.text("code")+"/releases", obj{"pieces": 12, "place": "counter"})

	line := b.owner.get(t, "/v1/board?place=counter")
	require.Equal(t, n("12"), line.at("groups", "sell_next", 0, "pieces"))
	said := v.get("/?place=counter").page(http.StatusOK)
	for _, words := range []string{
		"12 to sell next", `1 day left Bar <i>"plain"</i> 12 here Best before tomorrow, Thu 26 Nov`, run.text("code"),
		"Contains: soybeans", "May contain: milk", "Made where handled: hazelnut (nuts)",
		line.text("cautions", 0), line.text("cautions", 1), line.text("groups", "sell_next", 0, "use_by", "cautions", 0),
	} {
		require.Contains(t, said, words)
	}
}

// The words stand right beside the date of what is dated by an estimate, in the answer and on the page.
func TestABoardSaysThatADateIsEstimated(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.put("sites/quay-lane", obj{"name": "Quay Lane", "time_zone": "Europe/Dublin", "currency": "EUR"})
	b.put("places/cold-counter", obj{"name": "Cold counter", "site": "quay-lane", "storage": "chilled", "sells": true})
	b.put("suppliers/example-cocoa", obj{"name": "Example Cocoa"})
	b.put("ingredients/water", obj{"name": "Water", "kind": "other", "untracked": true, "allergens": []string{}, "like": "water"})
	b.put("ingredients/dark", obj{"name": "Dark", "kind": "couverture", "chocolate": "dark", "storage": "dry", "allergens": []string{}, "like": "couverture_dark_60"})
	b.put("formulas/plain", obj{"name": "Plain", "storage": "chilled", "inputs": []obj{{"ingredient": "water", "quantity_g": 100}, {"ingredient": "dark", "quantity_g": 300}}})
	b.put("vats/vat-dark", obj{"name": "Dark tank", "chocolate": "dark", "site": "quay-lane"})
	b.put("moulds/dome-6", obj{"name": "Dome 6", "cavities": 6})
	b.put("designs/dome", obj{"name": "Dome", "chocolate": "dark", "shell_g": 4, "cap_g": 1, "fillings": []obj{{"formula": "plain", "quantity_g": 6}}})
	lot := b.post("lots", obj{"ingredient": "dark", "supplier": "example-cocoa", "supplier_lot": "C-1", "quantity_g": 9000, "date_mark": obj{"kind": "best_before", "date": "2027-11-26"}, "place": "cold-counter"})
	b.post("vats/vat-dark/melts", obj{"inputs": []obj{{"source": lot.text("code"), "quantity_g": 5000, "purpose": "melt"}}})
	batch := b.post("ganaches", obj{"formula": "plain", "inputs": []obj{{"ingredient": "water", "quantity_g": 100}, {"source": lot.text("code"), "quantity_g": 300}}, "place": "cold-counter"})
	run := b.post("runs", obj{
		"design": "dome", "mould": "dome-6", "moulds": 1, "place": "cold-counter", "casting": obj{"vat": "vat-dark"},
		"filling": []obj{{"source": batch.text("code")}}, "capping": obj{"vat": "vat-dark"}, "turned_out": obj{"good": 6},
	})
	b.post("runs/"+run.text("code")+"/releases", obj{"pieces": 6, "place": "cold-counter"})
	require.Contains(t, string(b.owner.get(t, "/v1/board?place=cold-counter").Body), `"Estimated, not validated"`)
	require.Contains(t, visit(t, b.handler).enter(b.owner.key).get("/?place=cold-counter").page(http.StatusOK), "Use by Sat 28 Nov Estimated, not validated")
}

func TestAKeyOfASiteSeesItsPlacesOnly(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	for _, slug := range []string{"here", "there"} {
		b.put("sites/"+slug, obj{"name": "Site " + slug, "time_zone": "Europe/Dublin", "currency": "EUR", "operator": "Example Chocolate Ltd", "address": "1 Quay Lane", "country": "IE"})
		b.put("places/counter-"+slug, obj{"name": "Counter " + slug, "site": slug, "storage": "cool", "sells": true})
	}
	bound := b.as(roleCounter)
	b.keys.keys[eventlog.HashKey(bound.key)] = Key{ID: "bound", Roles: []string{roleCounter}, Site: "here"}
	v := visit(t, b.handler).enter(bound.key)
	said := v.get("/").page(http.StatusOK)
	require.Contains(t, said, "Counter here Site here")
	require.NotContains(t, said, "there")
	require.Contains(t, v.get("/?place=counter-there").page(http.StatusForbidden), "This key is for here only")
}

func TestAssets(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	v := visit(t, b.echo)
	addresses := regexp.MustCompile(`/assets/[^"]+`).FindAllString(string(v.get("/login").Body), -1)
	require.Len(t, addresses, 2)
	for _, address := range append(addresses, "/assets/board.js") {
		a := v.get(address)
		require.Equal(t, http.StatusOK, a.Status)
		require.Regexp(t, `^(text/css; charset=utf-8|text/javascript; charset=utf-8|image/svg\+xml)$`, a.Header.Get("Content-Type"))
		require.Equal(t, strings.Contains(address, "?v="), strings.Contains(a.Header.Get("Cache-Control"), "immutable"))
		require.Equal(t, http.StatusNotModified, v.get(address, "If-None-Match", a.Header.Get("ETag")).Status)
	}
	for _, none := range []string{"/assets/none.css", "/assets/..%2fweb.go", "/assets/%2e%2e"} {
		v.get(none).problem(http.StatusNotFound, "not-found")
	}
}
