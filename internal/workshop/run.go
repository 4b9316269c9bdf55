package workshop

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"firstout/internal/events"
)

// ChocolateStep is chocolate cast or capped: from which vat, how much was drawn and scraped back, how warm. What
// was not weighed is taken from the design.
type ChocolateStep struct {
	Vat          string
	Drawn        *events.Mass
	Returned     *events.Mass
	TemperatureC *float64
	OccurredAt   *time.Time
}

// FillingStep is one source piped into the shells.
type FillingStep struct {
	Source       events.Code
	Place        string
	Quantity     *events.Mass
	TemperatureC *float64
	OccurredAt   *time.Time
}

// DecorationStep is colours or toppings put on at one stage. A quantity of nothing is taken from the design.
type DecorationStep struct {
	Stage      string
	Inputs     []DecorationInput
	OccurredAt *time.Time
}

// DecorationInput is one source of a decoration.
type DecorationInput struct {
	Source   events.Code
	Place    string
	Quantity *events.Mass
}

// TurnOut is what came out of the moulds.
type TurnOut struct {
	Good, Seconds, Broken, Unfilled, Eaten, LeftInMould int
	BrokenTo                                            string
	UnfilledTo                                          string // a vat
	Place                                               string // "": the run's
	OccurredAt                                          *time.Time
}

// MakeRun records a moulding: a new run when Design is given, else a step of Run. Every step is optional.
type MakeRun struct {
	Done
	Run         events.Code
	Design      string
	Mould       string
	Moulds      int
	Place       string
	Casting     *ChocolateStep
	Filling     []FillingStep
	Decorations []DecorationStep
	Capping     *ChocolateStep
	TurnedOut   *TurnOut
}

// RunAnswer is the answer: the run as it stands, and the deviations that this command opened.
type RunAnswer struct {
	Run        *Run
	Deviations []*Deviation
}

// Needs is the run, the vats and the sources.
func (c MakeRun) Needs() []Need {
	var needs []Need
	if c.Run != "" {
		needs = append(needs, NeedThing(c.Run))
	}
	for _, step := range []*ChocolateStep{c.Casting, c.Capping} {
		if step != nil && step.Vat != "" {
			needs = append(needs, NeedVat(step.Vat))
		}
	}
	for _, f := range c.Filling {
		needs = append(needs, NeedThing(f.Source))
	}
	for _, deco := range c.Decorations {
		for _, input := range deco.Inputs {
			needs = append(needs, NeedThing(input.Source))
		}
	}
	return needs
}

// moulding is a run being worked on by one command.
type moulding struct {
	d       *Desk
	c       MakeRun
	code    events.Code
	start   *events.RunStart // said by the next event, if no event of the run said it yet
	what    events.RunStart
	design  events.Design
	state   string     // as the steps so far leave it, those included that are refused
	stepAt  *time.Time // of the last step so far, those included that are refused
	rs      refusals   // of the step being looked at
	refused refusals   // of the steps before: once there is one, steps are looked at and no longer written
	broken  []string   // the rules that steps broke
}

// Decide writes the steps in the order in which they are done at the bench. What stands in the way of any of them is
// weighed together.
func (c MakeRun) Decide(d *Desk) (any, *Refusal) {
	m := &moulding{d: d, c: c}
	if refusal := m.begin(); refusal != nil {
		return nil, refusal
	}
	m.work()
	if refusal := m.refused.first(); refusal != nil {
		return nil, refusal
	}
	if m.start != nil {
		m.writeStart()
	}
	d.openBroken(m.broken, []events.Code{m.code}, []events.Code{m.code})
	answer := RunAnswer{Run: d.Set.Run(m.code)}
	for _, r := range d.recorded {
		if _, opened := r.Data.(events.DeviationOpened); opened {
			answer.Deviations = append(answer.Deviations, d.Set.Deviation(r.ID))
		}
	}
	return answer, nil
}

