package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// How many requests are drawn: 3,000, and seven times as many with FIRSTOUT_LONG=1, from other seeds and at least 200 for
// each operation.
const (
	fuzzBooks     = 3
	fuzzBooksLong = 7 * fuzzBooks
	fuzzed        = 1000 // for each book
	fuzzedOfEach  = 10   // of those, for each operation: 210 in all the books of the long form
)

// TestTheServerKeepsToItsDocument draws requests from the document, some of them with one thing spoilt. No answer may
// be a fault; a request that fits is not refused as one that does not, a spoilt one is, and for what is spoilt; every
// answer is one that the document names and describes.
func TestTheServerKeepsToItsDocument(t *testing.T) {
	t.Parallel()
	books, first := uint64(fuzzBooks), uint64(1)
	if os.Getenv("FIRSTOUT_LONG") == "1" {
		books, first = fuzzBooksLong, 1000
	}
	for seed := first; seed < first+books; seed++ {
		t.Run("seed "+strconv.FormatUint(seed, 10), func(t *testing.T) {
			t.Parallel()
			f := newFuzz(t, seed)
			if books == fuzzBooksLong {
				for range fuzzedOfEach {
					f.due = append(f.due, f.routes...)
				}
				f.rng.Shuffle(len(f.due), func(i, j int) { f.due[i], f.due[j] = f.due[j], f.due[i] })
			}
			for range max(fuzzed, len(f.due)) {
				f.one()
			}
			f.report()
		})
	}
}

// hangs is after how long an answer is given up: a stream that should have been refused has no end.
const hangs = 30 * time.Second

// stockAgain is how many requests go out, at the least, before the shop is stocked up anew.
const stockAgain = 50

// counterAndTill is who has a key with two roles.
const counterAndTill = roleCounter + "+" + roleTill

// A fuzz is a shop that strange requests are sent to.
type fuzz struct {
	*drawer
	s       *refusalShop
	clients map[string]client
	routes  []string
	due     []string    // operations that are to be drawn before others
	answers map[int]int // by status
	found   map[string]string

	sentSince int // requests since the shop was stocked up
}

func newFuzz(t *testing.T, seed uint64) *fuzz {
	t.Helper()
	s := newRefusalShop(t)
	f := &fuzz{
		drawer: &drawer{
			rng: rand.New(rand.NewPCG(seed, 0)), now: morning,
			slugs: map[string][]string{}, codes: map[byte][]string{}, pages: map[string][]string{},
		},
		s: s, clients: map[string]client{}, answers: map[int]int{}, found: map[string]string{},
	}
	for i := range 3 {
		s.run(i, isReleased)
		s.run(i, isCast)
	}
	s.run(0, isWaiting)
	s.run(0, isReleased, isHeld)
	s.run(0, isReleased, isPast)
	s.run(0, isStarted)
	s.run(0, isSuspect)
	s.run(0)
	s.tank(0, isMilk)
	s.ganache(0)
	f.ids = []string{s.hold(), s.hold(isSettled), s.deviation(), s.deviation(isSettled)}
	for _, role := range Roles {
		f.clients[role] = s.as(role)
	}
	f.clients[counterAndTill] = s.as(roleCounter, roleTill)
	operations, err := document()
	require.NoError(t, err)
	for route := range operations {
		f.routes = append(f.routes, route)
	}
	slices.Sort(f.routes)
	for _, kind := range []string{"sites", "places", "suppliers", "ingredients", "formulas", "designs", "moulds", "vats", "buyers"} {
		var page map[string]any
		require.NoError(t, json.Unmarshal(s.owner.get(t, "/v1/"+kind+"?limit=500").Body, &page))
		for _, one := range page[kind].([]any) {
			f.slugs[kind] = append(f.slugs[kind], one.(map[string]any)["slug"].(string))
		}
	}
	for _, kind := range []string{"lots", "ganaches", "runs", "vats"} {
		f.learn(s.owner.get(t, "/v1/"+kind+"?limit=500").Body)
	}
	f.now, s.upset = f.bookNow(), true
	return f
}

// bookNow is what the book's clock shows.
func (f *fuzz) bookNow() (now time.Time) {
	f.s.t.Helper()
	require.NoError(f.s.t, f.s.db.App.QueryRow(f.s.t.Context(), "SELECT manual_now FROM head").Scan(&now))
	return now.UTC()
}

