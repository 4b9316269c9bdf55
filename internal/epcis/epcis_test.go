package epcis_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/epcis"
	"firstout/internal/epcis/check"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// standards are the cases of the mapping: drawn up from the standard body's public schema, ontologies and examples
// (gs1/EPCIS, commit 2b888bef of 16 May 2023).
const standards = "../../testdata/standards/epcis/"

// schemaFile names where a copy of the official schema lies (EPCIS-JSON-Schema.json of the repository gs1/EPCIS). It may
// not be copied into this one, so a clone without it holds documents against everything else.
const schemaFile = "TEST_EPCIS_SCHEMA"

func schema(t *testing.T) *check.Schema {
	t.Helper()
	path := os.Getenv(schemaFile)
	if path == "" {
		t.Logf("%s does not name a copy of the official schema: documents are held against the other checks only", schemaFile)
		return nil
	}
	s, err := check.ReadSchema(path)
	require.NoError(t, err)
	return s
}

func fits(t *testing.T, s *check.Schema, document []byte) {
	t.Helper()
	wrong, err := check.Wrong(document)
	require.NoError(t, err)
	require.Empty(t, wrong, "%s", document)
	if s != nil {
		require.NoError(t, s.Validate(document), "%s", document)
	}
}

type namedDocument struct {
	Name     string
	Document json.RawMessage
}

func cases(t *testing.T, file string) []namedDocument {
	t.Helper()
	text, err := os.ReadFile(standards + file)
	require.NoError(t, err)
	var found []namedDocument
	require.NoError(t, json.Unmarshal(text, &found))
	return found
}

// The checks themselves: they pass the mapping's good document, find all that the schema lets pass, and the schema, where
// it is there, refuses the rest.
func TestTheChecksFindWhatIsWrong(t *testing.T) {
	t.Parallel()
	s := schema(t)
	good, err := os.ReadFile(standards + "valid_all_steps.json")
	require.NoError(t, err)
	fits(t, s, good)
	lettered := cases(t, "schema_passes_but_wrong.json")
	require.Len(t, lettered, 8)
	for _, c := range lettered {
		wrong, err := check.Wrong(c.Document)
		require.NoError(t, err)
		require.NotEmpty(t, wrong, c.Name)
		if s != nil {
			require.NoError(t, s.Validate(c.Document), c.Name)
		}
	}
	refused := cases(t, "invalid_cases.json")
	require.Len(t, refused, 16)
	for _, c := range refused {
		if s != nil {
			require.Error(t, s.Validate(c.Document), c.Name)
		}
	}
}