func (m *moulding) work() {
	for _, step := range m.c.Decorations {
		if step.Stage == StageBeforeCasting {
			m.decorate(step)
		}
	}
	if m.c.Casting != nil {
		m.cast(*m.c.Casting)
	}
	for _, step := range m.c.Filling {
		m.fill(step)
	}
	if m.c.Capping != nil {
		m.cap(*m.c.Capping)
	}
	for _, step := range m.c.Decorations {
		if step.Stage != StageBeforeCasting {
			m.decorate(step)
		}
	}
	if m.c.TurnedOut != nil {
		m.turnOut(*m.c.TurnedOut)
	}
}

// StageBeforeCasting and StageAfterCapping are when a decoration is put on.
const (
	StageBeforeCasting = "before_casting"
	StageAfterCapping  = "after_capping"
)

func (m *moulding) begin() *Refusal {
	if m.c.Run != "" {
		return m.goOn()
	}
	d, c := m.d, m.c
	d.place(c.Place, &m.rs)
	d.happened(c.Done, &m.rs)
	design := d.Set.Defs.Designs.InForce(c.Design, d.At)
	if design == nil {
		m.rs.unknown("design", c.Design)
	}
	mould := d.Set.Defs.Moulds.InForce(c.Mould, d.At)
	if mould == nil {
		m.rs.unknown("mould", c.Mould)
	}
	if design == nil || mould == nil {
		return m.rs.first()
	}
	m.refused, m.rs = m.rs, nil
	m.design = design.Body
	m.what = events.RunStart{
		Design: c.Design, DesignVersion: design.Number, Mould: c.Mould, MouldVersion: mould.Number, Moulds: c.Moulds,
		Cavities: c.Moulds * mould.Body.Cavities, Place: c.Place,
	}
	m.start, m.state = &m.what, StateStarted
	m.code = d.newCode(events.KindRun, d.At, d.site)
	return nil
}

// goOn takes up a run that an earlier command began.
func (m *moulding) goOn() *Refusal {
	d, c := m.d, m.c
	if c.Run.Kind() != events.KindRun || c.Run.IsPart() {
		m.rs = append(m.rs, inURL(wrongKind(c.Run, "a run")))
		c.checkNames(d, &m.rs)
		return m.rs.first()
	}
	run := d.Set.Run(c.Run)
	if run == nil || d.isHidden(c.Run) {
		return inURL(unknownThing(c.Run))
	}
	d.atSite(run.Site, &m.rs)
	d.happened(c.Done, &m.rs)
	d.existed(c.Run, run.At, d.At, &m.rs)
	if design := d.Set.Defs.Designs.Numbered(run.Design, run.DesignVersion); design != nil {
		m.design = design.Body
	}
	m.code, m.what, m.state, m.stepAt = c.Run, run.RunStart, run.State, run.StepAt
	m.refused, m.rs = m.rs, nil
	return nil
}

// checkNames notes what the steps name that is not in the book.
func (c MakeRun) checkNames(d *Desk, rs *refusals) {
	known := func(source events.Code, place string) {
		if !d.knows(source) {
			rs.unknownCode(source)
		}
		d.knownPlace(place, rs)
	}
	for _, step := range []*ChocolateStep{c.Casting, c.Capping} {
		if step != nil {
			d.knownVat(step.Vat, rs)
		}
	}
	for _, f := range c.Filling {
		known(f.Source, f.Place)
	}
	for _, deco := range c.Decorations {
		for _, input := range deco.Inputs {
			known(input.Source, input.Place)
		}
	}
	if out := c.TurnedOut; out != nil {
		d.knownPlace(out.Place, rs)
		d.knownVat(out.UnfilledTo, rs)
	}
}

// at is the time of a step: its own, which may be earlier than the command's but never later.
func (m *moulding) at(own *time.Time) time.Time {
	if own == nil {
		return m.d.At
	}
	at := own.UTC().Truncate(time.Microsecond)
	if at.After(m.d.At) {
		m.rs.add(RefusedInTheFuture, Facts{"occurred_at": at}, "A part of a run may be earlier than the run's time, never later.")
	}
	return at
}

// run is the run as it is written so far.
func (m *moulding) run() Run {
	if m.start != nil {
		return Run{Code: m.code, RunStart: m.what, Site: m.d.site, At: m.d.At, State: StateStarted}
	}
	return *m.d.Set.Run(m.code)
}

