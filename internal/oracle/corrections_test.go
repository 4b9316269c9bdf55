package oracle_test

import (
	"encoding/json"
	"fmt"
	"iter"
	"math/rand/v2"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/events"
	"firstout/internal/oracle"
	"firstout/internal/workshop"
)

// How many histories with corrections are told, five times as many with FIRSTOUT_LONG=1, and how many of their
// commands are corrections, or about what the model knows nothing of.
const (
	correctedHistories = 200
	correctedInAll     = 20 // in a hundred commands
	besideInAll        = 15 // in a hundred: boxes and readings
)

// A correctedBook is a book in memory with everything that was written in it, so that it can be corrected.
type correctedBook struct {
	*memory
	log  []events.Recorded
	said []spoken
}

// spoken is a command that was recorded, in the teller's words, and its events.
type spoken struct {
	by       oracle.Command
	beside   workshop.Command // in its place: what the model knows nothing of
	recorded []uuid.UUID
}

var theOwner = workshop.Actor{ID: "owner", Roles: []string{"owner"}}

// write carries a command out and keeps what was written.
func (b *correctedBook) write(cmd workshop.Command) ([]uuid.UUID, *workshop.Refusal) {
	b.downstream()
	out, err := workshop.Carry(b.set, cmd, theOwner, "key", workshop.Clock{Now: b.now, Next: b.position + 1, NewID: b.newID})
	if err != nil {
		panic(err)
	}
	if out.Refusal != nil {
		return nil, out.Refusal
	}
	out.Set.Merge()
	b.position += int64(len(out.Recorded))
	b.log = append(b.log, out.Recorded...)
	b.edges = append(b.edges, b.set.Edges...)
	b.set.Edges = nil
	b.swap()
	var ids []uuid.UUID
	for _, r := range out.Recorded {
		ids = append(ids, r.ID)
		switch r.Data.(type) {
		case events.HoldPlaced:
			b.holds = append(b.holds, r.ID)
		case events.DeviationOpened:
			b.deviations = append(b.deviations, r.ID)
		}
	}
	return ids, nil
}

// swap does to the movements and edges what the database would.
func (b *correctedBook) swap() {
	s := b.set.Swapped
	b.set.Swapped = workshop.Swapped{}
	for _, gone := range s.MovementsGone {
		b.set.Movements = slices.DeleteFunc(b.set.Movements, func(m workshop.Movement) bool {
			return m.Position == gone.Position && m.Number == gone.Number
		})
	}
	for _, gone := range s.EdgesGone {
		b.edges = slices.DeleteFunc(b.edges, func(e workshop.Edge) bool {
			return e.Position == gone.Position && e.Number == gone.Number
		})
	}
	for _, gone := range s.ReadingsGone {
		b.set.Readings = slices.DeleteFunc(b.set.Readings, func(r workshop.Reading) bool { return r.Position == gone.Position })
	}
	b.set.Readings = append(b.set.Readings, s.ReadingsPut...)
	b.set.Movements = append(b.set.Movements, s.MovementsPut...)
	b.edges = append(b.edges, s.EdgesPut...)
}

// tell lets the book hear what a teller says; the model hears it too, so that the teller knows about what stands.
func (b *correctedBook) tell(m *oracle.Model, c oracle.Command) {
	m.Do(c)
	if c.Kind == oracle.Clock {
		b.now = b.now.Add(c.Wait)
		return
	}
	if !readable(c) || !b.has(c) {
		return
	}
	if ids, refusal := b.write(b.command(c)); refusal == nil {
		b.said = append(b.said, spoken{by: c, recorded: ids})
	}
}

// has says whether there are as many holds or deviations as a command names one of: the model was not corrected.
func (b *correctedBook) has(c oracle.Command) bool {
	return c.Kind == oracle.Lift && c.Nth <= len(b.holds) || c.Kind == oracle.Decide && c.Nth <= len(b.deviations) || c.Nth == 0
}

func readable(c oracle.Command) bool {
	return !slices.ContainsFunc(codesOf(c), func(code string) bool {
		_, err := events.ParseCode(code)
		return err != nil
	})
}

