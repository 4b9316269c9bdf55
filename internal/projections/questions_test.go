package projections_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

func linesOf(lines []workshop.StockLine) []workshop.StockKey {
	var keys []workshop.StockKey
	for _, l := range lines {
		keys = append(keys, l.StockKey)
	}
	return keys
}

func codesOf(things []projections.Thing) []events.Code {
	var codes []events.Code
	for _, t := range things {
		codes = append(codes, t.Code)
	}
	return codes
}

func TestStockListsOpenLinesByPages(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	var all []workshop.StockLine
	var after workshop.StockKey
	for {
		page, err := projections.Stock(t.Context(), b.pool, projections.StockFilter{After: after, Limit: 2})
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		all, after = append(all, page...), page[len(page)-1].StockKey
	}
	require.Equal(t, []workshop.StockKey{
		{Code: ganache, Place: "counter"},
		{Code: dark, Place: "counter"},
		{Code: run, Place: "counter", Grade: "first"},
		{Code: run, Place: "counter", Grade: "first", Unreleased: true},
		{Code: frozenPart, Place: "freezer", Grade: "first"},
		{Code: cream, Place: "counter"},
		{Code: hollow, Place: "counter", Grade: "first", Unreleased: true},
		{Code: portion, Place: "counter"},
		{Code: block, Place: "counter"},
	}, linesOf(all))
	for _, l := range all {
		require.Equal(t, b.set.Line(l.StockKey), &l)
	}

	some, err := projections.Stock(t.Context(), b.pool, projections.StockFilter{Place: "counter", Kinds: []events.Kind{events.KindLot}, Subject: "cream-35"})
	require.NoError(t, err)
	require.Equal(t, []workshop.StockKey{{Code: cream, Place: "counter"}, {Code: portion, Place: "counter"}}, linesOf(some))
}

func TestPickLinesGoFirstExpiringFirst(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	for place, keys := range map[string][]workshop.StockKey{
		"counter": {{Code: run, Place: "counter", Grade: "first"}, {Code: run, Place: "counter", Grade: "first", Unreleased: true}, {Code: hollow, Place: "counter", Grade: "first", Unreleased: true}},
		"freezer": {{Code: frozenPart, Place: "freezer", Grade: "first"}},
		"": {
			{Code: run, Place: "counter", Grade: "first"},
			{Code: run, Place: "counter", Grade: "first", Unreleased: true},
			{Code: frozenPart, Place: "freezer", Grade: "first"},
			{Code: hollow, Place: "counter", Grade: "first", Unreleased: true},
		},
	} {
		lines, err := projections.PickLines(t.Context(), b.pool, place, "bay-dome")
		require.NoError(t, err)
		require.Equal(t, keys, linesOf(lines), place)
	}
}

func TestABoardShowsReleasedPiecesWithTheirDateAndAllergens(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	lines, err := projections.BoardLines(t.Context(), b.pool, "counter")
	require.NoError(t, err)
	require.Len(t, lines, 1)
	require.Equal(t, *b.set.Line(workshop.StockKey{Code: run, Place: "counter", Grade: "first"}), lines[0].StockLine)
	require.Equal(t, []string{"milk"}, lines[0].Allergens.Contains)
	var expiry events.Expiry
	require.NoError(t, json.Unmarshal(lines[0].Expiry, &expiry))
	require.Equal(t, until(6), expiry)
}

func TestDemandLooksFourWeeksBack(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	for _, sql := range []string{
		"INSERT INTO daily_sales VALUES ('counter', 'bay-dome', '2026-10-01', 3), ('counter', 'bay-dome', '2026-10-02', 0)",
		"INSERT INTO daily_sales VALUES ('counter', 'bay-dome', '2026-10-28', 5), ('counter', 'bay-dome', '2026-10-29', 7)",
		"INSERT INTO daily_sales VALUES ('counter', 'sold-out', '2026-11-24', 9), ('stall', 'bay-dome', '2026-11-24', 9)",
	} {
		_, err := b.pool.Exec(t.Context(), sql)
		require.NoError(t, err)
	}
	first := civil.Day{Year: 2026, Month: 10, Day: 1}
	demand, err := projections.Demand(t.Context(), b.pool, "counter", storyDay)
	require.NoError(t, err)
	require.Equal(t, map[string]workshop.Demand{"bay-dome": {First: first, Sold: map[civil.Day]int{{Year: 2026, Month: 10, Day: 28}: 5, {Year: 2026, Month: 10, Day: 29}: 7}}}, demand)

	demand, err = projections.Demand(t.Context(), b.pool, "counter", storyDay.AddDays(1))
	require.NoError(t, err)
	require.Equal(t, map[civil.Day]int{{Year: 2026, Month: 10, Day: 29}: 7, storyDay: 18}, demand["bay-dome"].Sold)

	demand, err = projections.Demand(t.Context(), b.pool, "freezer", storyDay)
	require.NoError(t, err)
	require.Empty(t, demand)
}

