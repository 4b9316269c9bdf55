package projections

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// This file answers what was the case, and what was known, from the log: it folds the events that concern what is asked
// about, under a cut (workshop.FoldPast). The tables say where to look, and what flowed in from that which is as it was then.

var (
	pastPosition   = query("past_position")
	pastHistory    = query("past_history")
	pastStraddling = query("past_straddling")
	pastStood      = query("past_stood")
)

// Past is the book under a cut.
type Past struct {
	q    Querier
	defs *workshop.Definitions // of the book as it stands
	cut  workshop.Cut
}

// NewPast is the book under a cut. The definitions are those of the whole book.
func NewPast(q Querier, defs *workshop.Definitions, cut workshop.Cut) *Past {
	return &Past{q: q, defs: defs, cut: cut}
}

// PositionAt is the last position recorded by an instant; 0 if there was none.
func PositionAt(ctx context.Context, q Querier, at time.Time) (position int64, err error) {
	err = q.QueryRow(ctx, pastPosition, at).Scan(&position)
	return position, wrap(err, "find where the book stood")
}

// RecordedAt is when the event at a position was recorded.
func RecordedAt(ctx context.Context, q Querier, position int64) (at time.Time, err error) {
	err = q.QueryRow(ctx, "SELECT recorded_at FROM log WHERE position = $1", position).Scan(&at)
	return at.UTC(), wrap(err, "find when the book stood there")
}

// Stock is projections.Stock under the cut. Subject is not looked at. Nothing stands before the day in its code: what is said
// to have happened to it earlier is a mistake in the book.
func (p *Past) Stock(ctx context.Context, f StockFilter) ([]workshop.StockLine, error) {
	limit := pageSize(f.Limit)
	var lines []workshop.StockLine
	err := p.standing(ctx, f, true, func(_ *workshop.Set, more []workshop.StockLine) bool {
		lines = append(lines, more...)
		return len(lines) < limit
	})
	return lines[:min(len(lines), limit)], err
}

// standing folds what stood, some things at a time in the order of their codes, and hands on the lines that a filter lets
// through until that wants no more.
func (p *Past) standing(ctx context.Context, f StockFilter, bare bool, take func(*workshop.Set, []workshop.StockLine) bool) error {
	if p.cut.Known == 0 {
		return nil
	}
	kinds := make([]string, 0, len(f.Kinds))
	for _, k := range f.Kinds {
		kinds = append(kinds, k.String())
	}
	moment, straddling, err := p.straddling(ctx)
	if err != nil {
		return err
	}
	on := civil.DayOf(moment, time.UTC)
	straddling = slices.DeleteFunc(straddling, func(code events.Code) bool {
		return !slices.Contains(f.Kinds, code.Kind()) || code.Compare(f.After.Code) < 0 || on.Before(code.Day().AddDays(-1))
	})
	chunk := 2 * pageSize(f.Limit)
	for from, last := f.After.Code, false; !last; {
		day, sequence, part := from.Numbers()
		codes, err := collect(ctx, p.q, pgx.RowTo[events.Code], "list what stood on a day", pastStood,
			dateOf(on), f.Place, f.Places, kinds, day, sequence, part, from, chunk+1)
		if err != nil {
			return err
		}
		if last = len(codes) <= chunk; !last {
			from, codes = codes[chunk], codes[:chunk]
		}
		for len(straddling) > 0 && (last || straddling[0].Compare(from) < 0) {
			codes, straddling = append(codes, straddling[0]), straddling[1:]
		}
		slices.SortFunc(codes, events.Code.Compare)
		codes = slices.Compact(codes)
		set, _, err := p.fold(ctx, codes, asking{bare: bare})
		if err != nil {
			return err
		}
		if !take(set, linesOf(set, codes, f)) {
			return nil
		}
	}
	return nil
}

// linesOf lists the open lines of some codes that a filter lets through, in the order of the codes.
func linesOf(set *workshop.Set, codes []events.Code, f StockFilter) []workshop.StockLine {
	var lines []workshop.StockLine
	for _, code := range codes {
		for _, l := range set.LinesOf(code) {
			if l.Amount > 0 && (f.Place == "" || l.Place == f.Place) && (f.Places == nil || slices.Contains(f.Places, l.Place)) &&
				(f.After.Code == "" || l.StockKey.Compare(f.After) > 0) {
				lines = append(lines, *l)
			}
		}
	}
	return lines
}

