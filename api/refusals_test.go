package api

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/workshop"
)

// A refusable is a command of the document and everything that it is refused for.
type refusable struct {
	route  string // as echo has it, e.g. /v1/lots/:code/openings
	how    string // where one route is tried in more than one way
	lines  string // the member with the lines, if it has lines
	ask    func(a *asked)
	faults []fault
	never  map[workshop.Slug]string // refusals that cannot apply, and why not

	apart    [][2]workshop.Slug // refusals that cannot apply at once
	spends   []string           // things that are not as they were once it is recorded
	produces bool               // what it makes is held where it broke a rule of safety
	steps    bool               // it is written in steps, each with the rules that it broke
}

func (r refusable) String() string { return strings.TrimPrefix(r.route, "/v1/") + r.how }

// A fault is what makes a good request a refused one.
type fault struct {
	slug workshop.Slug
	name string
	put  func(a *asked)

	line  func(s *refusalShop, i int) (line, facts obj) // in place of put: one of the lines has it
	dated string                                        // when it is said to have happened then
	alone bool                                          // it leaves no room for others
	inURL bool                                          // what is unknown is named in the URL
	stays bool                                          // already_done does not record it, though it would others of this slug
}

func (f fault) String() string { return strings.TrimSuffix(string(f.slug)+"/"+f.name, "/") }

// An asked is a request being made up: faults first, then what the command needs beside them.
type asked struct {
	s       *refusalShop
	command *refusable
	as      client
	target  string
	body    obj

	url  string  // what the URL names, where a fault says so
	with []trait // of what the URL names
	from []trait // of what is drawn from
	when string
	done bool

	facts map[workshop.Slug]obj // that the refusal must have
}

// compose makes a request with some faults. The good line stands first, then the faults as they come.
func (r *refusable) compose(s *refusalShop, done bool, faults ...fault) *asked {
	a := &asked{s: s, command: r, as: s.owner, body: obj{}, done: done, facts: map[workshop.Slug]obj{}}
	if done {
		a.body["already_done"] = true
	}
	for i, f := range faults {
		if f.dated != "" {
			a.happened(f.dated)
		}
		if f.line != nil {
			line, facts := f.line(s, i)
			a.line(line)
			a.tell(f.slug, facts)
		} else {
			f.put(a)
		}
	}
	r.ask(a)
	if a.when != "" {
		a.body["occurred_at"] = a.when
	}
	return a
}

// line adds one to the lines.
func (a *asked) line(line obj) {
	lines, _ := a.body[a.command.lines].([]obj)
	a.body[a.command.lines] = append(lines, line)
}

// good puts a line before those that are there.
func (a *asked) good(line obj) {
	lines, _ := a.body[a.command.lines].([]obj)
	a.body[a.command.lines] = append([]obj{line}, lines...)
}

// or fills members in that no fault has set.
func (a *asked) or(members obj) {
	for name, value := range members {
		if _, set := a.body[name]; !set {
			a.body[name] = value
		}
	}
}

// named is what the URL names: what a fault says, else something good.
func (a *asked) named(good func() string) string {
	if a.url == "" {
		a.url = good()
	}
	return a.url
}

// tell says what the refusal must tell.
func (a *asked) tell(slug workshop.Slug, facts obj) {
	if _, told := a.facts[slug]; !told && facts != nil {
		a.facts[slug] = facts
	}
}

// happened dates the request. What is impossible by itself stands.
func (a *asked) happened(when string) {
	if a.when == "" || a.when == ago {
		a.when = when
	}
}

func (a *asked) send(key string) answer {
	a.s.t.Helper()
	return a.as.post(a.s.t, a.target, text(a.s.t, a.body), headerIdempotencyKey, key)
}

func (a *asked) String() string {
	body, _ := json.Marshal(a.body)
	return fmt.Sprintf("POST %s %s", a.target, body)
}

// refusedAt is the status of a refusal, as openapi.yaml has it.
func refusedAt(f fault) int {
	switch f.slug {
	case "mistyped-code":
		return http.StatusBadRequest
	case "unknown-code":
		if f.inURL {
			return http.StatusNotFound
		}
		return http.StatusUnprocessableEntity
	case "wrong-kind-of-thing", "in-the-future", "too-long-ago":
		return http.StatusUnprocessableEntity
	}
	return http.StatusConflict
}

// recordedInstead are the refusals that already_done turns into a fact.
var recordedInstead = []workshop.Slug{
	"on-hold", "past-date", "not-released", "wrong-chocolate", "undecided-deviation", "allergen-not-on-label", "no-whole-day", "not-enough",
}

func (f fault) recorded() bool { return slices.Contains(recordedInstead, f.slug) && !f.stays }

// ofSafety says what concern the deviation of a broken rule has.
func ofSafety(slug workshop.Slug) bool { return slug != "not-enough" && slug != "wrong-chocolate" }

