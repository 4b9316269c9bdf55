package oracle

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"
)

// Slugs are the refusals in the order in which one is told.
var Slugs = []string{
	"mistyped-code", "unknown-code", "wrong-kind-of-thing", "in-the-future", "too-long-ago", "before-it-existed",
	"wrong-state", "on-hold", "past-date", "not-released", "wrong-chocolate", "undecided-deviation", "allergens-unknown",
	"allergen-not-on-label", "no-whole-day", "not-enough",
}

// recordable are those that do not keep what is already done out of the book.
var recordable = []string{
	"on-hold", "past-date", "not-released", "wrong-chocolate", "undecided-deviation", "allergen-not-on-label",
	"no-whole-day", "not-enough",
}

// A Thing is whatever carries a code.
type Thing struct {
	Code, Name, Site string // Name: of its ingredient, formula or design; of a charge, its vat
	At               time.Time
	Parts            int // portions opened so far

	// of a lot or portion
	MarkKind  string
	Mark      Day
	Opened    Day
	Allergens []string // its own label

	// of a charge
	Ended *time.Time

	// of a ganache
	Inputs   int64
	Yield    int64
	Boiled   bool
	Place    string
	Draws    []drawn
	Recorded Dates // as last written down

	// of a run
	Moulds              int
	State               string
	LastStep            time.Time
	Good, Broken, Left  int
	Shell, Filled, Caps int64
	PieceMass           int64
	FirstReleased       time.Time
	Released            int
}

// drawn is one draw into a ganache or a run, and when.
type drawn struct {
	at     time.Time
	seq    int
	source string // lot, portion, charge or ganache
	mass   int64
	heated bool
	use    string // shell, filling, cap
}

// A hold is what stands against things.
type hold struct {
	code      string
	codes     []string
	at        time.Time
	lifted    bool
	deviation int // the deviation that it was born with, from 1
}

// A deviation is what somebody has to decide.
type deviation struct {
	code, concern, rule, decision string
	at                            time.Time
}

// A Model is the whole book.
type Model struct {
	Now   time.Time
	fault Fault
	zones map[string]*time.Location

	Things     map[string]*Thing
	Order      []string // codes in the order in which they came into the book
	numbers    map[string]int
	moves      []move
	ops        map[string][]op // of each charge
	flows      []flow
	Holds      []*hold
	Deviations []*deviation
	seq        int

	c      Command // being carried out
	at     time.Time
	site   string
	no     []string // slugs that stand in its way
	never  string   // one of them that keeps out also what is done
	said   Facts
	before int // the sequence when it began

	parts map[moment]mix // worked out since the last change
}

// New is an empty book at a moment, with an error planted in it if a fault is named.
func New(now time.Time, fault Fault) *Model {
	m := &Model{
		Now: now, fault: fault, zones: map[string]*time.Location{}, Things: map[string]*Thing{}, numbers: map[string]int{},
		ops: map[string][]op{}, parts: map[moment]mix{},
	}
	for _, s := range Sites {
		zone, err := time.LoadLocation(s.Zone)
		if err != nil {
			panic(err)
		}
		m.zones[s.Slug] = zone
	}
	return m
}

// Do carries a command out and says the slug of its refusal, or the main facts of its answer.
func (m *Model) Do(c Command) (slug string, said Facts) {
	if c.Kind == Clock {
		m.Now = m.Now.Add(c.Wait)
		return "", nil
	}
	m.before = m.seq
	m.c, m.at, m.site, m.no, m.never, m.said = c, m.Now, "", nil, "", nil
	do := map[string]func(){
		Receive: m.receive, Open: m.open, Melt: m.melt, Empty: m.empty, Ganache: m.ganache, Run: m.run, Work: m.run,
		Release: m.release, Sell: m.sell, Give: m.sell, Discard: m.discard, Move: m.move, Count: m.count, Hold: m.hold,
		Lift: m.lift, Check: m.check, Decide: m.decide,
	}[c.Kind]
	if m.mistyped() {
		return "mistyped-code", nil
	}
	clear(m.parts)
	before := m.releasedRuns()
	do()
	clear(m.parts)
	if slug := m.refusal(); slug != "" {
		return slug, nil
	}
	m.redate()
	m.holdOffLabel(before)
	return "", m.said
}

// mistyped says whether any code of the command fails its check, before anything is looked up.
func (m *Model) mistyped() bool {
	c := m.c
	codes := []string{c.Code}
	for _, d := range c.Draws {
		codes = append(codes, d.Source)
	}
	for _, l := range c.Lines {
		codes = append(codes, l.Code)
	}
	for _, f := range c.Fills {
		codes = append(codes, f.Source)
	}
	return slices.ContainsFunc(codes, func(code string) bool { return code != "" && !goodCode(code) })
}

// refuse notes that a rule stands in the way.
func (m *Model) refuse(slug string) { m.no = append(m.no, slug) }