// one draws a request, sends it, and looks at the answer.
func (f *fuzz) one() {
	operations, _ := document()
	route := f.next()
	w := f.fitting(operations[route])
	w.who = f.caller(route)
	if f.chance(60) {
		f.likely(w)
	}
	if f.chance(50) {
		sp := pick(f.drawer, f.spoils(w))
		w.spoilt = &sp
	}
	if w.spoilt == nil && streamRoutes[strings.TrimPrefix(route, "GET ")] {
		return // it does not end, and has tests of its own
	}
	why := f.try(w)
	if why == "" {
		return
	}
	kind := strings.SplitN(why, "\n", 2)[0]
	if _, known := f.found[route+": "+kind]; known {
		return
	}
	small, why := f.shrink(w, why)
	f.found[route+": "+kind] = why + "\n" + f.shown(small)
}

// next is the operation to draw for: one that is due, or any, more often a write than a question.
func (f *fuzz) next() string {
	if len(f.due) > 0 {
		route := f.due[0]
		f.due = f.due[1:]
		return route
	}
	route := pick(f.drawer, f.routes)
	if strings.HasPrefix(route, http.MethodGet) && f.chance(30) {
		route = pick(f.drawer, f.routes)
	}
	return route
}

// caller is the roles of the key: mostly one that may call.
func (f *fuzz) caller(route string) string {
	if who := rights[route]; !who.public && f.chance(85) {
		if slices.Contains(who.names, roleOwner) && f.chance(60) {
			return roleOwner
		}
		return pick(f.drawer, who.names)
	}
	return pick(f.drawer, append([]string{counterAndTill}, Roles...))
}

// likely makes a write one that would be taken, with a member or two of it drawn anew.
func (f *fuzz) likely(w *wish) {
	defer f.again()
	for _, name := range slices.Sorted(maps.Keys(refusalGroups)) {
		for i := range refusalGroups[name] {
			r := &refusalGroups[name][i]
			if "POST "+r.route != w.route() || r.how != "" && f.chance(50) {
				continue
			}
			a := r.compose(f.s, f.chance(30))
			f.s.spent(r)
			f.learn([]byte(text(f.s.t, a.body)))
			drawn, _ := w.body.(map[string]any)
			likely, _ := answer{t: f.s.t, Body: []byte(text(f.s.t, a.body))}.json().(map[string]any)
			schema := w.op.route.Operation.RequestBody.Value.Content["application/json"].Schema.Value
			for range f.rng.IntN(3) {
				name := pick(f.drawer, slices.Sorted(maps.Keys(schema.Properties)))
				value, has := drawn[name]
				changed := maps.Clone(likely)
				if changed[name] = value; !has {
					delete(changed, name)
				}
				if holdsAcross(schema, changed) {
					likely = changed
				}
			}
			w.body = likely
			for name := range w.path {
				w.path[name] = strings.Split(strings.TrimPrefix(a.target, "/v1/"), "/")[1]
			}
			return
		}
	}
}

// again stocks the shop up where strange requests have left it so that goods cannot be had any more.
func (f *fuzz) again() {
	thrown := recover()
	if thrown == nil {
		return
	}
	if err, is := thrown.(error); !is || !errors.Is(err, errUpset) {
		panic(thrown)
	}
	if f.sentSince < stockAgain {
		return
	}
	f.sentSince = 0
	defer func() { _ = recover() }() // not even that: a later one tries again
	f.s.define()
	f.s.stockUp()
}

// sent is a wish as it goes out.
func (f *fuzz) sent(w *wish) (*wish, *http.Request) {
	out := *w
	out.path, out.query, out.headers = maps.Clone(w.path), maps.Clone(w.query), maps.Clone(w.headers)
	if key := out.headers.Get(headerIdempotencyKey); key != "" {
		out.headers.Set(headerIdempotencyKey, f.key()) // a key is used once
	}
	c := f.clients[w.who]
	out.headers.Set("Authorization", "Bearer "+c.key)
	if w.spoilt != nil {
		w.spoilt.apply(&out)
	}
	body := out.text()
	r := httptest.NewRequestWithContext(f.s.t.Context(), out.method, out.target(), strings.NewReader(body))
	if body == "" {
		r.Body = http.NoBody
	}
	r.Header = out.headers
	return &out, r
}

