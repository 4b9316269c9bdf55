package oracle_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/oracle"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// How many books are written into databases and asked about the past, how many commands each has, and at how many cuts.
const (
	pastBooks    = 3
	pastCommands = 150
	pastCuts     = 20
)

// bookSeeds draws a seed for each book, so that -rapid.seed gives other books.
func bookSeeds(t *testing.T, books int) (drawn []uint64) {
	t.Helper()
	set(t, 1)
	rapid.Check(t, func(rt *rapid.T) {
		drawn = nil
		for range books {
			drawn = append(drawn, seed.Draw(rt, "book"))
		}
	})
	return drawn
}

// written puts a book from memory into a database of its own.
func (b *correctedBook) written(t *testing.T) *pgtest.DB {
	t.Helper()
	db := pgtest.NewBook(t)
	require.NoError(t, pgx.BeginFunc(t.Context(), db.Owner, func(tx pgx.Tx) error {
		var head eventlog.Head
		batch := &pgx.Batch{}
		eventlog.QueueLock(batch, &head)
		if err := tx.SendBatch(t.Context(), batch).Close(); err != nil {
			return err
		}
		next := head.After(b.log)
		if err := eventlog.Copy(t.Context(), tx, b.log, nil, next); err != nil {
			return err
		}
		return eventlog.MoveHead(t.Context(), tx, next)
	}))
	_, err := projections.Rebuild(t.Context(), db.Owner)
	require.NoError(t, err)
	return db
}

// The database's answers about the past, found by what stood on a day, what was recorded later and what concerned a thing,
// are those of a fold of the whole log at the same cut; and at the cut of now they are those of the book as it stands.
func TestTheDatabaseTellsThePast(t *testing.T) {
	drawn := bookSeeds(t, histories(pastBooks))
	t.Parallel()
	var heldOver atomic.Int64
	t.Cleanup(func() { // not require: ending a test's cleanup early loses what its parts said
		assert.Positive(t, heldOver.Load(), "some held what came out of a held tank")
		t.Logf("%d times something was asked about that was held because the tank was out of which it came", heldOver.Load())
	})
	for _, book := range drawn {
		t.Run(fmt.Sprint(book), func(t *testing.T) {
			t.Parallel()
			m := oracle.New(start, oracle.Fault(""))
			b := newCorrectedBook()
			g := &teller{m: m, late: lateEntries(), Rand: rand.New(rand.NewPCG(book, 7))}
			for _, c := range morning() {
				b.tell(m, c)
			}
			for range pastCommands {
				switch {
				case b.tellBesides(m, g):
				case g.in(correctedInAll):
					b.correct(g)
				default:
					b.tell(m, g.next())
				}
			}
			db := b.written(t)
			for range histories(pastCuts) {
				asked{t: t, b: b, g: g, db: db, cut: b.cut(g), heldOver: &heldOver}.all()
			}
			asked{t: t, b: b, g: g, db: db, cut: workshop.Cut{Known: b.position, At: b.now.AddDate(1, 0, 0)}}.now()
		})
	}
}

// asked is a cut of a book that the database is asked about.
type asked struct {
	t   *testing.T
	b   *correctedBook
	g   *teller
	db  *pgtest.DB
	cut workshop.Cut

	heldOver *atomic.Int64
}

var stockKinds = []events.Kind{events.KindRun, events.KindLot, events.KindGanache, events.KindBox}

func (a asked) past() *projections.Past {
	return projections.NewPast(a.db.App, a.b.set.Defs, a.cut)
}

func (a asked) all() {
	whole := a.b.asItWas(a.t, a.cut)
	a.stock(whole)
	a.board(whole)
	codes := []events.Code{oneOf(a.g, a.b.wholes()), oneOf(a.g, a.b.wholes()), oneOf(a.g, a.b.wholes())}
	if over := a.b.heldOver(whole); len(over) > 0 {
		a.heldOver.Add(1)
		codes = append(codes, oneOf(a.g, over))
	}
	for _, code := range codes {
		a.traces(whole, code)
		a.balance(whole, code)
		a.period(whole)
	}
}

