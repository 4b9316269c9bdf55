package projections_test

import (
	"context"
	"encoding/binary"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// book writes events to a database as they come, with the whole book in memory beside it to compare with.
type book struct {
	pool  *pgxpool.Pool // of the role that serves
	owner *pgxpool.Pool // of the role that owns the tables
	set   *workshop.Set
	head  eventlog.Head
}

func openBook(t *testing.T) *book {
	t.Helper()
	db := pgtest.New(t)
	b := &book{pool: db.App, owner: db.Owner, set: workshop.NewSet(&workshop.Definitions{}, true)}
	head, err := eventlog.ReadHead(t.Context(), b.pool)
	require.NoError(t, err)
	b.head = head
	return b
}

// write records the events of one command that happened at an instant.
func (b *book) write(ctx context.Context, at time.Time, data ...events.Event) error {
	fork := b.set.Fork()
	var recorded []events.Recorded
	for i, d := range data {
		r := events.Recorded{
			Position: b.head.Position + int64(i) + 1, Version: events.NewestVersion(d), OccurredAt: at, RecordedAt: at,
			Actor: "maker", Site: "quay-lane", Key: "k", Data: d,
		}
		binary.BigEndian.PutUint64(r.ID[8:], uint64(r.Position))
		r.Command = r.ID
		if err := fork.Apply(r); err != nil {
			return err
		}
		recorded = append(recorded, r)
	}
	next := b.head.After(recorded)
	err := pgx.BeginFunc(ctx, b.pool, func(tx pgx.Tx) error {
		batch := &pgx.Batch{}
		var head eventlog.Head
		eventlog.QueueLock(batch, &head)
		if err := projections.QueueSave(batch, fork, recorded); err != nil {
			return err
		}
		if err := eventlog.QueueAppend(batch, recorded, nil, next); err != nil {
			return err
		}
		return tx.SendBatch(ctx, batch).Close()
	})
	if err != nil {
		return err
	}
	fork.Merge()
	b.set.Movements, b.set.Edges = nil, nil
	b.head = next
	return nil
}

// The things of the story.
var (
	storyDay   = civil.Day{Year: 2026, Month: time.November, Day: 25}
	dark       = events.NewCode(events.KindLot, storyDay, 1, 0)
	cream      = events.NewCode(events.KindLot, storyDay, 2, 0)
	lateDark   = events.NewCode(events.KindLot, storyDay, 3, 0)
	block      = events.NewCode(events.KindLot, storyDay, 4, 0)
	portion    = cream.Part(1)
	charge     = events.NewCode(events.KindCharge, storyDay, 1, 0)
	nextCharge = events.NewCode(events.KindCharge, storyDay, 2, 0)
	ganache    = events.NewCode(events.KindGanache, storyDay, 1, 0)
	run        = events.NewCode(events.KindRun, storyDay, 1, 0)
	hollow     = events.NewCode(events.KindRun, storyDay, 2, 0)
	lateRun    = events.NewCode(events.KindRun, storyDay, 3, 0)
	frozenPart = run.Part(1)
)

const g = events.Gram

// cafe is what the log calls the buyer by.
var cafe = uuid.MustParse("019ab9e6-2f50-7c3a-9b57-0d6f1f0f5b02")

func clock(hour, minute int) time.Time {
	return time.Date(storyDay.Year, storyDay.Month, storyDay.Day, hour, minute, 0, 123456000, time.UTC)
}

// until is a date as an event carries it.
func until(day int) events.Expiry {
	date := civil.Day{Year: 2026, Month: time.December, Day: day}
	ends := time.Date(2026, time.December, day+1, 0, 0, 0, 0, time.UTC)
	return events.Expiry{
		Kind: "use_by", Date: &date, UseBy: &date, DiscardBy: &ends, EndsBy: ends, Binds: "shop_limit", Status: "assessed",
		Limits:   []events.Limit{{Name: "shop_limit", Date: &date, Source: "the shop's own"}},
		Cautions: []string{"Ask a qualified person where the date of a filling is not assessed."}, Method: "1", Tables: "1",
	}
}

// storyID is the id that write gives the event at a position.
func storyID(position int64) (id uuid.UUID) {
	binary.BigEndian.PutUint64(id[8:], uint64(position))
	return id
}

// The positions of the story's holds and deviation.
const (
	deviationAt = 18
	holdAt      = 20
	liftedAt    = 21
)

// writeStory plays a day in which everything happens that the tables tell of.
func writeStory(t *testing.T, b *book) {
	t.Helper()
	write := func(at time.Time, data ...events.Event) {
		t.Helper()
		require.NoError(t, b.write(t.Context(), at, data...))
	}
	openLife, milk, none := 3, []string{"milk"}, []string{}
	price := int64(180)
	write(clock(6, 0), // 1 to 10
		events.SiteDefined{Defined: events.Defined{Slug: "quay-lane", DefVersion: 1}, Site: events.Site{
			Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR", Handles: []string{"nuts:hazelnut"},
		}},
		events.PlaceDefined{Defined: events.Defined{Slug: "counter", DefVersion: 1}, Place: events.Place{Name: "Counter", Site: "quay-lane", Storage: "cool", Sells: true}},
		events.PlaceDefined{Defined: events.Defined{Slug: "freezer", DefVersion: 1}, Place: events.Place{Name: "Freezer", Site: "quay-lane", Storage: "frozen"}},
		events.SupplierDefined{Defined: events.Defined{Slug: "example-dairy", DefVersion: 1}, Supplier: events.Supplier{ApprovalNumber: "IE 0000 EC"}},
		events.BuyerDefined{Defined: events.Defined{Slug: "harbour-cafe", DefVersion: 1}, Buyer: events.Buyer{Person: cafe}},
		events.IngredientDefined{Defined: events.Defined{Slug: "cream-35", DefVersion: 1}, Ingredient: events.Ingredient{
			Name: "Cream 35 %", Kind: "dairy", Storage: "chilled", OpenLifeDays: &openLife, Allergens: &milk, MayContain: []string{},
			Composition: map[string]float64{"water": 59.1, "milk_fat": 35},
		}},
		events.IngredientDefined{Defined: events.Defined{Slug: "couverture-dark-60", DefVersion: 1}, Ingredient: events.Ingredient{
			Name: "Dark couverture 60 %", Kind: "couverture", Chocolate: "dark", Allergens: &none,
		}},
		events.VatDefined{Defined: events.Defined{Slug: "vat-dark", DefVersion: 1}, Vat: events.Vat{Name: "Dark tank", Chocolate: "dark", Site: "quay-lane"}},
		events.MouldDefined{Defined: events.Defined{Slug: "dome-24", DefVersion: 1}, Mould: events.Mould{Name: "Dome 24", Cavities: 24}},
		events.FormulaDefined{Defined: events.Defined{Slug: "bay", DefVersion: 1}, Formula: events.Formula{Name: "Bay", Storage: "cool", Inputs: []events.FormulaInput{}}},
	)
	write(clock(6, 30), // 11, 12
		events.DesignDefined{Defined: events.Defined{Slug: "bay-dome", DefVersion: 1}, Design: events.Design{Name: "Bay dome", Chocolate: "dark", Shell: 4 * g}},
		events.DesignDefined{Defined: events.Defined{Slug: "bay-dome", DefVersion: 2}, Design: events.Design{Name: "Bay dome", Chocolate: "dark", Shell: 4 * g, PriceMinor: &price}})
	write(clock(7, 0), events.IngredientReceived{ // 13
		Lot: dark, Ingredient: "couverture-dark-60", IngredientVersion: 1, Supplier: "example-dairy", SupplierLot: "D-1",
		Quantity: 10000 * g, DateMark: events.DateMark{Kind: "none"}, Currency: "EUR", Place: "counter", Expiry: until(30),
	})
	write(clock(7, 10), // 14, 15
		events.IngredientReceived{
			Lot: cream, Ingredient: "cream-35", IngredientVersion: 1, Supplier: "example-dairy", SupplierLot: "CR-7731",
			Quantity: 6000 * g, DateMark: events.DateMark{Kind: "use_by", Date: until(4).Date}, Currency: "EUR",
			Place: "counter", Expiry: until(4),
		},
		events.PortionOpened{Portion: portion, Lot: cream, Place: "counter", Quantity: 1000 * g, Expiry: until(1)})
	write(clock(8, 0), events.ChocolateMelted{ // 16
		Vat: "vat-dark", Charge: charge, NewCharge: true,
		Inputs: []events.Draw{{Source: dark, Place: "counter", Quantity: 6000 * g, Purpose: "melt"}},
	})
	write(clock(8, 30), // 17, 18
		events.GanacheMade{
			Ganache: ganache, Formula: "bay", FormulaVersion: 1, Yield: 900 * g, YieldBasis: "weighed", Place: "counter", Expiry: until(8),
			Inputs: []events.Draw{
				{Source: portion, Place: "counter", Quantity: 400 * g, Heated: true},
				{Source: charge, Place: "vat-dark", Quantity: 520 * g},
				{Ingredient: "water", Quantity: 30 * g},
			},
		},
		events.DeviationOpened{Code: ganache, Concern: "quality", Rule: "tolerance", Detail: "The cream is off the recipe by 6 %."})
	write(clock(8, 40), events.DeviationDecided{Deviation: storyID(deviationAt), Code: ganache, Decision: "accept", Reason: "tastes right"}) // 19
	write(clock(8, 50), events.HoldPlaced{Code: ganache, Reason: "until the pH is known", Codes: []events.Code{ganache}})                    // 20
	write(clock(8, 55), events.HoldLifted{Hold: storyID(holdAt), Codes: []events.Code{ganache}, Reason: "pH 4.7"})                           // 21
	start := events.RunStart{Design: "bay-dome", DesignVersion: 2, Mould: "dome-24", MouldVersion: 1, Moulds: 3, Cavities: 72, Place: "counter"}
	write(clock(9, 0), // 22 to 25
		events.ShellsCast{Run: run, Start: &start, Draw: events.ChocolateDraw{Vat: "vat-dark", Charge: charge, Drawn: 700 * g, Returned: 400 * g, Basis: "weighed"}, Expiry: until(30)},
		events.MouldsFilled{Run: run, Fillings: []events.Draw{{Source: ganache, Place: "counter", Quantity: 500 * g}}, Expiry: until(8)},
		events.MouldsCapped{Run: run, Draw: events.ChocolateDraw{Vat: "vat-dark", Charge: charge, Drawn: 200 * g, Returned: 100 * g, Basis: "weighed"}, Expiry: until(8)},
		events.PiecesTurnedOut{Run: run, Place: "counter", Good: 70, Broken: 2, BrokenTo: "bin", PieceMass: 12500})
	write(clock(9, 30), events.PiecesReleased{Run: run, Grade: "first", Pieces: 60, From: "counter", Place: "counter", Expiry: until(8)}) // 26
	start.Moulds, start.Cavities = 1, 24
	write(clock(10, 0), // 27, 28
		events.ShellsCast{Run: hollow, Start: &start, Draw: events.ChocolateDraw{Vat: "vat-dark", Charge: charge, Drawn: 120 * g, Basis: "weighed"}, Expiry: until(30)},
		events.PiecesTurnedOut{
			Run: hollow, Place: "counter", Good: 10, Unfilled: 14, PieceMass: 5 * g,
			UnfilledTo: &events.ShellsToVat{Vat: "vat-dark", Charge: charge, Quantity: 70 * g},
		})
	write(clock(10, 30), // 29, 30
		events.IngredientReceived{
			Lot: lateDark, Ingredient: "couverture-dark-60", IngredientVersion: 1, Supplier: "example-dairy", SupplierLot: "D-2",
			Quantity: 2000 * g, DateMark: events.DateMark{Kind: "none"}, Currency: "EUR", Place: "counter", Expiry: until(31 - 1),
		},
		events.ChocolateMelted{Vat: "vat-dark", Charge: charge, Inputs: []events.Draw{{Source: lateDark, Place: "counter", Quantity: 2000 * g, Purpose: "top_up"}}})
	write(clock(11, 0), events.ShellsCast{Run: lateRun, Start: &start, Draw: events.ChocolateDraw{Vat: "vat-dark", Charge: charge, Drawn: 120 * g, Basis: "weighed"}, Expiry: until(30)}) // 31
	sold := func(channel, buyer string, pieces int) events.PiecesSold {
		return events.PiecesSold{Place: "counter", Channel: channel, Buyer: buyer, Reference: "till-1", Lines: []events.SoldLine{
			{Design: "bay-dome", Allocations: []events.Allocation{{Code: run, Grade: "first", Pieces: pieces, How: "single_run_on_place"}}},
		}}
	}
	write(clock(12, 0), sold("counter", "", 6))               // 32
	write(clock(12, 10), sold("trade", "harbour-cafe", 12))   // 33
	write(clock(12, 20), events.PiecesGiven{Place: "counter", // 34
		Lines: []events.GivenLine{{Design: "bay-dome", Allocations: []events.Allocation{{Code: run, Grade: "first", Pieces: 2, How: "presumed"}}}}})
	write(clock(12, 30), // 35, 36
		events.StockDiscarded{Place: "counter", Reason: "damaged", Destination: "refuse", Lines: []events.DiscardedLine{
			{StockOf: events.StockOf{Code: run, Grade: "first"}, Amount: events.Amount{Pieces: 1}, Design: "bay-dome", Weight: 12500},
		}},
		events.StockDiscarded{Place: "counter", Reason: "past_date", Destination: "compost", Lines: []events.DiscardedLine{
			{StockOf: events.StockOf{Code: portion}, Amount: events.Amount{Quantity: 50 * g}, Weight: 50 * g},
		}})
	frozen := until(28)
	write(clock(13, 0), events.StockMoved{From: "counter", To: "freezer", Sealed: true, Lines: []events.MovedLine{ // 37
		{
			StockOf: events.StockOf{Code: run, Grade: "first"}, Amount: events.Amount{Pieces: 20}, NewCode: frozenPart, Expiry: &frozen,
			Parting: &events.Parting{Cause: events.PartedFrozen, Freezing: &events.Freezing{At: clock(13, 0), Sealed: true}},
		},
	}})
	write(clock(18, 0), events.StockCounted{Place: "counter", Reason: "evening count", Lines: []events.CountedLine{ // 38
		{StockOf: events.StockOf{Code: run, Grade: "first"}, Found: events.Amount{Pieces: 16}, Had: events.Amount{Pieces: 19}},
	}})
	write(clock(18, 10), events.HoldPlaced{Code: lateDark, Downstream: true, Reason: "supplier called", Codes: []events.Code{lateDark, charge, lateRun}}) // 39
	write(clock(18, 20), events.DeviationOpened{Place: "freezer", Concern: "safety", Rule: "temperature", Detail: "The freezer stood at -9 °C."})         // 40
	write(clock(18, 30), events.Redated{Code: run, Old: until(8).Date, Expiry: until(6), Cause: "check"})                                                 // 41
	write(clock(19, 0), events.VatEmptied{                                                                                                                // 42
		Vat: "vat-dark", Charge: charge, Rest: "block", Quantity: b.set.Charge(charge).Mix.Total(), NextCharge: nextCharge,
		Block: &events.Block{Lot: block, Ingredient: "couverture-dark-60", Place: "counter", Expiry: until(30)},
	})
}

var storyCodes = []events.Code{
	dark, cream, lateDark, block, portion, charge, nextCharge, ganache, run, hollow, lateRun, frozenPart,
}
