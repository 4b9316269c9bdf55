package oracle

import (
	"cmp"
	"slices"
	"time"
)

// A key is one line of stock: a code at a place, and of pieces whether they have passed the gate. What is in a vat
// stands at the vat.
type key struct {
	code, place string
	released    bool
}

// A move is one change of a line of stock. A count says what there was instead, on every line of its code and place.
type move struct {
	at    time.Time
	seq   int
	key   key
	delta int64
	cause string
	day   Day // of the site, for sales

	count    bool
	found    int64 // of a count, on this line
	emptying bool  // of a vat: what was left, and that there is nothing now
	inner    bool  // from one line to another of the same code and place: nothing that a count would see
}

func (m *Model) shift(at time.Time, k key, delta int64, cause string) {
	m.moves = append(m.moves, move{at: at, seq: m.next(), key: k, delta: delta, cause: cause, day: DayOf(at, m.zone(m.Things[k.code].Site))})
}

// inOrder lists what happened to a line in the order in which it happened, and what happened at one moment in the
// order in which it was written down.
func (m *Model) inOrder(k key) []move {
	var all []move
	for _, v := range m.moves {
		if v.key.code == k.code && v.key.place == k.place && (v.key == k || v.count) {
			all = append(all, v)
		}
	}
	slices.SortStableFunc(all, func(a, b move) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.seq, b.seq)) })
	return all
}

// level is how much stands on a line by an instant. A count is an anchor: whatever was written down of the time before
// it, there was what it found.
func (m *Model) level(k key, until time.Time) int64 {
	return m.levelAfter(k, move{at: until, seq: 1 << 60})
}

// levelAfter is how much stood on a line once a move had happened.
func (m *Model) levelAfter(k key, last move) int64 {
	level := int64(0)
	all := m.inOrder(k)
	for _, v := range all {
		switch {
		case v.at.After(last.at) || v.at.Equal(last.at) && v.seq > last.seq:
		case !v.count:
			level += v.delta
		case m.fault == CountNoAnchor:
			if v.key == k {
				level += v.delta // the difference that it was when it was counted
			}
		default:
			level = m.foundOn(v, k)
			for _, later := range all { // passed the gate on the spot, and written down after the count
				if later.inner && later.seq > v.seq && later.at.Before(v.at) {
					level += later.delta
				}
			}
		}
	}
	return level
}

// foundOn is what a count found on a line: a line that it has nothing of was empty.
func (m *Model) foundOn(count move, k key) int64 {
	for _, v := range m.moves {
		if v.count && v.at.Equal(count.at) && v.seq/countStep == count.seq/countStep && v.key == k {
			return v.found
		}
	}
	return 0
}

// countStep keeps the lines of one count of a code together: they share what their sequence is divided by.
const countStep = 16

// ever is after everything.
var ever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// OnHand is how much stands on a line, whatever its date.
func (m *Model) onHand(k key) int64 { return m.level(k, ever) }

// counted says whether a count stands after an instant.
func (m *Model) counted(k key, at time.Time) bool {
	return slices.ContainsFunc(m.inOrder(k), func(v move) bool { return v.count && v.at.After(at) })
}

// available is how much of a line may be taken at an instant: what the book had then, and, where no count has said
// since what there is, no more than is left now.
func (m *Model) available(k key, at time.Time) int64 {
	if k.code[0] == 'C' {
		least, _ := m.since(m.Things[k.code], at)
		return least
	}
	had := m.level(k, at)
	if !m.counted(k, at) {
		had = min(had, m.onHand(k))
	}
	return max(0, had)
}

// lines lists the lines on which a code ever stood, by place, those that have passed the gate first.
func (m *Model) lines(code string) (keys []key) {
	for _, v := range m.moves {
		if v.key.code == code && !slices.Contains(keys, v.key) {
			keys = append(keys, v.key)
		}
	}
	slices.SortFunc(keys, func(a, b key) int {
		return cmp.Or(cmp.Compare(a.place, b.place), -cmp.Compare(toInt(a.released), toInt(b.released)))
	})
	return keys
}

func toInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// linesAt lists those at a place, those that have passed the gate first.
func (m *Model) linesAt(code, place string) (keys []key) {
	for _, k := range m.lines(code) {
		if k.place == place {
			keys = append(keys, k)
		}
	}
	return keys
}

// held says whether an open hold takes a thing in.
func (m *Model) held(code string) bool {
	return slices.ContainsFunc(m.Holds, func(h *hold) bool { return !h.lifted && slices.Contains(h.codes, code) })
}

// past says whether a thing's use-by is over at an instant.
func (m *Model) past(code string, at time.Time) bool {
	t := m.Things[code]
	return t.Code[0] != 'C' && t.Recorded.UseBy != NoDay && !at.Before(t.Recorded.discardBy)
}

