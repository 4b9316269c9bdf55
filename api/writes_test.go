package api

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// catalogue defines the shop of the walk: invented, like everything in it.
func (b *testBook) catalogue() {
	b.t.Helper()
	for _, d := range []struct {
		path string
		body obj
	}{
		{"sites/quay-lane", obj{"name": "Quay Lane", "time_zone": "Europe/Dublin", "currency": "EUR", "operator": "Example Chocolate Ltd", "address": "1 Quay Lane", "country": "IE", "handles": []string{"nuts:hazelnut"}}},
		{"places/counter", obj{"name": "Counter", "site": "quay-lane", "storage": "cool", "sells": true, "monitoring": "none"}},
		{"places/workshop", obj{"name": "Workshop", "site": "quay-lane", "storage": "cool"}},
		{"places/cold-room", obj{"name": "Cold room", "site": "quay-lane", "storage": "chilled", "tolerance": obj{"c": 3, "minutes": 60}}},
		{"places/freezer", obj{"name": "Freezer", "site": "quay-lane", "storage": "frozen"}},
		{"suppliers/example-dairy", obj{"name": "Example Dairy", "contact": "dairy@example.com"}},
		{"suppliers/example-cocoa", obj{"name": "Example Cocoa"}},
		{"buyers/harbour-cafe", obj{"name": "Harbour Café", "address": "Pier Head"}},
		{"ingredients/cream-35", obj{"name": "Cream 35 %", "kind": "dairy", "storage": "chilled", "open_life_days": 3, "allergens": []string{"milk"}, "may_contain": []string{}, "composition": obj{"water": 59.1, "lactose": 3.2, "milk_salts": 0.5, "milk_fat": 35, "protein": 2.2}}},
		{"ingredients/couverture-dark-60", obj{"name": "Dark couverture drops", "kind": "couverture", "chocolate": "dark", "storage": "dry", "allergens": []string{"soybeans"}}},
		{"ingredients/blackcurrant-puree", obj{"name": "Blackcurrant purée", "kind": "fruit", "storage": "chilled", "open_life_days": 5, "allergens": []string{}}},
		{"ingredients/invert-sugar", obj{"name": "Invert sugar", "kind": "syrup", "allergens": []string{}}},
		{"ingredients/cocoa-butter-violet", obj{"name": "Violet cocoa butter", "kind": "colour", "allergens": []string{}}},
		{"ingredients/water", obj{"name": "Tap water", "kind": "other", "untracked": true, "allergens": []string{}}},
		{"formulas/blackcurrant-bay", obj{
			"name": "Blackcurrant & bay", "storage": "cool", "tolerance_percent": 5, "piping_c_max": 32,
			"inputs":    []obj{{"ingredient": "cream-35", "quantity_g": 400, "heated": true}, {"ingredient": "couverture-dark-60", "quantity_g": 520}, {"ingredient": "blackcurrant-puree", "quantity_g": 220, "heated": true}, {"ingredient": "invert-sugar", "quantity_g": 60}},
			"heat_step": obj{"boiled": true},
			"measured":  obj{"water_activity": 0.893, "uncertainty": 0.005, "ph": 4.7, "samples": 3, "document": "LAB-0533", "on": "2026-09-01", "valid_until": "2027-09-01"},
			"assessment": obj{
				"document": "LAB-0417", "by": "Example Food Lab", "on": "2026-09-01", "kind": "study", "date_kind": "use_by", "water_activity_max": 0.93, "ph_max": 5.2,
				"days": obj{"cool": 14, "chilled": 21}, "releases": []string{"ingredient_use_by", "opened_ingredient"}, "requires": obj{"boiled": true},
			},
		}},
		{"vats/vat-dark", obj{"name": "Dark tank", "chocolate": "dark", "capacity_g": 24000, "site": "quay-lane"}},
		{"moulds/dome-24", obj{"name": "Dome 24", "cavities": 24}},
		{"designs/blackcurrant-dome", obj{
			"name": "Blackcurrant dome", "chocolate": "dark", "shell_g": 4.0, "cap_g": 1.2, "fillings": []obj{{"formula": "blackcurrant-bay", "quantity_g": 6.5}},
			"decorations": []obj{{"ingredient": "cocoa-butter-violet", "quantity_g": 0.3, "stage": "before_casting"}}, "price_minor": 180, "days_for_customer": 2,
		}},
	} {
		require.Equal(b.t, http.StatusCreated, b.put(d.path, d.body).Status, d.path)
	}
}

func delivery(ingredient, supplier string, grams float64, mark obj, place string) obj {
	return obj{"ingredient": ingredient, "supplier": supplier, "supplier_lot": "CR-7731", "quantity_g": grams, "date_mark": mark, "price_minor": 2940, "place": place}
}

func useBy(date string) obj { return obj{"kind": "use_by", "date": date} }

// A stockroom is what the walk starts from.
type stockroom struct{ cream, dark, darkToo, puree, sugar, violet string }

