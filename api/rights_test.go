package api

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
)

// whoMay says who may call what, a line a route, written down once more and from the words of the design and not from
// roles.go, so that a mistake in either is seen. A letter a role: c counter, m maker, o owner, a auditor, t till.
// Instead of them everybody: it takes no key. After them:
//
//	whole    it is of the whole book: not with a key that is bound to a site
//	session  a log-in's cookie opens it too
//	here     whoever calls from this machine, unless by a proxy
//	asks     it asks for a key itself and answers 401 and 403 of its own
const whoMay = `
GET  /healthz         everybody
GET  /readyz          everybody
GET  /openapi.yaml    everybody
GET  /problems        everybody
GET  /problems/:slug  everybody
GET  /docs            everybody
GET  /docs/:name      everybody
GET  /metrics         o whole here

GET  /                cmoat session
GET  /login           everybody
POST /login           everybody asks
POST /logout          everybody
GET  /assets/:name    everybody

# Definitions: owner; maker all but sites, places, buyers.
PUT /v1/sites/:slug        o
PUT /v1/places/:slug       o
PUT /v1/buyers/:slug       o
PUT /v1/life-scheme        o
PUT /v1/suppliers/:slug    mo
PUT /v1/ingredients/:slug  mo
PUT /v1/formulas/:slug     mo
PUT /v1/vats/:slug         mo
PUT /v1/moulds/:slug       mo
PUT /v1/designs/:slug      mo

# What identifies a supplier or buyer is the owner's to erase, for the whole book.
POST /v1/erasures  o whole

# The counter reads what it needs to name a place and a piece, and no cost, price paid or supplier; the maker reads all
# but money, events and the feed; the auditor reads everything and writes nothing.
GET /v1/sites              cmoa
GET /v1/sites/:slug        cmoa
GET /v1/places             cmoa
GET /v1/places/:slug       cmoa
GET /v1/designs            cmoa
GET /v1/designs/:slug      cmoa
GET /v1/buyers             moa
GET /v1/buyers/:slug       moa
GET /v1/suppliers          moa
GET /v1/suppliers/:slug    moa
GET /v1/ingredients        moa
GET /v1/ingredients/:slug  moa
GET /v1/formulas           moa
GET /v1/formulas/:slug     moa
GET /v1/vats               moa
GET /v1/vats/:slug         moa
GET /v1/moulds             moa
GET /v1/moulds/:slug       moa

# Compositions are read as recipes are; an estimate records nothing, and the counter may ask for one.
GET  /v1/reference/ingredients  moa
GET  /v1/life-scheme            moa
POST /v1/expiry/estimates       cmoa

# The maker: counter's, and lots, openings, melts, emptyings, ganaches, runs, releases.
POST /v1/lots                    mo
POST /v1/lots/:code/openings     mo
POST /v1/vats/:slug/melts        mo
POST /v1/vats/:slug/emptyings    mo
POST /v1/ganaches                mo
POST /v1/runs                    mo
POST /v1/runs/:code/castings     mo
POST /v1/runs/:code/fillings     mo
POST /v1/runs/:code/decorations  mo
POST /v1/runs/:code/cappings     mo
POST /v1/runs/:code/turnouts     mo
POST /v1/runs/:code/releases     mo

GET /v1/lots            moa
GET /v1/lots/:code      moa
GET /v1/ganaches        moa
GET /v1/ganaches/:code  moa
GET /v1/runs            cmoa
GET /v1/runs/:code      cmoa

# The counter: sales, tasters, discards, moves, counts, checks, place a hold. The till: sales.
POST /v1/sales     cmot
POST /v1/tasters   cmo
POST /v1/discards  cmo
POST /v1/moves     cmo

# The counter packs boxes and opens them again.
POST /v1/boxes                 cmo
GET  /v1/boxes                 cmoa
GET  /v1/boxes/:code           cmoa
POST /v1/boxes/:code/openings  cmo

POST /v1/counts    cmo
POST /v1/checks    cmo
POST /v1/holds     cmo

# Who places holds reads them; the owner lifts. Quality decisions and earlier dates are the maker's too.
GET  /v1/holds                     cmoa
POST /v1/holds/:id/lifts           o
GET  /v1/deviations                cmoa
POST /v1/deviations/:id/decisions  mo
POST /v1/redatings                 mo
POST /v1/corrections               cmo
POST /v1/clock                     o whole

# A recall reaches over every site. The maker opens drills; what is no drill is the owner's inside the request.
POST /v1/recalls                 mo whole
GET  /v1/recalls                 moa whole
GET  /v1/recalls/:id             moa whole
GET  /v1/recalls/:id/notice      moa whole
POST /v1/recalls/:id/narrowings  mo whole
POST /v1/recalls/:id/closings    mo whole

# The counter reads board, picks, stock, dates, allergens; the till reads stock, picks, board.
GET /v1/board                cmoat
GET /v1/board/stream         cmoat session
GET /v1/picks                cmoat
GET /v1/stock                cmoat
GET /v1/trace/candidates     cmoa
GET /v1/trace/:code/back     moa
GET /v1/trace/:code/forward  moa
GET /v1/balances             oa
GET /v1/balances/:code       moa
GET /v1/waste                moa

# Who hands pieces out prints their labels; the till has none to print.
GET  /v1/labels/stale         cmoa
GET  /v1/labels/:code         cmoa
POST /v1/labels/:code/prints  cmo

# Events and feed: owner, auditor.
GET /v1/log/checkpoint          oa whole
GET /v1/log/key                 oa whole
GET /v1/log/proofs/inclusion    oa whole
GET /v1/log/proofs/consistency  oa whole

GET /v1/events  oa whole
GET /v1/feed    oa whole
`