func (m *moulding) wrongState(format string, args ...any) {
	m.rs.add(RefusedWrongState, Facts{"run": m.code, "state": m.state}, format, args...)
}

// settle says which rules a step broke, and whether it is to be written.
func (m *moulding) settle() (broken []string, write bool) {
	broken, refusal := m.rs.settle(m.c.AlreadyDone)
	m.rs = nil
	if refusal != nil {
		m.refused = append(m.refused, refusal)
	}
	for _, rule := range broken {
		if !slices.Contains(m.broken, rule) {
			m.broken = append(m.broken, rule)
		}
	}
	return broken, len(m.refused) == 0
}

// takeStart gives the run's beginning to the first event of the run only. A run begins at the command's time: where
// its first step has an earlier time of its own, the beginning is an event of its own.
func (m *moulding) takeStart(at time.Time) *events.RunStart {
	if m.start != nil && at.Before(m.d.At) {
		m.writeStart()
	}
	start := m.start
	m.start = nil
	return start
}

func (m *moulding) writeStart() {
	run := m.run()
	m.d.record(m.d.At, m.d.site, events.RunStarted{Run: m.code, Start: m.what, Expiry: m.d.dateRun(&run)})
	m.start = nil
}

// chocolate checks a draw from a vat and fills in what was not weighed.
func (m *moulding) chocolate(step ChocolateStep, kind string, perPiece events.Mass, at time.Time) events.ChocolateDraw {
	d := m.d
	vat := d.Set.Defs.Vats.InForce(step.Vat, at)
	if vat == nil {
		m.rs.unknown("vat", step.Vat)
		return events.ChocolateDraw{}
	}
	d.ofSite(vat.Body.Site, &m.rs)
	draw := events.ChocolateDraw{Vat: step.Vat, Basis: "weighed"}
	assumed := perPiece.Times(m.what.Cavities)
	switch {
	case step.Drawn != nil && step.Returned != nil:
		draw.Drawn, draw.Returned = *step.Drawn, *step.Returned
	case step.Drawn != nil:
		draw.Drawn = *step.Drawn
	case step.Returned != nil:
		draw.Drawn, draw.Returned, draw.Basis = *step.Returned+assumed, *step.Returned, "assumed"
	default:
		draw.Drawn, draw.Basis = assumed, "assumed"
	}
	if draw.Returned > draw.Drawn {
		m.rs.add(RefusedWrongState, Facts{"drawn_g": draw.Drawn, "returned_g": draw.Returned},
			"%s g were scraped back of %s g drawn: more cannot come back than was drawn.", draw.Returned.Grams(), draw.Drawn.Grams())
	}
	if vat.Body.Chocolate != kind {
		m.rs.add(RefusedWrongChocolate, Facts{"vat": step.Vat, "chocolate": vat.Body.Chocolate, "design": kind},
			"%s holds %s chocolate and the piece is made of %s: name the right tank.", vat.Body.Name, vat.Body.Chocolate, kind)
	}
	charge := d.Set.chargeAt(step.Vat, at)
	if charge == nil {
		m.emptyVat(draw, vat.Body)
		return draw
	}
	draw.Charge = charge.Code
	m.checkCharge(draw, at)
	return draw
}

// emptyVat refuses a draw from a vat in which there was nothing since it was cleaned, also when it is done: there is no
// charge that it could have come from.
func (m *moulding) emptyVat(draw events.ChocolateDraw, vat events.Vat) {
	refusal := &Refusal{
		Slug: RefusedNotEnough, Facts: Facts{"wanted": draw.Drawn, "available": events.Mass(0), "unit": "g", "place": draw.Vat},
		Detail: vat.Name + " is empty: write down first what was melted.",
	}
	m.refused = append(m.refused, refusal)
}

