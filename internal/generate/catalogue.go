package generate

import (
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// The places, and the tank of each kind of chocolate.
const (
	site     = "quay-lane"
	bench    = "workshop"
	coldRoom = "cold-room"
	store    = "store"
	shelf    = "counter"
	stall    = "stall"
	mould    = "dome-24"
	cavities = 24
)

var sells = []string{shelf, stall}

var tanks = map[string]string{"dark": "vat-dark", "milk": "vat-milk", "white": "vat-white"}

// chocolates in a fixed order.
var chocolates = []string{"dark", "milk", "white"}

func grams(g float64) events.Mass { return events.Mass(g*1000 + 0.5) }

func of[T any](value T) *T { return &value }

// A stocked is an ingredient with how it comes: how many days a delivery lasts, and how long it keeps from then.
type stocked struct {
	slug, name, kind, chocolate, storage, supplier string
	lasts, keeps                                   int
	openLife                                       *int
	allergens                                      []string
	useBy                                          bool
}

func ingredients() []stocked {
	return []stocked{
		{slug: "cream-35", name: "Cream 35 %", kind: "dairy", storage: "chilled", supplier: "example-dairy", lasts: 2, keeps: 12, openLife: of(3), allergens: []string{"milk"}, useBy: true},
		{slug: "butter", name: "Butter", kind: "dairy", storage: "chilled", supplier: "example-dairy", lasts: 6, keeps: 45, openLife: of(20), allergens: []string{"milk"}},
		{slug: "blackcurrant-puree", name: "Blackcurrant purée", kind: "fruit", storage: "chilled", supplier: "example-fruit", lasts: 5, keeps: 60, openLife: of(5), allergens: []string{}},
		{slug: "raspberry-puree", name: "Raspberry purée", kind: "fruit", storage: "chilled", supplier: "example-fruit", lasts: 5, keeps: 60, openLife: of(5), allergens: []string{}},
		{slug: "invert-sugar", name: "Invert sugar", kind: "syrup", storage: "dry", supplier: "example-cocoa", lasts: 20, keeps: 300, allergens: []string{}},
		{slug: "sugar", name: "Sugar", kind: "sugar", storage: "dry", supplier: "example-cocoa", lasts: 20, keeps: 700, allergens: []string{}},
		{slug: "hazelnut-paste", name: "Hazelnut paste", kind: "nut", storage: "dry", supplier: "example-nuts", lasts: 12, keeps: 180, openLife: of(60), allergens: []string{"nuts:hazelnut"}},
		{slug: "couverture-dark", name: "Dark couverture drops", kind: "couverture", chocolate: "dark", storage: "dry", supplier: "example-cocoa", lasts: 8, keeps: 400, allergens: []string{"soybeans"}},
		{slug: "couverture-milk", name: "Milk couverture drops", kind: "couverture", chocolate: "milk", storage: "dry", supplier: "example-cocoa", lasts: 8, keeps: 350, allergens: []string{"milk", "soybeans"}},
		{slug: "couverture-white", name: "White couverture drops", kind: "couverture", chocolate: "white", storage: "dry", supplier: "example-cocoa", lasts: 8, keeps: 300, allergens: []string{"milk", "soybeans"}},
	}
}

// A recipe is a filling: its inputs in grams, and the kind of chocolate in it, which comes out of the tank.
type recipe struct {
	slug, name, chocolate string
	inputs                []events.FormulaInput
}

func input(ingredient string, g float64, heated bool) events.FormulaInput {
	return events.FormulaInput{Ingredient: ingredient, Quantity: grams(g), Heated: heated}
}

var recipes = []recipe{
	{"blackcurrant-bay", "Blackcurrant & bay", "dark", []events.FormulaInput{input("cream-35", 400, true), input("couverture-dark", 520, false), input("blackcurrant-puree", 220, true), input("invert-sugar", 60, false)}},
	{"raspberry", "Raspberry", "dark", []events.FormulaInput{input("cream-35", 300, true), input("couverture-dark", 560, false), input("raspberry-puree", 280, true), input("invert-sugar", 60, false)}},
	{"caramel", "Salted caramel", "milk", []events.FormulaInput{input("sugar", 300, true), input("cream-35", 280, true), input("butter", 90, true), input("couverture-milk", 330, false)}},
	{"plain-milk", "Plain milk", "milk", []events.FormulaInput{input("cream-35", 380, true), input("couverture-milk", 560, false), input("invert-sugar", 60, false)}},
	{"white-currant", "White & blackcurrant", "white", []events.FormulaInput{input("cream-35", 260, true), input("couverture-white", 560, false), input("blackcurrant-puree", 180, true)}},
}

// A piece is a design with how often it is asked for.
type piece struct {
	slug, name, chocolate, formula, straight string
	shell, cap, filling                      float64
	weight                                   int
	price                                    int64
}

var pieces = []piece{
	{slug: "blackcurrant-dome", name: "Blackcurrant dome", chocolate: "dark", formula: "blackcurrant-bay", shell: 4, cap: 1.2, filling: 6.5, weight: 20, price: 180},
	{slug: "raspberry-dome", name: "Raspberry dome", chocolate: "dark", formula: "raspberry", shell: 4, cap: 1.2, filling: 6.5, weight: 16, price: 180},
	{slug: "caramel-dome", name: "Caramel dome", chocolate: "milk", formula: "caramel", shell: 4, cap: 1.2, filling: 6.3, weight: 18, price: 170},
	{slug: "caramel-night", name: "Caramel, dark", chocolate: "dark", formula: "caramel", shell: 4, cap: 1.2, filling: 6.3, weight: 8, price: 170},
	{slug: "milk-dome", name: "Milk dome", chocolate: "milk", formula: "plain-milk", shell: 4, cap: 1.2, filling: 6.4, weight: 12, price: 160},
	{slug: "white-dome", name: "White dome", chocolate: "white", formula: "white-currant", shell: 4, cap: 1.2, filling: 6.2, weight: 8, price: 170},
	{slug: "hazelnut-dome", name: "Hazelnut dome", chocolate: "milk", straight: "hazelnut-paste", shell: 4, cap: 1.2, filling: 5.5, weight: 10, price: 190},
	{slug: "dark-drop", name: "Dark drop", chocolate: "dark", shell: 5, weight: 5, price: 90},
	{slug: "milk-drop", name: "Milk drop", chocolate: "milk", shell: 5, weight: 5, price: 90},
}

// catalogue is what the shop defines before its first day, in an order in which it can.
func catalogue() []workshop.Define {
	place := func(name, storage string, sells bool) events.Place {
		return events.Place{Name: name, Site: site, Storage: storage, Sells: sells, Monitoring: "by_hand"}
	}
	all := []workshop.Define{
		{Slug: site, Body: events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR", Operator: "Example Chocolate Ltd", Address: "1 Quay Lane", Country: "IE", Handles: []string{"nuts:almond"}}},
		{Slug: bench, Body: place("Workshop", "cool", false)},
		{Slug: coldRoom, Body: place("Cold room", "chilled", false)},
		{Slug: store, Body: place("Store", "dry", false)},
		{Slug: shelf, Body: place("Counter", "cool", true)},
		{Slug: stall, Body: place("Market stall", "cool", true)},
		{Slug: "harbour-cafe", Body: workshop.Buyer{Name: "Harbour Café", Address: "3 Harbour Wall"}},
		{Slug: mould, Body: events.Mould{Name: "Dome 24", Cavities: cavities}},
	}
	for _, supplier := range []string{"example-dairy", "example-fruit", "example-cocoa", "example-nuts"} {
		all = append(all, workshop.Define{Slug: supplier, Body: workshop.Supplier{Name: supplier}})
	}
	for _, i := range ingredients() {
		all = append(all, workshop.Define{Slug: i.slug, Body: events.Ingredient{
			Name: i.name, Kind: i.kind, Chocolate: i.chocolate, Storage: i.storage, OpenLifeDays: i.openLife, Allergens: &i.allergens,
		}})
	}
	for _, chocolate := range chocolates {
		all = append(all, workshop.Define{Slug: tanks[chocolate], Body: events.Vat{Name: chocolate + " tank", Chocolate: chocolate, Site: site}})
	}
	for _, r := range recipes {
		all = append(all, workshop.Define{Slug: r.slug, Body: r.formula()})
	}
	for _, p := range pieces {
		all = append(all, workshop.Define{Slug: p.slug, Body: p.design()})
	}
	return all
}

func (r recipe) formula() events.Formula {
	return events.Formula{
		Name: r.name, Storage: "cool", TolerancePercent: of(5.0), Inputs: r.inputs, HeatStep: &events.HeatStep{Boiled: true},
		Measured: &events.FormulaMeasured{
			WaterActivity: of(0.88), Uncertainty: of(0.005), PH: of(4.9), Document: "LAB-0533", On: civil.Day{Year: 2001, Month: 1, Day: 1}, ValidUntil: civil.Day{Year: 2099, Month: 12, Day: 31},
		},
		Assessment: &events.Assessment{
			Document: "LAB-0417", By: "Example Food Lab", On: civil.Day{Year: 2001, Month: 1, Day: 1}, Kind: "study", DateKind: "use_by", WaterActivityMax: of(0.93), PHMax: of(6.5),
			Days: map[string]int{"cool": 14, "chilled": 21}, Releases: []string{"ingredient_use_by", "opened_ingredient"}, Requires: &events.HeatStep{Boiled: true},
		},
	}
}

func (p piece) design() events.Design {
	d := events.Design{Name: p.name, Chocolate: p.chocolate, Shell: grams(p.shell), Cap: grams(p.cap), PriceMinor: of(p.price), DaysForCustomer: of(2)}
	if p.filling > 0 {
		d.Fillings = []events.DesignFilling{{Formula: p.formula, Ingredient: p.straight, Quantity: grams(p.filling)}}
	}
	return d
}