// try sends a request and says what is wrong with the answer: "" if nothing is.
func (f *fuzz) try(w *wish) string {
	f.sentSince++
	out, r := f.sent(w)
	ctx, cancel := context.WithTimeout(r.Context(), hangs)
	defer cancel()
	r = r.WithContext(ctx)
	again := r.Clone(r.Context())
	again.Body = io.NopCloser(strings.NewReader(out.text()))
	a := serve(f.s.t, f.clients[w.who], r)
	f.answers[a.Status]++
	if wrong := f.judge(w, a); wrong != "" {
		return wrong
	}
	if off := offDocument(f.s.t, again, a); off != "" {
		return fmt.Sprintf("%d is off the document\n%s", a.Status, off[:min(len(off), 1500)])
	}
	if w.spoilt != nil || a.Status >= 300 {
		return ""
	}
	f.learn(a.Body)
	f.remember(w, a)
	return f.repeat(out, a)
}

// judge looks at the status and kind of an answer.
func (f *fuzz) judge(w *wish, a answer) string {
	var told struct {
		Type   string
		Errors []misfit
	}
	_ = json.Unmarshal(a.Body, &told)
	slug := strings.TrimPrefix(told.Type, "/problems/")
	rightsOf := rights[w.route()]
	mayCall := rightsOf.public || rightsOf.any(strings.Split(w.who, "+"))
	switch named := w.op.route.Operation.Responses.Status(a.Status); {
	case a.Status >= 500:
		return fmt.Sprintf("%d\n%s", a.Status, a.Body)
	case named == nil:
		return fmt.Sprintf("%d %s is not named by the document\n%s", a.Status, slug, a.Body)
	case w.spoilt != nil && w.spoilt.status == http.StatusUnauthorized, mayCall && w.spoilt != nil:
		if a.Status != w.spoilt.status || slug != w.spoilt.slug {
			return fmt.Sprintf("%d %s to a spoilt request, wanted %d %s\n%s", a.Status, slug, w.spoilt.status, w.spoilt.slug, a.Body[:min(len(a.Body), 800)])
		}
	case !mayCall:
		if a.Status != http.StatusForbidden {
			return fmt.Sprintf("%d to a key that may not call\n%s", a.Status, a.Body)
		}
	case a.Status == http.StatusBadRequest && slug == "mistyped-code":
	case a.Status == http.StatusBadRequest && slug == "invalid-request" && len(told.Errors) == 1 && told.Errors[0].Pointer == "/query/cursor":
	case a.Status == http.StatusForbidden && w.who != roleOwner: // a matter of what is in it
	case slices.Contains([]int{200, 201, 304, 404, 409, 410, 422}, a.Status):
	default:
		return fmt.Sprintf("%d %s to a request that fits\n%s", a.Status, slug, a.Body)
	}
	return ""
}

// repeat sends what was taken again: a write gives its first answer, a question has not changed.
func (f *fuzz) repeat(out *wish, a answer) string {
	if !f.chance(25) {
		return ""
	}
	body := out.text()
	r := httptest.NewRequestWithContext(f.s.t.Context(), out.method, out.target(), strings.NewReader(body))
	if body == "" {
		r.Body = http.NoBody
	}
	r.Header = out.headers.Clone()
	switch {
	case out.op.needsKey:
		b := serve(f.s.t, f.s.owner, r)
		if b.Status != a.Status || !bytes.Equal(b.Body, a.Body) || b.Header.Get("Idempotency-Replayed") != "true" {
			return fmt.Sprintf("%d to the same request again\n%s\nfirst %s", b.Status, b.Body, a.Body)
		}
	case a.Header.Get("ETag") != "":
		r.Header.Set("If-None-Match", a.Header.Get("ETag"))
		b := serve(f.s.t, f.s.owner, r)
		f.answers[b.Status]++
		if b.Status != http.StatusNotModified {
			return fmt.Sprintf("%d to the same question again\n%s", b.Status, b.Body)
		}
	}
	return ""
}

var codeInText = regexp.MustCompile(`"[LCGRB][0-9]{6}-[0-9]{2,9}(\.[0-9]+)?-[0-9A-Z]"`)