func (m *moulding) checkCharge(draw events.ChocolateDraw, at time.Time) {
	charge := m.d.Set.Charge(draw.Charge)
	m.d.existed(charge.Code, charge.At, at, &m.rs)
	if charge.Held() {
		m.rs.add(RefusedOnHold, Facts{"code": charge.Code}, "%s in %s is on hold: have the hold lifted, or empty and clean the tank.", charge.Code, draw.Vat)
	}
	if has := m.d.availableIn(charge, at); has < draw.Drawn {
		m.rs.add(RefusedNotEnough, Facts{"wanted": draw.Drawn, "available": has, "unit": "g", "place": draw.Vat},
			"%s has %s g, not %s g.", draw.Vat, has.Grams(), draw.Drawn.Grams())
	}
}

func (m *moulding) cast(step ChocolateStep) {
	at := m.at(step.OccurredAt)
	m.inOrder(at)
	if m.state != StateStarted {
		m.wrongState("The shells of %s are cast already.", m.code)
	}
	draw := m.chocolate(step, m.design.Chocolate, m.design.Shell, at)
	m.state = StateCast
	broken, write := m.settle()
	if !write {
		return
	}
	m.coverVat(draw, at)
	run := m.run()
	run.Straight = append(run.Straight, m.d.Set.chargeInputs(draw.Charge, at, OpKey{})...)
	m.d.record(at, m.d.site, events.ShellsCast{
		Run: m.code, Start: m.takeStart(at), Draw: draw, TemperatureC: step.TemperatureC, Expiry: m.d.dateRun(&run), RuleBroken: broken,
	})
	m.tooWarm("casting", step.TemperatureC, m.d.workingBand(step.Vat), at)
}

func (m *moulding) cap(step ChocolateStep) {
	at := m.at(step.OccurredAt)
	m.inOrder(at)
	m.notClosed()
	draw := m.chocolate(step, cmp.Or(m.design.CapChocolate, m.design.Chocolate), m.design.Cap, at)
	m.state = StateCapped
	broken, write := m.settle()
	if !write {
		return
	}
	m.coverVat(draw, at)
	run := m.run()
	run.Straight = append(run.Straight, m.d.Set.chargeInputs(draw.Charge, at, OpKey{})...)
	m.d.record(at, m.d.site, events.MouldsCapped{
		Run: m.code, Draw: draw, TemperatureC: step.TemperatureC, Expiry: m.d.dateRun(&run), RuleBroken: broken,
	})
	m.tooWarm("capping", step.TemperatureC, m.d.workingBand(step.Vat), at)
}

// inOrder notes a step that is said to have been done before the step before it.
func (m *moulding) inOrder(at time.Time) {
	before := m.stepAt
	if before == nil || before.Before(at) {
		m.stepAt = &at
	}
	if before != nil && at.Before(*before) {
		m.wrongState("%s was %s at %s, after this: mend the time.", m.code, strings.ReplaceAll(m.state, "_", " "), before.In(m.d.zone(m.d.site)).Format("15:04 on 2 January"))
	}
}

// notClosed notes that there are no shells to fill or cap, or none that are open.
func (m *moulding) notClosed() {
	switch m.state {
	case StateStarted:
		m.wrongState("%s has no shells yet: cast them first.", m.code)
	case StateCapped, StateTurnedOut:
		m.wrongState("%s is capped already.", m.code)
	}
}

func (m *moulding) fill(step FillingStep) {
	at := m.at(step.OccurredAt)
	m.inOrder(at)
	m.notClosed()
	line := DrawLine{Source: step.Source, Place: step.Place, Basis: "weighed"}
	if step.Quantity != nil {
		line.Quantity = *step.Quantity
	} else {
		line.Quantity, line.Basis = m.fillingMass(step.Source), "assumed"
	}
	w := m.d.drawing()
	w.plan(line, at, &m.rs)
	m.state = StateFilled
	broken, write := m.settle()
	if !write {
		return
	}
	m.d.bookShortDraws(w, at)
	draws := w.open(at)
	run := m.run()
	for _, draw := range draws {
		if draw.Source.Kind() == events.KindGanache {
			run.Ganaches = append(run.Ganaches, draw.Source)
			run.FilledAt = run.FilledAt.with(draw.Source, at)
		} else {
			run.Straight = append(run.Straight, m.d.Set.filledSources(draw.Source, at, OpKey{})...)
		}
	}
	m.d.record(at, m.d.site, events.MouldsFilled{
		Run: m.code, Fillings: draws, TemperatureC: step.TemperatureC, Expiry: m.d.dateRun(&run), RuleBroken: broken,
	})
	m.tooWarm("piping", step.TemperatureC, m.pipingBand(step.Source), at)
}

