package api

import (
	"encoding/csv"
	"net/http"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/epcis/check"
)

// cared is a run of the walk with something found of everything on its way: a filling that was checked and held and let
// go again, and shells that were cast too warm and written down late.
func (b *testBook) cared() (s stockroom, ganache, run string) {
	b.t.Helper()
	b.at("2026-11-25T09:00:00Z")
	b.catalogue()
	s = b.stock()
	ganache = b.ganache(s, b.melt(s).text("charge")).text("code")
	b.at("2026-11-25T10:00:00Z")
	b.post("checks", obj{"subject": ganache, "kind": "visual", "result": "pass", "document": "QC-1"})
	hold := b.post("holds", obj{"code": ganache, "reason": "=smell"}).text("id")
	b.post("holds/"+hold+"/lifts", obj{"reason": "it was the soap"})
	b.at("2026-11-25T11:30:00Z")
	made := b.post("runs", obj{
		"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 6, "place": "workshop", "occurred_at": "2026-11-25T11:00:00Z",
		"casting": obj{"vat": "vat-dark", "temperature_c": 36.0}, "filling": []obj{{"source": ganache, "temperature_c": 31.0}},
		"capping": obj{"vat": "vat-dark", "temperature_c": 32.0, "drawn_g": 400, "returned_g": 215}, "turned_out": obj{"good": 140, "broken": 4, "broken_to": "bin"},
	})
	run = made.text("code")
	b.post("deviations/"+made.text("deviations", 0, "id")+"/decisions", obj{"decision": "accept", "reason": "they set well"})
	b.post("runs/"+run+"/releases", obj{"pieces": 140, "place": "counter"})
	b.post("sales", obj{"place": "counter", "channel": "counter", "reference": "till-000231", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 6}}})
	b.post("sales", obj{"place": "counter", "channel": "trade", "buyer": "harbour-cafe", "reference": "-INV 7", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 12}}})
	b.post("tasters", obj{"place": "counter", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 2}}})
	return s, ganache, run
}

func TestATraceIsToldWithCare(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, ganache, run := b.cared()

	node := func(a answer, code string) answer {
		t.Helper()
		for i := range a.at("nodes").([]any) {
			if a.at("nodes", i, "code") == code {
				return answer{t: t, Body: []byte(text(t, a.at("nodes", i).(map[string]any)))}
			}
		}
		require.Fail(t, "no node "+code)
		return a
	}
	back := b.owner.get(t, "/v1/trace/"+run+"/back?with=care")
	node(back, ganache).has(map[string]any{
		"recorded.late_seconds": n("0"), "recorded.actor": "key-owner",
		"checks.0.kind": "visual", "checks.0.result": "pass", "checks.0.document": "QC-1", "checks.0.recorded.occurred_at": "2026-11-25T10:00:00Z",
		"holds.0.reason": "=smell", "holds.0.lifted.reason": "it was the soap",
	})
	node(back, run).has(map[string]any{
		"recorded.occurred_at": "2026-11-25T11:00:00Z", "recorded.recorded_at": "2026-11-25T11:30:00Z", "recorded.late_seconds": n("1800"),
		"deviations.0.rule": "temperature", "deviations.0.concern": "quality", "deviations.0.decision.decision": "accept", "deviations.0.decision.reason": "they set well",
		"deviations.0.decision.recorded.actor": "key-owner",
	})
	require.NotContains(t, node(back, s.sugar).json(), "checks")
	back.has(map[string]any{"edges.0.recorded.0.actor": "key-owner", "edges.0.recorded.0.occurred_at": "2026-11-25T09:00:00Z"})

	// A maker sees what was found, and not who wrote it down. Without care the answer is as slim as ever.
	maker := b.as(roleMaker).get(t, "/v1/trace/"+run+"/back?with=care")
	require.NotContains(t, string(maker.Body), "actor")
	node(maker, ganache).has(map[string]any{"checks.0.kind": "visual"})
	require.NotContains(t, string(b.owner.get(t, "/v1/trace/"+run+"/back").Body), `"recorded":`)
	node(b.owner.get(t, "/v1/trace/"+s.cream+"/forward?with=care"), run).has(map[string]any{"deviations.0.decision.decision": "accept"})
	require.Equal(t, http.StatusBadRequest, b.owner.get(t, "/v1/trace/"+run+"/back?with=all").Status)
}