func TestThingsListInCodeOrderByPages(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	for name, c := range map[string]struct {
		filter projections.ThingFilter
		codes  []events.Code
	}{
		"lots":            {projections.ThingFilter{Kind: events.KindLot}, []events.Code{dark, cream, portion, lateDark, block}},
		"a page of lots":  {projections.ThingFilter{Kind: events.KindLot, After: cream, Limit: 2}, []events.Code{portion, lateDark}},
		"open lots":       {projections.ThingFilter{Kind: events.KindLot, Open: true}, []events.Code{dark, cream, portion, block}},
		"lots of cream":   {projections.ThingFilter{Kind: events.KindLot, Subject: "cream-35"}, []events.Code{cream, portion}},
		"runs":            {projections.ThingFilter{Kind: events.KindRun}, []events.Code{run, frozenPart, hollow, lateRun}},
		"runs, open":      {projections.ThingFilter{Kind: events.KindRun, Open: true, Site: "quay-lane"}, []events.Code{run, frozenPart, hollow, lateRun}},
		"runs elsewhere":  {projections.ThingFilter{Kind: events.KindRun, Site: "stall"}, nil},
		"charges":         {projections.ThingFilter{Kind: events.KindCharge, Subject: "vat-dark"}, []events.Code{charge, nextCharge}},
		"charges, open":   {projections.ThingFilter{Kind: events.KindCharge, Open: true}, []events.Code{nextCharge}},
		"ganaches, after": {projections.ThingFilter{Kind: events.KindGanache, After: ganache}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			things, err := projections.Things(t.Context(), b.pool, c.filter)
			require.NoError(t, err)
			require.Equal(t, c.codes, codesOf(things))
		})
	}
}

func TestOneThingComesWithItsStockAndHistory(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	lot, err := projections.OneThing(t.Context(), b.pool, cream)
	require.NoError(t, err)
	require.Equal(t, int64(14), lot.Position)
	same(t, b.set.Lot(cream), lot.Lot)
	require.Equal(t, []workshop.StockKey{{Code: cream, Place: "counter"}}, linesOf(lot.Lines))
	require.Equal(t, []workshop.StockKey{{Code: portion, Place: "counter"}}, linesOf(lot.PartLines))
	require.Equal(t, int64(5_000*g), lot.Lines[0].Amount)
	require.Equal(t, int64(550*g), lot.PartLines[0].Amount)

	parts, err := projections.Parts(t.Context(), b.pool, run)
	require.NoError(t, err)
	require.Equal(t, []events.Code{frozenPart}, codesOf(parts))
	require.NotNil(t, parts[0].Run.Frozen)

	some, err := projections.ThingsOf(t.Context(), b.pool, []events.Code{lateRun, ganache, events.NewCode(events.KindBox, storyDay, 9, 0)})
	require.NoError(t, err)
	require.Equal(t, []events.Code{ganache, lateRun}, codesOf(some))

	none, err := projections.OneThing(t.Context(), b.pool, events.NewCode(events.KindLot, storyDay, 99, 0))
	require.NoError(t, err)
	require.Nil(t, none)

	told, err := projections.History(t.Context(), b.pool, ganache)
	require.NoError(t, err)
	var types []string
	for _, r := range told {
		types = append(types, r.Data.EventType())
	}
	require.Equal(t, []string{"ganache_made", "deviation_opened", "deviation_decided", "hold_placed", "hold_lifted", "moulds_filled"}, types)
}