// fillingMass is what the design says of the filling that a source is, for all cavities.
func (m *moulding) fillingMass(source events.Code) events.Mass {
	formula, ingredient := "", ""
	switch source.Kind() {
	case events.KindGanache:
		if g := m.d.Set.Ganache(source); g != nil {
			formula = g.Formula
		}
	case events.KindLot:
		if l := m.d.Set.Lot(source); l != nil {
			ingredient = l.Ingredient
		}
	default: // no design is filled with anything else
	}
	for _, f := range m.design.Fillings {
		if f.Formula == formula && f.Ingredient == ingredient {
			return f.Quantity.Times(m.what.Cavities)
		}
	}
	m.rs.add(RefusedWrongState, Facts{"code": source}, "%s is no filling of %s: say with quantity_g how much was piped.", source, m.what.Design)
	return 0
}

func (m *moulding) decorate(step DecorationStep) {
	at := m.at(step.OccurredAt)
	switch {
	case step.Stage == StageBeforeCasting && m.state != StateStarted:
		m.wrongState("The shells of %s are cast already: this decoration is put on before.", m.code)
	case step.Stage == StageAfterCapping && m.state != StateCapped && m.state != StateTurnedOut:
		m.wrongState("%s is not capped yet.", m.code)
	}
	w := m.d.drawing()
	for _, input := range step.Inputs {
		line := DrawLine{Source: input.Source, Place: input.Place, Basis: "weighed"}
		if input.Quantity != nil {
			line.Quantity = *input.Quantity
		} else {
			line.Quantity, line.Basis = m.decorationMass(input.Source, step.Stage), "assumed"
		}
		w.plan(line, at, &m.rs)
	}
	broken, write := m.settle()
	if !write {
		return
	}
	m.d.bookShortDraws(w, at)
	draws := w.open(at)
	run := m.run()
	for _, draw := range draws {
		run.Straight = append(run.Straight, m.d.Set.datedSources(draw.Source, at, OpKey{})...)
	}
	m.d.record(at, m.d.site, events.PiecesDecorated{
		Run: m.code, Start: m.takeStart(at), Stage: step.Stage, Inputs: draws, Expiry: m.d.dateRun(&run), RuleBroken: broken,
	})
}

func (m *moulding) decorationMass(source events.Code, stage string) events.Mass {
	if lot := m.d.Set.Lot(source); source.Kind() == events.KindLot && lot != nil {
		for _, deco := range m.design.Decorations {
			if deco.Ingredient == lot.Ingredient && deco.Stage == stage {
				return deco.Quantity.Times(m.what.Cavities)
			}
		}
	}
	m.rs.add(RefusedWrongState, Facts{"code": source}, "%s is no decoration of %s at that stage: say with quantity_g how much was used.", source, m.what.Design)
	return 0
}

func (m *moulding) turnOut(t TurnOut) {
	at := m.at(t.OccurredAt)
	m.inOrder(at)
	run := m.run()
	out := t.Good + t.Seconds + t.Broken + t.Unfilled + t.Eaten + t.LeftInMould
	switch {
	case m.state == StateStarted:
		m.wrongState("%s is not cast yet: nothing can be turned out.", m.code)
	case run.TurnedOut()+out > m.what.Cavities:
		m.rs.add(RefusedWrongState, Facts{"run": m.code, "cast": m.what.Cavities, "turned_out": run.TurnedOut() + out},
			"%d pieces would have come out of %d cavities cast: count again.", run.TurnedOut()+out, m.what.Cavities)
	}
	place := cmp.Or(t.Place, m.what.Place)
	if m.d.Set.Defs.Places.Latest(place) == nil {
		m.rs.unknown("place", place)
	}
	turned := events.PiecesTurnedOut{
		Run: m.code, Place: place, Good: t.Good, Seconds: t.Seconds, Broken: t.Broken, Unfilled: t.Unfilled,
		Eaten: t.Eaten, LeftInMould: t.LeftInMould, BrokenTo: t.BrokenTo,
	}
	if t.Broken > 0 {
		turned.BrokenTo = cmp.Or(t.BrokenTo, BrokenToBin)
	}
	m.d.knownVat(t.UnfilledTo, &m.rs)
	if t.UnfilledTo != "" && t.Unfilled > 0 {
		turned.UnfilledTo = m.shellsBack(t, run, at)
	}
	m.state = StateTurnedOut
	broken, write := m.settle()
	if !write {
		return
	}
	turned.RuleBroken = broken
	turned.PieceMass = run.Mix.Total() / events.Mass(max(1, run.Cavities))
	m.d.record(at, m.d.site, turned)
}