func (b *testBook) stock() stockroom {
	b.t.Helper()
	receive := func(body obj) string { return b.post("lots", body).text("code") }
	best := obj{"kind": "best_before_end", "date": "2027-05-10"}
	cream := delivery("cream-35", "example-dairy", 6000, useBy("2026-12-04"), "cold-room")
	cream["received_temperature_c"], cream["delivery_note"] = 3.8, "DN-1182"
	return stockroom{
		cream: receive(cream), dark: receive(delivery("couverture-dark-60", "example-cocoa", 10000, best, "workshop")),
		darkToo: receive(delivery("couverture-dark-60", "example-cocoa", 5000, best, "workshop")),
		puree:   receive(delivery("blackcurrant-puree", "example-dairy", 2000, useBy("2026-12-20"), "cold-room")),
		sugar:   receive(delivery("invert-sugar", "example-dairy", 3000, best, "workshop")),
		violet:  receive(delivery("cocoa-butter-violet", "example-cocoa", 200, best, "workshop")),
	}
}

func (b *testBook) melt(s stockroom) answer {
	b.t.Helper()
	return b.post("vats/vat-dark/melts", obj{"inputs": []obj{
		{"source": s.dark, "quantity_g": 10000, "purpose": "melt"}, {"source": s.darkToo, "quantity_g": 2000, "purpose": "seed"},
	}})
}

func (b *testBook) ganache(s stockroom, charge string) answer {
	b.t.Helper()
	return b.post("ganaches", obj{"formula": "blackcurrant-bay", "place": "cold-room", "heat_step": obj{"boiled": true}, "ph": 4.7, "inputs": []obj{
		{"source": s.cream, "quantity_g": 400}, {"source": charge, "quantity_g": 520}, {"source": s.puree, "quantity_g": 220}, {"source": s.sugar, "quantity_g": 60},
	}})
}

// run moulds 144 domes and turns 140 out.
func (b *testBook) run(ganache string) answer {
	b.t.Helper()
	return b.post("runs", obj{
		"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 6, "place": "workshop", "casting": obj{"vat": "vat-dark", "temperature_c": 32.0},
		"filling": []obj{{"source": ganache, "temperature_c": 31.0}}, "capping": obj{"vat": "vat-dark", "temperature_c": 32.0},
		"turned_out": obj{"good": 140, "broken": 4, "broken_to": "bin"},
	})
}

// onCounter has a run of 140 domes released at the counter.
func (b *testBook) onCounter() (s stockroom, ganache, run string) {
	b.t.Helper()
	b.catalogue()
	s = b.stock()
	ganache = b.ganache(s, b.melt(s).text("charge")).text("code")
	run = b.run(ganache).text("code")
	b.post("runs/"+run+"/releases", obj{"pieces": 140, "place": "counter"})
	return s, ganache, run
}