// TestTheTableOfRefusalsIsComplete wants a line for every command of the document that records something, and in it
// every refusal: with a request, or with the reason why it cannot apply.
func TestTheTableOfRefusalsIsComplete(t *testing.T) {
	t.Parallel()
	operations, err := document()
	require.NoError(t, err)
	commands := map[string]bool{}
	for at, op := range operations {
		if op.needsKey {
			commands[strings.TrimPrefix(at, "POST ")] = true
		}
	}
	inTable := map[string]bool{"/v1/corrections": true} // what it refuses beside, TestRefusedCorrections and its replacement's own line tell
	for _, group := range refusalGroups {
		for _, r := range group {
			inTable[r.route] = true
			for _, slug := range workshop.Slugs {
				if slug == workshop.RefusedAlreadyCorrected || slug == workshop.RefusedStillUsed { // of corrections
					continue
				}
				has := slices.ContainsFunc(r.faults, func(f fault) bool { return f.slug == slug })
				_, never := r.never[slug]
				require.NotEqual(t, has, never, "%s × %s: give a request that is so refused, or say why there is none", r, slug)
			}
			for slug, reason := range r.never {
				require.Contains(t, workshop.Slugs, slug, "%s", r)
				require.NotEmpty(t, reason, "%s × %s", r, slug)
			}
			for _, f := range r.faults {
				require.Contains(t, workshop.Slugs, f.slug, "%s", r)
			}
		}
	}
	require.Equal(t, commands, inTable)
}

// TestEveryRefusalOverHTTP goes through the table: each refusal by itself, the order of each two that can apply at
// once, and the order of the lines.
func TestEveryRefusalOverHTTP(t *testing.T) {
	t.Parallel()
	for name, group := range refusalGroups {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newRefusalShop(t)
			for i := range group {
				r := &group[i]
				for _, f := range r.faults {
					t.Run(fmt.Sprintf("%s/%s", r, f), func(t *testing.T) { s.on(t).alone(r, f) })
				}
				for _, pair := range r.pairs() {
					t.Run(fmt.Sprintf("%s/%s before %s", r, pair[0], pair[1]), func(t *testing.T) { s.on(t).inOrder(r, pair[0], pair[1]) })
				}
			}
		})
	}
}

// on is the shop, failing a test.
func (s *refusalShop) on(t *testing.T) *refusalShop {
	copied, book := *s, *s.testBook
	book.t, copied.testBook = t, &book
	return &copied
}

// pairs are each two faults that can be provoked at once, the one that is told first.
func (r *refusable) pairs() [][2]fault {
	var pairs [][2]fault
	for _, first := range r.faults {
		for _, second := range r.faults {
			if !first.alone && !second.alone && place(first) < place(second) && !r.keepsApart(first.slug, second.slug) {
				pairs = append(pairs, [2]fault{first, second})
			}
		}
	}
	return pairs
}

func place(f fault) int { return slices.Index(workshop.Slugs, f.slug) }

func (r *refusable) keepsApart(one, two workshop.Slug) bool {
	apart := append([][2]workshop.Slug{
		{"in-the-future", "too-long-ago"}, // one time cannot be both
		{"in-the-future", "before-it-existed"},
	}, r.apart...)
	return slices.Contains(apart, [2]workshop.Slug{one, two}) || slices.Contains(apart, [2]workshop.Slug{two, one})
}

// alone tries one fault by itself: refused, with its facts, and nothing recorded; recorded after all when it is done
// already, if it may be; and the key is still free for the request as it should have been.
func (s *refusalShop) alone(r *refusable, f fault) {
	t, key := s.t, s.key("once")
	a := r.compose(s, false, f)
	position := s.position() // what the fault needs is there by now
	told := a.send(key).problem(refusedAt(f), string(f.slug))
	for name, want := range a.facts[f.slug] {
		require.Contains(t, told, name, "%s\n%v", a, told)
		require.JSONEq(t, asJSON(t, want), asJSON(t, told[name]), "%s of %s", name, a)
	}
	for _, name := range mustTell[f.slug] {
		require.Contains(t, told, name, "%s\n%v", a, told)
	}
	require.Equal(t, position, s.position(), "a refusal records nothing: %s", a)
	if f.line != nil {
		s.lineOrder(r, f)
	}
	s.already(r, f)
	good := r.compose(s, false)
	require.Equal(t, http.StatusCreated, good.send(key).Status, "the key is free for a good request: %s", good)
	s.spent(r)
}

// key is one of this test's own.
func (s *refusalShop) key(what string) string {
	name := strings.ReplaceAll(s.t.Name(), " ", "-")
	return what + "-" + name[max(0, len(name)-100):]
}

// mustTell are the facts that a refusal never lacks.
var mustTell = map[workshop.Slug][]string{
	"not-enough": {"wanted", "available", "unit", "place"}, "no-whole-day": {"class"}, "before-it-existed": {"in_the_way"},
}