var roleLetters = map[rune]string{'c': roleCounter, 'm': roleMaker, 'o': roleOwner, 'a': roleAuditor, 't': roleTill}

// A permit is a line of whoMay.
type permit struct {
	method, path string
	roles        []string
	marks        []string
}

func (p permit) has(mark string) bool { return slices.Contains(p.marks, mark) }

// lets says whether a key of these roles, bound to a site or not, may call the route.
func (p permit) lets(bound bool, roles ...string) bool {
	return p.has("everybody") || !(bound && p.has("whole")) && slices.ContainsFunc(roles, func(r string) bool { return slices.Contains(p.roles, r) })
}

// target is the path with something in place of its parameters.
func (p permit) target() string {
	return strings.NewReplacer(":slug", "quay-lane", ":code", "R261125-03-3", ":id", someID.String(), ":name", "start.js").Replace(p.path)
}

func permitLines(t *testing.T) map[string]permit {
	t.Helper()
	found := map[string]permit{}
	for line := range strings.Lines(whoMay) {
		fields := strings.Fields(line)
		if len(fields) == 0 || fields[0] == "#" {
			continue
		}
		require.GreaterOrEqual(t, len(fields), 3, line)
		p := permit{method: fields[0], path: fields[1], marks: fields[2:]}
		if !p.has("everybody") {
			for _, letter := range fields[2] {
				require.Contains(t, roleLetters, letter, line)
				p.roles = append(p.roles, roleLetters[letter])
			}
		}
		require.NotContains(t, found, p.method+" "+p.path)
		found[p.method+" "+p.path] = p
	}
	return found
}

// A gateBench asks who is let in, and takes the route that was asked for from the log's line.
type gateBench struct {
	*bench
	t *testing.T
}

func newGateBench(t *testing.T, change ...func(*Deps)) *gateBench {
	t.Helper()
	change = append(change, func(d *Deps) { d.Rate = Rate{PerSecond: 1e9, Burst: 1e9} })
	return &gateBench{bench: newBench(t, stub{}, change...), t: t}
}

// outcome is what came of a request, and which route it was taken for.
type outcome struct {
	status int
	header http.Header
	route  string // method and pattern
}

// ask sends a request as it would come over the wire; false: the server would not read it.
func (g *gateBench) ask(method, target string, headers ...string) (outcome, bool) {
	g.t.Helper()
	var text strings.Builder
	fmt.Fprintf(&text, "%s %s HTTP/1.1\r\nHost: localhost\r\n", method, target)
	for i := 0; i+1 < len(headers); i += 2 {
		fmt.Fprintf(&text, "%s: %s\r\n", headers[i], headers[i+1])
	}
	r, err := http.ReadRequest(bufio.NewReader(strings.NewReader(text.String() + "\r\n")))
	if err != nil {
		return outcome{}, false
	}
	return g.send(r.WithContext(g.t.Context()), "192.0.2.1:1234"), true
}

