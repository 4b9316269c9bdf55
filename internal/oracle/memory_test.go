package oracle_test

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/oracle"
	"firstout/internal/workshop"
)

// memory is the product without a database: every command is decided on one working set that holds the whole book,
// and what was decided is merged into it.
type memory struct {
	set        *workshop.Set
	now        time.Time
	position   int64
	ids        uint64
	holds      []uuid.UUID
	deviations []uuid.UUID
	edges      []workshop.Edge
	sold       map[string]*workshop.Demand // by place and design
}

func newMemory() *memory {
	p := &memory{set: workshop.NewSet(&workshop.Definitions{}, true), now: start.Add(-time.Hour), sold: map[string]*workshop.Demand{}}
	for _, d := range defines() {
		if _, refusal := p.carry(d); refusal != nil {
			panic(fmt.Sprintf("%s: %s", d.Slug, refusal))
		}
	}
	p.now = start
	return p
}

// defines is the catalogue in the product's words.
func defines() (all []workshop.Define) {
	def := func(slug string, body any) { all = append(all, workshop.Define{Slug: slug, Body: body}) }
	for _, s := range oracle.Sites {
		def(s.Slug, events.Site{Name: s.Slug, TimeZone: s.Zone, Currency: s.Currency, Handles: s.Handles})
	}
	for _, p := range oracle.Places {
		def(p.Slug, events.Place{Name: p.Slug, Site: p.Site, Storage: p.Storage, Sells: p.Sells})
	}
	for _, s := range oracle.Suppliers {
		def(s, workshop.Supplier{Name: s})
	}
	for _, i := range oracle.Ingredients {
		body := events.Ingredient{Name: i.Slug, Kind: i.Kind, Storage: i.Storage, Chocolate: i.Chocolate, MayContain: i.MayContain}
		if i.Allergens != nil {
			body.Allergens = &i.Allergens
		}
		if i.OpenLife > 0 {
			body.OpenLifeDays = &i.OpenLife
		}
		def(i.Slug, body)
	}
	for _, f := range oracle.Formulas {
		body := events.Formula{Name: f.Slug, Storage: "cool", Assessment: &events.Assessment{
			Document: "LAB-1", By: "Example Food Lab", On: day(oracle.Date(2026, time.September, 1)), Kind: "study",
			DateKind: f.DateKind, Days: map[string]int{"cool": f.Days},
		}}
		if f.Releases {
			body.Assessment.Releases, body.Assessment.Requires = []string{"ingredient_use_by", "opened_ingredient"}, &events.HeatStep{Boiled: true}
		}
		if f.ShopDays > 0 {
			body.ShopLimitDays = map[string]int{"cool": f.ShopDays}
		}
		for _, in := range f.Inputs {
			body.Inputs = append(body.Inputs, events.FormulaInput{Ingredient: in.Ingredient, Quantity: events.Mass(in.Mass), Heated: in.Heated})
		}
		def(f.Slug, body)
	}
	for _, v := range oracle.Vats {
		def(v.Slug, events.Vat{Name: v.Slug, Chocolate: v.Chocolate, Site: v.Site, Capacity: events.Mass(v.Capacity)})
	}
	def(oracle.Mould, events.Mould{Name: oracle.Mould, Cavities: oracle.Cavities})
	for _, d := range oracle.Designs {
		body := events.Design{Name: d.Slug, Chocolate: d.Chocolate, Shell: events.Mass(d.Shell), Cap: events.Mass(d.Cap), PriceMinor: &d.Price}
		if d.Filling > 0 {
			body.Fillings = []events.DesignFilling{{Formula: d.Formula, Ingredient: d.Ingredient, Quantity: events.Mass(d.Filling)}}
		}
		def(d.Slug, body)
	}
	return all
}

func day(d oracle.Day) civil.Day {
	parsed, err := civil.ParseDay(d.String())
	if err != nil {
		panic(err)
	}
	return parsed
}

func (p *memory) newID() uuid.UUID {
	p.ids++
	var id uuid.UUID
	binary.BigEndian.PutUint64(id[:8], uint64(p.now.UnixMilli())<<16)
	binary.BigEndian.PutUint64(id[8:], p.ids)
	id[6], id[8] = 0x70, 0x80
	return id
}

// carry decides a command and keeps what came of it.
func (p *memory) carry(cmd workshop.Command) (any, *workshop.Refusal) {
	by := workshop.Actor{ID: "owner", Roles: []string{"owner"}}
	return p.carryAs(cmd, by)
}