// correct corrects something that was said: void, or otherwise than it was.
func (b *correctedBook) correct(g *teller) string {
	if len(b.said) == 0 {
		return ""
	}
	at := len(b.said) - 1 - min(g.IntN(len(b.said)), g.IntN(len(b.said)))
	of := b.said[at]
	c := workshop.Correct{Event: of.recorded[g.IntN(len(of.recorded))], Reason: "typed wrong"}
	changed := of.by
	switch {
	case of.beside != nil && g.in(75):
		of.beside = g.besideOtherwise(of.beside)
		c.Replacement = of.beside
	case of.beside != nil:
	case g.in(75):
		changed = g.otherwise(of.by)
		if !readable(changed) {
			return ""
		}
		changed.Done = true
		c.Replacement = b.command(changed)
	}
	b.tellTold(c.Event)
	for _, r := range b.log {
		if _, is := r.Data.(events.CommandCorrected); is {
			b.tellTold(r.ID)
		}
	}
	b.tellDecisions()
	ids, refusal := b.write(c)
	if refusal != nil {
		return string(refusal.Slug)
	}
	if c.Replacement == nil {
		changed = of.by
	}
	b.said = append(b.said, spoken{by: changed, beside: of.beside, recorded: ids})
	return ""
}

// tellBeside lets the book hear what the model knows nothing of: boxes are packed and opened, and places are read.
func (b *correctedBook) tellBeside(g *teller) {
	cmd := b.beside(g)
	if cmd == nil {
		return
	}
	if ids, refusal := b.write(cmd); refusal == nil {
		b.said = append(b.said, spoken{beside: cmd, recorded: ids})
	}
}

func (b *correctedBook) beside(g *teller) workshop.Command {
	if g.in(40) {
		return workshop.Check{Slug: oneOf(g, []string{"counter", "cold-room", "workshop"}), Kind: "temperature", Value: g.temperature()}
	}
	kind := events.KindRun
	if g.in(40) {
		kind = events.KindBox
	}
	standing := slices.DeleteFunc(b.set.StandingAt("counter"), func(l *workshop.StockLine) bool { return l.Code.Kind() != kind || l.Unreleased })
	if len(standing) == 0 {
		return nil
	}
	line := oneOf(g, standing)
	if kind == events.KindBox {
		return workshop.OpenBoxes{Box: line.Code, Boxes: 1, Place: line.Place}
	}
	return workshop.PackBoxes{
		Place: line.Place, Boxes: 1 + g.IntN(3), Lines: []workshop.PieceLine{{Code: line.Code, Pieces: 1 + g.IntN(3)}},
	}
}

func (g *teller) temperature() *float64 {
	value := oneOf(g, []float64{4, 9, 17, 19, 24, 29, 33})
	return &value
}

// besideOtherwise is what was the case, where such a command said something else.
func (g *teller) besideOtherwise(cmd workshop.Command) workshop.Command {
	switch c := cmd.(type) {
	case workshop.Check:
		c.Value, c.AlreadyDone = g.temperature(), true
		return c
	case workshop.OpenBoxes:
		c.Boxes, c.AlreadyDone = 1+g.IntN(2), true
		return c
	case workshop.PackBoxes:
		c.Boxes, c.AlreadyDone = 1+g.IntN(4), true
		return c
	case workshop.Empty:
		c.Cleaned, c.AlreadyDone = !c.Cleaned, true
		if g.in(30) {
			c.Rest = "discard"
		}
		return c
	}
	return cmd
}

// tellDecisions answers, as the database would, what was decided about deviations of places.
func (b *correctedBook) tellDecisions() {
	decisions := map[uuid.UUID][]events.Recorded{}
	for _, r := range b.log {
		switch e := r.Data.(type) {
		case events.DeviationOpened:
			if e.Code == "" {
				b.tellTold(r.ID)
			}
		case events.DeviationDecided:
			decisions[e.Deviation] = append(decisions[e.Deviation], r)
			if e.Code == "" {
				b.tellTold(r.ID)
			}
		}
	}
	for id, recorded := range decisions {
		b.set.AddDecisions(id, recorded)
	}
}

// tellTold answers, as the database would, what the log has.
func (b *correctedBook) tellTold(event uuid.UUID) {
	by := map[uuid.UUID]events.Recorded{}
	for _, r := range b.log {
		by[r.ID] = r
	}
	named := by[event].Command
	root := named
	for {
		said, is := by[root].Data.(events.CommandCorrected)
		if !is {
			break
		}
		root = said.Corrected
	}
	var told workshop.Told
	tree := map[uuid.UUID]bool{root: true}
	histories := map[events.Code][]events.Recorded{}
	for _, r := range b.log {
		if said, is := r.Data.(events.CommandCorrected); is && tree[said.Corrected] {
			tree[r.Command] = true
			told.Corrections = append(told.Corrections, r)
		}
		if r.Command == named {
			told.Named = append(told.Named, r)
		}
		if r.Command == root {
			told.Root = append(told.Root, r)
		}
		seen := map[events.Code]bool{}
		for _, code := range r.Codes() {
			if whole := code.Whole(); !seen[whole] {
				seen[whole] = true
				histories[whole] = append(histories[whole], r)
			}
		}
	}
	b.set.AddCommand(event, told)
	for whole, recorded := range histories {
		b.set.AddHistory(whole, recorded)
	}
}

