package events

import (
	"time"

	"firstout/internal/civil"
)

// DateMark is the supplier's own date, as printed.
type DateMark struct {
	Kind string     `json:"kind"` // use_by, best_before, best_before_end or none
	Date *civil.Day `json:"date,omitempty"`
}

// IngredientReceived is one delivery of one ingredient. What the lot's own label says stands over its ingredient.
type IngredientReceived struct {
	Lot                  Code               `json:"lot"`
	Ingredient           string             `json:"ingredient"`
	IngredientVersion    int                `json:"ingredient_version"`
	Supplier             string             `json:"supplier"`
	SupplierLot          string             `json:"supplier_lot,omitempty"`
	Quantity             Mass               `json:"quantity_g"`
	DateMark             DateMark           `json:"date_mark"`
	PriceMinor           *int64             `json:"price_minor,omitempty"`
	Currency             string             `json:"currency"`
	ReceivedTemperatureC *float64           `json:"received_temperature_c,omitempty"`
	DeliveryNote         string             `json:"delivery_note,omitempty"`
	Place                string             `json:"place"`
	Allergens            *[]string          `json:"allergens,omitempty"`
	MayContain           *[]string          `json:"may_contain,omitempty"`
	Composition          map[string]float64 `json:"composition,omitempty"`
	Expiry               Expiry             `json:"expiry"`
}

// PortionOpened is a part of a lot opened at a place; its life runs from here.
type PortionOpened struct {
	Portion    Code     `json:"portion"`
	Lot        Code     `json:"lot"`
	Place      string   `json:"place"`
	Quantity   Mass     `json:"quantity_g"`
	ByItself   bool     `json:"by_itself,omitempty"` // opened because it was drawn from
	Expiry     Expiry   `json:"expiry"`
	RuleBroken []string `json:"rule_broken,omitempty"`
}

// Draw is a quantity taken from a lot, a portion, a charge or a ganache.
type Draw struct {
	Source     Code   `json:"source,omitempty"`
	Ingredient string `json:"ingredient,omitempty"` // of an untracked draw, which has no source
	Place      string `json:"place,omitempty"`      // where it stood; a charge's is its vat
	Quantity   Mass   `json:"quantity_g"`
	Heated     bool   `json:"heated,omitempty"`
	Purpose    string `json:"purpose,omitempty"` // of a melt: melt, seed or top_up
	Basis      string `json:"basis,omitempty"`   // weighed or assumed
	How        string `json:"how,omitempty"`     // given or fefo
}

// ChocolateMelted is lots melted into a vat. The first melt of a vat starts its charge.
type ChocolateMelted struct {
	Vat            string   `json:"vat"`
	Charge         Code     `json:"charge"`
	NewCharge      bool     `json:"new_charge,omitempty"`
	Inputs         []Draw   `json:"inputs"`
	OtherChocolate bool     `json:"other_chocolate,omitempty"`
	RuleBroken     []string `json:"rule_broken,omitempty"`
}

// Block is the rest of a vat set into a solid lot that carries the charge's lots.
type Block struct {
	Lot        Code   `json:"lot"`
	Ingredient string `json:"ingredient"`
	Place      string `json:"place"`
	Expiry     Expiry `json:"expiry"`
}

// VatEmptied ends a charge. Only a cleaned emptying ends the carry-over; without one a next charge starts that
// may contain every lot of this one.
type VatEmptied struct {
	Vat         string `json:"vat"`
	Charge      Code   `json:"charge"`
	Cleaned     bool   `json:"cleaned"`
	Rest        string `json:"rest"` // discard or block
	Quantity    Mass   `json:"quantity_g"`
	Reason      string `json:"reason,omitempty"` // of a discarded rest
	Destination string `json:"destination,omitempty"`
	Block       *Block `json:"block,omitempty"`
	NextCharge  Code   `json:"next_charge,omitempty"`
}

// MeasuredValue is a value with the uncertainty its instrument states.
type MeasuredValue struct {
	Value       float64  `json:"value"`
	Uncertainty *float64 `json:"uncertainty,omitempty"`
}

// TemperatureReading is what was read of a thing at an instant, in °C.
type TemperatureReading struct {
	At           time.Time `json:"at"`
	TemperatureC float64   `json:"temperature_c"`
}

// GanacheMade is one batch of a filling. Yield is what came out of the bowl; less than the inputs went in.
type GanacheMade struct {
	Ganache        Code                 `json:"ganache"`
	Formula        string               `json:"formula"`
	FormulaVersion int                  `json:"formula_version"`
	Inputs         []Draw               `json:"inputs"`
	Yield          Mass                 `json:"yield_g"`
	YieldBasis     string               `json:"yield_basis"`            // weighed or assumed
	Evaporated     Mass                 `json:"evaporated_g,omitempty"` // water lost in cooking, by weighing
	HeatStep       *HeatStep            `json:"heat_step,omitempty"`
	PackedHot      bool                 `json:"packed_hot,omitempty"` // packed in the heat of that step and closed
	Cooling        []TemperatureReading `json:"cooling,omitempty"`
	PH             *float64             `json:"ph,omitempty"`
	WaterActivity  *MeasuredValue       `json:"water_activity,omitempty"`
	Place          string               `json:"place"`
	Expiry         Expiry               `json:"expiry"`
	RuleBroken     []string             `json:"rule_broken,omitempty"`
}

// EventType names the event in the log.
func (IngredientReceived) EventType() string { return "ingredient_received" }

// EventType names the event in the log.
func (PortionOpened) EventType() string { return "portion_opened" }

// EventType names the event in the log.
func (ChocolateMelted) EventType() string { return "chocolate_melted" }

// EventType names the event in the log.
func (VatEmptied) EventType() string { return "vat_emptied" }

// EventType names the event in the log.
func (GanacheMade) EventType() string { return "ganache_made" }

// Touches lists the codes concerned.
func (e IngredientReceived) Touches() []Code { return []Code{e.Lot} }

// Touches lists the codes concerned.
func (e PortionOpened) Touches() []Code { return []Code{e.Portion, e.Lot} }

// Touches lists the codes concerned.
func (e ChocolateMelted) Touches() []Code { return append(sources(e.Inputs), e.Charge) }

// Touches lists the codes concerned.
func (e VatEmptied) Touches() []Code {
	codes := []Code{e.Charge, e.NextCharge}
	if e.Block != nil {
		codes = append(codes, e.Block.Lot)
	}
	return codes
}

// Touches lists the codes concerned.
func (e GanacheMade) Touches() []Code { return append(sources(e.Inputs), e.Ganache) }

// sources lists what was drawn from; a portion stands for its lot too, so that the lot's history shows it.
func sources(draws []Draw) []Code {
	var codes []Code
	for _, d := range draws {
		codes = append(codes, d.Source)
		if d.Source.IsPart() {
			codes = append(codes, d.Source.Whole())
		}
	}
	return codes
}