// period asks for the balances of some days at some places, and adds up what they should be from every movement.
func (a asked) period(whole *workshop.Set) {
	from := civil.DayOf(start, time.UTC).AddDays(a.g.IntN(8))
	to := from.AddDays(a.g.IntN(5))
	places := oneOf(a.g, [][]string{nil, {"counter"}, {"workshop", "counter"}, {"stall"}})
	got, err := a.past().PeriodBalances(a.t.Context(), from, to, places)
	require.NoError(a.t, err)
	type key struct{ kind, subject string }
	opening, closing := map[key]workshop.Quantity{}, map[key]workshop.Quantity{}
	came := map[key]map[string]int64{}
	for _, m := range whole.Movements {
		if places != nil && !slices.Contains(places, m.Place) {
			continue
		}
		k := key{kind: m.Code.Kind().String(), subject: m.Subject}
		if k.subject == "" {
			k.subject = m.Place
		}
		add := func(to map[key]workshop.Quantity) {
			q, sign := to[k], events.Mass(1)
			if m.Delta < 0 {
				sign = -1
			}
			if m.Grade != "" {
				q.Pieces += m.Delta
			}
			q.Mass += sign * m.Weight
			to[k] = q
		}
		if m.Day.Before(from) {
			add(opening)
		}
		if !to.Before(m.Day) {
			add(closing)
		}
		if !m.Day.Before(from) && !to.Before(m.Day) && m.Cause == workshop.CauseSold {
			if came[k] == nil {
				came[k] = map[string]int64{}
			}
			came[k][m.Cause] -= m.Delta
		}
	}
	met := map[key]bool{}
	for _, b := range got {
		for _, in := range b.In {
			for _, out := range b.Out {
				if in.Cause == workshop.CauseMoved {
					require.NotEqual(a.t, in.Cause, out.Cause, "what was moved about came or went, on the whole, not both")
				}
			}
		}
		k := key{kind: b.Kind.String(), subject: b.Subject}
		met[k] = true
		require.Equal(a.t, opening[k], b.Opening, "%v of %v from %s to %s at %v", a.cut, k, from, to, places)
		require.Equal(a.t, closing[k], b.Closing, "%v of %v from %s to %s at %v", a.cut, k, from, to, places)
		for _, out := range b.Out {
			if out.Cause == workshop.CauseSold {
				require.Equal(a.t, came[k][out.Cause], out.Pieces, "%v of %v from %s to %s at %v", a.cut, k, from, to, places)
				delete(came, k)
			}
		}
	}
	for k := range came {
		require.Zero(a.t, came[k][workshop.CauseSold], "%v of %v from %s to %s at %v", a.cut, k, from, to, places)
	}
	for k, q := range closing {
		require.True(a.t, met[k] || q == workshop.Quantity{}, "%v of %v from %s to %s at %v", a.cut, k, from, to, places)
	}
}

// stock asks for pages of what stood somewhere, or anywhere.
func (a asked) stock(whole *workshop.Set) {
	place := oneOf(a.g, []string{"", "", "counter", "workshop", "stall"})
	filter := projections.StockFilter{Kinds: stockKinds, Place: place, Limit: 1 + a.g.IntN(6)}
	var got []workshop.StockLine
	for {
		page, err := a.past().Stock(a.t.Context(), filter)
		require.NoError(a.t, err)
		got = append(got, page...)
		if len(page) < filter.Limit {
			break
		}
		filter.After = page[len(page)-1].StockKey
	}
	var want []workshop.StockLine
	for _, l := range whole.Stock.Dirty() {
		if l.Amount > 0 && l.Code.Kind() != events.KindCharge && (place == "" || l.Place == place) &&
			!a.moment().Before(l.Code.Day().AddDays(-1)) {
			want = append(want, *l)
		}
	}
	slices.SortFunc(want, func(a, b workshop.StockLine) int { return a.StockKey.Compare(b.StockKey) })
	require.Equal(a.t, want, got, "%v at %q", a.cut, place)
}