func (g *gateBench) send(r *http.Request, from string) outcome {
	g.t.Helper()
	r.RemoteAddr = from
	g.log.Reset()
	recorder := httptest.NewRecorder()
	g.echo.ServeHTTP(recorder, r)
	var line struct{ Method, Route string }
	for text := range strings.Lines(g.log.String()) {
		if strings.Contains(text, `"msg":"request"`) {
			require.NoError(g.t, json.Unmarshal([]byte(text), &line))
		}
	}
	return outcome{status: recorder.Code, header: recorder.Header(), route: line.Method + " " + line.Route}
}

func (g *gateBench) bound(roles ...string) string {
	key := g.keys.add(roles...)
	g.keys.change(key, &Key{ID: "bound", Roles: roles, Site: "market"})
	return key
}

// someRoles are all combinations of roles that a key can carry.
func someRoles() [][]string {
	var combinations [][]string
	for set := 1; set < 1<<len(Roles); set++ {
		var roles []string
		for i, role := range Roles {
			if set&(1<<i) != 0 {
				roles = append(roles, role)
			}
		}
		combinations = append(combinations, roles)
	}
	return combinations
}

// Every route that the router serves has its line, and no line is of another.
func TestEveryRouteHasALine(t *testing.T) {
	t.Parallel()
	lines, served := permitLines(t), map[string]bool{}
	for _, route := range newGateBench(t).echo.Routes() {
		served[route.Method+" "+route.Path] = true
		require.Contains(t, lines, route.Method+" "+route.Path, "say in whoMay who may call this route")
	}
	for route := range lines {
		require.True(t, served[route], "%s is not served", route)
	}
}

// Route by route: each combination of roles, bound to a site or not, and each key that opens nothing.
func TestRights(t *testing.T) {
	t.Parallel()
	g := newGateBench(t)
	type caller struct {
		name, authorization string
		bound               bool
		roles               []string // none: 401
	}
	var callers []caller
	for _, roles := range someRoles() {
		name := strings.Join(roles, "+")
		callers = append(callers, caller{name: name, authorization: "Bearer " + g.keys.add(roles...), roles: roles},
			caller{name: name + " at a site", authorization: "Bearer " + g.bound(roles...), roles: roles, bound: true})
	}
	stranger := []string{"janitor"}
	callers = append(callers, caller{name: "no role that there is", authorization: "Bearer " + g.keys.add(stranger...), roles: stranger})
	owner := g.keys.add(roleOwner)
	expired, revoked := g.keys.add(roleOwner), g.keys.add(roleOwner)
	g.keys.change(expired, &Key{ID: "expired", Roles: []string{roleOwner}, Expires: &g.now})
	g.keys.change(revoked, nil)
	for name, authorization := range map[string]string{
		"nobody": "", "malformed": "Bearer " + owner[1:], "cut short": "Bearer " + owner[:len(owner)-1], "of another case": "Bearer " + strings.ToLower(owner),
		"forged": "Bearer " + eventlog.KeyPrefix + "AAAAAAAAAAAAAAAAAAAAAAAAAA", "expired": "Bearer " + expired, "revoked": "Bearer " + revoked,
		"of another scheme": "Basic " + owner, "its hash": fmt.Sprintf("Bearer %x", eventlog.HashKey(owner)), "two keys": "Bearer " + owner + " " + owner,
	} {
		callers = append(callers, caller{name: name, authorization: authorization})
	}
	for route, p := range permitLines(t) {
		for _, c := range callers {
			a, _ := g.ask(p.method, p.target(), "Authorization", c.authorization)
			require.Equal(t, route, a.route)
			who := c.name + ": " + route
			switch {
			case p.has("asks"):
			case p.lets(c.bound, c.roles...):
				require.NotContains(t, []int{http.StatusUnauthorized, http.StatusForbidden}, a.status, who)
			case c.roles == nil:
				require.Equal(t, http.StatusUnauthorized, a.status, who)
				require.Equal(t, "Bearer", a.header.Get("WWW-Authenticate"), who)
			default:
				require.Equal(t, http.StatusForbidden, a.status, who)
			}
		}
	}
}