// shellsBack melts unfilled shells again, into a vat of their chocolate that has room for them.
func (m *moulding) shellsBack(t TurnOut, run Run, at time.Time) *events.ShellsToVat {
	vat := m.d.Set.Defs.Vats.InForce(t.UnfilledTo, at)
	if vat == nil {
		return nil
	}
	m.d.ofSite(vat.Body.Site, &m.rs)
	charge := m.d.Set.chargeAt(t.UnfilledTo, at)
	if charge == nil {
		m.rs.add(RefusedWrongState, Facts{"vat": t.UnfilledTo}, "The tank is empty: melt first, or keep the shells.")
		return nil
	}
	if vat.Body.Chocolate != m.design.Chocolate {
		m.rs.add(RefusedWrongChocolate, Facts{"vat": t.UnfilledTo, "chocolate": vat.Body.Chocolate, "design": m.design.Chocolate},
			"%s holds %s chocolate and the shells are %s: name the right tank.", vat.Body.Name, vat.Body.Chocolate, m.design.Chocolate)
	}
	back := (run.Shell / events.Mass(max(1, run.Cavities))).Times(t.Unfilled)
	_, most := m.d.Set.held(charge, at)
	if over := overCapacity(vat.Body, most+back); over != nil {
		m.rs = append(m.rs, over)
	}
	return &events.ShellsToVat{Vat: t.UnfilledTo, Charge: charge.Code, Quantity: back}
}

// coverVat books what a vat lacked for a draw that is done already; without already_done nothing is short here.
func (m *moulding) coverVat(draw events.ChocolateDraw, at time.Time) {
	if has := m.d.availableIn(m.d.Set.Charge(draw.Charge), at); has < draw.Drawn {
		m.d.found(draw.Vat, shortage{key: StockKey{Code: draw.Charge, Place: draw.Vat}, amount: int64(draw.Drawn - has)}, at)
	}
}

// The working temperatures of chocolate in °C (common practice, no source).
var workingC = map[string][2]float64{"dark": {30.5, 33}, "milk": {29, 32.5}, "white": {28, 31}}

func (d *Desk) workingBand(slug string) *events.Band {
	vat := d.Set.Defs.Vats.InForce(slug, d.At)
	if vat.Body.WorkingC != nil {
		return vat.Body.WorkingC
	}
	band := workingC[vat.Body.Chocolate]
	return &events.Band{Min: &band[0], Max: &band[1]}
}

func (m *moulding) pipingBand(source events.Code) *events.Band {
	if source.Kind() != events.KindGanache {
		return nil
	}
	ganache := m.d.Set.Ganache(source)
	if formula := m.d.Set.Defs.Formulas.Numbered(ganache.Formula, ganache.FormulaVersion); formula != nil && formula.Body.PipingCMax != nil {
		return &events.Band{Max: formula.Body.PipingCMax}
	}
	return nil
}

// tooWarm opens a quality deviation for a temperature outside its band.
func (m *moulding) tooWarm(step string, temperature *float64, band *events.Band, at time.Time) {
	if temperature == nil || band == nil || band.Holds(*temperature) {
		return
	}
	m.d.record(at, m.d.site, events.DeviationOpened{
		Code: m.code, Concern: concernQuality, Rule: "temperature", Value: temperature, Band: band,
		Detail: fmt.Sprintf("%s at %g °C is outside %s.", step, *temperature, band),
	})
}