func TestHoldsAndDeviations(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	holds, err := projections.Holds(t.Context(), b.pool, projections.HoldFilter{})
	require.NoError(t, err)
	require.Len(t, holds, 2)
	require.Equal(t, int64(holdAt), holds[0].Position)
	same(t, b.set.Hold(storyID(holdAt)), holds[0].Is)
	for _, f := range []projections.HoldFilter{{Open: true}, {After: holdAt}, {Open: true, Site: "quay-lane", Limit: 1}} {
		open, err := projections.Holds(t.Context(), b.pool, f)
		require.NoError(t, err)
		require.Len(t, open, 1)
		require.Equal(t, lateDark, open[0].Is.Code)
	}
	for name, c := range map[string]struct {
		filter    projections.DeviationFilter
		positions []int64
	}{
		"all":                     {projections.DeviationFilter{}, []int64{deviationAt, 40}},
		"open":                    {projections.DeviationFilter{Open: true}, []int64{40}},
		"of the freezer":          {projections.DeviationFilter{Place: "freezer"}, []int64{40}},
		"of what is on a counter": {projections.DeviationFilter{Place: "counter"}, []int64{deviationAt}},
		"of the ganache":          {projections.DeviationFilter{Code: ganache}, []int64{deviationAt}},
		"elsewhere":               {projections.DeviationFilter{Site: "stall"}, nil},
		"come from elsewhere":     {projections.DeviationFilter{Site: "stall", Places: []string{"counter"}}, []int64{deviationAt}},
	} {
		found, err := projections.Deviations(t.Context(), b.pool, c.filter)
		require.NoError(t, err)
		var positions []int64
		for _, d := range found {
			positions = append(positions, d.Position)
		}
		require.Equal(t, c.positions, positions, name)
	}
	vats, err := projections.Vats(t.Context(), b.pool)
	require.NoError(t, err)
	require.Equal(t, []workshop.VatState{{Slug: "vat-dark", Charge: nextCharge}}, vats)
}

func TestDefinitionsListTheNewestVersions(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	places, err := projections.Definitions(t.Context(), b.pool, "place", "", "", 10)
	require.NoError(t, err)
	require.Equal(t, []string{"counter", "freezer"}, []string{places[0].Slug, places[1].Slug})
	places, err = projections.Definitions(t.Context(), b.pool, "place", "", "counter", 10)
	require.NoError(t, err)
	require.Len(t, places, 1)

	for version, price := range map[int]bool{0: true, 1: false, 2: true} {
		design, err := projections.OneDefinition(t.Context(), b.pool, "design", "bay-dome", version)
		require.NoError(t, err)
		var body events.Design
		require.NoError(t, json.Unmarshal(design.Body, &body))
		require.Equal(t, price, body.PriceMinor != nil)
		require.Equal(t, clock(6, 30), design.RecordedAt)
	}
	none, err := projections.OneDefinition(t.Context(), b.pool, "design", "bay-dome", 3)
	require.NoError(t, err)
	require.Nil(t, none)
}

func TestABalanceHasItsPartsInside(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	balance, err := projections.BalanceOf(t.Context(), b.pool, cream)
	require.NoError(t, err)
	require.Equal(t, []projections.MovementSum{
		{Code: cream, Cause: "opened", Went: int64(1000 * g), MassWent: 1000 * g},
		{Code: cream, Cause: "received", Came: int64(6000 * g), MassCame: 6000 * g},
		{Code: portion, Cause: "discarded", Reason: "past_date", Went: int64(50 * g), MassWent: 50 * g},
		{Code: portion, Cause: "drawn", Went: int64(400 * g), MassWent: 400 * g},
		{Code: portion, Cause: "opened", Came: int64(1000 * g), MassCame: 1000 * g},
	}, balance.Sums)
	require.Empty(t, balance.In)
	require.Equal(t, []workshop.Edge{{From: portion, To: ganache, Mass: 400 * g, OccurredAt: clock(8, 30)}}, balance.Out)

	balance, err = projections.BalanceOf(t.Context(), b.pool, ganache)
	require.NoError(t, err)
	require.Equal(t, []workshop.Edge{
		{From: portion, To: ganache, Mass: 400 * g, OccurredAt: clock(8, 30)},
		{From: charge, To: ganache, Mass: 520 * g, OccurredAt: clock(8, 30)},
		{To: ganache, Mass: 30 * g, OccurredAt: clock(8, 30), Ingredient: "water"},
	}, balance.In)
	require.Equal(t, []workshop.Edge{{From: ganache, To: run, Mass: 500 * g, OccurredAt: clock(9, 0)}}, balance.Out)

	none, err := projections.BalanceOf(t.Context(), b.pool, events.NewCode(events.KindLot, storyDay, 99, 0))
	require.NoError(t, err)
	require.Nil(t, none)
}