// A plannedDraw is a draw with the place that it comes from.
type plannedDraw struct {
	source, place string
	mass, short   int64
}

// drawing plans draws, each seen against what those before it leave.
type drawing struct {
	m     *Model
	lines []plannedDraw
	left  map[key]int64
}

func (m *Model) drawing() *drawing { return &drawing{m: m, left: map[key]int64{}} }

func (w *drawing) plan(d Draw, at time.Time) {
	m := w.m
	if d.Source[0] == 'R' || d.Source[0] == 'B' {
		m.refuse("wrong-kind-of-thing")
		return
	}
	t := m.Things[d.Source]
	if t == nil {
		m.refuse("unknown-code")
		return
	}
	place := d.Place
	switch {
	case d.Source[0] == 'C':
		place = t.Name
	case place != "" && placeOf(place) == nil:
		m.refuse("unknown-code")
		return
	case place == "":
		var standing []string
		for _, k := range m.lines(d.Source) {
			place = k.place
			if m.available(k, at) > 0 {
				standing = append(standing, k.place)
			}
		}
		if len(standing) > 1 {
			m.refuse("wrong-kind-of-thing")
			return
		}
		if len(standing) == 1 {
			place = standing[0]
		}
	}
	m.existed(d.Source, at)
	if m.held(d.Source) {
		m.refuse("on-hold")
	}
	if m.past(d.Source, at) {
		m.refuse("past-date")
	}
	k := key{d.Source, place, true}
	has, taken := w.left[k]
	if !taken {
		has = m.available(k, at)
	}
	line := plannedDraw{source: d.Source, place: place, mass: d.Mass}
	if has < d.Mass {
		m.refuse("not-enough")
		line.short = d.Mass - has
	}
	w.left[k] = max(0, has-d.Mass)
	w.lines = append(w.lines, line)
}

// bookShort books as found what the book had too little of for what is done already.
func (w *drawing) bookShort() {
	for _, l := range w.lines {
		if l.short > 0 {
			w.m.bookFound(w.m.at, key{l.source, l.place, true}, l.short)
		}
	}
}

func (m *Model) bookFound(at time.Time, k key, amount int64) {
	m.shift(at, k, amount, "book_short")
	if k.code[0] == 'C' {
		m.op(op{charge: k.code, at: at, kind: found, mass: amount})
	}
}

// opened opens what is drawn of lots that have an open life, and gives what each draw then comes from.
func (w *drawing) opened(at time.Time) []string {
	var sources []string
	for _, l := range w.lines {
		source := l.source
		if source[0] == 'L' && !isPart(source) && ingredientOf(w.m.Things[source].Name).OpenLife > 0 {
			source = w.m.openPortion(w.m.Things[source], l.place, l.mass, at).Code
		}
		sources = append(sources, source)
	}
	return sources
}

// drawInto takes a planned draw out of stock and puts it into a ganache or run.
func (m *Model) drawInto(t *Thing, l plannedDraw, source string, at time.Time, use string, heated bool) {
	m.shift(at, key{source, l.place, true}, -l.mass, "drawn")
	m.flow(source, t.Code, at)
	d := drawn{at: at, source: source, mass: l.mass, heated: heated, use: use}
	d.seq = m.seq
	if source[0] == 'C' {
		d.seq = m.op(op{charge: source, at: at, kind: out, mass: l.mass})
	}
	t.Draws = append(t.Draws, d)
}

// handled is what one line of a request takes of one line of stock.
type handled struct {
	key    key
	amount int64
}

// handle finds what lines of codes take at a place; what is short is found there if it is done already.
func (m *Model) handle(lines []Line, place string) (taken, short []handled) {
	left := map[key]int64{}
	for _, l := range lines {
		if !m.rightUnit(l) {
			continue
		}
		at := place
		if l.Code[0] == 'C' {
			at = m.Things[l.Code].Name
		}
		wanted := l.amount()
		known := m.linesAt(l.Code, at)
		for _, k := range known {
			has, seen := left[k]
			if !seen {
				has = m.available(k, m.at)
			}
			if take := min(wanted, has); take > 0 {
				wanted -= take
				left[k] = has - take
				taken = append(taken, handled{k, take})
			}
		}
		if wanted > 0 {
			m.refuse("not-enough")
			short = append(short, handled{m.emptyLine(l.Code, at), wanted})
		}
	}
	return taken, short
}

// emptyLine is the line on which more of a code is found where the book has none at a place: of pieces one that has
// passed the gate only if any of their run had by then.
func (m *Model) emptyLine(code, place string) key {
	passed := code[0] != 'R' || m.releasedBy(code, m.at)
	for _, k := range m.linesAt(code, place) {
		if !k.released || passed {
			return k
		}
	}
	return key{code, place, passed}
}