// A session opens what its line says and no more: a cookie vouches for no write.
func TestRightsOfASession(t *testing.T) {
	t.Parallel()
	g := newGateBench(t)
	key := g.keys.add(roleOwner)
	hash := eventlog.HashKey(key)
	cookie := cookieName(false) + "=" + newSession(g.keys.keys[hash].ID, hash, g.now.Add(time.Hour))
	for route, p := range permitLines(t) {
		a, _ := g.ask(p.method, p.target(), "Cookie", cookie)
		if p.has("everybody") && !p.has("asks") || p.has("session") {
			require.NotContains(t, []int{http.StatusUnauthorized, http.StatusForbidden}, a.status, route)
		} else {
			require.Equal(t, http.StatusUnauthorized, a.status, route)
		}
	}
}

// Who calls from this machine needs no key for what says so, unless a proxy stands in front, told of or not.
func TestRightsOfThisMachine(t *testing.T) {
	t.Parallel()
	plain, proxied := newGateBench(t), newGateBench(t, func(d *Deps) { d.BehindProxy = true })
	for route, p := range permitLines(t) {
		if p.has("everybody") {
			continue
		}
		for _, c := range []struct {
			from   string
			header string
			g      *gateBench
			lets   bool
		}{
			{"127.0.0.1:5000", "", plain, true},
			{"[::1]:5000", "", plain, true},
			{"127.8.9.1:1", "", plain, true},
			{"192.0.2.1:5000", "", plain, false},
			{"[2001:db8::1]:5000", "", plain, false},
			{"@", "", plain, false},
			{"", "", plain, false},
			{"127.0.0.1:5000", "X-Forwarded-For", plain, false},
			{"127.0.0.1:5000", "Forwarded", plain, false},
			{"127.0.0.1:5000", "Via", plain, false},
			{"127.0.0.1:5000", "X-Real-Ip", plain, false},
			{"192.0.2.1:5000", "X-Real-Ip", plain, false},
			{"127.0.0.1:5000", "", proxied, false},
			{"[::1]:5000", "", proxied, false},
		} {
			r := httptest.NewRequestWithContext(t.Context(), p.method, p.target(), http.NoBody)
			if c.header != "" {
				r.Header.Set(c.header, "127.0.0.1")
			}
			a := c.g.send(r, c.from)
			if c.lets && p.has("here") {
				require.Equal(t, http.StatusOK, a.status, "%s from %s", route, c.from)
			} else {
				require.Equal(t, http.StatusUnauthorized, a.status, "%s from %s, %s", route, c.from, c.header)
			}
		}
	}
}

// Whoever asks by another method is told which ones there are, and nothing else.
func TestOtherMethods(t *testing.T) {
	t.Parallel()
	g := newGateBench(t)
	allowed := map[string][]string{}
	for _, p := range permitLines(t) {
		allowed[p.target()] = append(allowed[p.target()], p.method)
	}
	keys := []string{"", "Bearer " + g.keys.add(roleCounter), "Bearer " + g.keys.add(roleOwner)}
	for target, methods := range allowed {
		for _, method := range []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "TRACE", "CONNECT", "OPTIONS", "PROPFIND", "get", "Post", "X"} {
			if slices.Contains(methods, method) {
				continue
			}
			for _, key := range keys {
				a, readable := g.ask(method, target, "Authorization", key, "X-Http-Method-Override", methods[0], "X-Method-Override", methods[0])
				if !readable {
					continue // CONNECT names no path
				}
				if method == http.MethodOptions {
					require.Equal(t, http.StatusNoContent, a.status, "%s %s", method, target)
				} else {
					require.Equal(t, http.StatusMethodNotAllowed, a.status, "%s %s", method, target)
				}
				told := strings.Split(a.header.Get("Allow"), ", ")
				require.ElementsMatch(t, append([]string{"OPTIONS"}, methods...), told, "%s %s", method, target)
			}
		}
	}
}