func TestADayIsWrittenOverHTTP(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()

	lot := b.post("lots", obj{
		"ingredient": "cream-35", "supplier": "example-dairy", "supplier_lot": "CR-7731", "quantity_g": 6000, "date_mark": useBy("2026-12-04"),
		"price_minor": 2940, "received_temperature_c": 3.8, "delivery_note": "DN-1182", "place": "cold-room",
	})
	lot.has(map[string]any{
		"on_hand_g": n("6000"), "held": false, "supplier": "example-dairy", "price_minor": n("2940"), "currency": "EUR", "allergens": []any{"milk"},
		"may_contain": []any{}, "use_by.date": "2026-12-04", "use_by.binds": "ingredient_use_by", "recorded.at": "2026-11-25T08:00:00Z",
		"recorded.events.0.type": "ingredient_received", "places.0.place": "cold-room", "places.0.quantity_g": n("6000"),
	})
	require.Equal(t, "L261125-01", lot.text("code")[:10])
	require.Equal(t, lot.text("recorded", "command"), lot.text("recorded", "events", 0, "id"))
	b.refused(http.StatusUnprocessableEntity, "unknown-code", "lots", delivery("cream-36", "example-dairy", 1, useBy("2026-12-04"), "cold-room"))

	opened := b.post("lots/"+lot.text("code")+"/openings", obj{"quantity_g": 1000})
	opened.has(map[string]any{"lot": lot.text("code"), "on_hand_g": n("1000"), "use_by.date": "2026-11-28", "use_by.binds": "opened_ingredient", "places.0.place": "cold-room"})
	require.Equal(t, "L261125-01.1", opened.text("code")[:12])

	s := b.stock()
	s.cream = opened.text("code")
	melt := b.melt(s)
	melt.has(map[string]any{
		"vat": "vat-dark", "quantity_g": n("12000"), "lots.0.lot": s.dark, "lots.0.share": n("0.833333"), "lots.0.certainty": "contains", "lots.1.share": n("0.166667"),
	})
	charge := melt.text("charge")

	ganache := b.ganache(s, charge)
	ganache.has(map[string]any{
		"on_hand_g": n("1200"), "yield_g": n("1200"), "yield_basis": "assumed", "deviations": []any{}, "ph": n("4.7"), "inputs.0.heated": true, "inputs.0.source": s.cream,
		"use_by.kind": "use_by", "use_by.date": "2026-12-08", "use_by.use_by": "2026-12-08", "use_by.discard_by": "2026-12-09T00:00:00Z", "use_by.ends_by": "2026-12-09T00:00:00Z",
		"use_by.binds": "assessment", "use_by.status": "assessed", "use_by.water_activity.decision": n("0.898"), "use_by.water_activity.basis": "measured_on_formula",
	})

	run := b.run(ganache.text("code"))
	run.has(map[string]any{
		"state": "turned_out", "pieces.cast": n("144"), "pieces.good": n("140"), "pieces.broken": n("4"), "pieces.released": n("0"), "pieces.difference": n("0"),
		"piece_g": n("11.7"), "use_by.date": "2026-12-08", "casting.drawn_g": n("576"), "casting.basis": "assumed", "filling.0.quantity_g": n("936"), "capping.drawn_g": n("172.8"),
		"deviations": []any{},
	})
	code := run.text("code")

	released := b.post("runs/"+code+"/releases", obj{"pieces": 140, "place": "counter"})
	released.has(map[string]any{"released": n("140"), "grade": "first", "use_by.kind": "use_by", "use_by.date": "2026-12-08", "run": code})
	again := b.refused(http.StatusConflict, "wrong-state", "runs/"+code+"/releases", obj{"pieces": 1, "place": "counter"})
	require.Equal(t, n("0"), again["available"])

	sale := b.post("sales", obj{"place": "counter", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 6}}, "channel": "counter", "reference": "till-000231"})
	sale.has(map[string]any{
		"lines.0.design": "blackcurrant-dome", "lines.0.price_minor": n("1080"), "currency": "EUR", "reference": "till-000231",
		"lines.0.allocations": []any{obj{"run": code, "grade": "first", "pieces": n("6"), "how": "single_run_on_place", "use_by": "2026-12-08"}},
	})
	require.Equal(t, sale.text("id"), sale.text("recorded", "events", 0, "id"))
	trade := b.post("sales", obj{"place": "counter", "lines": []obj{{"code": code, "pieces": 18, "price_minor": 2700}}, "channel": "trade", "buyer": "harbour-cafe"})
	trade.has(map[string]any{"lines.0.allocations.0.how": "scanned", "lines.0.price_minor": n("2700"), "buyer": "harbour-cafe"})
	short := b.refused(http.StatusConflict, "not-enough", "sales", obj{"place": "counter", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 117}}, "channel": "counter"})
	require.Equal(t, []any{n("117"), n("116"), "pieces", "counter"}, []any{short["wanted"], short["available"], short["unit"], short["place"]})

	taster := b.post("tasters", obj{"place": "counter", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 4}}, "occasion": "rainy afternoon"})
	taster.has(map[string]any{"lines.0.allocations.0.pieces": n("4"), "occasion": "rainy afternoon", "place": "counter"})

	discard := b.post("discards", obj{"place": "counter", "lines": []obj{{"code": code, "pieces": 2}}, "reason": "damaged", "destination": "refuse", "note": "dropped"})
	discard.has(map[string]any{"lines.0.pieces": n("2"), "lines.0.weight_g": n("23.4"), "lines.0.design": "blackcurrant-dome", "note": "dropped"})

	move := b.post("moves", obj{"from": "counter", "to": "cold-room", "lines": []obj{{"code": code, "pieces": 20}}})
	move.has(map[string]any{"lines.0.pieces": n("20"), "lines.0.new_code": nil, "lines.0.relabel": false})
	frozen := b.post("moves", obj{"from": "cold-room", "to": "freezer", "lines": []obj{{"code": code, "pieces": 20}}, "sealed": true})
	frozen.has(map[string]any{"lines.0.relabel": true, "sealed": true})
	require.Equal(t, "R261125-01.1", frozen.text("lines", 0, "new_code")[:12])

	count := b.post("counts", obj{"place": "counter", "lines": []obj{{"code": code, "pieces": 87}}, "reason": "evening count"})
	count.has(map[string]any{
		"lines.0.pieces": n("87"), "lines.0.had_pieces": n("90"), "lines.0.difference_pieces": n("-3"), "lines.0.released": true, "complete": false, "reason": "evening count",
	})

	b.owner.get(t, "/v1/stock?place=counter&kind=pieces").has(map[string]any{"lines.0.code": code, "lines.0.pieces": n("87")})
	b.owner.get(t, "/v1/runs/"+code).has(map[string]any{"pieces.on_hand": n("107"), "casting.drawn_g": n("576")})
	b.owner.get(t, "/v1/lots/"+lot.text("code")).has(map[string]any{"on_hand_g": n("5600"), "portions.0.on_hand_g": n("600")})
	// 400 of 1200 g of the filling, and 6.5 of 11.7 g of the piece, are cream.
	back := b.owner.get(t, "/v1/trace/"+code+"/back")
	for _, row := range back.at("lots").([]any) {
		if row := row.(map[string]any); row["lot"] == lot.text("code") {
			require.Equal(t, n("0.185185"), row["share"])
			require.Equal(t, n("2.167"), row["per_piece_g"])
			return
		}
	}
	require.Fail(t, "the cream is not in the trace", "%s", back.Body)
}