// refusal is the rule that is told: the first of them all in the table's order, but for those that do not keep out
// what is already done.
func (m *Model) refusal() string {
	slices.SortFunc(m.no, func(a, b string) int { return cmp.Compare(slices.Index(Slugs, a), slices.Index(Slugs, b)) })
	m.no = slices.Compact(m.no)
	for _, slug := range m.no {
		if !m.c.Done || !slices.Contains(recordable, slug) || slug == m.never {
			return slug
		}
	}
	return ""
}

const (
	ahead   = 5 * time.Minute
	longAgo = 31
)

// happened takes the time that the command gives.
func (m *Model) happened() {
	if m.c.At.IsZero() {
		return
	}
	m.at = m.c.At
	if m.at.After(m.Now.Add(ahead)) {
		m.refuse("in-the-future")
	}
	if m.c.Maker && m.at.Before(m.Now.AddDate(0, 0, -longAgo)) {
		m.refuse("too-long-ago")
	}
}

// place takes the site of a place; a name that is not known stands in the way.
func (m *Model) place(slug string) *Place {
	p := placeOf(slug)
	if p == nil {
		m.refuse("unknown-code")
		return nil
	}
	m.site = p.Site
	return p
}

// existed refuses what happened before the thing came to be.
func (m *Model) existed(code string, at time.Time) {
	if t := m.Things[code]; t != nil && at.Before(t.At) {
		m.refuse("before-it-existed")
	}
}

// newThing brings a thing with the next code of its kind and day into the book.
func (m *Model) newThing(kind byte, at time.Time, site string) *Thing {
	on := DayOf(at, m.zone(site))
	key := fmt.Sprintf("%c%d", kind, on)
	m.numbers[key]++
	return m.add(&Thing{Code: codeOf(kind, on, m.numbers[key], 0), Site: site, At: at})
}

func (m *Model) add(t *Thing) *Thing {
	m.Things[t.Code] = t
	m.Order = append(m.Order, t.Code)
	return t
}

func (m *Model) next() int {
	m.seq++
	return m.seq
}

// receive takes a delivery in.
func (m *Model) receive() {
	c := m.c
	m.place(c.Place)
	if ingredientOf(c.Name) == nil {
		m.refuse("unknown-code")
	}
	m.happened()
	if m.refusal() != "" {
		return
	}
	lot := m.newThing('L', m.at, m.site)
	lot.Name, lot.MarkKind, lot.Mark, lot.Opened, lot.Allergens = c.Name, c.MarkKind, c.Mark, NoDay, c.Allergens
	lot.Recorded = m.datesOf(lot)
	m.shift(m.at, key{lot.Code, c.Place, true}, c.Amount, "received")
	m.said.Say("code", "%s", lot.Code)
	if c.SupplierLot == "" {
		m.placeHold(lot.Code, []string{lot.Code}, 0)
	}
}

// open opens a part of a lot.
func (m *Model) open() {
	c := m.c
	if c.Code[0] != 'L' || isPart(c.Code) {
		m.refuse("wrong-kind-of-thing")
		return
	}
	lot := m.Things[c.Code]
	if lot == nil {
		m.refuse("unknown-code")
		return
	}
	m.site = lot.Site
	m.happened()
	w := m.drawing()
	w.plan(Draw{Source: c.Code, Place: c.Place, Mass: c.Amount}, m.at)
	if m.refusal() != "" {
		return
	}
	w.bookShort()
	portion := m.openPortion(lot, w.lines[0].place, c.Amount, m.at)
	m.brokeRules([]string{portion.Code}, true)
	m.said.Say("code", "%s", portion.Code)
	m.said.Say("date", "%s", m.Things[portion.Code].Recorded.Date)
}

func (m *Model) openPortion(lot *Thing, place string, mass int64, at time.Time) *Thing {
	lot.Parts++
	portion := *lot
	portion.Code, portion.At, portion.Parts = partOf(lot.Code, lot.Parts), at, 0
	if ingredientOf(lot.Name).OpenLife > 0 {
		portion.Opened = DayOf(at, m.zone(lot.Site))
	}
	t := m.add(&portion)
	t.Recorded = m.datesOf(t)
	for _, h := range m.Holds {
		if !h.lifted && slices.Contains(h.codes, lot.Code) {
			h.codes = append(h.codes, t.Code)
		}
	}
	m.flow(lot.Code, t.Code, at)
	m.shift(at, key{lot.Code, place, true}, -mass, "opened")
	m.shift(at, key{t.Code, place, true}, mass, "opened")
	return t
}