// straddling gives the codes of what the book as it stands may say otherwise than the cut, because of what was recorded
// after it about the time before: in code order, beside the moment at which to look for everything else.
func (p *Past) straddling(ctx context.Context) (moment time.Time, codes []events.Code, err error) {
	if p.cut.Known == 0 {
		return p.cut.At, nil, nil
	}
	moment, _, near, err := p.moment(ctx)
	if err != nil {
		return moment, nil, err
	}
	recorded, err := collect(ctx, p.q, scanRecorded, "read what was written down after it happened", pastStraddling, p.cut.Known, moment, near)
	for _, r := range recorded {
		codes = append(codes, r.Codes()...)
	}
	slices.SortFunc(codes, events.Code.Compare)
	return moment, slices.Compact(codes), err
}

// pastThing is a thing as a set has it; nil if that has none. What was taken before it came is none left.
func pastThing(set *workshop.Set, code events.Code) *Thing {
	if !set.Exists(code) {
		return nil
	}
	t := Thing{Code: code}
	parts := 0
	switch code.Kind() {
	case events.KindLot:
		t.Lot = set.Lot(code)
		parts = t.Lot.Parts
	case events.KindCharge:
		t.Charge = set.Charge(code)
	case events.KindGanache:
		t.Ganache = set.Ganache(code)
		parts = t.Ganache.Parts
	case events.KindRun:
		t.Run = set.Run(code)
		parts = t.Run.Parts
	case events.KindBox:
		t.Box = set.Box(code)
		parts = t.Box.Parts
	default:
		return nil
	}
	t.Lines = pastLines(set, code)
	for n := 1; n <= parts && !code.IsPart(); n++ {
		t.PartLines = append(t.PartLines, pastLines(set, code.Part(n))...)
	}
	return &t
}

func pastLines(set *workshop.Set, code events.Code) []workshop.StockLine {
	var lines []workshop.StockLine
	for _, l := range set.LinesOf(code) {
		line := *l
		line.Amount = max(0, line.Amount)
		lines = append(lines, line)
	}
	return lines
}

// PastTrace is a trace under a cut, with what else an answer tells of what is on it.
type PastTrace struct {
	Trace
	Thing *Thing // the thing asked about
	past  *Past
	set   *workshop.Set
}

// Trace is TraceBack, or onward TraceForward, under the cut; nil if the thing was not there. To be asked for its care it is
// folded with everything that it came from.
func (p *Past) Trace(ctx context.Context, code events.Code, onward, care bool) (*PastTrace, error) {
	set, g, err := p.fold(ctx, []events.Code{code}, asking{onward: onward, deep: care})
	if err != nil {
		return nil, err
	}
	t := &PastTrace{Trace: Trace{Of: code}, Thing: pastThing(set, code), past: p, set: set}
	if t.Thing == nil {
		return nil, nil
	}
	if onward {
		t.Edges = workshop.WalkForward(set.Edges, code)
	} else {
		beyond, err := g.backward(ctx, set.Edges)
		if err != nil {
			return nil, err
		}
		t.Edges = workshop.WalkBack(slices.Concat(set.Edges, beyond), code)
	}
	codes := []events.Code{code}
	for _, e := range t.Edges {
		codes = append(codes, e.From, e.To)
	}
	return t, t.addNodes(ctx, g, codes)
}

// addNodes finds the things on the trace: what was folded, and as it stands what is outside.
func (t *PastTrace) addNodes(ctx context.Context, g *gathering, codes []events.Code) error {
	var inside, outside []events.Code
	for _, code := range codes {
		if _, is := g.of[code.Whole()]; is {
			inside = append(inside, code)
		} else {
			outside = append(outside, code)
		}
	}
	t.Nodes = t.NodesOf(inside)
	if len(outside) == 0 {
		return nil
	}
	beyond, err := NodesOf(ctx, g.p.q, outside)
	t.Nodes = append(t.Nodes, beyond...)
	slices.SortFunc(t.Nodes, func(a, b Node) int { return a.Code.Compare(b.Code) })
	return err
}

// NodesOf finds things as the trace shows them, in code order.
func (t *PastTrace) NodesOf(codes []events.Code) []Node {
	codes = slices.Clone(codes)
	slices.SortFunc(codes, events.Code.Compare)
	var nodes []Node
	for _, code := range slices.Compact(codes) {
		if code == "" {
			continue
		}
		if thing := pastThing(t.set, code); thing != nil {
			nodes = append(nodes, nodeOf(thing, t.set.BornAt(code)))
		}
	}
	return nodes
}

