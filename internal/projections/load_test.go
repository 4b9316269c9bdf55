package projections_test

import (
	"context"
	"encoding/json"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// load reads needs into a set, in one trip.
func load(t *testing.T, db interface {
	projections.Querier
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}, set *workshop.Set, needs ...workshop.Need,
) {
	t.Helper()
	b := &pgx.Batch{}
	projections.QueueLoad(b, set, needs)
	require.NoError(t, db.SendBatch(t.Context(), b).Close())
}

func emptySet(t *testing.T, b *book) *workshop.Set {
	t.Helper()
	defs, err := projections.LoadDefinitions(t.Context(), b.pool)
	require.NoError(t, err)
	return workshop.NewSet(defs, false)
}

// same says that two things are the same when they are written down.
func same(t *testing.T, want, got any) {
	t.Helper()
	wanted, err := json.Marshal(want)
	require.NoError(t, err)
	found, err := json.Marshal(got)
	require.NoError(t, err)
	require.JSONEq(t, string(wanted), string(found))
}

func sameThing(t *testing.T, want, got *workshop.Set, code events.Code) {
	t.Helper()
	switch code.Kind() {
	case events.KindLot:
		same(t, want.Lot(code), got.Lot(code))
	case events.KindCharge:
		same(t, want.Charge(code), got.Charge(code))
	case events.KindGanache:
		same(t, want.Ganache(code), got.Ganache(code))
	case events.KindRun:
		same(t, want.Run(code), got.Run(code))
	}
	require.Equal(t, want.LinesOf(code), got.LinesOf(code), code)
}

func TestWhatIsSavedIsLoaded(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	set := emptySet(t, b)
	same(t, b.set.Defs, set.Defs)
	require.Equal(t, "Europe/Dublin", set.Defs.Zone("quay-lane").String())

	needs := []workshop.Need{
		workshop.NeedVat("vat-dark"), workshop.NeedVat("vat-never-used"), workshop.NeedStock("counter", "bay-dome"),
		workshop.NeedStock("", "cream-35"), workshop.NeedPlace("freezer"), workshop.NeedHold(storyID(holdAt)),
		workshop.NeedDeviation(storyID(deviationAt)), workshop.NeedDownstream(cream), workshop.NeedDownstream(lateDark),
		workshop.NeedParts(run), workshop.NeedDeviationsAt("freezer"), workshop.NeedDeviationsAt("counter"),
	}
	for _, code := range storyCodes {
		needs = append(needs, workshop.NeedThing(code), workshop.NeedSequence(code.Kind(), storyDay))
	}
	unknown := events.NewCode(events.KindRun, storyDay, 77, 0)
	load(t, b.pool, set, append(needs, workshop.NeedThing(unknown), workshop.NeedThing(unknown))...)

	for _, n := range needs {
		require.True(t, set.IsLoaded(n), n)
	}
	for _, code := range storyCodes {
		sameThing(t, b.set, set, code)
	}
	require.Nil(t, set.Run(unknown))
	same(t, b.set.Vat("vat-dark"), set.Vat("vat-dark"))
	require.Empty(t, set.Vat("vat-never-used").Charge)
	same(t, b.set.Hold(storyID(holdAt)), set.Hold(storyID(holdAt)))
	same(t, b.set.Deviation(storyID(deviationAt)), set.Deviation(storyID(deviationAt)))
	require.Len(t, set.DeviationsAt("freezer"), 1)
	same(t, b.set.DeviationsAt("freezer"), set.DeviationsAt("freezer"))
	require.Empty(t, set.DeviationsAt("counter"))
	require.Equal(t, b.set.OpenAt("counter", "bay-dome"), set.OpenAt("counter", "bay-dome"))
	require.Equal(t, b.set.OpenAt("", "cream-35"), set.OpenAt("", "cream-35"))
	require.Equal(t, b.set.StandingAt("freezer"), set.StandingAt("freezer"))
	for _, code := range storyCodes {
		key := workshop.SequenceKey{Kind: code.Kind(), Day: storyDay}
		require.True(t, set.Sequences.Has(key))
	}
}

func TestALoadBringsWhatIsWantedNext(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	for name, c := range map[string]struct {
		need workshop.Need
		with []events.Code
	}{
		"a vat: its charge and the charge's lots":           {workshop.NeedVat("vat-dark"), []events.Code{nextCharge, dark, cream, lateDark}},
		"a portion: its lot":                                {workshop.NeedThing(portion), []events.Code{portion, cream}},
		"a lot: its portions":                               {workshop.NeedThing(cream), []events.Code{portion, cream}},
		"a run: its parts and the lots in it":               {workshop.NeedThing(run), []events.Code{run, frozenPart, dark, cream}},
		"the parts of a run":                                {workshop.NeedParts(run), []events.Code{run, frozenPart, dark, cream}},
		"a hold: what it took in":                           {workshop.NeedHold(storyID(39)), []events.Code{lateDark, charge, lateRun}},
		"a deviation: what it is of":                        {workshop.NeedDeviation(storyID(deviationAt)), []events.Code{ganache, dark, cream}},
		"what is reached: everything made of it, its stock": {workshop.NeedReach(lateDark), []events.Code{charge, lateRun, nextCharge, block}},
		"downstream: everything made of it and its stock":   {workshop.NeedDownstream(lateDark), []events.Code{charge, lateRun, nextCharge, block}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			set := emptySet(t, b)
			load(t, b.pool, set, c.need)
			for _, code := range c.with {
				sameThing(t, b.set, set, code)
			}
		})
	}
}