// spellings writes a path in the ways that proxies, routers and file systems take for the same.
func spellings(path string) []string {
	parts := strings.Split(strings.TrimPrefix(path, "/"), "/")
	joined := func(f func(i int, part string) string) string {
		written := make([]string, len(parts))
		for i, part := range parts {
			written[i] = f(i, part)
		}
		return "/" + strings.Join(written, "/")
	}
	all := func(text string, format string) string {
		var b strings.Builder
		for i := range len(text) {
			fmt.Fprintf(&b, format, text[i])
		}
		return b.String()
	}
	found := []string{
		path + "/", path + "//", "/" + path, "//" + path, path + "/.", path + "/..", path + "/x/..", "/." + path, "/x/.." + path,
		path + "%2f", path + "%2F", path + "%00", path + "%20", path + "%09", path + "%0a", path + "%3f", path + "%23", path + "%5c", path + ".",
		path + ";", path + ";x=1", path + ";/../../metrics", path + "?/healthz", path + "#/healthz", path + "%253b", path + ".json", path + "~",
		"/%2e" + path, "/%2e%2e" + path, "/healthz/.." + path, "/healthz%2f.." + path, "/problems/..%2f.." + path, "/healthz;" + path,
		"/docs/.." + path, "/docs/%2e%2e" + path, "/assets/..%2f" + path, "http://localhost" + path, "http://user@elsewhere" + path, "https://[::1]" + path,
		strings.ToUpper(path), joined(func(_ int, part string) string { return all(part, "%%%02x") }),
		joined(func(_ int, part string) string { return all(part, "%%25%02x") }),
		strings.ReplaceAll(path, "/", "%2f"), "/" + strings.ReplaceAll(path[1:], "/", "%2f"), "/" + strings.ReplaceAll(path[1:], "/", "%5c"),
		"/" + strings.ReplaceAll(path[1:], "/", `\`), strings.ReplaceAll(path, "/", "//"), strings.ReplaceAll(path, "/", "/./"), strings.ReplaceAll(path, "/", "/%2e/"),
		strings.ReplaceAll(path, "/", "%252f"), strings.ReplaceAll(path, "/", "%c0%af"), strings.ReplaceAll(path, "/", "%ef%bc%8f"),
	}
	for n := range parts {
		at := func(write func(string) string) string {
			return joined(func(i int, part string) string {
				if i == n {
					return write(part)
				}
				return part
			})
		}
		found = append(found,
			at(func(p string) string { return all(p, "%%%02X") }), at(func(p string) string { return p + ";v=1" }), at(func(p string) string { return ";" + p }),
			at(func(p string) string { return "./" + p }), at(func(p string) string { return "x/../" + p }), at(func(p string) string { return "%2e/" + p }),
			at(func(p string) string { return "%2e%2e%2f" + p }), at(strings.ToUpper), at(func(p string) string { return "/" + p }),
			at(func(p string) string { return p + "%00" }), at(func(p string) string { return p + "%20" }), at(func(p string) string { return "%20" + p }),
			at(func(string) string { return "*" }), at(func(string) string { return "%2a" }), at(func(string) string { return ":slug" }), at(func(string) string { return "" }),
		)
	}
	return found
}

// However an address is written, what is done is what its caller may do.
func TestOtherSpellings(t *testing.T) {
	t.Parallel()
	g := newGateBench(t)
	lines := permitLines(t)
	callers := map[string]string{"": ""}
	for _, role := range Roles {
		callers[role] = "Bearer " + g.keys.add(role)
	}
	asked, taken := 0, map[string]int{}
	for _, p := range lines {
		for _, target := range spellings(p.target()) {
			for role, authorization := range callers {
				a, readable := g.ask(p.method, target, "Authorization", authorization)
				if !readable {
					continue
				}
				asked++
				who := fmt.Sprintf("%s: %s %s, taken for %q, answered %d", role, p.method, target, a.route, a.status)
				line, served := lines[a.route]
				switch {
				case !served:
					require.Contains(t, []int{http.StatusNotFound, http.StatusMethodNotAllowed}, a.status, who)
				case line.has("asks"):
				case line.lets(false, role):
					require.NotContains(t, []int{http.StatusUnauthorized, http.StatusForbidden}, a.status, who)
					taken[a.route]++
				default:
					require.Contains(t, []int{http.StatusUnauthorized, http.StatusForbidden}, a.status, who)
				}
			}
		}
	}
	t.Logf("%d requests in other spellings, %d routes reached", asked, len(taken))
	require.Greater(t, asked, 20_000)
	require.Greater(t, len(taken), 50, "some spellings lead somewhere")
}