// releasedBy says whether any piece of a run had passed the gate by an instant.
func (m *Model) releasedBy(run string, at time.Time) bool {
	first := m.Things[run].FirstReleased
	return !first.IsZero() && !at.Before(first)
}

func (l Line) amount() int64 {
	if l.Code[0] == 'R' {
		return int64(l.Pieces)
	}
	return l.Mass
}

// rightUnit refuses what is not in the book, and pieces of what is weighed.
func (m *Model) rightUnit(l Line) bool {
	if m.Things[l.Code] == nil {
		m.refuse("unknown-code")
		return false
	}
	if run := l.Code[0] == 'R'; run && l.Mass > 0 || !run && l.Pieces > 0 {
		m.refuse("wrong-kind-of-thing")
		return false
	}
	return true
}

func (m *Model) handledSince() {
	for _, l := range m.c.Lines {
		m.existed(l.Code, m.at)
	}
}

func (m *Model) discard() {
	m.happened()
	if m.c.Place != "" {
		m.place(m.c.Place)
	}
	m.handledSince()
	for _, l := range m.c.Lines {
		if t := m.Things[l.Code]; t != nil && l.Code[0] == 'C' {
			m.site = t.Site
		}
	}
	taken, short := m.handle(m.c.Lines, m.c.Place)
	if m.refusal() != "" {
		return
	}
	var codes []string
	for _, s := range short {
		m.bookFound(m.at, s.key, s.amount)
		codes = append(codes, s.key.code)
	}
	for _, h := range append(taken, short...) {
		m.shift(m.at, h.key, -h.amount, "discarded")
		if h.key.code[0] == 'C' {
			m.op(op{charge: h.key.code, at: m.at, kind: out, mass: h.amount})
		}
	}
	m.brokeRules(codes, false)
}

func (m *Model) move() {
	to := m.place(m.c.To)
	from := m.place(m.c.Place)
	m.happened()
	for _, l := range m.c.Lines {
		if l.Code[0] == 'C' && m.Things[l.Code] != nil {
			m.refuse("wrong-kind-of-thing")
		}
	}
	m.handledSince()
	taken, short := m.handle(m.c.Lines, m.c.Place)
	if from == nil || to == nil || m.refusal() != "" {
		return
	}
	var codes []string
	for _, s := range short {
		m.bookFound(m.at, s.key, s.amount)
		codes = append(codes, s.key.code)
	}
	for _, h := range append(taken, short...) {
		m.shift(m.at, h.key, -h.amount, "moved")
		there := h.key
		there.place = m.c.To
		m.shift(m.at, there, h.amount, "moved")
	}
	m.brokeRules(codes, false)
}

// count says what there is. A count of pieces fills the lines as the book has them, what has passed the gate first.
func (m *Model) count() {
	place := m.place(m.c.Place)
	m.happened()
	m.handledSince()
	var lines []move
	listed := map[string]bool{}
	for _, l := range m.c.Lines {
		if !m.rightUnit(l) {
			continue
		}
		if l.Code[0] == 'C' {
			m.refuse("wrong-kind-of-thing")
			continue
		}
		listed[l.Code] = true
		lines = append(lines, m.countOf(l.Code, l.amount())...)
	}
	if place != nil && m.c.Flag {
		for _, code := range m.Order {
			if code[0] != 'C' && !listed[code] && m.stood(code) {
				lines = append(lines, m.countOf(code, 0)...)
			}
		}
	}
	for _, v := range lines {
		if !m.counted(v.key, m.at) && v.found+m.onHand(v.key)-m.level(v.key, m.at) < 0 {
			m.refuse("not-enough")
		}
	}
	if m.refusal() != "" {
		return
	}
	code := ""
	for _, v := range lines {
		if v.key.code != code {
			code = v.key.code
			m.seq = (m.seq/countStep + 1) * countStep
		}
		v.seq = m.next()
		m.moves = append(m.moves, v)
	}
	m.seq = (m.seq/countStep + 1) * countStep
}

// stood says whether any of a code stood at the place when it was counted.
func (m *Model) stood(code string) bool {
	return slices.ContainsFunc(m.linesAt(code, m.c.Place), func(k key) bool { return m.level(k, m.at) > 0 })
}

func (m *Model) countOf(code string, left int64) (lines []move) {
	add := func(k key, found int64) {
		had := m.level(k, m.at)
		lines = append(lines, move{at: m.at, key: k, count: true, found: found, delta: found - had, cause: "counted"})
	}
	for _, k := range m.linesAt(code, m.c.Place) {
		if had := m.level(k, m.at); had > 0 {
			add(k, min(left, had))
			left -= min(left, had)
		}
	}
	if len(lines) == 0 {
		add(m.emptyLine(code, m.c.Place), 0)
	}
	lines[0].found += left
	lines[0].delta += left
	return lines
}