func TestARunIsWrittenStepByStep(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	s := b.stock()
	ganache := b.ganache(s, b.melt(s).text("charge")).text("code")
	started := b.post("runs", obj{"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 2, "place": "workshop"})
	started.has(map[string]any{"state": "started", "pieces.cast": n("0"), "use_by.date": nil})
	path := "runs/" + started.text("code")
	b.refused(http.StatusConflict, "wrong-state", path+"/turnouts", obj{"good": 48})

	decorated := b.post(path+"/decorations", obj{"stage": "before_casting", "inputs": []obj{{"source": s.violet, "quantity_g": 20}}})
	decorated.has(map[string]any{"decorations.0.quantity_g": n("20"), "decorations.0.basis": "weighed", "decorations.0.stage": "before_casting"})
	cast := b.post(path+"/castings", obj{"vat": "vat-dark", "drawn_g": 1400, "returned_g": 780, "temperature_c": 34.5})
	cast.has(map[string]any{"state": "cast", "pieces.cast": n("48"), "casting.drawn_g": n("1400"), "casting.returned_g": n("780"), "deviations.0.rule": "temperature", "deviations.0.concern": "quality"})
	b.post(path+"/fillings", obj{"source": ganache}).has(map[string]any{"state": "filled", "filling.0.quantity_g": n("312"), "filling.0.basis": "assumed"})
	b.post(path+"/cappings", obj{"vat": "vat-dark", "returned_g": 20}).has(map[string]any{"state": "capped", "capping.drawn_g": n("77.6"), "capping.returned_g": n("20")})
	out := b.post(path+"/turnouts", obj{"good": 40, "seconds": 5, "broken": 1, "broken_to": "bin"})
	out.has(map[string]any{"state": "turned_out", "pieces.good": n("40"), "pieces.seconds": n("5"), "pieces.difference": n("2")})
	b.post(path+"/releases", obj{"pieces": 5, "place": "counter", "grade": "second"}).has(map[string]any{"grade": "second", "released": n("5")})

	deviation := cast.text("deviations", 0, "id")
	decided := b.post("deviations/"+deviation+"/decisions", obj{"decision": "accept", "reason": "the shells set well"})
	decided.has(map[string]any{"deviation": deviation, "decision": "accept"})
	b.owner.get(t, "/v1/deviations?open=true").has(map[string]any{"deviations": []any{}})
}

func TestHoldsChecksAndVats(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, ganache, run := b.onCounter()

	hold := b.post("holds", obj{"code": s.cream, "downstream": true, "reason": "supplier called"})
	hold.has(map[string]any{"open": true, "cause": nil, "downstream": true, "lifted_at": nil})
	held := hold.at("held").([]any)
	for _, code := range []string{s.cream, ganache, run} {
		require.Contains(t, held, code)
	}
	b.refused(http.StatusConflict, "on-hold", "sales", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 1}}, "channel": "counter"})
	b.owner.get(t, "/v1/holds?open=true").has(map[string]any{"holds.0.id": hold.text("id")})
	require.Equal(t, http.StatusForbidden, b.as(roleMaker).post(t, "/v1/holds/"+hold.text("id")+"/lifts", `{"reason":"x"}`).Status)
	b.post("holds/"+hold.text("id")+"/lifts", obj{"reason": "another lot was meant"}).has(map[string]any{"hold": hold.text("id"), "codes": held})
	b.refused(http.StatusConflict, "wrong-state", "holds/"+hold.text("id")+"/lifts", obj{"reason": "again"})
	b.refused(http.StatusNotFound, "unknown-code", "holds/019abb3c-7a40-7c31-9d0e-5b1f6c2a8e10/lifts", obj{"reason": "none such"})

	b.post("checks", obj{"subject": strings.ToLower(ganache), "kind": "visual", "result": "pass"}).has(map[string]any{"subject": ganache, "result": "pass"})
	b.post("checks", obj{"subject": "vat-dark", "kind": "temper", "result": "pass"}).has(map[string]any{"subject": "vat-dark"})
	warm := b.post("checks", obj{"subject": "cold-room", "kind": "temperature", "value": 9.5})
	warm.has(map[string]any{"subject": "cold-room", "value": n("9.5"), "deviations.0.concern": "safety", "deviations.0.place": "cold-room"})
	b.refused(http.StatusBadRequest, "mistyped-code", "checks", obj{"subject": strings.ToLower(ganache[:10]) + "-*", "kind": "visual", "result": "pass"})
	b.refused(http.StatusUnprocessableEntity, "unknown-code", "checks", obj{"subject": "no-such-place", "kind": "visual", "result": "pass"})

	block := b.post("vats/vat-dark/emptyings", obj{"cleaned": true, "rest": "block", "place": "workshop"})
	block.has(map[string]any{"rest": "block", "quantity_g": n("10731.2"), "block.on_hand_g": n("10731.2"), "block.ingredient": "couverture-dark-60", "block.allergens": nil})
	require.Equal(t, "L", block.text("block", "code")[:1])
	b.refused(http.StatusConflict, "wrong-state", "vats/vat-dark/emptyings", obj{"cleaned": true, "rest": "discard"})
	b.refused(http.StatusNotFound, "unknown-code", "vats/no-vat/emptyings", obj{"cleaned": true, "rest": "discard"})
	b.post("vats/vat-dark/melts", obj{"inputs": []obj{{"source": block.text("block", "code"), "quantity_g": 5000}}})
	b.post("vats/vat-dark/emptyings", obj{"cleaned": false, "rest": "discard"}).has(map[string]any{"reason": "process_loss", "destination": "refuse", "quantity_g": n("5000")})
	require.NotEmpty(t, b.owner.get(t, "/v1/vats/vat-dark").text("charge", "code"), "a charge that may contain all of the last")
}