// nodeOf is a thing as a trace shows it, from the position of the event that made it known.
func nodeOf(t *Thing, position int64) Node {
	n := Node{Code: t.Code, Position: position}
	switch {
	case t.Lot != nil:
		n.Subject, n.OccurredAt, n.Supplier, n.SupplierLot = t.Lot.Ingredient, t.Lot.At, t.Lot.Supplier, t.Lot.SupplierLot
	case t.Charge != nil:
		n.Subject, n.OccurredAt = t.Charge.Vat, t.Charge.At
	case t.Ganache != nil:
		n.Subject, n.OccurredAt = t.Ganache.Formula, t.Ganache.At
	case t.Run != nil:
		n.Subject, n.OccurredAt = t.Run.Design, t.Run.At
	case t.Box != nil:
		n.OccurredAt = t.Box.At
	}
	return n
}

// ThingsOf finds things with their open lines of stock, in code order.
func (t *PastTrace) ThingsOf(codes []events.Code) []Thing {
	var things []Thing
	for _, code := range codes {
		if thing := pastThing(t.set, code); thing != nil {
			all := thing.Lines
			thing.Lines = nil
			for _, l := range all {
				if l.Amount > 0 {
					thing.Lines = append(thing.Lines, l)
				}
			}
			things = append(things, *thing)
		}
	}
	slices.SortFunc(things, func(a, b Thing) int { return a.Code.Compare(b.Code) })
	return things
}

// Accounts is Accounts under the cut, in no order.
func (t *PastTrace) Accounts(codes []events.Code) []Account {
	accounts := map[events.Code]*Account{}
	for _, m := range t.set.Movements {
		if !slices.Contains(codes, m.Code) || m.Grade == "" || m.Unreleased {
			continue
		}
		if accounts[m.Code] == nil {
			accounts[m.Code] = &Account{Code: m.Code}
		}
		accounts[m.Code].add(m)
	}
	all := make([]Account, 0, len(accounts))
	for _, a := range accounts {
		all = append(all, *a)
	}
	return all
}

// add is what queries/accounts.sql sums up.
func (a *Account) add(m workshop.Movement) {
	a.OnHand += m.Delta
	switch m.Cause {
	case workshop.CauseReleased:
		a.Released += m.Delta
	case workshop.CausePacked:
		a.Packed += m.Delta
	case workshop.CauseOpened:
		a.Opened -= m.Delta
	case workshop.CauseParted:
		a.PartedIn += max(0, m.Delta)
		a.PartedOut += max(0, -m.Delta)
	case workshop.CauseSold:
		a.Sold -= m.Delta
	case workshop.CauseGiven:
		a.Given -= m.Delta
	case workshop.CauseDiscarded:
		a.Discarded -= m.Delta
	case workshop.CauseBoxed, workshop.CauseUnboxed:
		a.Boxed -= m.Delta
	case workshop.CauseCounted, workshop.CauseBookShort, workshop.CauseAbsorbed:
		a.Found += m.Delta
	}
}

// SalesOf is SalesOf under the cut.
func (t *PastTrace) SalesOf(ctx context.Context, q Querier, codes []events.Code) ([]Sale, error) {
	var sales []Sale
	var positions []int64
	for _, m := range t.set.Movements {
		if m.Cause == workshop.CauseSold && slices.Contains(codes, m.Code) {
			positions = append(positions, m.Position)
			sales = append(sales, Sale{
				Position: m.Position, OccurredAt: m.OccurredAt, Code: m.Code, Pieces: -m.Delta, Place: m.Place, Channel: m.Channel,
				Buyer: m.Buyer, Reference: m.Reference, How: m.How,
			})
		}
	}
	records, err := RecordsOf(ctx, q, positions)
	if err != nil {
		return nil, err
	}
	for i := range sales {
		sales[i].Event = records[sales[i].Position].ID
	}
	slices.SortStableFunc(sales, func(a, b Sale) int {
		return cmp.Or(a.OccurredAt.Compare(b.OccurredAt), cmp.Compare(a.Position, b.Position))
	})
	return sales, nil
}

// Balance is BalanceOf under the cut; nil if the thing was not there.
func (p *Past) Balance(ctx context.Context, code events.Code) (*Balance, error) {
	set, _, err := p.fold(ctx, []events.Code{code}, asking{})
	if err != nil {
		return nil, err
	}
	thing := pastThing(set, code)
	if thing == nil {
		return nil, nil
	}
	b := &Balance{Thing: *thing}
	sums := map[MovementSum]*MovementSum{}
	for _, m := range set.Movements {
		if kin(code, m.Code) {
			addMovement(sums, m)
		}
	}
	for _, sum := range sums {
		b.Sums = append(b.Sums, *sum)
	}
	slices.SortFunc(b.Sums, func(x, y MovementSum) int {
		return cmp.Or(cmp.Compare(x.Code, y.Code), cmp.Compare(x.Cause, y.Cause), cmp.Compare(x.Reason, y.Reason))
	})
	b.In, b.Out = acrossOf(set.Edges, code)
	return b, nil
}

