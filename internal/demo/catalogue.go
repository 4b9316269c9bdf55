package demo

import (
	"context"
	"net/http"
)

// The invented shop: a workshop with a counter on a lane by the sea, and a stall on the harbour market.
const (
	shop     = "shingle-lane"
	market   = "harbour-market"
	counter  = "counter"
	stall    = "stall"
	workroom = "workroom"
	coldRoom = "cold-room"
	store    = "dry-store"
	zoneName = "Europe/Dublin"
)

type entry struct {
	path string
	body object
}

// catalogue is everything that the shop defines before it writes down its first delivery. All of it is invented.
func catalogue() []entry {
	entries := []entry{
		{"sites/" + shop, object{"name": "Shingle Lane", "time_zone": zoneName, "currency": "EUR", "operator": "Example Shingle Chocolate Ltd", "address": "3 Shingle Lane", "country": "IE", "handles": []string{"nuts:hazelnut", "milk"}}},
		{"sites/" + market, object{"name": "Harbour market", "time_zone": zoneName, "currency": "EUR", "operator": "Example Shingle Chocolate Ltd", "address": "Harbour Square", "country": "IE", "handles": []string{"nuts:hazelnut", "milk"}}},
		{"places/" + counter, object{"name": "Counter", "site": shop, "storage": "cool", "sells": true, "monitoring": "by_hand", "tolerance": object{"c": 2, "minutes": 60}}},
		{"places/" + workroom, object{"name": "Workroom", "site": shop, "storage": "cool", "monitoring": "by_hand"}},
		{"places/" + coldRoom, object{"name": "Cold room", "site": shop, "storage": "chilled", "monitoring": "logger", "tolerance": object{"c": 2, "minutes": 30}}},
		{"places/" + store, object{"name": "Dry store", "site": shop, "storage": "dry"}},
		{"places/back-shelf", object{"name": "Quarantine shelf", "site": shop, "storage": "cool", "quarantine": true}},
		{"places/" + stall, object{"name": "Market stall", "site": market, "storage": "cool", "sells": true}},
		{"suppliers/meadow-dairy", object{"name": "Example Meadow Dairy", "contact": "orders@meadow.example", "approval_number": "IE-EX-0001"}},
		{"suppliers/cocoa-quay", object{"name": "Example Cocoa Quay", "contact": "desk@cocoa.example"}},
		{"suppliers/orchard-row", object{"name": "Example Orchard Row", "contact": "fruit@orchard.example"}},
		{"suppliers/dry-goods", object{"name": "Example Dry Goods", "contact": "sales@drygoods.example"}},
		{"buyers/pier-cafe", object{"name": "Example Pier Café", "address": "Pier Head", "contact": "hello@pier.example"}},
		{"vats/vat-dark", object{"name": "Dark tank", "chocolate": "dark", "capacity_g": 24000, "site": shop, "clean_every_days": 14}},
		{"vats/vat-milk", object{"name": "Milk tank", "chocolate": "milk", "capacity_g": 16000, "site": shop, "clean_every_days": 14}},
		{"moulds/dome-24", object{"name": "Dome 24", "cavities": 24}},
		{"moulds/square-28", object{"name": "Square 28", "cavities": 28}},
		{"moulds/bar-6", object{"name": "Bar 6", "cavities": 6}},
	}
	entries = append(entries, ingredients()...)
	entries = append(entries, formulas()...)
	return append(entries, designs()...)
}

func ingredients() []entry {
	none := []string{}
	couverture := func(slug, name, kind string, allergens []string, composition object) entry {
		return entry{"ingredients/" + slug, object{"name": name, "kind": "couverture", "chocolate": kind, "storage": "dry", "allergens": allergens, "may_contain": []string{"nuts:hazelnut"}, "composition": composition}}
	}
	return []entry{
		{"ingredients/cream-35", object{"name": "Cream 35 %", "kind": "dairy", "storage": "chilled", "open_life_days": 3, "allergens": []string{"milk"}, "composition": object{"water": 59.1, "lactose": 3.2, "milk_salts": 0.5, "milk_fat": 35, "protein": 2.2}}},
		{"ingredients/butter", object{"name": "Butter", "kind": "dairy", "storage": "chilled", "open_life_days": 21, "allergens": []string{"milk"}, "composition": object{"water": 15.4, "lactose": 0.83, "milk_fat": 82.9, "protein": 0.7}}},
		couverture("couverture-dark-60", "Dark couverture drops 60 %", "dark", []string{"soybeans"}, object{"water": 0.7, "sucrose": 39, "cocoa_butter": 38.5, "cocoa_solids_ff": 21.4}),
		couverture("couverture-milk-34", "Milk couverture drops 34 %", "milk", []string{"milk", "soybeans"}, object{"water": 0.9, "sucrose": 43.5, "lactose": 7.9, "milk_salts": 1.3, "milk_fat": 5.5, "cocoa_butter": 31, "protein": 5.4, "cocoa_solids_ff": 4}),
		{"ingredients/blackcurrant-puree", object{"name": "Blackcurrant purée", "kind": "fruit", "storage": "chilled", "open_life_days": 5, "allergens": none}},
		{"ingredients/invert-sugar", object{"name": "Invert sugar syrup", "kind": "syrup", "storage": "dry", "allergens": none, "composition": object{"water": 22, "sucrose": 6, "glucose": 36, "fructose": 36}}},
		{"ingredients/sugar", object{"name": "Sugar", "kind": "sugar", "storage": "dry", "allergens": none, "composition": object{"sucrose": 99.8, "water": 0.2}}},
		{"ingredients/sea-salt", object{"name": "Sea salt", "kind": "other", "storage": "dry", "allergens": none, "composition": object{"nacl": 99.9}}},
		{"ingredients/hazelnut-praline", object{"name": "Hazelnut praline 50 %", "kind": "nut", "storage": "dry", "open_life_days": 60, "allergens": []string{"nuts:hazelnut"}}},
		{"ingredients/mint", object{"name": "Garden mint", "kind": "other", "storage": "chilled", "keeps_days": 4, "allergens": none}},
		{"ingredients/violet-colour", object{"name": "Violet cocoa butter", "kind": "colour", "storage": "dry", "allergens": none}},
		{"ingredients/water", object{"name": "Tap water", "kind": "other", "untracked": true, "allergens": none, "composition": object{"water": 100}}},
	}
}

