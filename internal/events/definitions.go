package events

import (
	"fmt"
	"slices"

	"github.com/google/uuid"

	"firstout/internal/civil"
)

// Site is a workshop, shop or stall with its own time zone and books of account.
type Site struct {
	Name     string   `json:"name"`
	TimeZone string   `json:"time_zone"` // IANA name
	Currency string   `json:"currency"`  // ISO 4217
	Operator string   `json:"operator,omitempty"`
	Address  string   `json:"address,omitempty"`
	Country  string   `json:"country,omitempty"` // ISO 3166-1 alpha-2
	Handles  []string `json:"handles,omitempty"` // allergens handled on the site: "made where handled"
	Links    string   `json:"links,omitempty"`   // web address under which labels' links lead: https://…

	// ContainsFrom is the share in per cent from which a lot is contained; below it, it only may be. Nil: 0.1.
	ContainsFrom *float64 `json:"contains_from_percent,omitempty"`
}

// Tolerance is how far and how long a place may leave its class before that is a deviation.
type Tolerance struct {
	C       float64 `json:"c"`
	Minutes int     `json:"minutes"`
}

// Place is where stock stands.
type Place struct {
	Name       string     `json:"name"`
	Site       string     `json:"site"`
	Storage    string     `json:"storage"` // cool, chilled, frozen or dry
	Sells      bool       `json:"sells,omitempty"`
	Monitoring string     `json:"monitoring,omitempty"` // none, by_hand or logger
	Quarantine bool       `json:"quarantine,omitempty"`
	LimitC     *float64   `json:"limit_c,omitempty"`
	Tolerance  *Tolerance `json:"tolerance,omitempty"`
}

// Supplier is who delivered: one step back. Name, address and contact may be a person's and are kept outside the log,
// where they can be erased, under the opaque id Person.
type Supplier struct {
	Person         uuid.UUID `json:"person,omitzero"`
	ApprovalNumber string    `json:"approval_number,omitempty"`
}

// Buyer is a business that buys: one step forward. All that is known of it is kept outside the log, as of a supplier.
type Buyer struct {
	Person uuid.UUID `json:"person,omitzero"`
}

// Ingredient is something bought. Composition is in g per 100 g, over that of the reference row it is like; without
// either it is unknown. Allergens nil means not known, and then nothing made of it can be released.
type Ingredient struct {
	Name         string             `json:"name"`
	LabelName    string             `json:"label_name,omitempty"`       // as a list of ingredients says it
	Consists     string             `json:"ingredients_text,omitempty"` // its own ingredients, as its label lists them
	Kind         string             `json:"kind"`
	Chocolate    string             `json:"chocolate,omitempty"` // dark, milk or white: of a couverture
	Storage      string             `json:"storage,omitempty"`   // cool, chilled, frozen or dry
	OpenLifeDays *int               `json:"open_life_days,omitempty"`
	KeepsDays    *int               `json:"keeps_days,omitempty"` // for goods with no date mark
	Allergens    *[]string          `json:"allergens,omitempty"`
	MayContain   []string           `json:"may_contain,omitempty"`
	Like         string             `json:"like,omitempty"` // a reference ingredient, such as cream_35
	Composition  map[string]float64 `json:"composition,omitempty"`
	Untracked    bool               `json:"untracked,omitempty"` // tap water: no lots
}

// FormulaInput is one line of a recipe.
type FormulaInput struct {
	Ingredient string `json:"ingredient"`
	Quantity   Mass   `json:"quantity_g"`
	Heated     bool   `json:"heated,omitempty"`
}

// HeatStep is how a filling was heated.
type HeatStep struct {
	Boiled       bool     `json:"boiled,omitempty"`
	TemperatureC *float64 `json:"temperature_c,omitempty"`
	Minutes      *float64 `json:"minutes,omitempty"`
}

// FormulaMeasured is a laboratory's finding on a formula: it serves each batch within tolerance.
type FormulaMeasured struct {
	WaterActivity *float64  `json:"water_activity,omitempty"`
	Uncertainty   *float64  `json:"uncertainty,omitempty"`
	PH            *float64  `json:"ph,omitempty"`
	Samples       *int      `json:"samples,omitempty"`
	Document      string    `json:"document"`
	On            civil.Day `json:"on"`
	ValidUntil    civil.Day `json:"valid_until"`
}