// otherwise is what was the case, where a command said something else.
func (g *teller) otherwise(c oracle.Command) oracle.Command {
	c.Lines, c.Draws, c.Fills = slices.Clone(c.Lines), slices.Clone(c.Draws), slices.Clone(c.Fills)
	factor := []int64{1, 3, 7, 9, 11, 12, 20}[g.IntN(7)]
	scaled := func(n int64) int64 { return max(1, n*factor/10) }
	for range 1 + g.IntN(2) {
		switch n := g.IntN(9); {
		case n == 0 && c.Kind != oracle.Empty:
			at := c.At
			if at.IsZero() {
				at = g.m.Now
			}
			c.At = at.Add(-g.ago()).Truncate(time.Second)
		case n == 1 && c.Kind == oracle.Receive && c.MarkKind != "none":
			c.Mark += oracle.Day(g.IntN(9) - 6)
		case n == 2 && c.Kind == oracle.Receive:
			c.Allergens = []string{"eggs"}
		case n == 3 && c.Kind == oracle.Receive:
			c.SupplierLot = oneOf(g, []string{"", "SL-9"})
		case n == 4 && c.Place != "":
			c.Place = oneOf(g, []string{"counter", "workshop", "cold-room"})
		case n == 5 && c.Out != nil:
			out := *c.Out
			out.Good = max(0, out.Good-g.IntN(8))
			out.Broken += g.IntN(2)
			c.Out = &out
		case n == 6 && len(c.Draws) > 0:
			d := &c.Draws[g.IntN(len(c.Draws))]
			if s, found := g.other(d.Source); found {
				d.Source, d.Place = s.Code, ""
			}
		case n == 7 && len(c.Fills) > 0:
			if s, found := g.other(c.Fills[0].Source); found {
				c.Fills[0].Source, c.Fills[0].Place = s.Code, ""
			}
		case len(c.Lines) > 0:
			l := &c.Lines[g.IntN(len(c.Lines))]
			if l.Pieces > 0 {
				l.Pieces = int(scaled(int64(l.Pieces)))
			}
			if l.Mass > 0 {
				l.Mass = scaled(l.Mass)
			}
		case len(c.Draws) > 0:
			d := &c.Draws[g.IntN(len(c.Draws))]
			d.Mass = scaled(d.Mass)
		case c.Amount > 0:
			c.Amount = scaled(c.Amount)
		case c.Pieces > 0:
			c.Pieces = int(scaled(int64(c.Pieces)))
		case c.Kind == oracle.Empty:
			c.Flag = !c.Flag
		}
	}
	return c
}

// other is another thing of the same kind that stands somewhere.
func (g *teller) other(code string) (oracle.Standing, bool) {
	all := slices.DeleteFunc(g.m.Stands(code[0]), func(s oracle.Standing) bool { return s.Code == code })
	if len(all) == 0 {
		return oracle.Standing{}, false
	}
	return oneOf(g, all), true
}

// last tells of the last correction.
func (b *correctedBook) last() string {
	for _, r := range slices.Backward(b.log) {
		if said, is := r.Data.(events.CommandCorrected); is {
			text, _ := json.Marshal(said)
			return string(text)
		}
	}
	return "none"
}

// rows is everything that a set holds, a line a row.
func rows(set *workshop.Set, movements []workshop.Movement, edges []workshop.Edge) (all []string) {
	all = append(all, rowsOf("lot", set.Lots.Dirty())...)
	all = append(all, rowsOf("charge", set.Charges.Dirty())...)
	all = append(all, rowsOf("ganache", set.Ganaches.Dirty())...)
	all = append(all, rowsOf("run", set.Runs.Dirty())...)
	all = append(all, rowsOf("box", set.Boxes.Dirty())...)
	all = append(all, rowsOf("stock", set.Stock.Dirty())...)
	all = append(all, rowsOf("vat", set.Vats.Dirty())...)
	all = append(all, rowsOf("hold", set.Holds.Dirty())...)
	all = append(all, rowsOf("deviation", set.Deviations.Dirty())...)
	all = append(all, rowsOf("op", set.Ops.Dirty())...)
	all = append(all, rowsOf("sequence", set.Sequences.Dirty())...)
	for _, r := range set.Readings {
		all = append(all, row("reading", fmt.Sprint(r.Position), r))
	}
	for _, m := range movements {
		all = append(all, row("movement", fmt.Sprint(m.Position, " ", m.Number), m))
	}
	for _, e := range edges {
		all = append(all, row("edge", fmt.Sprint(e.Position, " ", e.Number), e))
	}
	sort.Strings(all)
	return all
}

