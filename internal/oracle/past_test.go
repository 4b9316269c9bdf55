package oracle_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
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

// How many histories are told of which the past is asked, five times as many with FIRSTOUT_LONG=1.
const pastHistories = 60

// asItWas folds everything that was written under a cut: what every answer about the past must equal.
func (b *correctedBook) asItWas(t require.TestingT, cut workshop.Cut) *workshop.Set {
	set := workshop.NewSet(&workshop.Definitions{}, true)
	require.NoError(t, set.FoldPast(cut, nil, b.log))
	return set
}

// pastOf folds only what some wholes and what flowed into them need, as the database does.
func (b *correctedBook) pastOf(t require.TestingT, cut workshop.Cut, wholes ...events.Code) *workshop.Set {
	of, all := map[events.Code]bool{}, map[int64]events.Recorded{}
	for frontier := wholes; len(frontier) > 0; {
		for _, whole := range frontier {
			of[whole] = true
		}
		for _, r := range b.log {
			if slices.ContainsFunc(r.Codes(), func(code events.Code) bool { return of[code.Whole()] }) {
				b.withTree(r, all)
			}
		}
		frontier = nil
		for _, r := range all {
			for _, f := range flowsOf(r) {
				if of[f.To] && !of[f.From] {
					frontier = append(frontier, f.From)
				}
			}
		}
	}
	var recorded []events.Recorded
	for _, r := range all {
		recorded = append(recorded, r)
	}
	slices.SortFunc(recorded, func(a, b events.Recorded) int { return int(a.Position - b.Position) })
	var codes []events.Code
	for code := range of {
		codes = append(codes, code)
	}
	set := workshop.NewPast(codes, recorded, workshop.NewOutside())
	require.NoError(t, set.FoldPast(cut, b.set.Defs, recorded))
	return set
}

func flowsOf(r events.Recorded) []workshop.Flow {
	flows := workshop.Flows(r.Data)
	if corrected, is := r.Data.(events.CommandCorrected); is {
		for _, e := range corrected.Events {
			flows = append(flows, workshop.Flows(e.Data)...)
		}
	}
	return flows
}

// withTree notes an event; of a correction also the command in whose place it counts, and every correction of that.
func (b *correctedBook) withTree(r events.Recorded, all map[int64]events.Recorded) {
	all[r.Position] = r
	if _, is := r.Data.(events.CommandCorrected); !is {
		return
	}
	by := map[uuid.UUID]events.Recorded{}
	for _, r := range b.log {
		by[r.ID] = r
	}
	root := r.Command
	for {
		said, is := by[root].Data.(events.CommandCorrected)
		if !is {
			break
		}
		root = said.Corrected
	}
	tree := map[uuid.UUID]bool{root: true}
	for _, r := range b.log {
		if said, is := r.Data.(events.CommandCorrected); is && tree[said.Corrected] {
			tree[r.Command] = true
			all[r.Position] = r
		}
		if r.Command == root {
			all[r.Position] = r
		}
	}
}

// tellOf tells of a whole and its parts what a set says of them: lines of stock, what they are, their movements and edges.
func tellOf(set *workshop.Set, whole events.Code) string {
	var all []string
	for n := 0; n <= 9; n++ {
		code := whole
		if n > 0 {
			code = whole.Part(n)
		}
		for _, line := range set.LinesOf(code) {
			all = append(all, row("line", fmt.Sprint(line.StockKey), line))
		}
		switch {
		case !set.Exists(code):
		case code.Kind() == events.KindLot:
			all = append(all, row("thing", string(code), set.Lot(code)))
		case code.Kind() == events.KindCharge:
			all = append(all, row("thing", string(code), set.Charge(code)))
		case code.Kind() == events.KindGanache:
			all = append(all, row("thing", string(code), undatedGanache(set.Ganache(code))))
		case code.Kind() == events.KindRun:
			all = append(all, row("thing", string(code), undated(set.Run(code))))
		case code.Kind() == events.KindBox:
			all = append(all, row("thing", string(code), set.Box(code)))
		}
	}
	for _, m := range set.Movements {
		if m.Code.Whole() == whole {
			all = append(all, row("movement", fmt.Sprint(m.Position, " ", m.Number), m))
		}
	}
	for _, e := range set.Edges {
		if e.From.Whole() == whole || e.To.Whole() == whole {
			all = append(all, row("edge", fmt.Sprint(e.Position, " ", e.Number), e))
		}
	}
	slices.Sort(all)
	return strings.Join(all, "\n")
}