func definitions(t *testing.T) *workshop.Definitions {
	t.Helper()
	cafe := uuid.New()
	defs := (&workshop.Definitions{}).WithPerson(cafe, workshop.Details{Name: "Harbour Café", Address: "Pier Head"})
	for _, data := range []events.Event{
		events.SiteDefined{Defined: events.Defined{Slug: "quay-lane", DefVersion: 1}, Site: events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin"}},
		events.PlaceDefined{Defined: events.Defined{Slug: "counter", DefVersion: 1}, Place: events.Place{Name: "Counter", Site: "quay-lane", Sells: true}},
		events.PlaceDefined{Defined: events.Defined{Slug: "workshop", DefVersion: 1}, Place: events.Place{Name: "Workshop", Site: "quay-lane"}},
		events.BuyerDefined{Defined: events.Defined{Slug: "harbour-cafe", DefVersion: 1}, Buyer: events.Buyer{Person: cafe}},
		events.DesignDefined{Defined: events.Defined{Slug: "numbered", DefVersion: 1}, Design: events.Design{Name: "Numbered", GTIN: "9521234543213"}},
		events.DesignDefined{Defined: events.Defined{Slug: "misnumbered", DefVersion: 1}, Design: events.Design{Name: "Misnumbered", GTIN: "9521234543214"}},
	} {
		next, is := defs.With(events.Recorded{Data: data})
		require.True(t, is)
		defs = next
	}
	return defs
}

// Every type of event that was ever written, with every field set, becomes a document that fits.
func TestEveryEventFits(t *testing.T) {
	t.Parallel()
	s, defs := schema(t), definitions(t)
	files, err := filepath.Glob("../../testdata/events/*/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	told := 0
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		r, err := events.ParseCanonical(text)
		require.NoError(t, err)
		document, err := epcis.Book{Base: "https://id.example.com", Defs: defs}.Document(r.RecordedAt, []events.Recorded{r})
		require.NoError(t, err)
		if s != nil {
			require.NoError(t, s.Validate(document), file)
		}
		wrong, err := check.Wrong(document)
		require.NoError(t, err)
		wrong = slices.DeleteFunc(wrong, func(w string) bool { return strings.Contains(w, "g came out of") }) // the examples are no recipes
		require.Empty(t, wrong, file)
		told += strings.Count(string(document), `"eventID"`)
	}
	require.Greater(t, told, len(files)/2)
}

var (
	eight = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	day   = civil.Day{Year: 2026, Month: 11, Day: 25}
	until = civil.Day{Year: 2026, Month: 12, Day: 8}

	cream   = events.NewCode(events.KindLot, day, 1, 0)
	dark    = events.NewCode(events.KindLot, day, 2, 0)
	charge  = events.NewCode(events.KindCharge, day, 1, 0)
	ganache = events.NewCode(events.KindGanache, day, 1, 0)
	run     = events.NewCode(events.KindRun, day, 1, 0)
	box     = events.NewCode(events.KindBox, day, 1, 0)
)

// tell makes one event at a place in the log.
func tell(position int64, data events.Event) events.Recorded {
	at := eight.Add(time.Duration(position) * time.Minute)
	return events.Recorded{
		Position: position, ID: uuid.NewSHA1(uuid.Nil, []byte{byte(position)}), Version: 1, OccurredAt: at, RecordedAt: at.Add(2 * time.Hour), Site: "quay-lane", Data: data,
		Command: uuid.NewSHA1(uuid.Nil, []byte{0, byte(position)}),
	}
}

// one gives the events that a single event becomes.
func one(t *testing.T, b epcis.Book, data events.Event) []map[string]any {
	t.Helper()
	b.Base, b.Defs = "https://id.example.com", definitions(t)
	document, err := b.Document(eight, []events.Recorded{tell(9, data)})
	require.NoError(t, err)
	fits(t, schema(t), document)
	var parsed struct {
		EpcisBody struct {
			EventList []map[string]any `json:"eventList"`
		} `json:"epcisBody"`
	}
	require.NoError(t, json.Unmarshal(document, &parsed))
	return parsed.EpcisBody.EventList
}

// steps are the rows of the mapping that the workshop's events have, each with an event and which of the told ones is
// meant. The others are rows of things that do not happen here, or of corrections, which have a test of their own.
func steps() map[string]struct {
	data  events.Event
	book  epcis.Book
	which int
} {
	type step = struct {
		data  events.Event
		book  epcis.Book
		which int
	}
	received := events.IngredientReceived{
		Lot: cream, Ingredient: "cream-35", Supplier: "example-dairy", SupplierLot: "CR 77/31", Quantity: 6000 * events.Gram, Place: "workshop", DeliveryNote: "DN-1",
	}
	took := []events.Allocation{{Code: run, Pieces: 6}}
	what := events.StockOf{Code: run, Grade: "first"}
	onHand := map[epcis.At]events.Amount{{Position: 9, Code: run}: {Pieces: 140}}
	fills := map[events.Code][]epcis.Fill{charge: {
		{Position: 1, OccurredAt: eight, Poured: 6000 * events.Gram}, {Position: 9, OccurredAt: eight.Add(9 * time.Minute), Rest: 2000 * events.Gram, Poured: 4000 * events.Gram},
	}}
	melt := events.ChocolateMelted{Vat: "vat-dark", Charge: charge, Inputs: []events.Draw{{Source: dark, Quantity: 4000 * events.Gram}}}
	return map[string]step{
		"ingredient lot received":                          {data: received},
		"ingredient lot relabelled with an own lot number": {data: received, which: 1},
		"ingredient lot opened / thawed (life changes)":    {data: events.PortionOpened{Portion: cream.Part(1), Lot: cream, Place: "workshop", Quantity: events.Gram}},
		"couverture melted into a vat":                     {data: melt, book: epcis.Book{Fills: fills}},
		"ganache made": {data: events.GanacheMade{
			Ganache: ganache, Inputs: []events.Draw{{Source: cream.Part(1), Quantity: 400 * events.Gram}, {Ingredient: "water", Quantity: events.Gram}},
			Yield: 390 * events.Gram, Place: "workshop", Expiry: events.Expiry{Kind: "use_by", Date: &until},
		}},
		"moulds filled":                         {data: events.MouldsFilled{Run: run, Fillings: []events.Draw{{Source: ganache, Quantity: 900 * events.Gram}}}},
		"pieces checked":                        {data: events.Checked{Code: run, Kind: "visual", Result: "pass", Document: "QC 1"}, book: epcis.Book{OnHand: onHand}},
		"pieces released":                       {data: events.PiecesReleased{Run: run, Pieces: 140, From: "workshop", Place: "workshop"}},
		"held back":                             {data: events.HoldPlaced{Code: run, Codes: []events.Code{run}, Reason: "smell"}, book: epcis.Book{OnHand: onHand}},
		"moved to the counter or another store": {data: events.StockMoved{From: "workshop", To: "counter", Lines: []events.MovedLine{{StockOf: what, Amount: events.Amount{Pieces: 20}}}}},
		"sold over the counter":                 {data: events.PiecesSold{Place: "counter", Channel: "counter", Reference: "till 1", Lines: []events.SoldLine{{Allocations: took}}}},
		"sold to another business":              {data: events.PiecesSold{Place: "counter", Channel: "trade", Buyer: "harbour-cafe", Lines: []events.SoldLine{{Allocations: took}}}},
		"given as taster":                       {data: events.PiecesGiven{Place: "counter", Lines: []events.GivenLine{{Allocations: took}}}},
		"eaten for quality control":             {data: events.StockDiscarded{Place: "counter", Reason: "qc_sample", Lines: []events.DiscardedLine{{StockOf: what, Amount: events.Amount{Pieces: 1}}}}},
		"discarded":                             {data: events.StockDiscarded{Place: "counter", Reason: "damaged", Destination: "refuse", Lines: []events.DiscardedLine{{StockOf: what, Amount: events.Amount{Pieces: 1}}}}},
		"past its date but still on the shelf":  {data: events.HoldPlaced{Code: run, Codes: []events.Code{run}, Cause: "past-date"}, book: epcis.Book{OnHand: onHand}},
		"boxed":                                 {data: events.BoxesPacked{Box: box, Boxes: 2, Place: "counter", Contents: []events.BoxContent{{Run: run, Grade: "first", Pieces: 4}}}},
		"counted":                               {data: events.StockCounted{Place: "counter", Complete: true, Lines: []events.CountedLine{{StockOf: what, Found: events.Amount{Pieces: 107}, Had: events.Amount{Pieces: 108}}}}},
		"fridge temperature logged":             {data: events.Checked{Place: "workshop", Kind: "temperature", Value: new(9.5)}},
	}
}

// Every row of the mapping: the type, the action, the business step and the disposition are of the words that it allows.
func TestEveryStepIsToldAsTheMappingSays(t *testing.T) {
	t.Parallel()
	file, err := os.Open(standards + "mapping.csv")
	require.NoError(t, err)
	defer file.Close()
	reader := csv.NewReader(file)
	reader.LazyQuotes = true
	rows, err := reader.ReadAll()
	require.NoError(t, err)
	elsewhere := map[string]bool{
		"returned by a customer": true, "corrected: data were wrong": true, "corrected: it never happened": true,
	}
	all := steps()
	for _, row := range rows[1:] {
		s, is := all[row[0]]
		require.NotEqual(t, is, elsewhere[row[0]], row[0])
		if !is {
			continue
		}
		e := one(t, s.book, s.data)[s.which]
		require.Equal(t, row[1], e["type"], row[0])
		word := func(name string, allowed string) {
			t.Helper()
			told, _ := e[name].(string)
			if strings.Contains(allowed, "(omit)") && told == "" || row[2] == "(none)" && name == "action" {
				return
			}
			if told == "" && strings.Contains(allowed, "or omit") {
				return
			}
			require.NotEmpty(t, told, "%s: %s", row[0], name)
			require.Contains(t, strings.FieldsFunc(allowed, func(c rune) bool {
				return !strings.ContainsRune("abcdefghijklmnopqrstuvwxyz_ABCDEFGHIJKLMNOPQRSTUVWXYZ", c)
			}), told, "%s: %s", row[0], name)
		}
		word("action", row[2])
		word("bizStep", row[3])
		word("disposition", row[4])
	}
}

func classes(list any) []string {
	var found []string
	for _, q := range list.([]any) {
		found = append(found, q.(map[string]any)["epcClass"].(string))
	}
	return found
}

// A vat that is topped up becomes a new lot of chocolate with the rest as an input, so that what was drawn before is not
// of what came in after it.
func TestATopUpIsALotOfItsOwn(t *testing.T) {
	t.Parallel()
	melt := steps()["couverture melted into a vat"]
	e := one(t, melt.book, melt.data)[0]
	base := "https://id.example.com/lot/"
	require.Equal(t, []string{base + string(dark), base + string(charge) + "/fill/1"}, classes(e["inputQuantityList"]))
	require.Equal(t, []string{base + string(charge) + "/fill/2"}, classes(e["outputQuantityList"]))
	require.InDelta(t, 6000, e["outputQuantityList"].([]any)[0].(map[string]any)["quantity"], 0)
	before := epcis.Book{Base: "https://id.example.com", Defs: definitions(t), Fills: melt.book.Fills}
	drawn := tell(5, events.ShellsCast{Run: run, Draw: events.ChocolateDraw{Charge: charge, Drawn: 100 * events.Gram}})
	document, err := before.Document(eight, []events.Recorded{drawn})
	require.NoError(t, err)
	require.Contains(t, string(document), string(charge)+"/fill/1")
	require.NotContains(t, string(document), string(charge)+"/fill/2")
}

// A supplier's lot was there before it came: it is seen, its dates stand in the header, and our number is another lot.
func TestADeliveryIsSeenAndThenRelabelled(t *testing.T) {
	t.Parallel()
	delivery := steps()["ingredient lot received"].data
	told := one(t, epcis.Book{}, delivery)
	theirs := "https://id.example.com/supplier/example-dairy/ingredient/cream-35/lot/CR%2077%2F31"
	require.Equal(t, []string{theirs}, classes(told[0]["quantityList"]))
	require.NotContains(t, told[0], "ilmd")
	require.Equal(t, []string{theirs}, classes(told[1]["inputQuantityList"]))
	require.Equal(t, []string{"https://id.example.com/lot/" + string(cream)}, classes(told[1]["outputQuantityList"]))
	nameless := delivery.(events.IngredientReceived)
	nameless.SupplierLot = ""
	require.Len(t, one(t, epcis.Book{}, nameless), 1)
}

// Pieces whose design has a trade number are of its lot; a number that does not check is not used. 9521234543213 is the
// worked example of the check digit (GS1 General Specifications, section 7.9.1).
func TestATradeNumberNamesTheLot(t *testing.T) {
	t.Parallel()
	sale := steps()["sold over the counter"].data
	for design, class := range map[string]string{
		"numbered":    "https://id.example.com/01/09521234543213/10/" + string(run),
		"misnumbered": "https://id.example.com/lot/" + string(run),
	} {
		runs := map[events.Code]workshop.Run{run: {Code: run, RunStart: events.RunStart{Design: design, DesignVersion: 1}}}
		require.Equal(t, []string{class}, classes(one(t, epcis.Book{Runs: runs}, sale)[0]["quantityList"]), design)
	}
}

// Two times: when it happened and when it was recorded, both in the zone where it happened.
func TestTimesAreOfThePlace(t *testing.T) {
	t.Parallel()
	e := one(t, epcis.Book{}, events.PiecesReleased{Run: run, Pieces: 1, From: "workshop", Place: "workshop"})[0]
	require.Equal(t, "2026-11-25T08:09:00+00:00", e["eventTime"])
	require.Equal(t, "+00:00", e["eventTimeZoneOffset"])
	require.Equal(t, "2026-11-25T10:09:00+00:00", e["recordTime"])
}

// What was declared wrong is told whole, under its own id and time, with the declaration: with what tells it right, or
// with nothing where it never happened.
func TestAMistakeIsDeclared(t *testing.T) {
	t.Parallel()
	wrong, right := tell(9, nil).ID, tell(10, nil).ID
	e := one(t, epcis.Book{Errors: map[uuid.UUID]epcis.Declared{wrong: {At: eight, Right: []uuid.UUID{right}}}}, steps()["sold over the counter"].data)[0]
	require.Equal(t, "urn:uuid:"+wrong.String(), e["eventID"])
	require.Equal(t, map[string]any{
		"declarationTime": "2026-11-25T08:00:00+00:00", "reason": "incorrect_data", "correctiveEventIDs": []any{"urn:uuid:" + right.String()},
	}, e["errorDeclaration"])
	e = one(t, epcis.Book{Errors: map[uuid.UUID]epcis.Declared{wrong: {At: eight}}}, steps()["sold over the counter"].data)[0]
	require.Equal(t, map[string]any{"declarationTime": "2026-11-25T08:00:00+00:00", "reason": "did_not_occur"}, e["errorDeclaration"])
}

// All pieces of all boxes of a code go into them, and come out of those that are opened: the part of them that goes on
// under a code of its own is a lot of its own.
func TestPiecesGoIntoBoxesAndComeOut(t *testing.T) {
	t.Parallel()
	e := one(t, epcis.Book{}, steps()["boxed"].data)[0]
	require.Equal(t, "https://id.example.com/lot/"+string(box), e["parentID"])
	require.Equal(t, []any{map[string]any{"epcClass": "https://id.example.com/lot/" + string(run), "quantity": 8.0}}, e["childQuantityList"])
	opened := events.BoxesOpened{Box: box, Place: "counter", Boxes: 1, Lines: []events.UnboxedLine{{StockOf: events.StockOf{Code: run, Grade: "first"}, Pieces: 4, NewCode: run.Part(1)}}}
	told := one(t, epcis.Book{}, opened)
	require.Len(t, told, 2)
	require.Equal(t, "AggregationEvent", told[0]["type"])
	require.Equal(t, "DELETE", told[0]["action"])
	require.Equal(t, "unpacking", told[0]["bizStep"])
	require.Equal(t, []string{"https://id.example.com/lot/" + string(run)}, classes(told[0]["childQuantityList"]))
	require.Equal(t, []string{"https://id.example.com/lot/" + string(run.Part(1))}, classes(told[1]["outputQuantityList"]))
}