func (p *memory) carryAs(cmd workshop.Command, by workshop.Actor) (any, *workshop.Refusal) {
	out, err := workshop.Carry(p.set, cmd, by, "key", workshop.Clock{Now: p.now, Next: p.position + 1, NewID: p.newID})
	if err != nil {
		panic(err)
	}
	if out.Refusal != nil {
		return nil, out.Refusal
	}
	out.Set.Merge()
	p.position += int64(len(out.Recorded))
	for _, r := range out.Recorded {
		switch e := r.Data.(type) {
		case events.HoldPlaced:
			p.holds = append(p.holds, r.ID)
		case events.DeviationOpened:
			p.deviations = append(p.deviations, r.ID)
		case events.PiecesSold:
			p.noteSale(e, r.OccurredAt)
		}
	}
	p.edges = append(p.edges, p.set.Edges...)
	p.set.Edges = nil
	return out.Answer, nil
}

func (p *memory) noteSale(e events.PiecesSold, at time.Time) {
	for _, l := range e.Lines {
		key := e.Place + " " + l.Design
		d := p.sold[key]
		if d == nil {
			d = &workshop.Demand{Sold: map[civil.Day]int{}}
			p.sold[key] = d
		}
		on := civil.DayOf(at, p.set.Defs.Zone(p.set.Defs.Places.Latest(e.Place).Body.Site))
		if d.First.IsZero() || on.Before(d.First) {
			d.First = on
		}
		for _, a := range l.Allocations {
			d.Sold[on] += a.Pieces
		}
	}
}

// downstream answers, as the database would, what each thing went into.
func (p *memory) downstream() {
	from := map[events.Code][]workshop.Edge{}
	for _, e := range p.edges {
		from[e.From] = append(from[e.From], e)
	}
	clear(p.set.Downstream)
	for root, edges := range from {
		var reached []events.Code
		met := map[workshop.OpKey]bool{}
		for pending := slices.Clone(edges); len(pending) > 0; {
			in := pending[len(pending)-1]
			pending = pending[:len(pending)-1]
			key := workshop.OpKey{Position: in.Position, Number: in.Number}
			if met[key] {
				continue
			}
			met[key] = true
			if in.To != root {
				reached = append(reached, in.To)
			}
			for _, out := range from[in.To] {
				if leadsOn(in, out) {
					pending = append(pending, out)
				}
			}
		}
		slices.SortFunc(reached, events.Code.Compare)
		p.set.Downstream[root] = slices.Compact(reached)
	}
}

// leadsOn says that what came into a thing by one edge is in what left it by another: out of a tank what was in it by then;
// out of anything else what was in it by then or was written down before, and in boxes whatever their pieces have. Shells
// that are melted again (with a mass) are what they were cast of.
func leadsOn(in, out workshop.Edge) bool {
	written := cmp.Or(cmp.Compare(in.Position, out.Position), cmp.Compare(in.Number, out.Number))
	switch kind := out.From.Kind(); {
	case kind == events.KindRun && out.To.Kind() == events.KindCharge && out.Mass > 0 && in.From.Kind() != events.KindCharge:
		return false
	case cmp.Or(in.OccurredAt.Compare(out.OccurredAt), written) < 0:
		return true
	default:
		return kind != events.KindCharge && (written < 0 || out.To.Kind() == events.KindBox)
	}
}

func (p *memory) Do(c oracle.Command) (string, oracle.Facts) {
	if c.Kind == oracle.Clock {
		p.now = p.now.Add(c.Wait)
		return "", nil
	}
	if slices.ContainsFunc(codesOf(c), func(code string) bool {
		_, err := events.ParseCode(code)
		return err != nil
	}) {
		return "mistyped-code", nil
	}
	if c.Done || c.Kind == oracle.Hold || c.Kind == oracle.Decide {
		p.downstream()
	}
	by := workshop.Actor{ID: "owner", Roles: []string{"owner"}}
	if c.Maker {
		by = workshop.Actor{ID: "maker", Roles: []string{"maker"}}
	}
	answer, refusal := p.carryAs(p.command(c), by)
	if refusal != nil {
		return string(refusal.Slug), nil
	}
	return "", p.said(answer)
}