// The maker says how much, and the book which: what is opened before what is not, earliest date first.
func TestAGanacheIsPicked(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	s := b.stock()
	portion := b.post("lots/"+s.cream+"/openings", obj{"quantity_g": 500}).text("code")
	charge := b.melt(s).text("charge")
	made := b.post("ganaches", obj{"formula": "blackcurrant-bay", "pick": "fefo", "scale": 0.5, "vat": "vat-dark", "yield_g": 590, "heat_step": obj{"boiled": true}, "place": "cold-room"})
	made.has(map[string]any{
		"inputs.0.source": portion, "inputs.0.quantity_g": n("200"), "inputs.0.how": "fefo", "inputs.1.source": charge, "inputs.1.quantity_g": n("260"),
		"yield_g": n("590"), "yield_basis": "weighed",
	})
	short := b.refused(http.StatusConflict, "not-enough", "ganaches", obj{"formula": "blackcurrant-bay", "pick": "fefo", "scale": 20, "vat": "vat-dark", "place": "cold-room"})
	require.Equal(t, "g", short["unit"])
	require.Equal(t, n("8000"), short["wanted"])

	b.put("formulas/mint-water", obj{"name": "Mint on water", "storage": "cool", "inputs": []obj{{"ingredient": "water", "quantity_g": 100, "heated": true}, {"ingredient": "couverture-dark-60", "quantity_g": 300}}})
	water := b.post("ganaches", obj{"formula": "mint-water", "place": "workshop", "inputs": []obj{{"ingredient": "water", "quantity_g": 100}, {"source": charge, "quantity_g": 300}}})
	water.has(map[string]any{"inputs.0.ingredient": "water", "use_by.date": nil, "use_by.status": "not_estimated"})
}

// Tasters straight from the mould pass the gate in the same command.
func TestTastersStraightFromTheMould(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	s := b.stock()
	run := b.run(b.ganache(s, b.melt(s).text("charge")).text("code")).text("code")
	taste := obj{"place": "workshop", "lines": []obj{{"code": run, "pieces": 4}}}
	b.refused(http.StatusConflict, "not-released", "tasters", taste)
	taste["release"] = true
	given := b.post("tasters", taste)
	given.has(map[string]any{"lines.0.allocations.0.run": run, "recorded.events.0.type": "pieces_released", "recorded.events.1.type": "pieces_given"})
	require.Equal(t, given.text("id"), given.text("recorded", "events", 1, "id"))
}

// What arrives at fault is recorded and held, and the answer says so.
func TestADeliveryAtFault(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	warm := delivery("cream-35", "example-dairy", 1000, useBy("2026-12-04"), "cold-room")
	delete(warm, "supplier_lot")
	warm["received_temperature_c"], warm["allergens"], warm["may_contain"] = 12, []string{}, []string{"eggs"}
	lot := b.post("lots", warm)
	lot.has(map[string]any{"held": true, "supplier_lot": nil, "deviations.0.rule": "too_warm", "allergens": []any{}, "may_contain": []any{"eggs"}})
	require.Len(t, lot.at("holds"), 2)
	decided := b.post("deviations/"+lot.text("deviations", 0, "id")+"/decisions", obj{"decision": "shorten", "date": "2026-11-27", "reason": "an hour in the van"})
	decided.has(map[string]any{"redated.0.code": lot.text("code"), "redated.0.old": "2026-12-04", "redated.0.use_by.date": "2026-11-27", "date": "2026-11-27"})
	require.Len(t, decided.at("lifted"), 1, "the hold for the missing lot code stays")
}

func TestAnAnswerIsKeptForEver(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, _, run := b.onCounter()
	const sale = `{"place":"counter","lines":[{"design":"blackcurrant-dome","pieces":6}],"channel":"counter"}`
	first := b.owner.post(t, "/v1/sales", sale, headerIdempotencyKey, "till-1")
	require.Equal(t, http.StatusCreated, first.Status)
	require.Empty(t, first.Header.Get("Idempotency-Replayed"))

	other := openTestBook(t, b.db, true) // another process, and another key of the same book
	for _, c := range []client{b.owner, other.as(roleTill)} {
		again := c.post(t, "/v1/sales", `{"channel": "counter", "lines": [{"pieces": 6, "design": "blackcurrant-dome"}], "place": "counter"}`, headerIdempotencyKey, `"till-1"`)
		require.Equal(t, first.Status, again.Status)
		require.Equal(t, string(first.Body), string(again.Body))
		require.Equal(t, "true", again.Header.Get("Idempotency-Replayed"))
		require.Equal(t, first.Header.Get("Content-Type"), again.Header.Get("Content-Type"))
	}
	b.owner.post(t, "/v1/sales", strings.Replace(sale, "6", "7", 1), headerIdempotencyKey, "till-1").problem(http.StatusUnprocessableEntity, "key-reused")
	b.owner.post(t, "/v1/tasters", `{"place":"counter","lines":[{"design":"blackcurrant-dome","pieces":6}]}`, headerIdempotencyKey, "till-1").
		problem(http.StatusUnprocessableEntity, "key-reused")

	tooMany := strings.Replace(sale, "6", "600", 1)
	b.owner.post(t, "/v1/sales", tooMany, headerIdempotencyKey, "till-2").problem(http.StatusConflict, "not-enough")
	require.Equal(t, http.StatusCreated, b.owner.post(t, "/v1/sales", sale, headerIdempotencyKey, "till-2").Status, "a refusal uses no key up")
	b.owner.get(t, "/v1/runs/"+run).has(map[string]any{"pieces.on_hand": n("128")})
}

