package oracle

import (
	"cmp"
	"maps"
	"slices"
	"time"
)

// The states of a run.
const (
	started   = "started"
	cast      = "cast"
	filled    = "filled"
	capped    = "capped"
	turnedOut = "turned_out"
)

// A mouldingStep is a step of a run once it is planned.
type mouldingStep struct {
	at    time.Time
	draws []plannedDraw
	net   int64 // of chocolate: what stays in the moulds
	use   string
	back  bool // some of it was scraped back
}

// run moulds: a new run, or steps of one. All steps are looked at before any is written.
func (m *Model) run() {
	c := m.c
	var t *Thing
	design := designOf(c.Name)
	if c.Kind == Run {
		m.place(c.Place)
		m.happened()
		if design == nil {
			m.refuse("unknown-code")
			return
		}
		t = &Thing{Code: "R", Name: c.Name, Site: m.site, At: m.at, Place: c.Place, Moulds: c.Moulds, State: started}
	} else {
		if c.Code[0] != 'R' || isPart(c.Code) {
			m.refuse("wrong-kind-of-thing")
			return
		}
		if t = m.Things[c.Code]; t == nil {
			m.refuse("unknown-code")
			return
		}
		m.site, design = t.Site, designOf(t.Name)
		m.happened()
		m.existed(c.Code, m.at)
	}
	w := &moulding{m: m, t: t, design: design, state: t.State, last: t.LastStep, used: map[string]int64{}}
	w.look()
	if m.refusal() != "" {
		return
	}
	if c.Kind == Run {
		born := m.newThing('R', t.At, t.Site)
		code := born.Code
		*born = *t
		born.Code = code
		t = born
		w.t = t
	}
	w.write()
	m.brokeRulesOf(w.rules, []string{t.Code}, true)
	m.said.Say("code", "%s", t.Code)
	m.said.Say("state", "%s", t.State)
	m.said.Say("date", "%s", t.Recorded)
}

// moulding looks at the steps of a command, each as those before it leave the run.
type moulding struct {
	m      *Model
	t      *Thing
	design *Design
	state  string
	steps  []mouldingStep
	used   map[string]int64 // of each charge by the steps before, but for what they found
	last   time.Time        // of the last step
	seen   int              // of what stood in the way of the steps before
	rules  []string         // that were broken, step by step
}

// step notes which rules a step broke, in their order.
func (w *moulding) step() {
	for _, slug := range Slugs {
		if slices.Contains(w.m.no[w.seen:], slug) && !slices.Contains(w.rules, slug) {
			w.rules = append(w.rules, slug)
		}
	}
	w.seen = len(w.m.no)
}

func (w *moulding) cavities() int64 { return int64(w.t.Moulds) * Cavities }

func (w *moulding) look() {
	m, c := w.m, w.m.c
	if c.Cast != nil {
		if w.state != started {
			m.refuse("wrong-state")
		}
		w.chocolate(c.Cast, w.design.Shell, "shell")
		w.step()
		w.state = cast
	}
	for _, f := range c.Fills {
		w.open()
		w.fill(f)
		w.step()
		w.state = filled
	}
	if c.Cap != nil {
		w.open()
		w.chocolate(c.Cap, w.design.Cap, "cap")
		w.step()
		w.state = capped
	}
	if o := c.Out; o != nil {
		w.time(o.At)
		all := o.Good + o.Broken + o.Left + w.t.Good + w.t.Broken + w.t.Left
		if w.state == started || int64(all) > w.cavities() {
			m.refuse("wrong-state")
		}
		if placeOf(cmp.Or(o.Place, w.t.Place)) == nil {
			m.refuse("unknown-code")
		}
		w.state = turnedOut
	}
}

// open refuses to fill or cap what has no shells, or is closed.
func (w *moulding) open() {
	if w.state != cast && w.state != filled {
		w.m.refuse("wrong-state")
	}
}

// time is the time of a step: its own, or the command's. No step is done before one that was done before it.
func (w *moulding) time(own time.Time) time.Time {
	at := w.m.at
	if !own.IsZero() {
		at = own
	}
	if at.After(w.m.at) {
		w.m.refuse("in-the-future")
	}
	if at.Before(w.last) {
		w.m.refuse("wrong-state")
	}
	w.last = at
	return at
}