func TestAccountsAddUp(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	accounts, err := projections.Accounts(t.Context(), b.pool, []events.Code{run, frozenPart, hollow})
	require.NoError(t, err)
	require.ElementsMatch(t, []projections.Account{
		{Code: run, Released: 60, PartedOut: 20, Sold: 18, Given: 2, Discarded: 1, Found: -3, OnHand: 16},
		{Code: frozenPart, PartedIn: 20, OnHand: 20},
	}, accounts)
	for _, a := range accounts {
		require.Equal(t, a.Released+a.PartedIn+a.Found, a.Sold+a.Given+a.Discarded+a.Boxed+a.PartedOut+a.OnHand)
	}

	sales, err := projections.SalesOf(t.Context(), b.pool, []events.Code{run, frozenPart})
	require.NoError(t, err)
	require.Equal(t, []projections.Sale{
		{Event: storyID(32), Position: 32, OccurredAt: clock(12, 0), Code: run, Pieces: 6, Place: "counter", Channel: "counter", Reference: "till-1", How: "single_run_on_place"},
		{Event: storyID(33), Position: 33, OccurredAt: clock(12, 10), Code: run, Pieces: 12, Place: "counter", Channel: "trade", Buyer: "harbour-cafe", Reference: "till-1", How: "single_run_on_place"},
	}, sales)
}

func TestWasteIsSummedUpByWhatIsAsked(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	for by, want := range map[string][]projections.WasteSum{
		projections.WasteByReason: {{Key: "past_date", Mass: 50 * g, Times: 1, Waste: true}, {Key: "damaged", Pieces: 3, Mass: 37_500, Times: 2, Waste: true}},
		projections.WasteByDesign: {{Key: "cream-35", Mass: 50 * g, Times: 1, Waste: true}, {Key: "bay-dome", Pieces: 3, Mass: 37_500, Times: 2, Waste: true}},
		projections.WasteByPlace:  {{Key: "counter", Pieces: 3, Mass: 87_500, Times: 3, Waste: true}},
	} {
		found, err := projections.Waste(t.Context(), b.pool, storyDay, storyDay, by, nil)
		require.NoError(t, err)
		require.Equal(t, want, found)
	}
	before, err := projections.Waste(t.Context(), b.pool, storyDay.AddDays(-9), storyDay.AddDays(-1), projections.WasteByReason, nil)
	require.NoError(t, err)
	require.Empty(t, before)
}

// Of a part that was taken from a part of the same whole, the one gave what the other got; between a whole and its parts
// nothing is told.
func TestABalanceOfParts(t *testing.T) {
	t.Parallel()
	pool := pgtest.New(t).App
	tx, err := pool.Begin(t.Context())
	require.NoError(t, err)
	whole := events.NewCode(events.KindLot, storyDay, 1, 0)
	first, second := whole.Part(1), whole.Part(2)
	edge := func(position int64, from, to events.Code, grams events.Mass) workshop.Edge {
		return workshop.Edge{Position: position, From: from, To: to, OccurredAt: clock(8, int(position)), Mass: grams * events.Gram}
	}
	edges := []workshop.Edge{edge(1, whole, first, 300), edge(2, first, second, 100)}
	require.NoError(t, insertGraph(t.Context(), tx, []events.Code{whole, first, second}, edges))
	across := func(code events.Code) (in, out []events.Mass) {
		balance, err := projections.BalanceOf(t.Context(), tx, code)
		require.NoError(t, err)
		for _, e := range balance.In {
			in = append(in, e.Mass)
		}
		for _, e := range balance.Out {
			out = append(out, e.Mass)
		}
		return in, out
	}
	for _, c := range []struct {
		code    events.Code
		in, out []events.Mass
	}{
		{whole, nil, nil},
		{first, []events.Mass{300 * events.Gram}, []events.Mass{100 * events.Gram}},
		{second, []events.Mass{100 * events.Gram}, nil},
	} {
		in, out := across(c.code)
		require.Equal(t, c.in, in, c.code)
		require.Equal(t, c.out, out, c.code)
	}
	require.NoError(t, tx.Rollback(t.Context()))
}
