package workshop_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// blackcurrantBay is the shop's recipe: 1200 g, cream and purée boiled, measured, and assessed for 14 days in the cool.
func blackcurrantBay() events.Formula {
	return events.Formula{
		Name: "Blackcurrant & bay", Storage: "cool", TolerancePercent: ptr(5.0), PipingCMax: ptr(32.0),
		Inputs: []events.FormulaInput{
			{Ingredient: "cream-35", Quantity: g(400), Heated: true},
			{Ingredient: "couverture-dark-60", Quantity: g(520)},
			{Ingredient: "blackcurrant-puree", Quantity: g(220), Heated: true},
			{Ingredient: "invert-sugar", Quantity: g(60)},
		},
		HeatStep: &events.HeatStep{Boiled: true},
		Measured: &events.FormulaMeasured{
			WaterActivity: ptr(0.893), Uncertainty: ptr(0.005), PH: ptr(4.7), Document: "LAB-0533",
			On: day("2026-09-01"), ValidUntil: day("2027-09-01"),
		},
		Assessment: &events.Assessment{
			Document: "LAB-0417", By: "Example Food Lab", On: day("2026-09-01"), Kind: "study", DateKind: "use_by",
			WaterActivityMax: ptr(0.93), PHMax: ptr(5.2), Days: map[string]int{"cool": 14, "chilled": 21},
			Releases: []string{"ingredient_use_by", "opened_ingredient"}, Requires: &events.HeatStep{Boiled: true},
		},
	}
}

// changed gives a definition with something different about it.
func changed[T any](body T, change func(*T)) T {
	change(&body)
	return body
}

func blackcurrantDome() events.Design {
	return events.Design{
		Name: "Blackcurrant dome", Chocolate: "dark", Shell: g(4), Cap: g(1.2),
		Fillings:   []events.DesignFilling{{Formula: "blackcurrant-bay", Quantity: g(6.5)}},
		PriceMinor: ptr(int64(180)), DaysForCustomer: ptr(2),
	}
}