func (w *moulding) chocolate(s *Step, each int64, use string) {
	m, at := w.m, w.time(s.At)
	vat := vatOf(s.Vat)
	if vat == nil {
		m.refuse("unknown-code")
		return
	}
	assumed := each * w.cavities()
	drawn, returned := s.Drawn, max(0, s.Returned)
	if drawn < 0 {
		drawn = assumed + returned
	}
	if returned > drawn {
		m.refuse("wrong-state")
	}
	if vat.Chocolate != w.design.Chocolate {
		m.refuse("wrong-chocolate")
	}
	charge := m.chargeIn(s.Vat, at)
	if charge == "" {
		m.refuse("not-enough")
		m.never = "not-enough" // there is no charge that anything could be found in
		return
	}
	m.existed(charge, at)
	if m.held(charge) {
		m.refuse("on-hold")
	}
	has := max(0, m.available(key{charge, s.Vat, true}, at)-w.used[charge])
	line := plannedDraw{source: charge, place: s.Vat, mass: drawn - returned}
	if has < drawn {
		m.refuse("not-enough")
		line.short = drawn - has
	}
	w.used[charge] += line.mass - line.short
	w.steps = append(w.steps, mouldingStep{at: at, draws: []plannedDraw{line}, use: use, net: line.mass, back: returned > 0})
}

func (w *moulding) fill(f Fill) {
	m, at := w.m, w.time(f.At)
	mass := f.Mass
	if mass < 0 {
		fits := false
		if t := m.Things[f.Source]; t != nil {
			fits = f.Source[0] == 'G' && t.Name == w.design.Formula || f.Source[0] == 'L' && t.Name == w.design.Ingredient
		}
		if mass = w.design.Filling * w.cavities(); !fits {
			mass = 0
			m.refuse("wrong-state")
		}
	}
	d := m.drawing()
	d.plan(Draw{Source: f.Source, Place: f.Place, Mass: mass}, at)
	w.steps = append(w.steps, mouldingStep{at: at, draws: d.lines, use: "filling", net: mass})
}

func (w *moulding) write() {
	m, t := w.m, w.t
	for _, s := range w.steps {
		for _, l := range s.draws {
			if l.short > 0 {
				m.bookFound(s.at, key{l.source, l.place, true}, l.short)
			}
		}
		planned := &drawing{m: m, lines: s.draws}
		for i, source := range planned.opened(s.at) {
			m.drawInto(t, s.draws[i], source, s.at, s.use, false)
		}
		switch s.use {
		case "shell":
			t.Shell, t.State = t.Shell+s.net, cast
		case "filling":
			t.Filled, t.State = t.Filled+s.net, filled
		case "cap":
			t.Caps, t.State = t.Caps+s.net, capped
			if s.back && t.Filled > 0 {
				charge := s.draws[0].source
				m.op(op{charge: charge, at: s.at, kind: film, from: t.Code})
				m.flow(t.Code, charge, s.at)
			}
		}
		clear(m.parts)
	}
	if len(w.steps) > 0 { // to turn pieces out puts nothing in them, and no date becomes later by itself
		t.Recorded = m.datesOf(t)
	}
	t.LastStep = w.last
	if o := m.c.Out; o != nil {
		t.Good, t.Broken, t.Left, t.State = t.Good+o.Good, t.Broken+o.Broken, t.Left+o.Left, turnedOut
		t.PieceMass = (t.Shell + t.Filled + t.Caps) / w.cavities()
		if o.Good > 0 {
			m.shift(w.last, key{t.Code, cmp.Or(o.Place, t.Place), false}, int64(o.Good), "turned_out")
		}
	}
}

func (m *Model) release() {
	c := m.c
	if c.Code[0] != 'R' {
		m.refuse("wrong-kind-of-thing")
		return
	}
	t := m.Things[c.Code]
	if t == nil {
		m.refuse("unknown-code")
		return
	}
	place := m.place(c.Place)
	m.happened()
	m.existed(c.Code, m.at)
	var waiting []handled
	all := int64(0)
	for _, k := range m.lines(c.Code) {
		has := m.available(k, m.at)
		if k.place == c.Place { // no count sees pieces pass the gate on the spot, so that they must be there still
			has = min(has, m.onHand(k))
		}
		if !k.released && has > 0 {
			waiting = append(waiting, handled{k, has})
			all += has
		}
	}
	slices.SortStableFunc(waiting, func(a, b handled) int {
		return -cmp.Compare(toInt(a.key.place == c.Place), toInt(b.key.place == c.Place))
	})
	if t.State != turnedOut || all < int64(c.Pieces) {
		m.refuse("wrong-state")
	}
	if place != nil {
		m.gate(t)
	}
	if m.refusal() != "" {
		return
	}
	left := int64(c.Pieces)
	for _, h := range waiting {
		take := min(left, h.amount)
		if take == 0 {
			continue
		}
		left -= take
		there := key{c.Code, c.Place, true}
		m.shift(m.at, h.key, -take, "to the counter")
		m.shift(m.at, there, take, "released")
		if h.key.place == c.Place {
			m.moves[len(m.moves)-1].inner, m.moves[len(m.moves)-2].inner = true, true
		}
	}
	t.Released += c.Pieces
	if t.FirstReleased.IsZero() || m.at.Before(t.FirstReleased) {
		t.FirstReleased = m.at
	}
	m.brokeRules([]string{c.Code}, true)
	m.said.Measure("released", float64(c.Pieces), 0)
	m.said.Say("date", "%s", t.Recorded)
}