// board asks what a board showed, and holds it against one that is made of the whole fold.
func (a asked) board(whole *workshop.Set) {
	ctx, place := a.t.Context(), oneOf(a.g, []string{"counter", "stall"})
	zone := a.b.set.Defs.Zone(a.b.set.Defs.SiteOf(place))
	today := civil.DayOf(a.cut.At, zone)
	demand := map[string]workshop.Demand{}
	for _, m := range whole.Movements {
		if m.Cause != workshop.CauseSold || m.Place != place || m.Code.Kind() != events.KindRun {
			continue
		}
		d, met := demand[m.Subject]
		if !met || m.Day.Before(d.First) {
			d.First = m.Day
		}
		if d.Sold == nil {
			d.Sold = map[civil.Day]int{}
		}
		d.Sold[m.Day] -= int(m.Delta)
		demand[m.Subject] = d
	}
	var stock, asked []workshop.BoardStock
	var designs []string
	for _, l := range whole.Stock.Dirty() {
		if l.Amount > 0 && l.Place == place && l.Grade != "" && !l.Unreleased && !a.moment().Before(l.Code.Day().AddDays(-1)) {
			stock = append(stock, boardStock(l))
			designs = append(designs, l.Subject)
		}
	}
	lines, err := a.past().BoardLines(ctx, place)
	require.NoError(a.t, err)
	for _, l := range lines {
		asked = append(asked, boardStock(&l.StockLine))
		want, expiry := whole.Run(l.Code), ""
		if want != nil {
			require.Equal(a.t, asText(want.Allergens), asText(l.Allergens))
			expiry = asText(want.Expiry)
		} else {
			require.Equal(a.t, asText(whole.Box(l.Code).Allergens), asText(l.Allergens))
			expiry = asText(whole.Box(l.Code).Expiry)
		}
		require.Equal(a.t, expiry, asText(l.Expiry))
	}
	known, err := a.past().Demand(ctx, place, slices.DeleteFunc(designs, func(d string) bool { return d == "" }), today)
	require.NoError(a.t, err)
	want := workshop.SortBoard(stock, demand, today, a.cut.At, today, zone)
	got := workshop.SortBoard(asked, known, today, a.cut.At, today, zone)
	require.Equal(a.t, want, got, "%v at %s", a.cut, place)
}

func boardStock(l *workshop.StockLine) workshop.BoardStock {
	return workshop.BoardStock{Code: l.Code, Design: l.Subject, Grade: l.Grade, Pieces: int(l.Amount), Held: l.Held, Dates: l.Dates}
}

// moment is the day (UTC) on which the cut ends.
func (a asked) moment() civil.Day {
	moment := a.cut.At
	if known := a.b.log[a.cut.Known-1].RecordedAt; known.Before(moment) {
		moment = known
	}
	return civil.DayOf(moment, time.UTC)
}

func (a asked) traces(whole *workshop.Set, code events.Code) {
	back, err := a.past().Trace(a.t.Context(), code, false, a.g.in(2))
	require.NoError(a.t, err)
	forward, err := a.past().Trace(a.t.Context(), code, true, true)
	require.NoError(a.t, err)
	if !whole.Exists(code) {
		require.Nil(a.t, back)
		require.Nil(a.t, forward)
		return
	}
	require.Equal(a.t, workshop.WalkBack(whole.Edges, code), back.Edges, "%v back from %s", a.cut, code)
	require.Equal(a.t, workshop.WalkForward(whole.Edges, code), forward.Edges, "%v forward from %s", a.cut, code)
	switch thing := back.Thing; {
	case thing.Run != nil:
		require.Equal(a.t, asText(whole.Run(code)), asText(thing.Run), "%v of %s", a.cut, code)
	case thing.Ganache != nil:
		require.Equal(a.t, asText(whole.Ganache(code)), asText(thing.Ganache), "%v of %s", a.cut, code)
	case thing.Charge != nil:
		require.Equal(a.t, asText(whole.Charge(code)), asText(thing.Charge), "%v of %s", a.cut, code)
	case thing.Box != nil:
		require.Equal(a.t, asText(whole.Box(code)), asText(thing.Box), "%v of %s", a.cut, code)
	case thing.Lot != nil:
		require.Equal(a.t, asText(whole.Lot(code)), asText(thing.Lot), "%v of %s", a.cut, code)
	}
	for _, n := range slices.Concat(back.Nodes, forward.Nodes) {
		require.True(a.t, whole.Exists(n.Code))
	}
	var codes []events.Code
	for _, n := range forward.Nodes {
		codes = append(codes, n.Code)
		if n.Code.Kind() == events.KindRun {
			require.Equal(a.t, whole.Run(n.Code), forward.ThingsOf([]events.Code{n.Code})[0].Run)
		}
	}
	a.care(whole, forward, codes)
	sales, err := forward.SalesOf(a.t.Context(), a.db.App, codes)
	require.NoError(a.t, err)
	sold := map[events.Code]int64{}
	for _, s := range sales {
		require.NotZero(a.t, s.Event)
		sold[s.Code] += s.Pieces
	}
	want := map[events.Code]int64{}
	for _, m := range whole.Movements {
		if m.Cause == workshop.CauseSold && slices.Contains(codes, m.Code) {
			want[m.Code] -= m.Delta
		}
	}
	require.Equal(a.t, want, sold)
}