// Assessment is a qualified person's word on how long a filling keeps, with the range it holds for.
type Assessment struct {
	Document         string         `json:"document"`
	By               string         `json:"by"`
	On               civil.Day      `json:"on"`
	Kind             string         `json:"kind"` // study, challenge_test, official_guide or competent_authority
	DateKind         string         `json:"date_kind,omitempty"`
	WaterActivityMax *float64       `json:"water_activity_max,omitempty"`
	PHMax            *float64       `json:"ph_max,omitempty"`
	Days             map[string]int `json:"days"`
	Releases         []string       `json:"releases,omitempty"`
	Requires         *HeatStep      `json:"requires,omitempty"`
}

// Formula is a filling's recipe.
type Formula struct {
	Name             string           `json:"name"`
	Storage          string           `json:"storage"`
	TolerancePercent *float64         `json:"tolerance_percent,omitempty"`
	PipingCMax       *float64         `json:"piping_c_max,omitempty"`
	ShopLimitDays    map[string]int   `json:"shop_limit_days,omitempty"`
	Inputs           []FormulaInput   `json:"inputs"`
	HeatStep         *HeatStep        `json:"heat_step,omitempty"`
	Measured         *FormulaMeasured `json:"measured,omitempty"`
	Assessment       *Assessment      `json:"assessment,omitempty"`
}

// Band is an inclusive range of temperatures in °C.
type Band struct {
	Min *float64 `json:"min,omitempty"`
	Max *float64 `json:"max,omitempty"`
}

// Vat is a melting or tempering tank.
type Vat struct {
	Name           string `json:"name"`
	Chocolate      string `json:"chocolate"`
	Capacity       Mass   `json:"capacity_g,omitempty"`
	Site           string `json:"site"`
	WorkingC       *Band  `json:"working_c,omitempty"`
	CleanEveryDays *int   `json:"clean_every_days,omitempty"`
}

// Mould is a mould pattern.
type Mould struct {
	Name     string `json:"name"`
	Cavities int    `json:"cavities"`
}

// DesignFilling is one filling of a design, per piece: a formula's, or an ingredient straight.
type DesignFilling struct {
	Formula    string `json:"formula,omitempty"`
	Ingredient string `json:"ingredient,omitempty"`
	Quantity   Mass   `json:"quantity_g"`
}

// DesignDecoration is one colour or topping of a design, per piece.
type DesignDecoration struct {
	Ingredient string `json:"ingredient"`
	Quantity   Mass   `json:"quantity_g"`
	Stage      string `json:"stage"`
}

// Design is a piece as sold.
type Design struct {
	Name            string             `json:"name"`
	LabelName       string             `json:"label_name,omitempty"` // the name of the food, as its label says it
	Chocolate       string             `json:"chocolate"`
	CapChocolate    string             `json:"cap_chocolate,omitempty"`
	Shell           Mass               `json:"shell_g"`
	Cap             Mass               `json:"cap_g,omitempty"`
	Fillings        []DesignFilling    `json:"fillings,omitempty"`
	Decorations     []DesignDecoration `json:"decorations,omitempty"`
	PriceMinor      *int64             `json:"price_minor,omitempty"`
	DaysForCustomer *int               `json:"days_for_customer,omitempty"`
	GTIN            string             `json:"gtin,omitempty"`
	Quid            []string           `json:"quid,omitempty"` // ingredients whose percentage the label gives
}

// Keeps is how long something keeps: civil days, or hours where it has not a day.
type Keeps struct {
	Days  int `json:"days,omitempty"`
	Hours int `json:"hours,omitempty"`
}

// LifeBand is how long a filling keeps whose water activity is above that of the band before and no higher than its own.
type LifeBand struct {
	WaterActivityMax float64 `json:"water_activity_max"`
	Included         bool    `json:"included,omitempty"` // the band holds that water activity itself
	Cool             Keeps   `json:"cool"`
	Chilled          Keeps   `json:"chilled"`
}