func formulas() []entry {
	input := func(ingredient string, grams float64, heated bool) object {
		return object{"ingredient": ingredient, "quantity_g": grams, "heated": heated}
	}
	assessed := func(document string, most float64, cool, chilled int) object {
		return object{"document": document, "by": "Example Food Laboratory", "on": "2026-01-12", "kind": "study", "date_kind": "use_by", "water_activity_max": most, "days": object{"cool": cool, "chilled": chilled}, "releases": []string{"ingredient_use_by", "opened_ingredient"}, "requires": object{"boiled": true}}
	}
	measured := func(document string, activity, ph float64) object {
		return object{"water_activity": activity, "uncertainty": 0.005, "ph": ph, "samples": 3, "document": document, "on": "2026-01-12", "valid_until": "2027-12-31"}
	}
	boiled := object{"boiled": true}
	return []entry{
		{"formulas/blackcurrant-bay", object{
			"name": "Blackcurrant & bay", "storage": "cool", "tolerance_percent": 5, "piping_c_max": 32, "heat_step": boiled,
			"inputs":     []object{input("cream-35", 400, true), input("couverture-dark-60", 520, false), input("blackcurrant-puree", 220, true), input("invert-sugar", 60, false)},
			"assessment": assessed("LAB-1107", 0.93, 14, 21), "measured": measured("LAB-1108", 0.893, 4.7),
		}},
		{"formulas/sea-salt-caramel", object{
			"name": "Sea salt caramel", "storage": "cool", "tolerance_percent": 5, "piping_c_max": 32, "heat_step": boiled,
			"inputs":     []object{input("sugar", 300, true), input("cream-35", 260, true), input("butter", 90, true), input("couverture-milk-34", 340, false), input("sea-salt", 6, false)},
			"assessment": assessed("LAB-1109", 0.85, 21, 28), "measured": measured("LAB-1110", 0.812, 6.1),
		}},
		{"formulas/garden-mint", object{
			"name": "Garden mint on water", "storage": "cool", "tolerance_percent": 5, "piping_c_max": 32, "heat_step": boiled,
			"inputs":     []object{input("water", 260, true), input("mint", 20, true), input("couverture-dark-60", 560, false), input("invert-sugar", 110, false)},
			"assessment": assessed("LAB-1111", 0.92, 8, 12), "measured": measured("LAB-1112", 0.889, 5.8),
		}},
	}
}

func designs() []entry {
	return []entry{
		{"designs/blackcurrant-dome", object{"name": "Blackcurrant dome", "chocolate": "dark", "shell_g": 4, "cap_g": 1.2, "fillings": []object{{"formula": "blackcurrant-bay", "quantity_g": 6.5}}, "decorations": []object{{"ingredient": "violet-colour", "quantity_g": 0.1, "stage": "before_casting"}}, "price_minor": 180, "days_for_customer": 2}},
		{"designs/caramel-square", object{"name": "Sea salt caramel square", "chocolate": "milk", "shell_g": 3.8, "cap_g": 1.1, "fillings": []object{{"formula": "sea-salt-caramel", "quantity_g": 6}}, "price_minor": 170, "days_for_customer": 2}},
		{"designs/mint-dome", object{"name": "Garden mint dome", "chocolate": "dark", "shell_g": 4, "cap_g": 1.2, "fillings": []object{{"formula": "garden-mint", "quantity_g": 6.2}}, "price_minor": 170, "days_for_customer": 2}},
		{"designs/hazelnut-square", object{"name": "Hazelnut square", "chocolate": "milk", "shell_g": 3.8, "cap_g": 1.1, "fillings": []object{{"ingredient": "hazelnut-praline", "quantity_g": 6}}, "price_minor": 190, "days_for_customer": 3}},
		{"designs/quay-bar", object{"name": "Quay bar", "chocolate": "milk", "shell_g": 60, "price_minor": 450, "days_for_customer": 14}},
	}
}

func (p *play) define(ctx context.Context) error {
	for _, e := range catalogue() {
		if err := p.call(ctx, http.MethodPut, "/v1/"+e.path, e.body, nil); err != nil {
			return err
		}
	}
	return nil
}