// gate says what keeps a run from being released.
func (m *Model) gate(t *Thing) {
	if m.held(t.Code) {
		m.refuse("on-hold")
	}
	if m.past(t.Code, m.at) {
		m.refuse("past-date")
	}
	about := []string{t.Code}
	for _, d := range t.Draws {
		if d.source[0] == 'G' {
			about = append(about, d.source)
		}
	}
	for _, d := range m.Deviations {
		if d.concern == "safety" && d.decision == "" && slices.Contains(about, d.code) {
			m.refuse("undecided-deviation")
		}
	}
	contains, _, unknown := m.allergensOf(t)
	if unknown {
		m.refuse("allergens-unknown")
	}
	label := m.label(t)
	for _, code := range contains {
		if !slices.Contains(label, code) {
			m.refuse("allergen-not-on-label")
		}
	}
	design := designOf(t.Name)
	if t.Recorded.Date == NoDay || design.Filling > 0 && t.Filled == 0 {
		m.refuse("no-whole-day")
	}
}

// allergensOf is what the lots of a run contain, what they may contain, and whether nobody knows of some.
func (m *Model) allergensOf(t *Thing) (contains, may []string, unknown bool) {
	x := m.mixOf(t.Code)
	total := x.total()
	for lot, mass := range x.mass {
		if lot == unknownLot {
			continue
		}
		i := ingredientOf(m.Things[lot].Name)
		theirs := i.Allergens
		if own := m.Things[lot].Allergens; own != nil {
			theirs = own
		}
		unknown = unknown || theirs == nil
		if x.direct[lot] || mass > 0 && mass*traceShare >= total {
			contains = append(contains, theirs...)
		} else {
			may = append(may, theirs...)
		}
		may = append(may, i.MayContain...)
	}
	slices.Sort(contains)
	slices.Sort(may)
	contains = slices.Compact(contains)
	may = slices.DeleteFunc(slices.Compact(may), func(code string) bool { return slices.Contains(contains, code) })
	return contains, may, unknown
}

// A carrying is what the pieces of a run carry that is not on their label, and how many lots nobody knows of.
type carrying struct {
	off     []string
	unknown int
}

func (m *Model) carryingOf(t *Thing) (c carrying) {
	contains, _, _ := m.allergensOf(t)
	label := m.label(t)
	c.off = slices.DeleteFunc(contains, func(code string) bool { return slices.Contains(label, code) })
	for lot := range m.mixOf(t.Code).mass {
		if lot != unknownLot && m.Things[lot].Allergens == nil && ingredientOf(m.Things[lot].Name).Allergens == nil {
			c.unknown++
		}
	}
	return c
}

// releasedRuns says what the pieces carry of every run of which any were released.
func (m *Model) releasedRuns() map[string]carrying {
	runs := map[string]carrying{}
	for _, code := range m.Order {
		if t := m.Things[code]; code[0] == 'R' && t.Released > 0 {
			runs[code] = m.carryingOf(t)
		}
	}
	return runs
}

// holdOffLabel holds released pieces that turn out to carry more than was known of them before.
func (m *Model) holdOffLabel(before map[string]carrying) {
	codes := slices.SortedFunc(maps.Keys(before), compareCodes)
	for _, code := range codes {
		was, is := before[code], m.carryingOf(m.Things[code])
		rule := ""
		if slices.ContainsFunc(is.off, func(a string) bool { return !slices.Contains(was.off, a) }) {
			rule = "allergen-not-on-label"
		} else if is.unknown > was.unknown {
			rule = "allergens-unknown"
		}
		if rule != "" {
			m.placeHold(code, []string{code}, m.deviate(code, "safety", rule))
		}
	}
}

// label is what the definitions say of all that a run is made of: its design's filling, and chocolate of the design's kind.
// What chocolate of another kind brings into the pieces is not on the label.
func (m *Model) label(t *Thing) (label []string) {
	add := func(ingredient string) {
		if i := ingredientOf(ingredient); i != nil {
			label = append(label, i.Allergens...)
		}
	}
	design := designOf(t.Name)
	add(design.Ingredient)
	if f := formulaOf(design.Formula); f != nil {
		for _, in := range f.Inputs {
			add(in.Ingredient)
		}
	}
	for lot := range m.mixOf(t.Code).mass {
		if lot != unknownLot && ingredientOf(m.Things[lot].Name).Chocolate == design.Chocolate {
			add(m.Things[lot].Name)
		}
	}
	return label
}