// What parts from a held thing is held with it, though the event that placed the hold is older than it.
func TestAHoldIsToldOfWhatPartedFromIt(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, _, run := b.onCounter()
	b.post("holds", obj{"code": run, "reason": "smell"})
	b.at("2026-11-25T12:00:00Z")
	part := b.post("moves", obj{"from": "counter", "to": "freezer", "sealed": true, "lines": []obj{{"code": run, "pieces": 20}}}).text("lines", 0, "new_code")
	back := b.owner.get(t, "/v1/trace/"+part+"/back?with=care")
	held := 0
	for i := range back.at("nodes").([]any) {
		if code := back.at("nodes", i, "code"); code == run || code == part {
			require.Equal(t, "smell", back.at("nodes", i, "holds", 0, "reason"))
			held++
		}
	}
	require.Equal(t, 2, held)
}

// table reads a table as RFC 4180 has it.
func (a answer) table() [][]string {
	a.t.Helper()
	require.Equal(a.t, http.StatusOK, a.Status, "%s", a.Body)
	require.Equal(a.t, "text/csv; charset=utf-8; header=present", a.Header.Get("Content-Type"))
	require.Equal(a.t, strings.Count(string(a.Body), "\n"), strings.Count(string(a.Body), "\r\n"))
	rows, err := csv.NewReader(strings.NewReader(string(a.Body))).ReadAll()
	require.NoError(a.t, err)
	return rows
}

func TestAnswersComeAsTables(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, _, run := b.cared()
	get := func(target string) [][]string {
		t.Helper()
		return b.owner.get(t, target, "Accept", "text/csv").table()
	}
	back := get("/v1/trace/" + run + "/back")
	require.Equal(t, []string{"of", "lot", "ingredient", "supplier", "supplier_lot", "certainty", "share", "per_piece_g"}, back[0])
	require.Equal(t, []string{run, s.cream, "cream-35", "example-dairy", "CR-7731", "contains"}, back[1][:6])

	forward := get("/v1/trace/" + s.cream + "/forward")
	require.Len(t, forward, 4)
	require.Equal(t, []string{s.cream, "run", run, "", "blackcurrant-dome", "contains", "140", "120", "18", "2", "0", "0", "0"}, forward[1][:13])
	require.Equal(t, "till-000231", forward[2][18])
	require.Equal(t, "'-INV 7", forward[3][18], "a spreadsheet would work it out")
	require.Equal(t, "harbour-cafe", forward[3][17])

	candidates := get(domesSold + "2026-11-25T11:00:00Z&sold_to=2026-11-25T12:00:00Z")
	require.Equal(t, run, candidates[1][0])
	balance := get("/v1/balances/" + s.cream)
	require.Equal(t, []string{s.cream, "in", "", "6000"}, balance[1])
	period := get("/v1/balances?from=2026-11-25&to=2026-11-25")
	require.Contains(t, period, []string{"lot", "cream-35", "in", "received", "6000", ""})
	require.Contains(t, period, []string{"run", "blackcurrant-dome", "closing", "", "1414.08", "120"}) // pieces of 11.784 g

	// Whoever does not care gets JSON, and what there is not is said.
	for accept, media := range map[string]string{"*/*": "application/json", "text/*": "text/csv; charset=utf-8; header=present", "text/csv;q=0.5, application/json": "application/json"} {
		require.Equal(t, media, b.owner.get(t, "/v1/balances/"+s.cream, "Accept", accept).Header.Get("Content-Type"), accept)
	}
	b.owner.get(t, "/v1/balances/"+s.cream, "Accept", "application/ld+json").problem(http.StatusNotAcceptable, "not-acceptable")
}

// A cell that begins as a formula does, and one that a reader could take for two (OWASP, "CSV Injection"; RFC 4180,
// section 2).
func TestCellsAreHarmless(t *testing.T) {
	t.Parallel()
	s := newSheet("text", "number")
	for _, text := range []string{"=1+2", "+1", "-1", "@sum", "\tx", "＝1", "plain", `say "ah", twice`, ""} {
		s.row(text, -1.5)
	}
	rows, err := csv.NewReader(strings.NewReader(string(s.answer().body))).ReadAll()
	require.NoError(t, err)
	want := []string{"text", "'=1+2", "'+1", "'-1", "'@sum", "'\tx", "'＝1", "plain", `say "ah", twice`, ""}
	for i, row := range rows {
		require.Equal(t, want[i], row[0])
		if i > 0 {
			require.Equal(t, "-1.5", row[1], "a number is no formula")
		}
	}
}

