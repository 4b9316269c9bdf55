package events_test

import (
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// The examples are of an invented seaside shop: Quay Lane, with a stall on the market.
var (
	november25 = civil.Day{Year: 2026, Month: 11, Day: 25}
	lot        = events.NewCode(events.KindLot, november25, 1, 0)
	portion    = lot.Part(1)
	lot2       = events.NewCode(events.KindLot, november25, 2, 0)
	charge     = events.NewCode(events.KindCharge, november25, 1, 0)
	ganache    = events.NewCode(events.KindGanache, november25, 1, 0)
	run        = events.NewCode(events.KindRun, november25, 1, 0)
	box        = events.NewCode(events.KindBox, november25, 1, 0)
	opened     = uuid.MustParse("019ab9d0-7b10-7a52-8d31-5c1d2e3f4a5b")
)

func of[T any](value T) *T { return &value }

// expiry is a date with everything that can stand beside it.
func expiry() events.Expiry {
	day := civil.Day{Year: 2026, Month: 12, Day: 8}
	end := time.Date(2026, 12, 9, 0, 0, 0, 0, time.UTC)
	return events.Expiry{
		Kind: "use_by", Date: &day, UseBy: &day, DiscardBy: &end, EndsBy: end, Binds: "assessment",
		Limits: []events.Limit{
			{
				Name: "assessment", Date: &day, Source: "LAB-0417, less 12 h for 6 h at 28 °C in the Counter", Basis: "assessment",
				LostH: 12, WholeSource: "LAB-0417",
			},
			{Name: "opened_ingredient", Date: of(civil.Day{Year: 2026, Month: 11, Day: 28}), Subject: string(portion), ReleasedBy: "LAB-0417"},
			{Name: "piping_bag", At: of(time.Date(2026, 12, 9, 13, 30, 0, 0, time.UTC)), Source: "common practice, no source"},
		},
		WaterActivity: &events.WaterActivity{Estimated: of(0.871), WithoutEthanol: of(0.884), Decision: of(0.898), Basis: "measured_on_formula"},
		PH:            of(4.7), Status: "assessed", UsedShare: 0.25, Instead: of("chilled"), Method: "1", Tables: "1",
		Cautions: []string{"Local food law and a qualified person's judgement come before this date."},
	}
}

func runStart() *events.RunStart {
	return &events.RunStart{
		Design: "blackcurrant-dome", DesignVersion: 2, Mould: "dome-24", MouldVersion: 1, Moulds: 6, Cavities: 144, Place: "workshop",
	}
}

func draws() []events.Draw {
	return []events.Draw{
		{Source: portion, Place: "cold-room", Quantity: 400 * events.Gram, Heated: true, Basis: "weighed", How: "fefo"},
		{Source: charge, Place: "vat-dark", Quantity: 520 * events.Gram, Purpose: "melt", Basis: "assumed", How: "given"},
		{Ingredient: "water", Quantity: 12_500},
	}
}

func chocolate() events.ChocolateDraw {
	return events.ChocolateDraw{Vat: "vat-dark", Charge: charge, Drawn: 1400 * events.Gram, Returned: 780 * events.Gram, Basis: "weighed"}
}

func stockOfRun() events.StockOf { return events.StockOf{Code: run, Grade: "second", Unreleased: true} }

func allocations() []events.Allocation {
	day := civil.Day{Year: 2026, Month: 12, Day: 8}
	return []events.Allocation{
		{Code: run, Grade: "first", Pieces: 5, How: "single_run_on_place", Date: &day},
		{Code: run, Grade: "second", Unreleased: true, Pieces: 1, How: "scanned", Date: &day},
	}
}

func defined(slug string) events.Defined { return events.Defined{Slug: slug, DefVersion: 2} }

func spells() []events.Spell {
	from := time.Date(2026, 11, 25, 18, 30, 0, 0, time.UTC)
	return []events.Spell{{Place: "freezer", From: from, To: from.Add(14*time.Hour + 30*time.Minute), TemperatureC: -6, Paused: true}}
}

// exampleEvents is one event of each type, with every field set.
func exampleEvents() []events.Event {
	var all []events.Event
	for _, family := range [][]events.Event{definitions(), moreDefinitions(), goods(), vats(), runs(), lastSteps(), stock(), boxes(), care(), recalls()} {
		all = append(all, family...)
	}
	return all
}

func definitions() []events.Event {
	return []events.Event{
		events.SiteDefined{Defined: defined("quay-lane"), Site: events.Site{
			Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR", Operator: "Example Chocolate Ltd", Address: "1 Quay Lane",
			Country: "IE", Handles: []string{"nuts:hazelnut"}, Links: "https://shop.example", ContainsFrom: new(0.05),
		}},
		events.PlaceDefined{Defined: defined("counter"), Place: events.Place{
			Name: "Counter", Site: "quay-lane", Storage: "cool", Sells: true, Monitoring: "by_hand", Quarantine: true,
			LimitC: of(18.0), Tolerance: &events.Tolerance{C: 3, Minutes: 60},
		}},
		events.SupplierDefined{Defined: defined("example-dairy"), Supplier: events.Supplier{
			Person: uuid.MustParse("019ab9e6-2f50-7c3a-9b57-0d6f1f0f5b01"), ApprovalNumber: "IE 0000 EC",
		}},
		events.BuyerDefined{Defined: defined("harbour-cafe"), Buyer: events.Buyer{Person: uuid.MustParse("019ab9e6-2f50-7c3a-9b57-0d6f1f0f5b02")}},
		events.PersonErased{
			Kind: "buyer", Slug: "harbour-cafe", People: []uuid.UUID{uuid.MustParse("019ab9e6-2f50-7c3a-9b57-0d6f1f0f5b02")},
		},
		events.IngredientDefined{Defined: defined("couverture-dark-60"), Ingredient: events.Ingredient{
			Name: "Couverture drops, dark 60 %", LabelName: "dark chocolate", Consists: "cocoa mass, sugar, cocoa butter, emulsifier: lecithins (soya)", Kind: "couverture", Chocolate: "dark", Storage: "cool", OpenLifeDays: of(180), KeepsDays: of(540),
			Allergens: &[]string{"soybeans"}, MayContain: []string{"milk"}, Like: "couverture_dark_60",
			Composition: map[string]float64{"cocoa_butter": 38.5, "sucrose": 39.5}, Untracked: true,
		}},
		events.MouldDefined{Defined: defined("dome-24"), Mould: events.Mould{Name: "Dome 24", Cavities: 24}},
	}
}

func moreDefinitions() []events.Event {
	return []events.Event{
		events.FormulaDefined{Defined: defined("blackcurrant-bay"), Formula: events.Formula{
			Name: "Blackcurrant & bay", Storage: "cool", TolerancePercent: of(5.0), PipingCMax: of(32.0),
			ShopLimitDays: map[string]int{"cool": 10, "chilled": 18},
			Inputs:        []events.FormulaInput{{Ingredient: "cream-35", Quantity: 400 * events.Gram, Heated: true}},
			HeatStep:      &events.HeatStep{Boiled: true, TemperatureC: of(102.5), Minutes: of(1.5)},
			Measured: &events.FormulaMeasured{
				WaterActivity: of(0.893), Uncertainty: of(0.005), PH: of(4.7), Samples: of(3), Document: "LAB-0533",
				On: civil.Day{Year: 2026, Month: 9, Day: 1}, ValidUntil: civil.Day{Year: 2027, Month: 9, Day: 1},
			},
			Assessment: &events.Assessment{
				Document: "LAB-0417", By: "Example Food Lab", On: civil.Day{Year: 2026, Month: 9, Day: 1}, Kind: "study", DateKind: "use_by",
				WaterActivityMax: of(0.93), PHMax: of(5.2), Days: map[string]int{"cool": 14, "chilled": 21},
				Releases: []string{"ingredient_use_by", "opened_ingredient"},
				Requires: &events.HeatStep{Boiled: true, TemperatureC: of(85.0), Minutes: of(2.0)},
			},
		}},
		events.VatDefined{Defined: defined("vat-dark"), Vat: events.Vat{
			Name: "Dark tank", Chocolate: "dark", Capacity: 24_000 * events.Gram, Site: "quay-lane",
			WorkingC: &events.Band{Min: of(30.5), Max: of(33.0)}, CleanEveryDays: of(14),
		}},
		events.DesignDefined{Defined: defined("blackcurrant-dome"), Design: events.Design{
			Name: "Blackcurrant dome", LabelName: "Filled dark chocolate, blackcurrant and bay", Chocolate: "dark", CapChocolate: "dark", Shell: 4 * events.Gram, Cap: 1200,
			Fillings: []events.DesignFilling{
				{Formula: "blackcurrant-bay", Quantity: 6500}, {Ingredient: "blackcurrant-jelly", Quantity: 500},
			},
			Decorations: []events.DesignDecoration{{Ingredient: "cocoa-butter-violet", Quantity: 300, Stage: "before_casting"}},
			PriceMinor:  of(int64(180)), DaysForCustomer: of(2), GTIN: "09521234543213", Quid: []string{"blackcurrant-puree"},
		}},
		events.SchemeDefined{Defined: defined("life-scheme"), LifeScheme: events.LifeScheme{
			Bands: []events.LifeBand{
				{WaterActivityMax: 0.88, Cool: events.Keeps{Days: 8}, Chilled: events.Keeps{Days: 21}},
				{WaterActivityMax: 1, Included: true, Cool: events.Keeps{Hours: 4}, Chilled: events.Keeps{Hours: 72}},
			},
			BestBeforeBinds: &[]string{"couverture", "dairy"},
		}},
	}
}

func goods() []events.Event {
	return []events.Event{
		events.IngredientReceived{
			Lot: lot, Ingredient: "cream-35", IngredientVersion: 1, Supplier: "example-dairy", SupplierLot: "CR-7731", Quantity: 6000 * events.Gram,
			DateMark: events.DateMark{Kind: "use_by", Date: of(civil.Day{Year: 2026, Month: 12, Day: 4})}, PriceMinor: of(int64(2940)), Currency: "EUR",
			ReceivedTemperatureC: of(3.8), DeliveryNote: "DN-1182", Place: "cold-room", Allergens: &[]string{"milk"}, MayContain: &[]string{"nuts:hazelnut"},
			Composition: map[string]float64{"water": 59.1, "milk_fat": 35}, Expiry: expiry(),
		},
		events.PortionOpened{
			Portion: portion, Lot: lot, Place: "cold-room", Quantity: 1000 * events.Gram, ByItself: true, Expiry: expiry(), RuleBroken: []string{"past-date"},
		},
		events.GanacheMade{
			Ganache: ganache, Formula: "blackcurrant-bay", FormulaVersion: 2, Inputs: draws(), Yield: 1160 * events.Gram, YieldBasis: "weighed", Evaporated: 20 * events.Gram,
			HeatStep: &events.HeatStep{Boiled: true, TemperatureC: of(102.5), Minutes: of(1.5)}, PH: of(4.7), PackedHot: true,
			Cooling:       []events.TemperatureReading{{At: time.Date(2026, 11, 25, 10, 15, 0, 0, time.UTC), TemperatureC: 20.5}},
			WaterActivity: &events.MeasuredValue{Value: 0.9, Uncertainty: of(0.005)}, Place: "cold-room", Expiry: expiry(), RuleBroken: []string{"on-hold"},
		},
	}
}

func vats() []events.Event {
	return []events.Event{
		events.ChocolateMelted{
			Vat: "vat-dark", Charge: charge, NewCharge: true, Inputs: draws(), OtherChocolate: true, RuleBroken: []string{"wrong-chocolate"},
		},
		events.VatEmptied{
			Vat: "vat-dark", Charge: charge, Cleaned: true, Rest: "block", Quantity: 3250 * events.Gram, Reason: "leftover", Destination: "rework",
			Block:      &events.Block{Lot: lot2, Ingredient: "couverture-dark-60", Place: "workshop", Expiry: expiry()},
			NextCharge: events.NewCode(events.KindCharge, november25, 2, 0),
		},
	}
}

func runs() []events.Event {
	return []events.Event{
		events.RunStarted{Run: run, Start: *runStart(), Expiry: expiry()},
		events.ShellsCast{Run: run, Start: runStart(), Draw: chocolate(), TemperatureC: of(32.0), Expiry: expiry(), RuleBroken: []string{"on-hold"}},
		events.PiecesDecorated{
			Run: run, Start: runStart(), Stage: "before_casting", Inputs: draws(), Expiry: expiry(), RuleBroken: []string{"past-date"},
		},
		events.MouldsFilled{
			Run: run, Start: runStart(), Fillings: draws(), TemperatureC: of(31.0), Expiry: expiry(), RuleBroken: []string{"past-date"},
		},
		events.MouldsCapped{Run: run, Start: runStart(), Draw: chocolate(), TemperatureC: of(32.0), Expiry: expiry(), RuleBroken: []string{"on-hold"}},
	}
}

func lastSteps() []events.Event {
	return []events.Event{
		events.PiecesTurnedOut{
			Run: run, Place: "workshop", Good: 130, Seconds: 4, Broken: 3, Unfilled: 2, Eaten: 2, LeftInMould: 1, BrokenTo: "bin",
			UnfilledTo: &events.ShellsToVat{Vat: "vat-dark", Charge: charge, Quantity: 8 * events.Gram}, RuleBroken: []string{"wrong-chocolate"}, PieceMass: 11_700,
		},
		events.PiecesReleased{
			Run: run, Grade: "first", Pieces: 130, From: "workshop", Place: "counter", Expiry: expiry(), RuleBroken: []string{"undecided-deviation"},
		},
	}
}

func stock() []events.Event {
	return []events.Event{
		events.StockMoved{
			From: "counter", To: "freezer", Sealed: true, IntoBag: true, RuleBroken: []string{"not-enough"},
			Lines: []events.MovedLine{
				{
					StockOf: stockOfRun(), Amount: events.Amount{Pieces: 20}, NewCode: run.Part(1), Expiry: of(expiry()),
					Parting: &events.Parting{Cause: "frozen", Freezing: &events.Freezing{At: time.Date(2026, 11, 25, 8, 30, 0, 0, time.UTC), Sealed: true, Again: true}, Spells: spells()},
				},
				{StockOf: events.StockOf{Code: lot}, Amount: events.Amount{Quantity: 500 * events.Gram}},
			},
		},
		events.PiecesSold{
			Place: "counter", Channel: "trade", Buyer: "harbour-cafe", Reference: "till-000231", RuleBroken: []string{"not-released"},
			Lines: []events.SoldLine{{Design: "blackcurrant-dome", Allocations: allocations(), PriceMinor: of(int64(1080)), Currency: "EUR"}},
		},
		events.PiecesGiven{
			Place: "market-stall", Occasion: "market day", RuleBroken: []string{"not-released"},
			Lines: []events.GivenLine{{Design: "blackcurrant-dome", Allocations: allocations()}},
		},
		events.StockDiscarded{
			Place: "counter", Reason: "damaged", Destination: "bin", Note: "dropped", RuleBroken: []string{"not-enough"},
			Lines: []events.DiscardedLine{
				{StockOf: stockOfRun(), Amount: events.Amount{Pieces: 2}, Design: "blackcurrant-dome", Weight: 23_400},
				{StockOf: events.StockOf{Code: lot}, Amount: events.Amount{Quantity: 40 * events.Gram}, Weight: 40 * events.Gram},
			},
		},
		events.StockCounted{
			Place: "counter", Complete: true, Reason: "evening count",
			Lines: []events.CountedLine{
				{StockOf: stockOfRun(), Found: events.Amount{Pieces: 107}, Had: events.Amount{Pieces: 108}},
				{StockOf: events.StockOf{Code: lot}, Found: events.Amount{Quantity: 4990 * events.Gram}, Had: events.Amount{Quantity: 5000 * events.Gram}},
			},
		},
	}
}

func boxes() []events.Event {
	return []events.Event{
		events.BoxesPacked{
			Box: box, Name: "Box of nine", Boxes: 10, Place: "counter", PriceMinor: of(int64(1600)), Currency: "EUR", Expiry: expiry(),
			RuleBroken: []string{"not-released"},
			Contents: []events.BoxContent{
				{Run: run, Design: "blackcurrant-dome", Grade: "first", Pieces: 9, PieceMass: 11_700, How: "presumed", Unreleased: true, Date: of(civil.Day{Year: 2026, Month: 12, Day: 8})},
			},
		},
		events.BoxesOpened{
			Box: box, Place: "counter", Boxes: 2, RuleBroken: []string{"on-hold"},
			Lines: []events.UnboxedLine{{StockOf: stockOfRun(), Pieces: 18, NewCode: run.Part(1), Expiry: of(expiry())}},
		},
	}
}

func recalls() []events.Event {
	reached := []events.RecalledThing{{Code: lot, Certainty: "contains"}, {Code: run, Certainty: "may_contain"}}
	return []events.Event{
		events.RecallOpened{
			Code: lot, Supplier: "example-dairy", SupplierLots: []string{"CR-7731"}, ReceivedFrom: of(civil.Day{Year: 2026, Month: 11, Day: 20}),
			ReceivedTo: of(november25), Roots: []events.Code{lot}, Reach: "may_contain", Drill: true, Reason: "the dairy called: glass",
			ToldBy: "Example Dairy", ToldAt: &recordedAt, Reached: reached, Hold: &opened,
		},
		events.RecallNarrowed{Recall: opened, Left: reached[:1], LetGo: []events.Code{run}, Hold: &opened, Reason: "the laboratory found nothing in the tank"},
		events.RecallClosed{
			Recall: opened, Hold: &opened, Reason: "all accounted for",
			Decisions: []events.RecallDecision{{Code: lot, Decision: "returned_to_supplier", Note: "collected on Friday"}},
		},
	}
}

func care() []events.Event {
	return []events.Event{
		events.HoldPlaced{
			Code: lot, Place: "cold-room", Downstream: true, Reason: "supplier called", Cause: "too_warm", Deviation: &opened, Codes: []events.Code{lot, ganache, run},
		},
		events.HoldLifted{Hold: opened, Codes: []events.Code{lot, ganache, run}, Reason: "the dairy's laboratory found nothing"},
		events.Checked{
			Code: ganache, Place: "cold-room", Vat: "vat-dark", Kind: "water_activity", Value: of(0.893), Result: "pass", Uncertainty: of(0.003),
			Method: "lab", Document: "LAB-0533", Instrument: "meter 2", From: of(recordedAt.Add(-time.Hour)), To: &recordedAt,
		},
		events.DeviationOpened{
			Code: run, Place: "workshop", Concern: "quality", Rule: "temperature", Detail: "34 °C is above the tank's 33 °C.", Value: of(34.0),
			Band: &events.Band{Min: of(30.5), Max: of(33.0)},
		},
		events.DeviationDecided{
			Deviation: opened, Code: run, Decision: "shorten", Date: of(civil.Day{Year: 2026, Month: 12, Day: 5}), Reason: "a dull surface, nothing worse",
		},
		events.LabelPrinted{
			Code: run, Copies: 12, Name: "Blackcurrant dome, defrosted", DateKind: "use_by", Date: of(civil.Day{Year: 2026, Month: 12, Day: 8}),
			Contains: []string{"milk", "soybeans"}, MayContain: []string{"nuts:hazelnut"}, Content: "9f86d081884c",
		},
		events.CommandCorrected{
			Corrected: opened, Event: opened, Type: "hold_lifted", Reason: "typed 60, meant 6", Concerned: []events.Code{lot, run},
			Events: []events.Replacing{{
				Position: 17, ID: opened, Version: 1, Site: "quay-lane", OccurredAt: recordedAt.Add(-time.Hour),
				Data: events.HoldLifted{Hold: opened, Codes: []events.Code{ganache}, Reason: "the dairy called"},
			}},
		},
		events.Redated{Code: run, Old: of(civil.Day{Year: 2026, Month: 12, Day: 10}), Expiry: expiry(), Cause: "storage_reading", Spells: spells()},
	}
}