// LifeScheme is the shop's own table of lives, driest band first, and which kinds of ingredient pass their best-before on.
// What is left out is as it is shipped.
type LifeScheme struct {
	Bands           []LifeBand `json:"bands,omitempty"`
	BestBeforeBinds *[]string  `json:"best_before_binds,omitempty"` // kinds of ingredient
}

// Sorted is the same with its kinds of ingredient in order: in which they were given says nothing.
func (s LifeScheme) Sorted() LifeScheme {
	if s.BestBeforeBinds != nil {
		kinds := slices.Sorted(slices.Values(*s.BestBeforeBinds))
		if kinds == nil {
			kinds = []string{}
		}
		s.BestBeforeBinds = &kinds
	}
	return s
}

// Takes says whether its shell or its cap is of a kind of chocolate: dark, milk or white.
func (d Design) Takes(chocolate string) bool {
	return chocolate != "" && (chocolate == d.Chocolate || chocolate == d.CapChocolate)
}

// Defined is what every definition event has: the slug it defines and that slug's version, from 1.
type Defined struct {
	Slug       string `json:"slug"`
	DefVersion int    `json:"version"`
}

// Touches is empty: definitions are named by slugs, not codes.
func (Defined) Touches() []Code { return nil }

// The definitions of the catalogue, one event a version.
type (
	// SiteDefined is a version of a site.
	SiteDefined struct {
		Defined
		Site
	}
	// PlaceDefined is a version of a place.
	PlaceDefined struct {
		Defined
		Place
	}
	// SupplierDefined is a version of a supplier.
	SupplierDefined struct {
		Defined
		Supplier
	}
	// BuyerDefined is a version of a buyer.
	BuyerDefined struct {
		Defined
		Buyer
	}
	// IngredientDefined is a version of an ingredient.
	IngredientDefined struct {
		Defined
		Ingredient
	}
	// FormulaDefined is a version of a formula.
	FormulaDefined struct {
		Defined
		Formula
	}
	// VatDefined is a version of a vat.
	VatDefined struct {
		Defined
		Vat
	}
	// MouldDefined is a version of a mould.
	MouldDefined struct {
		Defined
		Mould
	}
	// DesignDefined is a version of a design.
	DesignDefined struct {
		Defined
		Design
	}
	// SchemeDefined is a version of the life scheme, of which a book has one.
	SchemeDefined struct {
		Defined
		LifeScheme
	}
)

// EventType names the event in the log.
func (SiteDefined) EventType() string { return "site_defined" }

// EventType names the event in the log.
func (PlaceDefined) EventType() string { return "place_defined" }

// EventType names the event in the log.
func (SupplierDefined) EventType() string { return "supplier_defined" }

// EventType names the event in the log.
func (BuyerDefined) EventType() string { return "buyer_defined" }

// EventType names the event in the log.
func (IngredientDefined) EventType() string { return "ingredient_defined" }

// EventType names the event in the log.
func (FormulaDefined) EventType() string { return "formula_defined" }

// EventType names the event in the log.
func (VatDefined) EventType() string { return "vat_defined" }

// EventType names the event in the log.
func (MouldDefined) EventType() string { return "mould_defined" }

// EventType names the event in the log.
func (DesignDefined) EventType() string { return "design_defined" }

// EventType names the event in the log.
func (SchemeDefined) EventType() string { return "scheme_defined" }

// Holds says whether a value lies in the band, its ends included.
func (b Band) Holds(value float64) bool {
	return (b.Min == nil || value >= *b.Min) && (b.Max == nil || value <= *b.Max)
}

// String says the band as it is read aloud.
func (b Band) String() string {
	switch {
	case b.Min == nil && b.Max == nil:
		return "any temperature"
	case b.Min == nil:
		return fmt.Sprintf("at most %g °C", *b.Max)
	case b.Max == nil:
		return fmt.Sprintf("at least %g °C", *b.Min)
	}
	return fmt.Sprintf("%g to %g °C", *b.Min, *b.Max)
}