// learn notes the codes in an answer.
func (f *fuzz) learn(body []byte) {
	for _, quoted := range codeInText.FindAll(body, 20) {
		code := string(quoted[1 : len(quoted)-1])
		if known := f.codes[code[0]]; !slices.Contains(known, code) {
			if len(known) >= 60 {
				known[f.rng.IntN(len(known))] = code
			} else {
				f.codes[code[0]] = append(known, code)
			}
		}
	}
}

// remember notes what an answer gave beside codes: names, ids, cursors, the time.
func (f *fuzz) remember(w *wish, a answer) {
	var given struct {
		ID         string
		Slug       string
		NextCursor string `json:"next_cursor"`
		Deviations []struct{ ID string }
	}
	_ = json.Unmarshal(a.Body, &given)
	path := w.op.route.Path
	switch {
	case w.method == http.MethodPut:
		kind := strings.Split(path, "/")[2]
		if !slices.Contains(f.slugs[kind], given.Slug) {
			f.slugs[kind] = append(f.slugs[kind], given.Slug)
		}
	case path == "/v1/holds" && w.method == http.MethodPost:
		f.ids = append(f.ids, given.ID)
	case path == "/v1/clock":
		f.now = f.bookNow()
	}
	for _, one := range given.Deviations {
		if one.ID != "" {
			f.ids = append(f.ids, one.ID)
		}
	}
	if given.NextCursor != "" {
		f.pages[w.route()] = append(f.pages[w.route()], given.NextCursor)
	}
}

// shrink looks for a smaller request with the same fault: without what may be left out of it.
func (f *fuzz) shrink(w *wish, why string) (*wish, string) {
	same := func(other string) bool { return strings.SplitN(other, "\n", 2)[0] == strings.SplitN(why, "\n", 2)[0] }
	for tries := 0; tries < 200; {
		smaller := false
		for _, less := range f.smaller(w) {
			tries++
			if other := f.attempt(less); same(other) {
				w, why, smaller = less, other, true
				break
			}
		}
		if !smaller {
			break
		}
	}
	return w, why
}

// attempt is try, of a request whose spoil may have gone with what was left out.
func (f *fuzz) attempt(w *wish) (why string) {
	defer func() {
		if recover() != nil {
			why = "the spoilt place is gone"
		}
	}()
	return f.try(w)
}

// smaller are requests with one thing less that still fit, but for what is spoilt.
func (f *fuzz) smaller(w *wish) []*wish {
	var all []*wish
	less := func(change func(w *wish)) {
		one := *w
		one.query, one.headers, one.style = maps.Clone(w.query), maps.Clone(w.headers), 0
		change(&one)
		all = append(all, &one)
	}
	for name := range w.query {
		if w.requires(name) {
			continue
		}
		less(func(w *wish) { w.query.Del(name) })
	}
	for name := range w.headers {
		if name != headerIdempotencyKey && name != "Content-Type" {
			less(func(w *wish) { w.headers.Del(name) })
		}
	}
	if w.op.takes {
		schema := w.op.route.Operation.RequestBody.Value.Content["application/json"].Schema.Value
		leave(schema, w.body, nil, func(at []any, value any) { less(func(w *wish) { w.body = put(w.body, at, value) }) })
	}
	return all
}

// report fails the test with everything that was found, and says what the requests came to.
func (f *fuzz) report() {
	f.s.t.Logf("answers by status: %v", f.answers)
	var texts []string
	for _, kind := range slices.Sorted(maps.Keys(f.found)) {
		texts = append(texts, kind+"\n"+f.found[kind])
	}
	require.Empty(f.s.t, texts, "%d:\n%s", len(texts), strings.Join(texts, "\n\n"))
	for _, status := range []int{200, 201, 304, 400, 403, 404, 406, 409, 415, 422} {
		require.NotZero(f.s.t, f.answers[status], "no answer was %d: the requests do not reach deep enough", status)
	}
}

// shown is a request in full.
func (f *fuzz) shown(w *wish) string {
	out, _ := f.sent(w)
	text := fmt.Sprintf("as %s: %s %s\n", w.who, out.method, out.target())
	for _, name := range slices.Sorted(maps.Keys(out.headers)) {
		if name == "Authorization" {
			continue
		}
		text += name + ": " + shortened(strings.Join(out.headers[name], ", ")) + "\n"
	}
	if w.spoilt != nil {
		text += "spoilt: " + w.spoilt.what + "\n"
	}
	body := out.text()
	if len(body) > 3000 {
		body = body[:3000] + "…"
	}
	return text + body
}