// lineOrder wants the first of two lines with the same fault to be told.
func (s *refusalShop) lineOrder(r *refusable, f fault) {
	for _, order := range [][2]int{{0, 1}, {1, 0}} {
		nth := func(i int) fault {
			g := f
			g.line = func(s *refusalShop, _ int) (line, facts obj) { return f.line(s, i) }
			return g
		}
		a := r.compose(s, false, nth(order[0]), nth(order[1]))
		told := a.send("lines").problem(refusedAt(f), string(f.slug))
		for name, want := range a.facts[f.slug] {
			require.JSONEq(s.t, asJSON(s.t, want), asJSON(s.t, told[name]), "the first line of two is told: %s", a)
		}
	}
}

// inOrder wants the first of two faults to be told, in whichever order their lines stand.
func (s *refusalShop) inOrder(r *refusable, first, second fault) {
	a := r.compose(s, false, second, first)
	position := s.position()
	a.send("pair").problem(refusedAt(first), string(first.slug))
	require.Equal(s.t, position, s.position())
	s.already(r, first, second)
}

// already sends a request of what is done already, with faults in their order: it is recorded with the rules that it
// broke, unless one of them cannot be.
func (s *refusalShop) already(r *refusable, faults ...fault) {
	t := s.t
	reversed := slices.Clone(faults)
	slices.Reverse(reversed)
	a := r.compose(s, true, reversed...)
	position := s.position()
	answer := a.send(s.key("already"))
	for _, f := range faults {
		if !f.recorded() {
			require.Equal(t, "/problems/"+string(f.slug), answer.at("type"), "%s: %s", a, answer.Body)
			answer.problem(refusedAt(f), string(f.slug))
			require.Equal(t, position, s.position())
			return
		}
	}
	require.Equal(t, http.StatusCreated, answer.Status, "%s: %s", a, answer.Body)
	s.recordedAs(a, position, faults)
	s.spent(r)
}

// An eventShown is an event as the API shows it, as far as a broken rule goes.
type eventShown struct {
	Position int64  `json:"position"`
	Type     string `json:"type"`
	Command  string `json:"command"`
	Data     struct {
		RuleBroken []workshop.Slug `json:"rule_broken"`
		Rule       workshop.Slug   `json:"rule"`
		Concern    string          `json:"concern"`
		Cause      workshop.Slug   `json:"cause"`
		Reason     string          `json:"reason"`
	} `json:"data"`
}

// recordedAs looks at what a request that broke rules left in the log.
func (s *refusalShop) recordedAs(a *asked, position int64, faults []fault) {
	t := s.t
	read := serve(t, s.owner, s.owner.request(t, http.MethodGet, fmt.Sprintf("/v1/events?after=%d", position), ""))
	var log struct{ Events []eventShown }
	require.NoError(t, json.Unmarshal(read.Body, &log), "%s", read.Body)
	var broken []workshop.Slug
	main, short := int64(0), int64(0)
	opened, held := map[workshop.Slug]string{}, map[workshop.Slug]bool{}
	for _, e := range log.Events {
		require.Equal(t, log.Events[0].Command, e.Command, "one command")
		switch {
		case len(e.Data.RuleBroken) > 0:
			require.True(t, main == 0 || a.command.steps, "one main event: %s", a)
			broken, main = append(broken, e.Data.RuleBroken...), e.Position
		case e.Type == "deviation_opened":
			opened[e.Data.Rule] = e.Data.Concern
		case e.Type == "hold_placed":
			held[e.Data.Cause] = true
		case e.Type == "stock_counted" && e.Data.Reason == "book_short":
			short = e.Position
		}
	}
	var slugs []workshop.Slug
	for _, f := range faults {
		slugs = append(slugs, f.slug)
	}
	if a.command.steps {
		slices.SortFunc(broken, func(a, b workshop.Slug) int { return slices.Index(workshop.Slugs, a) - slices.Index(workshop.Slugs, b) })
		broken = slices.Compact(broken)
	}
	require.Equal(t, slugs, broken, "rule_broken: %s", a)
	for _, slug := range slugs {
		require.Equal(t, map[bool]string{true: "safety", false: "quality"}[ofSafety(slug)], opened[slug], "the deviation of %s: %s", slug, a)
		require.Equal(t, a.command.produces && ofSafety(slug), held[slug], "a hold on what was produced, for %s: %s", slug, a)
	}
	if slices.Contains(slugs, "not-enough") {
		require.NotZero(t, short, "booked as found: %s", a)
		require.Less(t, short, main, "before the main event: %s", a)
	} else {
		require.Zero(t, short, "%s", a)
	}
}

func (s *refusalShop) spent(r *refusable) {
	for _, what := range r.spends {
		s.forget(what)
	}
}

func asJSON(t *testing.T, value any) string {
	t.Helper()
	text, err := json.Marshal(value)
	require.NoError(t, err)
	return string(text)
}

// never merges reasons that several commands share.
func never(reasons ...map[workshop.Slug]string) map[workshop.Slug]string {
	all := map[workshop.Slug]string{}
	for _, some := range reasons {
		maps.Copy(all, some)
	}
	return all
}