// care asks for the holds on a trace: each stands that stood then.
func (a asked) care(whole *workshop.Set, trace *projections.PastTrace, codes []events.Code) {
	care, err := trace.CareOf(a.t.Context(), a.db.App, codes)
	require.NoError(a.t, err)
	for _, r := range care.Events {
		require.LessOrEqual(a.t, r.Position, a.cut.Known)
	}
	for _, code := range codes {
		for _, hold := range whole.HoldsOf(code) {
			require.Contains(a.t, care.Took[hold], code, "%v of %s", a.cut, code)
		}
		require.ElementsMatch(a.t, whole.HoldsOf(code), trace.HoldsOf(code), "%v of %s", a.cut, code)
	}
}

func (a asked) balance(whole *workshop.Set, code events.Code) {
	got, err := a.past().Balance(a.t.Context(), code)
	require.NoError(a.t, err)
	if !whole.Exists(code) {
		require.Nil(a.t, got)
		return
	}
	want := map[string]int64{}
	for _, m := range whole.Movements {
		if m.Code.Whole() == code {
			want["moved "+string(m.Code)+m.Cause+m.Reason] += m.Delta
			if m.Delta < 0 {
				want["weight "+string(m.Code)+m.Cause+m.Reason] -= int64(m.Weight)
			} else if m.Delta > 0 {
				want["weight "+string(m.Code)+m.Cause+m.Reason] += int64(m.Weight)
			}
		}
	}
	for _, e := range whole.Edges {
		switch {
		case e.From.Whole() == e.To.Whole():
		case e.To.Whole() == code:
			want["in "+string(e.From)+string(e.To)+e.Ingredient] += int64(e.Mass)
		case e.From.Whole() == code:
			want["out "+string(e.From)+string(e.To)] += int64(e.Mass)
		}
	}
	told := map[string]int64{}
	for _, s := range got.Sums {
		told["moved "+string(s.Code)+s.Cause+s.Reason] += s.Came - s.Went
		if s.Came != 0 || s.Went != 0 {
			told["weight "+string(s.Code)+s.Cause+s.Reason] += int64(s.MassCame - s.MassWent)
		}
	}
	for _, e := range got.In {
		told["in "+string(e.From)+string(e.To)+e.Ingredient] += int64(e.Mass)
	}
	for _, e := range got.Out {
		told["out "+string(e.From)+string(e.To)] += int64(e.Mass)
	}
	require.Equal(a.t, want, told, "%v of %s", a.cut, code)
}

// now holds the past up to now against the book as it stands.
func (a asked) now() {
	ctx, q := a.t.Context(), a.db.App
	filter := projections.StockFilter{Kinds: stockKinds}
	live, err := projections.Stock(ctx, q, filter)
	require.NoError(a.t, err)
	then, err := a.past().Stock(ctx, filter)
	require.NoError(a.t, err)
	require.Equal(a.t, live, then)
	from := civil.DayOf(start, time.UTC)
	for _, places := range [][]string{nil, {"counter"}} {
		live, err := projections.PeriodBalances(ctx, q, from, from.AddDays(3), places)
		require.NoError(a.t, err)
		then, err := a.past().PeriodBalances(ctx, from, from.AddDays(3), places)
		require.NoError(a.t, err)
		require.True(a.t, len(live) > 0 || places != nil)
		require.Equal(a.t, live, then)
	}
	for _, whole := range a.b.wholes() {
		for _, code := range []events.Code{whole, whole.Part(1)} {
			a.traceNow(code)
			a.balanceNow(code)
		}
	}
}