// addMovement is what queries/balance_movements.sql sums up.
func addMovement(sums map[MovementSum]*MovementSum, m workshop.Movement) {
	of := MovementSum{Code: m.Code, Cause: m.Cause, Reason: m.Reason, Pieces: m.Grade != ""}
	sum := sums[of]
	if sum == nil {
		of := of
		sum = &of
		sums[of] = sum
	}
	if m.Delta > 0 {
		sum.Came += m.Delta
		sum.MassCame += m.Weight
	} else if m.Delta < 0 {
		sum.Went -= m.Delta
		sum.MassWent += m.Weight
	}
}

// acrossOf sums up the edges that lead into a thing and its parts and out of them, as queries/balance_edges.sql does.
func acrossOf(edges []workshop.Edge, of events.Code) (in, out []workshop.Edge) {
	edges = slices.SortedFunc(slices.Values(edges), workshop.Edge.Compare)
	add := func(sums []workshop.Edge, e workshop.Edge) []workshop.Edge {
		for i := range sums {
			if sums[i].From == e.From && sums[i].To == e.To && sums[i].Ingredient == e.Ingredient {
				sums[i].Mass += e.Mass
				return sums
			}
		}
		return append(sums, workshop.Edge{From: e.From, To: e.To, Ingredient: e.Ingredient, Mass: e.Mass, OccurredAt: e.OccurredAt})
	}
	for _, e := range edges {
		switch {
		case kin(of, e.To) && !kin(of, e.From):
			in = add(in, e)
		case kin(of, e.From) && !kin(of, e.To):
			out = add(out, e)
		}
	}
	return in, out
}

// asking says how much of the genealogy of what is asked about is looked at.
type asking struct {
	onward bool // everything that it went into is asked about too
	deep   bool // and everything that any of it came from
	bare   bool // what things are made of does not matter
}

// fold folds some things under the cut, and what of that which flowed into them is not as it was then in the book as it stands.
func (p *Past) fold(ctx context.Context, codes []events.Code, how asking) (*workshop.Set, *gathering, error) {
	g := &gathering{
		p: p, bare: how.bare, deep: how.deep, of: map[events.Code]bool{}, recorded: map[int64]events.Recorded{}, trees: map[uuid.UUID]bool{},
		held: map[events.Code]bool{},
	}
	for _, code := range codes {
		g.of[code.Whole()] = g.of[code.Whole()] || how.onward
	}
	if p.cut.Known == 0 || len(codes) == 0 {
		return workshop.NewPast(codes, nil, workshop.NewOutside()), g, nil
	}
	if err := g.gather(ctx); err != nil {
		return nil, nil, fmt.Errorf("gather the past: %w", err)
	}
	outside, err := g.outside(ctx)
	if err != nil {
		return nil, nil, err
	}
	recorded := slices.SortedFunc(maps.Values(g.recorded), func(a, b events.Recorded) int { return cmp.Compare(a.Position, b.Position) })
	set := workshop.NewPast(slices.Collect(maps.Keys(g.of)), recorded, outside)
	return set, g, wrap(set.FoldPast(p.cut, p.defs, recorded), "fold the past")
}

// gathering is events of the log on their way into a fold of the past.
type gathering struct {
	p         *Past
	bare      bool
	deep      bool                 // nothing is left outside that anything flowed from
	of        map[events.Code]bool // wholes; true: and everything that they went into
	otherwise map[events.Code]bool // wholes that are not as they were in the book as it stands
	held      map[events.Code]bool // wholes: whether anything ever held them
	recorded  map[int64]events.Recorded
	trees     map[uuid.UUID]bool // corrections of which the command that they correct was read
}