func TestALoadLeavesWhatTheSetHasChanged(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	set := emptySet(t, b)
	load(t, b.pool, set, workshop.NeedStock("counter", "bay-dome"), workshop.NeedThing(run), workshop.NeedVat("vat-dark"))
	at := clock(20, 0)
	require.NoError(t, set.Apply(events.Recorded{Position: 43, OccurredAt: at, Data: events.PiecesSold{Place: "counter", Lines: []events.SoldLine{
		{Design: "bay-dome", Allocations: []events.Allocation{{Code: run, Grade: "first", Pieces: 5}}},
	}}}))
	require.NoError(t, set.Apply(events.Recorded{Position: 44, OccurredAt: at, Site: "quay-lane", Data: events.VatEmptied{
		Vat: "vat-dark", Charge: nextCharge, Cleaned: true, Rest: "discard",
	}}))
	load(t, b.pool, set, workshop.NeedStock("counter", "bay-dome"), workshop.NeedPlace("counter"), workshop.NeedThing(run),
		workshop.NeedThing(nextCharge), workshop.NeedVat("vat-dark"))
	key := workshop.StockKey{Code: run, Place: "counter", Grade: "first"}
	require.Equal(t, int64(11), set.Line(key).Amount)
	require.Empty(t, set.Vat("vat-dark").Charge)
	require.NotNil(t, set.Charge(nextCharge).EndedAt)
}

func TestDownstreamKeepsTheOrderOfTime(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	set := emptySet(t, b)
	load(t, b.pool, set, workshop.NeedDownstream(lateDark), workshop.NeedDownstream(cream), workshop.NeedDownstream(charge), workshop.NeedDownstream(block))
	// The late lot came into the vat after both first runs were cast.
	require.Equal(t, []events.Code{charge, nextCharge, lateRun, block}, set.DownstreamOf(lateDark))
	// Cream came back into the vat as a film of what was scraped off the caps, and is in all that was cast after.
	require.Equal(t, []events.Code{charge, ganache, run, frozenPart, nextCharge, hollow, portion, lateRun, block}, set.DownstreamOf(cream))
	require.Equal(t, []events.Code{ganache, run, frozenPart, nextCharge, hollow, lateRun, block}, set.DownstreamOf(charge))
	require.Empty(t, set.DownstreamOf(block))
}