// cuts draws a cut of the book: at a position and an instant, one of the two being everything now and then.
func (b *correctedBook) cut(g *teller) workshop.Cut {
	cut := workshop.Cut{Known: b.position, At: b.now.Add(time.Hour)}
	if g.in(70) {
		cut.Known = 1 + g.Int64N(b.position)
	}
	if g.in(70) {
		cut.At = b.log[g.IntN(len(b.log))].OccurredAt.Add(time.Duration(g.IntN(3)-1) * time.Minute)
	}
	return cut
}

// wholes lists every whole that the log ever named.
func (b *correctedBook) wholes() []events.Code {
	var wholes []events.Code
	for _, r := range b.log {
		for _, code := range r.Codes() {
			wholes = append(wholes, code.Whole())
		}
	}
	slices.SortFunc(wholes, events.Code.Compare)
	return slices.Compact(wholes)
}

// The past of a few things, folded from what concerns them and what flowed into them, is that of a fold of the whole log
// at the same cut: stock, dates, holds, what they are made of, movements and edges. And the whole log at the cut of now
// is the book as it stands.
func TestThePastOfSomeIsThePastOfAll(t *testing.T) {
	set(t, histories(pastHistories))
	asked, heldOver := 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		m := oracle.New(start, oracle.Fault(""))
		b := newCorrectedBook()
		g := &teller{m: m, late: lateEntries()}
		for _, c := range morning() {
			b.tell(m, c)
		}
		rt.Repeat(map[string]func(*rapid.T){"command": func(t *rapid.T) {
			g.Rand = rand.New(rand.NewPCG(seed.Draw(t, "seed"), 1))
			switch {
			case b.tellBesides(m, g):
			case g.in(correctedInAll):
				b.correct(g)
			default:
				b.tell(m, g.next())
			}
			if !g.in(25) {
				return
			}
			cut := b.cut(g)
			whole := b.asItWas(rt, cut)
			codes := []events.Code{oneOf(g, b.wholes()), oneOf(g, b.wholes())}
			if over := b.heldOver(whole); len(over) > 0 {
				heldOver++
				codes = append(codes, oneOf(g, over))
			}
			for _, code := range codes {
				asked++
				want, got := tellOf(whole, code), tellOf(b.pastOf(rt, cut, code), code)
				if want != got {
					rt.Fatalf("OFF at %v: %s\nwant %s\n got %s\n%s", cut, code, want, got, b.about(string(code)))
				}
			}
		}})
		now := b.asItWas(rt, workshop.Cut{Known: b.position, At: b.now.AddDate(1, 0, 0)})
		for _, code := range b.wholes() {
			if want, got := b.tellLive(code), tellOf(now, code); want != got {
				rt.Fatalf("OFF now: %s\nwant %s\n got %s\n%s", code, want, got, b.about(string(code)))
			}
		}
	})
	require.Positive(t, asked)
	require.Positive(t, heldOver, "some held what came out of a held tank")
	t.Logf("%d things asked about, %d of them held because the tank was out of which they came", asked, heldOver)
}

// tellLive tells of a whole what the book says as it stands.
func (b *correctedBook) tellLive(whole events.Code) string {
	live := *b.set
	live.Edges = b.edges
	return tellOf(&live, whole)
}
