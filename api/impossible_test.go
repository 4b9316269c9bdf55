package api

import (
	"net/http"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The events that can be asked for are those that can be recorded: each has a folder of its own among the events that are
// read for ever.
func TestTheDocumentNamesEveryTypeOfEvent(t *testing.T) {
	t.Parallel()
	operations, err := document()
	require.NoError(t, err)
	parameter := operations["GET /v1/events"].route.Operation.Parameters.GetByInAndName("query", "type")
	require.NotNil(t, parameter)
	var named []string
	for _, name := range parameter.Schema.Value.Enum {
		named = append(named, name.(string))
	}
	recordable, err := os.ReadDir("../testdata/events")
	require.NoError(t, err)
	var types []string
	for _, folder := range recordable {
		types = append(types, folder.Name())
	}
	require.Equal(t, types, named)
}

// What fits the document and cannot be meant is 422, and names the place.
func TestWhatCannotBeMeantIsNotOffTheDocument(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, ganache, run := b.onCounter()
	for _, c := range []struct{ method, target, body, pointer string }{
		{http.MethodGet, "/v1/waste?from=2026-11-26&to=2026-11-25", "", "/query/to"},
		{http.MethodGet, "/v1/picks?place=counter", "", "/query"},
		{http.MethodGet, "/v1/picks?design=blackcurrant-dome&quantity_g=1", "", "/query"},
		{http.MethodPut, "/v1/sites/quay-lane", `{"name":"Quay Lane","time_zone":"Europe/Atlantis","currency":"EUR"}`, "/time_zone"},
		{http.MethodPost, "/v1/moves", `{"from":"counter","to":"counter","lines":[{"code":"` + run + `","pieces":1}]}`, "/to"},
		{http.MethodPost, "/v1/discards", `{"reason":"damaged","destination":"refuse","lines":[{"code":"` + run + `","pieces":1}]}`, "/place"},
		{http.MethodPost, "/v1/counts", `{"place":"counter","lines":[{"code":"` + run + `","pieces":1},{"code":"` + run + `","pieces":2}]}`, "/lines"},
		{http.MethodPost, "/v1/counts", `{"place":"counter","lines":[],"reason":"book_short"}`, "/reason"},
		{http.MethodPost, "/v1/redatings", `{"code":"` + ganache + `","date":"2027-12-08","reason":"smells good"}`, "/date"},
	} {
		told := b.owner.do(t, c.method, c.target, c.body).problem(http.StatusUnprocessableEntity, "invalid-request")
		off := told["errors"].([]any)[0].(map[string]any)
		require.Equal(t, c.pointer, off["pointer"], "%s %s", c.method, c.target)
		require.NotEmpty(t, off["detail"])
	}
}

// What goes together is in the document's own words.
func TestWhatGoesTogetherIsInTheDocument(t *testing.T) {
	t.Parallel()
	owner := newBench(t, stub{}).as(roleOwner)
	decide := "/v1/deviations/" + someID.String() + "/decisions"
	for _, c := range []struct{ method, target, body, detail string }{
		{http.MethodPost, decide, `{"decision":"shorten","reason":"?"}`, "the new date"},
		{http.MethodPost, decide, `{"decision":"accept","date":"2026-12-01","reason":"?"}`, "the new date"},
		{http.MethodPost, "/v1/vats/vat-dark/emptyings", `{"cleaned":true,"rest":"block"}`, "with place where"},
		{http.MethodPut, "/v1/ingredients/dark", `{"name":"Dark","kind":"couverture"}`, "dark, milk or white"},
		{http.MethodPut, "/v1/ingredients/cream", `{"name":"Cream","kind":"dairy","chocolate":"white"}`, "dark, milk or white"},
	} {
		off := owner.do(t, c.method, c.target, c.body).misfits()
		require.Contains(t, off[""], c.detail, c.body)
	}
	for _, yes := range []string{"1", "TRUE", "T", "yes"} {
		require.Contains(t, owner.get(t, "/v1/runs?on_hand="+yes).misfits()["/query/on_hand"], "true or false")
	}
	require.Contains(t, owner.get(t, "/v1/events?type=pieces_"+strings.Repeat("x", 3)).misfits()["/query/type"], "expected one of boxes_opened")
}