func (a asked) traceNow(code events.Code) {
	ctx, q := a.t.Context(), a.db.App
	thing, err := projections.OneThing(ctx, q, code)
	require.NoError(a.t, err)
	back, err := a.past().Trace(ctx, code, false, true)
	require.NoError(a.t, err)
	forward, err := a.past().Trace(ctx, code, true, true)
	require.NoError(a.t, err)
	if thing == nil {
		require.Nil(a.t, back)
		require.Nil(a.t, forward)
		return
	}
	thing.Position = 0
	require.Equal(a.t, asText(undatedThing(thing)), asText(back.Thing))
	for _, way := range []struct {
		live func() (projections.Trace, error)
		then *projections.PastTrace
	}{
		{func() (projections.Trace, error) { return projections.TraceBack(ctx, q, code) }, back},
		{func() (projections.Trace, error) { return projections.TraceForward(ctx, q, code) }, forward},
	} {
		live, err := way.live()
		require.NoError(a.t, err)
		require.Equal(a.t, live.Nodes, way.then.Nodes, code)
		require.Equal(a.t, live.Edges, append([]workshop.Edge{}, way.then.Edges...), code)
	}
	var codes []events.Code
	for _, n := range forward.Nodes {
		if k := n.Code.Kind(); k == events.KindRun || k == events.KindBox {
			codes = append(codes, n.Code)
		}
	}
	things, err := projections.ThingsOf(ctx, q, codes)
	require.NoError(a.t, err)
	for i := range things {
		things[i].Position = 0
	}
	then := append([]projections.Thing{}, forward.ThingsOf(codes)...)
	for i := range things {
		things[i] = *undatedThing(&things[i])
	}
	require.Equal(a.t, asText(things), asText(then))
	accounts, err := projections.Accounts(ctx, q, codes)
	require.NoError(a.t, err)
	require.ElementsMatch(a.t, accounts, forward.Accounts(codes))
	sales, err := projections.SalesOf(ctx, q, codes)
	require.NoError(a.t, err)
	sold, err := forward.SalesOf(ctx, q, codes)
	require.NoError(a.t, err)
	require.ElementsMatch(a.t, sales, sold)
	careNow, err := projections.CareOf(ctx, q, codes)
	require.NoError(a.t, err)
	careThen, err := forward.CareOf(ctx, q, codes)
	require.NoError(a.t, err)
	require.Equal(a.t, careNow.Events, careThen.Events)
	require.Len(a.t, careThen.Took, len(careNow.Took))
	for hold, took := range careNow.Took {
		require.ElementsMatch(a.t, took, careThen.Took[hold])
	}
	a.toldNow(forward)
}

// toldNow holds what a document tells of the things on a trace of the past up to now against the book as it stands.
func (a asked) toldNow(trace *projections.PastTrace) {
	ctx, q := a.t.Context(), a.db.App
	types := []string{
		events.Checked{}.EventType(), events.HoldPlaced{}.EventType(), events.HoldLifted{}.EventType(), events.PiecesSold{}.EventType(),
		events.CommandCorrected{}.EventType(),
	}
	live, err := projections.Told(ctx, q, trace.Trace, types)
	require.NoError(a.t, err)
	then, err := a.past().Told(ctx, trace.Trace, types)
	require.NoError(a.t, err)
	require.Equal(a.t, live, then)
	var codes, charges []events.Code
	var concerns []projections.Concern
	for _, r := range live {
		codes = append(codes, r.Codes()...)
		for _, code := range r.Codes() {
			concerns = append(concerns, projections.Concern{Position: r.Position, Code: code, OccurredAt: r.OccurredAt})
			if code.Kind() == events.KindCharge {
				charges = append(charges, code)
			}
		}
	}
	happenings, err := a.past().Happenings(ctx, codes)
	require.NoError(a.t, err)
	poured, err := projections.PouringsInto(ctx, q, charges)
	require.NoError(a.t, err)
	require.Equal(a.t, poured, happenings.PouringsInto(charges))
	amounts, err := projections.AmountsAt(ctx, q, concerns)
	require.NoError(a.t, err)
	for _, c := range concerns {
		require.Equal(a.t, amounts[c], happenings.AmountAt(c), "%v", c)
	}
}

func (a asked) balanceNow(code events.Code) {
	live, err := projections.BalanceOf(a.t.Context(), a.db.App, code)
	require.NoError(a.t, err)
	then, err := a.past().Balance(a.t.Context(), code)
	require.NoError(a.t, err)
	if live == nil {
		require.Nil(a.t, then)
		return
	}
	live.Thing.Position = 0
	require.ElementsMatch(a.t, live.In, then.In)
	require.ElementsMatch(a.t, live.Out, then.Out)
	require.ElementsMatch(a.t, live.Sums, then.Sums)
	require.Equal(a.t, asText(undatedThing(&live.Thing)), asText(&then.Thing))
}

// undated is a run without the lots whose dates counted for its own: no date is worked out of the past, and no answer tells
// them.
func undated(run *workshop.Run) workshop.Run {
	r := *run
	r.Straight = nil
	return r
}

// undatedGanache is the same of a ganache.
func undatedGanache(ganache *workshop.Ganache) workshop.Ganache {
	g := *ganache
	g.Dated = nil
	return g
}

// undatedThing is the same of any thing.
func undatedThing(thing *projections.Thing) *projections.Thing {
	t := *thing
	if t.Run != nil {
		run := undated(t.Run)
		t.Run = &run
	}
	if t.Ganache != nil {
		ganache := undatedGanache(t.Ganache)
		t.Ganache = &ganache
	}
	return &t
}

// asText is a value as JSON, to which an empty list and none are the same.
func asText(value any) string { return row("", "", value) }