func TestWhatAlreadyHappenedIsRecorded(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, _, run := b.onCounter()
	late := obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 150}}, "channel": "counter", "already_done": true, "occurred_at": "2026-11-25T08:00:00Z"}
	sold := b.post("sales", late)
	sold.has(map[string]any{"deviations.0.rule": "not-enough", "deviations.0.concern": "quality", "recorded.events.0.type": "stock_counted", "recorded.events.1.type": "pieces_sold"})
	require.Equal(t, sold.text("id"), sold.text("recorded", "events", 1, "id"))

	sale := obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 1}}, "channel": "counter"}
	sale["occurred_at"] = "2026-11-25T08:06:00Z"
	b.refused(http.StatusUnprocessableEntity, "in-the-future", "sales", sale)
	sale["occurred_at"] = "2026-10-01T08:00:00Z"
	require.Equal(t, http.StatusUnprocessableEntity, b.as(roleCounter).post(t, "/v1/sales", text(t, sale)).Status)
}

// A mistyped code is told before anything else that is wrong, the first of the request first.
func TestAMistypedCodeIsToldFirst(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	refused := b.refused(http.StatusBadRequest, "mistyped-code", "sales", obj{"place": "nowhere", "channel": "counter", "lines": []obj{
		{"design": "no-design", "pieces": 1}, {"code": "R261125-01-0", "pieces": 1}, {"code": "R261125-02-0", "pieces": 1},
	}})
	require.Equal(t, "R261125-01-0", refused["typed"])
	refused = b.refused(http.StatusBadRequest, "mistyped-code", "runs/R261125-09-0/fillings", obj{"source": "G261125-01-0"})
	require.Equal(t, "R261125-09-0", refused["typed"])
	for path, body := range map[string]obj{
		"lots/L261125-01-0/openings":    {"quantity_g": 1},
		"vats/no-vat/melts":             {"inputs": []obj{{"source": "L261125-01-0", "quantity_g": 1}}},
		"ganaches":                      {"formula": "none", "place": "none", "inputs": []obj{{"source": "L261125-01-0", "quantity_g": 1}}},
		"runs":                          {"design": "none", "mould": "none", "moulds": 1, "place": "none", "decorations": []obj{{"stage": "before_casting", "inputs": []obj{{"source": "L261125-01-0"}}}}},
		"runs/R261125-01-0/castings":    {"vat": "none"},
		"runs/R261125-01-0/cappings":    {"vat": "none"},
		"runs/R261125-01-0/turnouts":    {"good": 1},
		"runs/R261125-01-0/releases":    {"pieces": 1, "place": "none"},
		"runs/R261125-01-0/decorations": {"stage": "after_capping", "inputs": []obj{{"source": "L261125-01-0"}}},
		"tasters":                       {"place": "none", "lines": []obj{{"code": "R261125-01-0", "pieces": 1}}},
		"moves":                         {"from": "none", "to": "none", "lines": []obj{{"code": "R261125-01-0", "pieces": 1}}},
		"discards":                      {"place": "none", "reason": "damaged", "destination": "refuse", "lines": []obj{{"code": "R261125-01-0", "pieces": 1}}},
		"counts":                        {"place": "none", "lines": []obj{{"code": "R261125-01-0", "pieces": 1}}},
		"holds":                         {"code": "R261125-01-0", "reason": "x"},
	} {
		b.refused(http.StatusBadRequest, "mistyped-code", path, body)
	}
}

func TestDefinitionsAreVersioned(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	mould := obj{"name": "Dome 24", "cavities": 24}
	first := b.put("moulds/dome-24", mould)
	require.Equal(t, http.StatusCreated, first.Status)
	first.has(map[string]any{"slug": "dome-24", "version": n("1"), "defined_at": "2026-11-25T08:00:00Z", "cavities": n("24"), "recorded.events.0.type": "mould_defined"})
	b.at("2026-11-25T09:00:00Z")
	same := b.put("moulds/dome-24", mould)
	require.Equal(t, http.StatusOK, same.Status)
	same.has(map[string]any{"version": n("1"), "defined_at": "2026-11-25T08:00:00Z"})
	mould["cavities"] = 25
	require.Equal(t, http.StatusCreated, b.put("moulds/dome-24", mould).Status)
	b.owner.get(t, "/v1/moulds/dome-24").has(map[string]any{"version": n("2"), "cavities": n("25"), "defined_at": "2026-11-25T09:00:00Z"})
	b.owner.get(t, "/v1/moulds/dome-24?version=1").has(map[string]any{"version": n("1"), "cavities": n("24")})
	b.owner.get(t, "/v1/moulds/dome-24?version=3").problem(http.StatusNotFound, "unknown-code")
	b.owner.get(t, "/v1/moulds/dome-25").problem(http.StatusNotFound, "unknown-code")
	b.put("places/counter", obj{"name": "Counter", "site": "nowhere", "storage": "cool"}).problem(http.StatusUnprocessableEntity, "unknown-code")
	b.put("sites/quay-lane", obj{"name": "Quay Lane", "time_zone": "Europe/Nowhere", "currency": "EUR"}).problem(http.StatusUnprocessableEntity, "invalid-request")

	for _, slug := range []string{"bar-6", "square-28"} {
		b.put("moulds/"+slug, obj{"name": slug, "cavities": 6})
	}
	page := b.owner.get(t, "/v1/moulds?limit=2")
	page.has(map[string]any{"moulds.0.slug": "bar-6", "moulds.1.slug": "dome-24", "moulds.1.version": n("2")})
	b.owner.get(t, "/v1/moulds?limit=2&cursor="+page.text("next_cursor")).has(map[string]any{"moulds.0.slug": "square-28", "next_cursor": nil})
}