// catalogue is what the invented shop by the sea defines before its first day, in an order in which it can.
func catalogue() []workshop.Define {
	return []workshop.Define{
		{Slug: "quay-lane", Body: events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR", Operator: "Example Chocolate Ltd", Country: "IE", Handles: []string{"nuts:hazelnut"}}},
		{Slug: "market", Body: events.Site{Name: "Market stall", TimeZone: "Europe/Dublin", Currency: "EUR"}},
		{Slug: "counter", Body: events.Place{Name: "Counter", Site: "quay-lane", Storage: "cool", Sells: true}},
		{Slug: "workshop", Body: events.Place{Name: "Workshop", Site: "quay-lane", Storage: "cool"}},
		{Slug: "cold-room", Body: events.Place{Name: "Cold room", Site: "quay-lane", Storage: "chilled", Monitoring: "by_hand", Tolerance: &events.Tolerance{C: 3, Minutes: 60}}},
		{Slug: "freezer", Body: events.Place{Name: "Freezer", Site: "quay-lane", Storage: "frozen"}},
		{Slug: "stall", Body: events.Place{Name: "Stall", Site: "market", Storage: "cool", Sells: true}},
		{Slug: "example-dairy", Body: workshop.Supplier{Name: "Example Dairy", Contact: "dairy@example.com"}},
		{Slug: "example-cocoa", Body: workshop.Supplier{Name: "Example Cocoa"}},
		{Slug: "harbour-cafe", Body: workshop.Buyer{Name: "Harbour Café"}},
		{Slug: "cream-35", Body: events.Ingredient{Name: "Cream 35 %", Kind: "dairy", Storage: "chilled", OpenLifeDays: ptr(3), Allergens: &[]string{"milk"}}},
		{Slug: "blackcurrant-puree", Body: events.Ingredient{Name: "Blackcurrant purée", Kind: "fruit", Storage: "chilled", OpenLifeDays: ptr(5), Allergens: &[]string{}}},
		{Slug: "invert-sugar", Body: events.Ingredient{Name: "Invert sugar", Kind: "syrup", Storage: "dry", Allergens: &[]string{}}},
		{Slug: "couverture-dark-60", Body: events.Ingredient{Name: "Dark couverture drops", Kind: "couverture", Chocolate: "dark", Storage: "cool", Allergens: &[]string{"soybeans"}, MayContain: []string{"milk"}}},
		{Slug: "couverture-milk-36", Body: events.Ingredient{Name: "Milk couverture drops", Kind: "couverture", Chocolate: "milk", Storage: "cool", Allergens: &[]string{"milk", "soybeans"}}},
		{Slug: "hazelnut-paste", Body: events.Ingredient{Name: "Hazelnut paste", Kind: "nut", Storage: "cool", Allergens: &[]string{"nuts:hazelnut"}}},
		{Slug: "cocoa-butter-violet", Body: events.Ingredient{Name: "Violet cocoa butter", Kind: "colour", Storage: "cool", Allergens: &[]string{}}},
		{Slug: "biscuit-crumb", Body: events.Ingredient{Name: "Biscuit crumb", Kind: "other", Storage: "dry", KeepsDays: ptr(90)}}, // its allergens nobody has said
		{Slug: "water", Body: events.Ingredient{Name: "Tap water", Kind: "other", Allergens: &[]string{}, Untracked: true}},
		{Slug: "blackcurrant-bay", Body: blackcurrantBay()},
		{Slug: "vat-dark", Body: events.Vat{Name: "Dark tank", Chocolate: "dark", Capacity: g(24000), Site: "quay-lane"}},
		{Slug: "vat-milk", Body: events.Vat{Name: "Milk tank", Chocolate: "milk", Site: "quay-lane"}},
		{Slug: "dome-24", Body: events.Mould{Name: "Dome 24", Cavities: 24}},
		{Slug: "blackcurrant-dome", Body: blackcurrantDome()},
		{Slug: "violet-dome", Body: changed(blackcurrantDome(), func(d *events.Design) {
			d.Name, d.Decorations = "Violet dome", []events.DesignDecoration{
				{Ingredient: "cocoa-butter-violet", Quantity: g(0.3), Stage: "before_casting"},
				{Ingredient: "hazelnut-paste", Quantity: g(0.2), Stage: "after_capping"},
			}
		})},
		{Slug: "twin-dome", Body: changed(blackcurrantDome(), func(d *events.Design) {
			d.Name = "Twin dome"
			d.Fillings = append(d.Fillings, events.DesignFilling{Ingredient: "hazelnut-paste", Quantity: g(1.5)})
		})},
		{Slug: "dark-drop", Body: events.Design{Name: "Dark drop", Chocolate: "dark", Shell: g(5), PriceMinor: ptr(int64(90))}},
	}
}

// newWorkshop is the shop with its catalogue.
func newWorkshop(t TB) *shop {
	s := newShop(t)
	for _, definition := range catalogue() {
		require.True(t, s.do(definition).(workshop.Defined).Changed)
	}
	return s
}

// open is the shop with its catalogue; the whole book is checked when the test is over.
func open(t *testing.T) *shop { return finish(t, newWorkshop(t)) }

func useBy(date string) events.DateMark {
	return events.DateMark{Kind: "use_by", Date: ptr(day(date))}
}

func bestBefore(date string) events.DateMark {
	return events.DateMark{Kind: "best_before", Date: ptr(day(date))}
}

// delivery is a delivery that nothing is wrong with; change says what is different about this one.
func delivery(ingredient string, grams float64, mark events.DateMark) workshop.Receive {
	supplier, place := "example-cocoa", "workshop"
	if ingredient == "cream-35" || ingredient == "blackcurrant-puree" {
		supplier, place = "example-dairy", "cold-room"
	}
	return workshop.Receive{
		Ingredient: ingredient, Supplier: supplier, SupplierLot: "SL-1", Quantity: g(grams), DateMark: mark, Place: place,
	}
}

func (s *shop) receive(ingredient string, grams float64, mark events.DateMark) events.Code {
	s.t.Helper()
	return s.do(delivery(ingredient, grams, mark)).(*workshop.Lot).Code
}

// stores are the lots of an ordinary morning.
type stores struct{ cream, puree, sugar, dark, milk, paste, violet events.Code }

func (s *shop) stock() stores {
	s.t.Helper()
	return stores{
		cream:  s.receive("cream-35", 6000, useBy("2026-12-04")),
		puree:  s.receive("blackcurrant-puree", 3000, bestBefore("2027-03-31")),
		sugar:  s.receive("invert-sugar", 2000, bestBefore("2027-06-30")),
		dark:   s.receive("couverture-dark-60", 20000, bestBefore("2027-05-31")),
		milk:   s.receive("couverture-milk-36", 5000, bestBefore("2027-04-30")),
		paste:  s.receive("hazelnut-paste", 1000, bestBefore("2027-02-28")),
		violet: s.receive("cocoa-butter-violet", 500, bestBefore("2027-08-31")),
	}
}

func draw(source events.Code, grams float64) workshop.DrawLine {
	return workshop.DrawLine{Source: source, Quantity: g(grams)}
}

func (s *shop) melt(vat string, inputs ...workshop.DrawLine) events.Code {
	s.t.Helper()
	return s.do(workshop.Melt{Vat: vat, Inputs: inputs}).(workshop.Melted).Charge.Code
}

// batch is one batch of the shop's recipe as it is written.
func batch(inputs ...workshop.DrawLine) workshop.MakeGanache {
	return workshop.MakeGanache{
		Formula: "blackcurrant-bay", Inputs: inputs, HeatStep: &events.HeatStep{Boiled: true}, Place: "workshop",
	}
}

// inputs are the inputs of one batch; couverture may be a lot or a charge.
func (m stores) inputs(couverture events.Code) []workshop.DrawLine {
	return []workshop.DrawLine{draw(m.cream, 400), draw(couverture, 520), draw(m.puree, 220), draw(m.sugar, 60)}
}

func (s *shop) ganache(cmd workshop.MakeGanache) *workshop.Ganache {
	s.t.Helper()
	return s.do(cmd).(workshop.GanacheAnswer).Ganache
}

// moulding is a run of 24 domes in one request: cast, filled, capped and turned out.
func moulding(design string, fillings ...events.Code) workshop.MakeRun {
	run := workshop.MakeRun{
		Design: design, Mould: "dome-24", Moulds: 1, Place: "workshop",
		Casting: &workshop.ChocolateStep{Vat: "vat-dark"}, TurnedOut: &workshop.TurnOut{Good: 24},
	}
	for _, source := range fillings {
		run.Filling = append(run.Filling, workshop.FillingStep{Source: source})
	}
	if len(fillings) > 0 {
		run.Capping = &workshop.ChocolateStep{Vat: "vat-dark"}
	}
	return run
}

func (s *shop) run(cmd workshop.MakeRun) *workshop.Run {
	s.t.Helper()
	return s.do(cmd).(workshop.RunAnswer).Run
}

// A bench is a shop in which one batch is made and one run of domes is turned out, none of them released.
type bench struct {
	*shop
	stores
	charge, batch, domes events.Code
}

func (s *shop) bench() bench {
	s.t.Helper()
	b := bench{shop: s, stores: s.stock()}
	b.charge = s.melt("vat-dark", draw(b.dark, 10000))
	b.batch = s.ganache(batch(b.inputs(b.charge)...)).Code
	b.domes = s.run(moulding("blackcurrant-dome", b.batch)).Code
	return b
}

// release lets pieces of a run out to the counter.
func (s *shop) release(run events.Code, pieces int) workshop.Released {
	s.t.Helper()
	return s.do(workshop.Release{Run: run, Pieces: pieces, Place: "counter"}).(workshop.Released)
}

// domesAt is a run of domes made on a day, its pieces released to the counter.
func (b *bench) domesOf(moment string, pieces int) events.Code {
	b.t.Helper()
	b.now = at(moment)
	made := b.ganache(batch(b.inputs(b.charge)...)).Code
	run := b.run(moulding("blackcurrant-dome", made)).Code
	b.release(run, pieces)
	return run
}

func sale(lines ...workshop.PieceLine) workshop.Sell {
	return workshop.Sell{Place: "counter", Channel: "counter", Lines: lines}
}

func byDesign(design string, pieces int) workshop.PieceLine {
	return workshop.PieceLine{Design: design, Pieces: pieces}
}

func byCode(code events.Code, pieces int) workshop.PieceLine {
	return workshop.PieceLine{Code: code, Pieces: pieces}
}

// strange is a code that nothing in the book has.
func strange(kind events.Kind) events.Code {
	return events.NewCode(kind, civil.Day{Year: 2020, Month: 1, Day: 2}, 77, 0)
}