// ganache makes a batch.
func (m *Model) ganache() {
	c := m.c
	place := m.place(c.Place)
	m.happened()
	formula := formulaOf(c.Name)
	if formula == nil {
		m.refuse("unknown-code")
	}
	if place == nil || formula == nil {
		return
	}
	w, total := m.drawing(), int64(0)
	for _, d := range c.Draws {
		w.plan(d, m.at)
		total += d.Mass
	}
	yield := total
	if c.Amount > 0 {
		yield = c.Amount
	}
	if yield > total {
		m.refuse("wrong-state")
	}
	if m.refusal() != "" {
		return
	}
	w.bookShort()
	off := m.offFormula(formula, w.lines)
	sources := w.opened(m.at)
	g := m.newThing('G', m.at, m.site)
	g.Name, g.Inputs, g.Yield, g.Boiled, g.Place = c.Name, total, yield, c.Boiled, c.Place
	for i, l := range w.lines {
		m.drawInto(g, l, sources[i], m.at, "", heats(formula, m.ingredientOf(l.source)))
	}
	clear(m.parts)
	g.Recorded = m.datesOf(g)
	m.shift(m.at, key{g.Code, c.Place, true}, yield, "made")
	for range off {
		m.deviate(g.Code, "quality", "off_formula")
	}
	m.brokeRules([]string{g.Code}, true)
	m.said.Say("code", "%s", g.Code)
	m.said.Say("date", "%s", g.Recorded)
	m.said.Measure("deviations", float64(len(off)), 0)
}

func heats(f *Formula, ingredient string) bool {
	for _, in := range f.Inputs {
		if in.Ingredient == ingredient {
			return in.Heated
		}
	}
	return false
}

// ingredientOf is what a source counts as; chocolate from a vat counts as none here: no formula heats it.
func (m *Model) ingredientOf(source string) string {
	if source[0] == 'L' {
		return m.Things[source].Name
	}
	return ""
}

// The share of a line by which it may be off the scaled formula where the formula does not say.
const tolerancePercent = 5

// offFormula lists the formula's ingredients of which too much or too little went in, against the formula scaled to
// all that went in.
func (m *Model) offFormula(f *Formula, lines []plannedDraw) (off []string) {
	used, planned := int64(0), int64(0)
	is, wanted := map[string]int64{}, map[string]int64{}
	for _, in := range f.Inputs {
		wanted[in.Ingredient] += in.Mass
		planned += in.Mass
	}
	for _, l := range lines {
		switch l.source[0] {
		case 'G':
			continue
		case 'C':
			is[m.couvertureFor(f, m.Things[l.source])] += l.mass
		default:
			is[m.Things[l.source].Name] += l.mass
		}
		used += l.mass
	}
	if used == 0 {
		return nil
	}
	for _, in := range Ingredients {
		expected := float64(wanted[in.Slug]) * float64(used) / float64(planned)
		apart := float64(is[in.Slug]) - expected
		if max(apart, -apart) > expected*tolerancePercent/100+0.5 {
			off = append(off, in.Slug)
		}
	}
	return off
}

// couvertureFor is the formula's line that chocolate from a vat counts for: that of the same chocolate, else what
// most of the charge is.
func (m *Model) couvertureFor(f *Formula, charge *Thing) string {
	for _, in := range f.Inputs {
		if ingredientOf(in.Ingredient).Chocolate == vatOf(charge.Name).Chocolate {
			return in.Ingredient
		}
	}
	by := map[string]float64{}
	for lot, mass := range m.chargeAt(charge.Code, m.at).mass {
		if lot != unknownLot {
			by[m.Things[lot].Name] += mass
		}
	}
	best := ""
	for _, name := range slices.Sorted(maps.Keys(by)) {
		if best == "" || by[name] > by[best] {
			best = name
		}
	}
	return best
}

// brokeRules opens a deviation for each rule that what is done already broke, on each thing concerned, and holds what
// was produced, with everything downstream.
func (m *Model) brokeRules(codes []string, produced bool) {
	m.brokeRulesOf(m.no, codes, produced)
}

func (m *Model) brokeRulesOf(rules, codes []string, produced bool) {
	slices.SortFunc(codes, compareCodes)
	codes = slices.Compact(codes)
	for _, rule := range rules {
		concern := "safety"
		if rule == "not-enough" || rule == "wrong-chocolate" {
			concern = "quality"
		}
		for _, code := range codes {
			n := m.deviate(code, concern, rule)
			if concern == "safety" && produced {
				m.placeHold(code, m.producedFrom(code), n)
			}
		}
	}
}

// producedFrom is a thing with everything downstream; of a charge only what was drawn from it since the command.
func (m *Model) producedFrom(code string) []string {
	if code[0] == 'C' {
		return m.downstreamSince(code, m.at, m.before)
	}
	return m.downstream(code)
}

func compareCodes(a, b string) int {
	switch {
	case a == b:
		return 0
	case codeBefore(a, b):
		return -1
	}
	return 1
}

func (m *Model) deviate(code, concern, rule string) int {
	m.Deviations = append(m.Deviations, &deviation{code: code, concern: concern, rule: rule, at: m.at})
	return len(m.Deviations)
}