func codesOf(c oracle.Command) (codes []string) {
	codes = append(codes, c.Code)
	for _, d := range c.Draws {
		codes = append(codes, d.Source)
	}
	for _, l := range c.Lines {
		codes = append(codes, l.Code)
	}
	for _, f := range c.Fills {
		codes = append(codes, f.Source)
	}
	return slices.DeleteFunc(codes, func(code string) bool { return code == "" })
}

func unlessZero(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func weighed(mg int64) *events.Mass {
	if mg < 0 {
		return nil
	}
	mass := events.Mass(mg)
	return &mass
}

func drawLines(draws []oracle.Draw) (lines []workshop.DrawLine) {
	for _, d := range draws {
		lines = append(lines, workshop.DrawLine{Source: events.Code(d.Source), Place: d.Place, Quantity: events.Mass(d.Mass)})
	}
	return lines
}

func pieceLines(lines []oracle.Line) (all []workshop.PieceLine) {
	for _, l := range lines {
		all = append(all, workshop.PieceLine{Design: l.Design, Code: events.Code(l.Code), Pieces: l.Pieces})
	}
	return all
}

func handledLines(lines []oracle.Line) (all []workshop.HandledLine) {
	for _, l := range lines {
		all = append(all, workshop.HandledLine{Code: events.Code(l.Code), Pieces: l.Pieces, Quantity: events.Mass(l.Mass)})
	}
	return all
}

// command puts a command into the product's words.
func (p *memory) command(c oracle.Command) workshop.Command {
	done := workshop.Done{OccurredAt: unlessZero(c.At), AlreadyDone: c.Done}
	code := events.Code(c.Code)
	switch c.Kind {
	case oracle.Receive:
		r := workshop.Receive{
			Done: done, Ingredient: c.Name, Supplier: oracle.Suppliers[0], SupplierLot: c.SupplierLot, Quantity: events.Mass(c.Amount),
			DateMark: events.DateMark{Kind: c.MarkKind}, Place: c.Place,
		}
		if c.Mark != oracle.NoDay {
			on := day(c.Mark)
			r.DateMark.Date = &on
		}
		if c.Allergens != nil {
			r.Allergens = &c.Allergens
		}
		return r
	case oracle.Open:
		return workshop.Open{Done: done, Lot: code, Place: c.Place, Quantity: events.Mass(c.Amount)}
	case oracle.Melt:
		return workshop.Melt{Done: done, Vat: c.Vat, Inputs: drawLines(c.Draws)}
	case oracle.Empty:
		return workshop.Empty{Done: done, Vat: c.Vat, Cleaned: c.Flag, Rest: "discard"}
	case oracle.Ganache:
		g := workshop.MakeGanache{Done: done, Formula: c.Name, Inputs: drawLines(c.Draws), Place: c.Place, HeatStep: &events.HeatStep{Boiled: c.Boiled}}
		if c.Amount > 0 {
			g.Yield = weighed(c.Amount)
		}
		return g
	case oracle.Run, oracle.Work:
		return moulding(c, done)
	case oracle.Release:
		return workshop.Release{Done: done, Run: code, Pieces: c.Pieces, Place: c.Place}
	case oracle.Sell:
		return workshop.Sell{Done: done, Place: c.Place, Lines: pieceLines(c.Lines), Channel: c.Channel}
	case oracle.Give:
		return workshop.Give{Done: done, Place: c.Place, Lines: pieceLines(c.Lines)}
	case oracle.Discard:
		return workshop.Discard{Done: done, Place: c.Place, Lines: handledLines(c.Lines), Reason: "damaged", Destination: "refuse"}
	case oracle.Move:
		return workshop.Move{Done: done, From: c.Place, To: c.To, Lines: handledLines(c.Lines)}
	case oracle.Count:
		return workshop.Count{Done: done, Place: c.Place, Lines: handledLines(c.Lines), Complete: c.Flag, Reason: "evening count"}
	case oracle.Hold:
		return workshop.PlaceHold{Done: done, Code: code, Downstream: c.Flag, Reason: "supplier called"}
	case oracle.Lift:
		return workshop.LiftHold{Done: done, Hold: p.holds[c.Nth-1], Reason: "cleared"}
	case oracle.Check:
		result := "pass"
		if c.Flag {
			result = "fail"
		}
		return workshop.Check{Done: done, Code: code, Kind: c.Word, Result: result}
	case oracle.Decide:
		return workshop.DecideDeviation{Done: done, Deviation: p.deviations[c.Nth-1], Decision: c.Word, Reason: "looked at"}
	}
	panic(c.Kind)
}

func moulding(c oracle.Command, done workshop.Done) workshop.MakeRun {
	r := workshop.MakeRun{Done: done, Run: events.Code(c.Code), Design: c.Name, Moulds: c.Moulds, Place: c.Place}
	if c.Kind == oracle.Run {
		r.Mould = oracle.Mould
	}
	step := func(s *oracle.Step) *workshop.ChocolateStep {
		if s == nil {
			return nil
		}
		return &workshop.ChocolateStep{Vat: s.Vat, Drawn: weighed(s.Drawn), Returned: weighed(s.Returned), OccurredAt: unlessZero(s.At)}
	}
	r.Casting, r.Capping = step(c.Cast), step(c.Cap)
	for _, f := range c.Fills {
		r.Filling = append(r.Filling, workshop.FillingStep{
			Source: events.Code(f.Source), Place: f.Place, Quantity: weighed(f.Mass), OccurredAt: unlessZero(f.At),
		})
	}
	if o := c.Out; o != nil {
		r.TurnedOut = &workshop.TurnOut{Good: o.Good, Broken: o.Broken, LeftInMould: o.Left, Place: o.Place, OccurredAt: unlessZero(o.At)}
	}
	return r
}

// dates writes an expiry as it is compared.
func dates(e events.Expiry) string {
	discard, date, useBy := "never", "none", "none"
	if e.DiscardBy != nil {
		discard = e.DiscardBy.UTC().Format(time.RFC3339)
	}
	if e.Date != nil {
		date = e.Date.String()
	}
	if e.UseBy != nil {
		useBy = e.UseBy.String()
	}
	return fmt.Sprintf("%s %s by %s, use by %s, discard by %s", e.Kind, date, e.Binds, useBy, discard)
}

// said picks the main facts out of an answer.
func (p *memory) said(answer any) (f oracle.Facts) {
	switch a := answer.(type) {
	case *workshop.Lot:
		f.Say("code", "%s", a.Code)
		if a.Of != "" {
			f.Say("date", "%s", dateOf(a.Expiry.Date))
		}
	case workshop.Melted:
		f.Say("charge", "%s", a.Charge.Code)
		f.Measure("quantity", float64(a.Charge.Mix.Total()), 0)
	case workshop.Emptied:
		f.Say("charge", "%s", a.Event.Charge)
		if a.NextCharge != "" {
			f.Say("next", "%s", a.NextCharge)
		}
	case workshop.GanacheAnswer:
		f.Say("code", "%s", a.Ganache.Code)
		f.Say("date", "%s", dates(a.Ganache.Expiry))
		off := 0
		for _, d := range a.Deviations {
			if d.Rule == "off_formula" {
				off++
			}
		}
		f.Measure("deviations", float64(off), 0)
	case workshop.RunAnswer:
		f.Say("code", "%s", a.Run.Code)
		f.Say("state", "%s", a.Run.State)
		f.Say("date", "%s", dates(a.Run.Expiry))
	case workshop.Released:
		f.Measure("released", float64(a.Pieces), 0)
		f.Say("date", "%s", dates(a.Expiry))
	case workshop.Sold:
		n := 0
		for i, l := range a.Lines {
			for _, al := range l.Allocations {
				f.Say(fmt.Sprintf("line %02d.%02d", i, n), "%s %d %s", al.Code, al.Pieces, al.How)
				n++
			}
		}
	case workshop.HoldAnswer:
		if a.Hold.LiftedAt == nil {
			f.Say("held", "%v", texts(a.Hold.Codes))
		}
	}
	return f
}

func dateOf(d *civil.Day) string {
	if d == nil {
		return "none"
	}
	return d.String()
}

func texts(codes []events.Code) (all []string) {
	codes = slices.Clone(codes)
	slices.SortFunc(codes, events.Code.Compare)
	for _, code := range slices.Compact(codes) {
		all = append(all, string(code))
	}
	return all
}

func (p *memory) Look() (f oracle.Facts) {
	for _, l := range p.set.Stock.Dirty() {
		if l.Amount != 0 {
			oracle.SayStock(&f, string(l.Code), l.Place, !l.Unreleased, l.Amount, l.Held, dateOf(l.Dates.Date))
		}
	}
	for code, lot := range p.set.Lots.Dirty() {
		f.Say("date "+string(code), "%s", dates(lot.Expiry))
	}
	for code, charge := range p.set.Charges.Dirty() {
		sayMix(&f, code, charge.Mix)
	}
	for code, ganache := range p.set.Ganaches.Dirty() {
		f.Say("date "+string(code), "%s", dates(ganache.Expiry))
		sayMix(&f, code, ganache.Mix)
	}
	for code, run := range p.set.Runs.Dirty() {
		f.Say("date "+string(code), "%s", dates(run.Expiry))
		f.Say("run "+string(code), "%s, good %d, released %d", run.State, run.Good, run.Released)
		sayMix(&f, code, run.Mix)
		oracle.SayAllergens(&f, string(code), run.Allergens.Contains, run.Allergens.MayContain, len(run.Allergens.Unknown) > 0)
	}
	p.sayCare(&f)
	for _, place := range oracle.Places {
		if place.Sells {
			p.sayBoard(&f, place.Slug)
			for _, d := range oracle.Designs {
				p.sayPick(&f, place.Slug, d.Slug, 0)
				p.sayPick(&f, place.Slug, d.Slug, 3)
			}
		}
	}
	return f
}

func sayMix(f *oracle.Facts, code events.Code, mix workshop.Mix) {
	for _, share := range workshop.SharesOf(mix, workshop.DefaultTrace) {
		certainty := oracle.MayContain
		if share.Certain {
			certainty = oracle.Contains
		}
		lot := string(share.Lot)
		if lot == "" {
			lot = "?"
		}
		*f = append(*f, oracle.Fact{Name: "mix " + string(code) + " " + lot, Text: certainty, Number: share.Share})
	}
}

func (p *memory) sayCare(f *oracle.Facts) {
	for i, id := range p.holds {
		h := p.set.Hold(id)
		f.Say(fmt.Sprintf("hold %03d", i+1), "of %s, lifted %t, takes in %v", h.Code, h.LiftedAt != nil, oracle.SortedCodes(texts(h.Codes)))
	}
	for i, id := range p.deviations {
		d := p.set.Deviation(id)
		decision := ""
		if d.Decision != nil {
			decision = d.Decision.Decision
		}
		f.Say(fmt.Sprintf("deviation %03d", i+1), "of %s, %s, %s, decided %q", d.Code, d.Concern, d.Rule, decision)
	}
}

func (p *memory) sayBoard(f *oracle.Facts, place string) {
	zone := p.set.Defs.Zone(p.set.Defs.Places.Latest(place).Body.Site)
	today := civil.DayOf(p.now, zone)
	var stock []workshop.BoardStock
	for _, l := range p.set.Stock.Dirty() {
		if l.Place == place && l.Grade == "first" && !l.Unreleased && l.Amount > 0 {
			stock = append(stock, workshop.BoardStock{Code: l.Code, Design: l.Subject, Grade: l.Grade, Pieces: int(l.Amount), Held: l.Held, Dates: l.Dates})
		}
	}
	demand := map[string]workshop.Demand{}
	for key, d := range p.sold {
		if design, here := strings.CutPrefix(key, place+" "); here {
			demand[design] = *d
		}
	}
	board := workshop.SortBoard(stock, demand, today, p.now, today, zone)
	var lines []oracle.BoardLine
	for i, group := range [][]workshop.BoardLine{board.WithdrawNow, board.SellToday, board.SellNext, board.InGoodTime} {
		for _, l := range group {
			line := oracle.BoardLine{Group: oracle.Groups[i], Code: string(l.Code), Pieces: int64(l.Pieces), MustGo: int64(l.MustGoToday), Date: dateOf(l.Dates.Date)}
			if l.DaysLeft != nil {
				line.DaysLeft = *l.DaysLeft
			}
			lines = append(lines, line)
		}
	}
	oracle.SayBoard(f, place, lines)
}

func (p *memory) sayPick(f *oracle.Facts, place, design string, daysLeft int) {
	picked, missing := workshop.Pick(p.set.OpenAt(place, design), oracle.PickWanted, func(l *workshop.StockLine) int {
		today := civil.DayOf(p.now, p.set.Defs.Zone(l.Site))
		if l.Held || l.Unreleased || l.Dates.PastAt(p.now) || daysLeft > 0 && (l.Dates.Date == nil || l.Dates.Date.Sub(today) < daysLeft) {
			return 0
		}
		return int(l.Amount)
	})
	var lines []string
	for _, l := range picked {
		lines = append(lines, fmt.Sprintf("%s %d", l.Line.Code, l.Amount))
	}
	oracle.SayPick(f, place, design, daysLeft, lines, int64(missing))
}