// The whole walk as EPCIS: against the official schema where a copy of it is named, and against what that lets pass.
func TestATraceIsToldAsEPCIS(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, _, run := b.cared()
	b.post("vats/vat-dark/melts", obj{"inputs": []obj{{"source": s.dark, "quantity_g": 0.5, "purpose": "top_up"}}, "already_done": true})
	b.at("2026-11-25T12:00:00Z")
	b.post("moves", obj{"from": "counter", "to": "freezer", "sealed": true, "lines": []obj{{"code": run, "pieces": 20}}})
	b.post("counts", obj{"place": "counter", "reason": "noon", "lines": []obj{{"code": run, "pieces": 99}}})
	b.post("discards", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 2}}, "reason": "damaged", "destination": "composting"})
	box := b.post("boxes", obj{"place": "counter", "name": "Box of four", "count": 3, "contents": []obj{{"run": run, "pieces": 4}}}).text("boxes", 0, "code")
	b.post("sales", obj{"place": "counter", "channel": "counter", "lines": []obj{{"code": box, "pieces": 1}}})
	b.post("boxes/"+box+"/openings", obj{"count": 1})
	for _, target := range []string{"/v1/trace/" + box + "/back?with=care", "/v1/trace/" + run + "/forward?with=care"} {
		require.Contains(t, string(b.owner.get(t, target).Body), `"recorded":`)
	}

	path := os.Getenv("TEST_EPCIS_SCHEMA")
	var schema *check.Schema
	if path == "" {
		t.Log("TEST_EPCIS_SCHEMA does not name a copy of the official schema: the documents are held against the other checks only")
	} else {
		var err error
		schema, err = check.ReadSchema(path)
		require.NoError(t, err)
	}
	for _, target := range []string{"/v1/trace/" + run + "/back", "/v1/trace/" + box + "/back", "/v1/trace/" + box + "/forward", "/v1/trace/" + s.cream + "/forward", "/v1/trace/" + s.dark + "/forward", "/v1/trace/" + s.cream + "/back"} {
		a := b.owner.get(t, target, "Accept", "application/ld+json")
		require.Equal(t, http.StatusOK, a.Status, "%s", a.Body)
		require.Equal(t, "application/ld+json", a.Header.Get("Content-Type"))
		wrong, err := check.Wrong(a.Body)
		require.NoError(t, err)
		require.Empty(t, wrong, "%s", a.Body)
		if schema != nil {
			require.NoError(t, schema.Validate(a.Body), "%s", a.Body)
		}
	}
	told := b.owner.get(t, "/v1/trace/"+s.cream+"/forward", "Accept", "application/ld+json").words("epcisBody", "eventList", "bizStep")
	require.Subset(t, told, []string{
		"receiving", "repackaging", "other", "commissioning", "inspecting", "holding", "storing", "stocking", "retail_selling", "shipping", "dispensing",
		"destroying", "cycle_counting", "packing", "unpacking",
	})
	told = b.owner.get(t, "/v1/trace/"+run+"/back", "Accept", "application/ld+json").words("epcisBody", "eventList", "bizStep")
	require.NotContains(t, told, "retail_selling", "back is how it came to be")
}

// A sale that was typed wrong is told whole and declared wrong, with the one that tells it right; one that never was, with
// none (EPCIS 2.0, ErrorDeclaration).
func TestCorrectionsAreDeclaredInEPCIS(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, _, run := b.cared()
	sale := func(pieces int) obj {
		return obj{"place": "counter", "channel": "counter", "lines": []obj{{"code": run, "pieces": pieces}}}
	}
	typed, never := b.post("sales", sale(20)).text("id"), b.post("sales", sale(5)).text("id")
	b.post("corrections", obj{"event": typed, "reason": "typed 20, meant 2", "replacement": sale(2)})
	b.post("corrections", obj{"event": never, "reason": "nobody came"})

	a := b.owner.get(t, "/v1/trace/"+run+"/forward", "Accept", "application/ld+json")
	wrong, err := check.Wrong(a.Body)
	require.NoError(t, err)
	require.Empty(t, wrong, "%s", a.Body)
	told := map[string]answer{}
	for i, id := range a.words("epcisBody", "eventList", "eventID") {
		require.NotContains(t, told, id)
		told[id] = answer{t: t, Body: []byte(text(t, a.at("epcisBody", "eventList", i).(map[string]any)))}
	}
	first := told["urn:uuid:"+typed]
	first.has(map[string]any{"quantityList.0.quantity": n("20"), "errorDeclaration.reason": "incorrect_data"})
	right := told[first.text("errorDeclaration", "correctiveEventIDs", 0)]
	right.has(map[string]any{"quantityList.0.quantity": n("2"), "eventTime": first.text("eventTime")})
	require.NotContains(t, right.json(), "errorDeclaration")
	second := told["urn:uuid:"+never]
	second.has(map[string]any{"quantityList.0.quantity": n("5"), "errorDeclaration.reason": "did_not_occur"})
	require.NotContains(t, string(second.Body), "correctiveEventIDs")
}

// words lists the value of a member in each entry of a list.
func (a answer) words(one, list, member string) []string {
	a.t.Helper()
	var found []string
	for i := range a.at(one, list).([]any) {
		found = append(found, a.text(one, list, i, member))
	}
	return found
}
