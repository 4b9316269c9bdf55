package oracle

import "time"

// The catalogue is what both books define before a history begins: a shop by the sea and a stall on the other side of
// the world, so that a day that ends at the wrong midnight shows.

// A Site is where a zone holds.
type Site struct {
	Slug, Zone, Currency string
	Handles              []string
}

// A Place is where stock stands.
type Place struct {
	Slug, Site, Storage string
	Sells               bool
}

// An Ingredient is something bought. Nil allergens are not known.
type Ingredient struct {
	Slug, Kind, Storage, Chocolate string
	OpenLife                       int // days; 0: none
	Allergens, MayContain          []string
}

// An Input is one line of a formula.
type Input struct {
	Ingredient string
	Mass       int64
	Heated     bool
}

// A Formula is a filling's recipe, assessed for so many days where it is cool.
type Formula struct {
	Slug     string
	Inputs   []Input
	Days     int
	DateKind string
	Releases bool // of heated inputs, where it was boiled
	ShopDays int  // 0: no limit of the shop's own
}

// A Vat melts one kind of chocolate.
type Vat struct {
	Slug, Site, Chocolate string
	Capacity              int64
}

// A Design is a piece as sold, filled with a formula's ganache or with an ingredient straight, or solid.
type Design struct {
	Slug, Chocolate     string
	Shell, Cap, Filling int64
	Formula, Ingredient string
	Price               int64
}

// Cavities is how many pieces one mould makes.
const (
	Mould    = "dome-24"
	Cavities = 24
)

// Gram is the unit of masses, in milligrams.
const Gram = 1000

// Sites are the two sites.
var Sites = []Site{
	{Slug: "quay-lane", Zone: "Europe/Dublin", Currency: "EUR", Handles: []string{"nuts:hazelnut"}},
	{Slug: "far-shore", Zone: "Pacific/Auckland", Currency: "NZD"},
}

// Places are the places of both.
var Places = []Place{
	{Slug: "counter", Site: "quay-lane", Storage: "cool", Sells: true},
	{Slug: "workshop", Site: "quay-lane", Storage: "cool"},
	{Slug: "cold-room", Site: "quay-lane", Storage: "chilled"},
	{Slug: "stall", Site: "far-shore", Storage: "cool", Sells: true},
	{Slug: "back-room", Site: "far-shore", Storage: "cool"},
}

// Suppliers are who delivers.
var Suppliers = []string{"example-dairy", "example-cocoa"}

// Ingredients are what is bought.
var Ingredients = []Ingredient{
	{Slug: "cream-35", Kind: "dairy", Storage: "chilled", OpenLife: 3, Allergens: []string{"milk"}},
	{Slug: "plum-puree", Kind: "fruit", Storage: "chilled", OpenLife: 5, Allergens: []string{}},
	{Slug: "invert-sugar", Kind: "syrup", Storage: "dry", Allergens: []string{}},
	{Slug: "couverture-dark", Kind: "couverture", Storage: "cool", Chocolate: "dark", Allergens: []string{"soybeans"}, MayContain: []string{"milk"}},
	{Slug: "couverture-milk", Kind: "couverture", Storage: "cool", Chocolate: "milk", Allergens: []string{"milk", "soybeans"}},
	{Slug: "hazelnut-paste", Kind: "nut", Storage: "cool", Allergens: []string{"nuts:hazelnut"}},
	{Slug: "biscuit-crumb", Kind: "other", Storage: "dry"},
}

// Formulas are the fillings. bay's ingredients are released from their dates by a boil, soft is bound by its opened
// cream, plum by the shop's own limit.
var Formulas = []Formula{
	{
		Slug: "bay", Days: 14, DateKind: "use_by", Releases: true,
		Inputs: []Input{
			{Ingredient: "cream-35", Mass: 400 * Gram, Heated: true},
			{Ingredient: "couverture-dark", Mass: 520 * Gram},
			{Ingredient: "invert-sugar", Mass: 60 * Gram},
		},
	},
	{
		Slug: "soft", Days: 10, DateKind: "use_by",
		Inputs: []Input{{Ingredient: "cream-35", Mass: 500 * Gram, Heated: true}, {Ingredient: "couverture-milk", Mass: 500 * Gram}},
	},
	{
		Slug: "plum", Days: 12, DateKind: "best_before", Releases: true, ShopDays: 6,
		Inputs: []Input{{Ingredient: "plum-puree", Mass: 300 * Gram, Heated: true}, {Ingredient: "invert-sugar", Mass: 300 * Gram}},
	},
}

// Vats are the tanks.
var Vats = []Vat{
	{Slug: "vat-dark", Site: "quay-lane", Chocolate: "dark", Capacity: 24000 * Gram},
	{Slug: "vat-milk", Site: "quay-lane", Chocolate: "milk", Capacity: 12000 * Gram},
	{Slug: "far-dark", Site: "far-shore", Chocolate: "dark", Capacity: 12000 * Gram},
}

// Designs are the pieces.
var Designs = []Design{
	{Slug: "bay-dome", Chocolate: "dark", Shell: 4 * Gram, Cap: 1200, Filling: 6500, Formula: "bay", Price: 180},
	{Slug: "soft-dome", Chocolate: "milk", Shell: 4 * Gram, Cap: 1200, Filling: 6 * Gram, Formula: "soft", Price: 170},
	{Slug: "plum-dome", Chocolate: "dark", Shell: 4 * Gram, Cap: 1 * Gram, Filling: 6 * Gram, Formula: "plum", Price: 160},
	{Slug: "nut-cup", Chocolate: "milk", Shell: 5 * Gram, Cap: 1 * Gram, Filling: 5 * Gram, Ingredient: "hazelnut-paste", Price: 150},
	{Slug: "crumb-cup", Chocolate: "dark", Shell: 5 * Gram, Cap: 1 * Gram, Filling: 3 * Gram, Ingredient: "biscuit-crumb", Price: 140},
	{Slug: "dark-drop", Chocolate: "dark", Shell: 5 * Gram, Price: 90},
}

func find[T any](all []T, slug func(T) string, wanted string) *T {
	for i := range all {
		if slug(all[i]) == wanted {
			return &all[i]
		}
	}
	return nil
}

func placeOf(slug string) *Place { return find(Places, func(p Place) string { return p.Slug }, slug) }

func ingredientOf(slug string) *Ingredient {
	return find(Ingredients, func(i Ingredient) string { return i.Slug }, slug)
}

func formulaOf(slug string) *Formula {
	return find(Formulas, func(f Formula) string { return f.Slug }, slug)
}

func vatOf(slug string) *Vat { return find(Vats, func(v Vat) string { return v.Slug }, slug) }

func designOf(slug string) *Design {
	return find(Designs, func(d Design) string { return d.Slug }, slug)
}

// binding says whether an ingredient's best-before dates what is made of it.
func (i Ingredient) binding() bool {
	return i.Kind == "dairy" || i.Kind == "fruit" || i.Kind == "nut" || i.Kind == "couverture"
}

func (m *Model) zone(site string) *time.Location { return m.zones[site] }

// midnights is the zone in which the days of a site end.
func (m *Model) midnights(site string) *time.Location {
	if m.fault == MidnightInUTC {
		return time.UTC
	}
	return m.zones[site]
}