func rowsOf[K comparable, V any](kind string, dirty iter.Seq2[K, *V]) (all []string) {
	for key, value := range dirty {
		all = append(all, row(kind, fmt.Sprint(key), value))
	}
	return all
}

func row(kind, key string, value any) string {
	text, err := json.Marshal(value)
	if err != nil {
		panic(err)
	}
	return kind + " " + key + ": " + string(text)
}

// afresh folds everything that was written, with what counts in the place of what was corrected.
func (b *correctedBook) afresh() (*workshop.Set, error) {
	set := workshop.NewSet(&workshop.Definitions{}, true)
	corrections := workshop.CorrectionsIn(b.log)
	set.Corrected(corrections)
	for _, r := range b.log {
		if _, err := set.Fold(r, corrections); err != nil {
			return nil, err
		}
	}
	return set, nil
}

// difference compares the book with a fresh fold of the log, row for row.
func (b *correctedBook) difference() string {
	set, err := b.afresh()
	if err != nil {
		return err.Error()
	}
	live, fresh := rows(b.set, b.set.Movements, b.edges), rows(set, set.Movements, set.Edges)
	var off []string
	for _, line := range live {
		if _, both := slices.BinarySearch(fresh, line); !both {
			off = append(off, "live  "+line)
		}
	}
	for _, line := range fresh {
		if _, both := slices.BinarySearch(live, line); !both {
			off = append(off, "fresh "+line)
		}
	}
	if len(off) == 0 {
		return ""
	}
	return strings.Join(off, "\n") + "\n" + b.about(off[0])
}

// about lists the events that concern a thing that is named.
func (b *correctedBook) about(line string) string {
	var told []string
	for _, r := range b.log {
		for _, code := range r.Codes() {
			if strings.Contains(line, string(code)) {
				text, _ := json.Marshal(r.Data)
				told = append(told, fmt.Sprintf("%d %s %s %s", r.Position, r.Data.EventType(), r.Command.String()[24:], text[:min(len(text), 700)]))
				break
			}
		}
	}
	return strings.Join(told, "\n")
}

func newCorrectedBook() *correctedBook {
	b := &correctedBook{memory: &memory{
		set: workshop.NewSet(&workshop.Definitions{}, true), now: start.Add(-time.Hour), sold: map[string]*workshop.Demand{},
	}}
	for _, d := range defines() {
		if _, refusal := b.write(d); refusal != nil {
			panic(refusal)
		}
	}
	b.now = start
	return b
}

// A book that is corrected in any order is what a fold of its log gives in which what counts stands in the place of
// what was corrected: row for row, with the allocations of every other command as they were written.
func TestCorrectionsInAnyOrder(t *testing.T) {
	set(t, histories(correctedHistories))
	refused := map[string]int{}
	var done, corrected int
	tell := func(rt *rapid.T) {
		m := oracle.New(start, oracle.Fault(""))
		b := newCorrectedBook()
		g := &teller{m: m, late: lateEntries()}
		for _, c := range morning() {
			b.tell(m, c)
		}
		rt.Repeat(map[string]func(*rapid.T){"command": func(t *rapid.T) {
			g.Rand = rand.New(rand.NewPCG(seed.Draw(t, "seed"), 1))
			if b.tellBesides(m, g) {
				return
			}
			if !g.in(correctedInAll) {
				b.tell(m, g.next())
				return
			}
			done++
			slug := b.correct(g)
			refused[slug]++
			if slug == "" {
				corrected++
			}
			if off := b.difference(); off != "" {
				rt.Fatalf("OFF after %d corrections, last %s: %s", done, b.last(), off)
			}
		}})
		if off := b.difference(); off != "" {
			rt.Fatal(off)
		}
	}
	rapid.Check(t, tell)
	t.Logf("%d corrections, %d of them made; refused: %v", done, corrected, refused)
	require.Greater(t, corrected, done/3, "most corrections are made")
}

// histories is how many are told: a thousand in the long form.
func histories(n int) int {
	if long(1) > 1 {
		return 5 * n
	}
	return n
}