// None is not the same as not known, and stays so on the way through the book.
func TestNoAllergensAndAllergensNotKnown(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	for slug, given := range map[string]any{"none": []string{}, "some": []string{"nuts:hazelnut", "milk"}} {
		b.put("ingredients/"+slug, obj{"name": slug, "kind": "other", "allergens": given}).has(map[string]any{"slug": slug})
		shown := b.owner.get(t, "/v1/ingredients/"+slug).at("allergens").([]any)
		require.Len(t, shown, len(given.([]string)))
	}
	for _, body := range []obj{{"name": "unknown", "kind": "other"}, {"name": "unknown", "kind": "other", "allergens": nil}} {
		require.NotContains(t, b.put("ingredients/unknown", body).json(), "allergens")
	}
	require.Equal(t, http.StatusCreated, b.put("ingredients/unknown", obj{"name": "unknown", "kind": "other", "allergens": []string{}}).Status, "it is known now")
	b.put("ingredients/bad", obj{"name": "bad", "kind": "other", "allergens": []string{"nuts"}}).misfits()
	require.Equal(t, http.StatusUnprocessableEntity, b.put("ingredients/bad", obj{"name": "bad", "kind": "other", "like": "moon_dust"}).Status)
}

func TestWhatARoleMayDefineAndSee(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	maker := b.as(roleMaker)
	put := func(path string, body obj) answer { return maker.do(t, http.MethodPut, "/v1/"+path, text(t, body)) }
	put("places/shelf", obj{"name": "Shelf", "site": "quay-lane", "storage": "cool"}).problem(http.StatusForbidden, "forbidden")
	put("designs/dear", obj{"name": "Dear", "chocolate": "dark", "shell_g": 4, "price_minor": 900}).problem(http.StatusForbidden, "forbidden")
	require.Equal(t, http.StatusCreated, put("designs/plain", obj{"name": "Plain", "chocolate": "dark", "shell_g": 4}).Status)

	sent := text(t, delivery("cream-35", "example-dairy", 1000, useBy("2026-12-04"), "cold-room"))
	lot := maker.post(t, "/v1/lots", sent, headerIdempotencyKey, "note-1")
	require.Equal(t, http.StatusCreated, lot.Status)
	require.NotContains(t, lot.json(), "price_minor")
	require.NotContains(t, lot.json(), "currency")
	lot.has(map[string]any{"supplier": "example-dairy"})
	replayed := b.owner.post(t, "/v1/lots", sent, headerIdempotencyKey, "note-1")
	require.Equal(t, string(lot.Body), string(replayed.Body), "the first answer is what the first caller saw")
	b.owner.get(t, "/v1/lots/"+lot.text("code")).has(map[string]any{"price_minor": n("2940"), "history.0.data.price_minor": n("2940")})
	seen := maker.get(t, "/v1/lots/"+lot.text("code"))
	require.NotContains(t, string(seen.Body), "price_minor")
	b.as(roleCounter).get(t, "/v1/lots/"+lot.text("code")).problem(http.StatusForbidden, "forbidden")

	require.Equal(t, http.StatusForbidden, b.as(roleTill).post(t, "/v1/tasters", `{}`).Status)
	require.Equal(t, http.StatusForbidden, b.as(roleAuditor).post(t, "/v1/sales", `{}`).Status)
}

func TestTheManualClock(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.at("2026-11-25T09:00:00.123456Z")
	b.at("2026-11-25T09:00:00.123456Z")
	b.owner.post(t, "/v1/clock", `{"now":"2026-11-25T08:59:00Z"}`, headerIdempotencyKey, "").problem(http.StatusUnprocessableEntity, "too-long-ago")
	b.as(roleMaker).post(t, "/v1/clock", `{"now":"2026-11-26T08:59:00Z"}`, headerIdempotencyKey, "").problem(http.StatusForbidden, "forbidden")
	running := openTestBook(t, pgtest.New(t), false)
	running.owner.post(t, "/v1/clock", `{"now":"2026-11-26T08:59:00Z"}`, headerIdempotencyKey, "").problem(http.StatusConflict, "wrong-state")
}