// gather reads everything that concerns the wholes, then of what they turn out to rest on, and so on: a question or two for
// each step in the genealogy.
func (g *gathering) gather(ctx context.Context) (err error) {
	if g.otherwise, err = g.p.otherwise(ctx); err != nil {
		return err
	}
	for frontier := slices.Collect(maps.Keys(g.of)); len(frontier) > 0; {
		fresh, err := g.histories(ctx, frontier)
		if err != nil {
			return err
		}
		if err := g.commands(ctx, fresh); err != nil {
			return err
		}
		if frontier, err = g.reached(ctx); err != nil {
			return err
		}
		if len(frontier) == 0 && !g.bare && !g.deep && g.relabelled() {
			g.deep = true
			if frontier, err = g.reached(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// relabelled says whether what ingredients contain was defined otherwise while what is folded happened. What things contain
// then depends on when it was worked out last, and that may be when something was written down late of what they came from.
func (g *gathering) relabelled() bool {
	if len(g.recorded) == 0 {
		return false
	}
	return g.p.defs.RelabelledBetween(slices.Min(slices.Collect(maps.Keys(g.recorded))), g.p.cut.Known)
}

// reached takes in what the wholes rest on, and gives those that are new.
func (g *gathering) reached(ctx context.Context) ([]events.Code, error) {
	var fresh []events.Code
	take := func(code events.Code, onward bool) {
		if _, has := g.of[code]; !has {
			fresh = append(fresh, code)
		}
		g.of[code] = g.of[code] || onward
	}
	flows := g.flowing()
	var unknown []events.Code
	for _, f := range flows {
		if _, known := g.held[f.To]; f.By == workshop.FlowHolds && !known {
			g.held[f.To] = false
			unknown = append(unknown, f.To)
		}
	}
	if len(unknown) > 0 {
		if err := g.heldEver(ctx, unknown); err != nil {
			return nil, err
		}
	}
	for changed := true; changed; {
		changed = false
		for _, f := range flows {
			onward, from := g.of[f.From]
			if on, to := g.of[f.To]; onward && (!to || !on) {
				take(f.To, true)
				changed = true
			}
			if _, to := g.of[f.To]; to && !from && g.restsOn(f.Flow) {
				take(f.From, false)
				changed = true
			}
		}
	}
	return fresh, nil
}

// restsOn says whether what something flowed from is to be folded for what it flowed into.
func (g *gathering) restsOn(f workshop.Flow) bool {
	switch {
	case g.deep, f.By == workshop.FlowAll:
		return true
	case f.By == workshop.FlowHolds && (g.otherwise[f.To] || g.held[f.To]):
		return true
	default:
		return g.otherwise[f.From] && !(g.bare && f.By == workshop.FlowMixes)
	}
}

// flowing is a flow, and where in the log it may stand.
type flowing struct {
	workshop.Flow
	positions []int64
}

// flowing lists what flowed into what under the cut, by whatever was written and whatever counts.
func (g *gathering) flowing() []flowing {
	var flows []flowing
	note := func(r events.Recorded, positions []int64) {
		if r.OccurredAt.After(g.p.cut.At) {
			return
		}
		for _, f := range workshop.Flows(r.Data) {
			flows = append(flows, flowing{Flow: f, positions: positions})
		}
	}
	var everywhere []int64
	for _, r := range g.recorded {
		corrected, is := r.Data.(events.CommandCorrected)
		if !is {
			note(r, []int64{r.Position})
			continue
		}
		if everywhere == nil { // it counts where the command stands that it corrects, or what that corrects
			everywhere = slices.Collect(maps.Keys(g.recorded))
		}
		for _, e := range corrected.Events {
			note(e.Recorded(r), everywhere)
		}
	}
	return flows
}

// histories reads every event that concerns some wholes, and gives those that are new.
func (g *gathering) histories(ctx context.Context, wholes []events.Code) ([]events.Recorded, error) {
	low, high := ranges(wholes)
	known := slices.Collect(maps.Keys(g.recorded))
	if known == nil {
		known = []int64{}
	}
	fresh, err := collect(ctx, g.p.q, scanRecorded, "read what concerned things", pastHistory, low, high, g.p.cut.Known, known)
	for _, r := range fresh {
		g.recorded[r.Position] = r
	}
	return fresh, err
}

// commands reads the commands in whose places corrections count that are among some events, and every correction of them.
func (g *gathering) commands(ctx context.Context, fresh []events.Recorded) error {
	b := &pgx.Batch{}
	for _, r := range fresh {
		if _, is := r.Data.(events.CommandCorrected); !is || g.trees[r.ID] {
			continue
		}
		g.trees[r.ID] = true
		b.Queue(loadCommand, uuidOf(r.ID)).Query(func(rows pgx.Rows) error {
			told, err := scanTold(rows)
			for _, r := range slices.Concat(told.Root, told.Corrections) {
				if r.Position <= g.p.cut.Known {
					g.recorded[r.Position] = r
				}
			}
			for _, r := range told.Corrections {
				g.trees[r.ID] = true
			}
			return err
		})
	}
	return wrap(g.p.q.SendBatch(ctx, b).Close(), "read what was corrected")
}