// What is on the document and still impossible, with the status that the contract gives it.
func TestWhatCannotBe(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, ganache, run := b.onCounter()
	charge := b.owner.get(t, "/v1/vats/vat-dark").text("charge", "code")
	unknown := "R261125-02-5"
	sale := func(place, channel string, line obj) obj {
		return obj{"place": place, "channel": channel, "lines": []obj{line}}
	}
	for _, c := range []struct {
		name   string
		status int
		slug   string
		path   string
		body   obj
	}{
		{"a lot where a run is meant, in a URL", 422, "wrong-kind-of-thing", "runs/" + s.cream + "/castings", obj{"vat": "vat-dark"}},
		{"a run that is not, in a URL", 404, "unknown-code", "runs/" + unknown + "/castings", obj{"vat": "vat-dark"}},
		{"a run that is not, in a URL to release", 404, "unknown-code", "runs/" + unknown + "/releases", obj{"pieces": 1, "place": "counter"}},
		{"a run that is not, in a body", 422, "unknown-code", "sales", sale("counter", "counter", obj{"code": unknown, "pieces": 1})},
		{"a ganache sold", 422, "wrong-kind-of-thing", "sales", sale("counter", "counter", obj{"code": ganache, "pieces": 1})},
		{"a place that does not sell", 422, "wrong-kind-of-thing", "sales", sale("workshop", "counter", obj{"design": "blackcurrant-dome", "pieces": 1})},
		{"a buyer that is not", 422, "unknown-code", "sales", obj{"place": "counter", "channel": "trade", "buyer": "nobody", "lines": []obj{{"code": run, "pieces": 1}}}},
		{"trade without a buyer", 400, "invalid-request", "sales", sale("counter", "trade", obj{"code": run, "pieces": 1})},
		{"melting a run", 422, "wrong-kind-of-thing", "vats/vat-dark/melts", obj{"inputs": []obj{{"source": run, "quantity_g": 1}}}},
		{"melting cream", 422, "wrong-kind-of-thing", "vats/vat-dark/melts", obj{"inputs": []obj{{"source": s.cream, "quantity_g": 1}}}},
		{"more than the lot has", 409, "not-enough", "vats/vat-dark/melts", obj{"inputs": []obj{{"source": s.darkToo, "quantity_g": 4000}}}},
		{"opening a charge", 422, "wrong-kind-of-thing", "lots/" + charge + "/openings", obj{"quantity_g": 1}},
		{"more out of the bowl than went in", 409, "wrong-state", "ganaches", obj{"formula": "blackcurrant-bay", "place": "workshop", "yield_g": 11, "inputs": []obj{{"source": charge, "quantity_g": 10}}}},
		{"casting twice", 409, "wrong-state", "runs/" + run + "/castings", obj{"vat": "vat-dark"}},
		{"moving to where it is", 422, "invalid-request", "moves", obj{"from": "counter", "to": "counter", "lines": []obj{{"code": run, "pieces": 1}}}},
		{"moving more than there is", 409, "not-enough", "moves", obj{"from": "counter", "to": "workshop", "lines": []obj{{"code": run, "pieces": 141}}}},
		{"counting grams of pieces", 422, "wrong-kind-of-thing", "counts", obj{"place": "counter", "lines": []obj{{"code": run, "quantity_g": 1}}}},
		{"discarding from nowhere", 422, "unknown-code", "discards", obj{"place": "nowhere", "reason": "damaged", "destination": "refuse", "lines": []obj{{"code": run, "pieces": 1}}}},
		{"holding what is not", 422, "unknown-code", "holds", obj{"code": unknown, "reason": "x"}},
		{"deciding what is not", 404, "unknown-code", "deviations/019abb3c-7a40-7c31-9d0e-5b1f6c2a8e10/decisions", obj{"decision": "accept", "reason": "x"}},
		{"before it existed", 409, "before-it-existed", "moves", obj{"from": "counter", "to": "workshop", "lines": []obj{{"code": run, "pieces": 1}}, "occurred_at": "2026-11-25T07:00:00Z"}},
		{"a fourth decimal", 400, "invalid-request", "lots/" + s.cream + "/openings", obj{"quantity_g": 0.0001}},
		{"by design, unknown", 422, "unknown-code", "sales", sale("counter", "counter", obj{"design": "no-such-dome", "pieces": 1})},
	} {
		t.Run(c.name, func(t *testing.T) {
			b.owner.post(t, "/v1/"+c.path, text(t, c.body)).problem(c.status, c.slug)
		})
	}
	b.owner.get(t, "/v1/runs/"+run).has(map[string]any{"pieces.on_hand": n("140")})

	gone := b.post("discards", obj{"reason": "trial", "destination": "refuse", "lines": []obj{{"code": charge, "quantity_g": 100}}})
	gone.has(map[string]any{"lines.0.quantity_g": n("100"), "lines.0.weight_g": n("100")})
	require.NotContains(t, gone.json(), "place", "a charge stands in its tank")

	b.post("moves", obj{"from": "workshop", "to": "counter", "lines": []obj{{"code": s.sugar, "quantity_g": 1000}}})
	b.refused(http.StatusUnprocessableEntity, "wrong-kind-of-thing", "lots/"+s.sugar+"/openings", obj{"quantity_g": 10})
	b.post("lots/"+s.sugar+"/openings", obj{"quantity_g": 10, "place": "counter"}).has(map[string]any{"places.0.place": "counter"})
	complete := b.post("counts", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 139}}, "complete": true})
	require.Len(t, complete.at("lines"), 3, "what is not listed is none: the sugar, and what was opened of it")
}
