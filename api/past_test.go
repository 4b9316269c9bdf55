package api

import (
	"net/http"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// sold sells pieces of a run at the counter.
func (b *testBook) sold(run string, pieces int) {
	b.t.Helper()
	b.post("sales", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": pieces}}, "channel": "counter"})
}

// What was known at a moment that is over never changes, so an answer about it holds as long as the caller's rights; one
// about what had occurred, by what is known today, holds until something is written.
func TestATagOfTheKnownPastHolds(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, _, run := b.onCounter()
	b.at("2026-11-25T13:00:00Z")
	b.sold(run, 1)
	position := strconv.Itoa(int(b.head()))
	b.at("2026-11-25T14:00:00Z")
	b.sold(run, 1)

	pages := map[string]int{}
	for _, of := range []string{"stock?place=counter", "board?place=counter", "trace/" + run + "/back?", "balances/" + run + "?"} {
		pages["/v1/"+of+"&known_at="+position] = http.StatusNotModified
		pages["/v1/"+of+"&known_at=2026-11-25T13:30:00Z"] = http.StatusNotModified
		pages["/v1/"+of+"&known_at=2026-11-25T13:30:00Z&at=2026-11-25T13:00:00Z"] = http.StatusNotModified
		pages["/v1/"+of+"&known_at=2026-11-25T14:00:00Z"] = http.StatusOK // more may be recorded at the same instant
		pages["/v1/"+of+"&at=2026-11-25T13:30:00Z"] = http.StatusOK
	}
	tags := map[string]string{}
	for page := range pages {
		a := b.owner.get(t, page)
		require.Equal(t, http.StatusOK, a.Status, "%s: %s", page, a.Body)
		tags[page] = a.Header.Get("ETag")
		require.Equal(t, http.StatusNotModified, b.owner.get(t, page, "If-None-Match", tags[page]).Status, page)
	}
	b.sold(run, 1)
	b.at("2026-11-26T09:00:00Z")
	for page, status := range pages {
		require.Equal(t, status, b.owner.get(t, page, "If-None-Match", tags[page]).Status, page)
		require.NotEqual(t, http.StatusNotModified, b.as(roleMaker).get(t, page, "If-None-Match", tags[page]).Status, "%s: another role", page)
	}

	// What was ahead of the book is refused with no tag, and holds nothing back once the book has come there.
	ahead := "/v1/stock?known_at=" + strconv.Itoa(int(b.head())+1)
	refused := b.owner.get(t, ahead)
	require.Equal(t, http.StatusUnprocessableEntity, refused.Status)
	require.Empty(t, refused.Header.Get("ETag"))
	b.sold(run, 1)
	require.Equal(t, http.StatusOK, b.owner.get(t, ahead).Status)
}

// head is the position of the newest event.
func (b *testBook) head() (position int64) {
	b.t.Helper()
	require.NoError(b.t, b.db.App.QueryRow(b.t.Context(), "SELECT position FROM head").Scan(&position))
	return position
}

// A key that is bound to a site sees of the past what it may see of the present.
func TestThePastOfASite(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, run := b.twoSites()
	b.at("2026-11-25T13:00:00Z")
	then := "known_at=" + strconv.Itoa(int(b.head()))
	b.sold(run, 1)
	pier := b.bound("pier", roleOwner)
	for _, l := range pier.get(t, "/v1/stock?"+then).at("lines").([]any) {
		require.Equal(t, "stall", l.(map[string]any)["place"])
	}
	pier.get(t, "/v1/stock?place=counter&"+then).problem(http.StatusForbidden, "forbidden")
	pier.get(t, "/v1/board?place=counter&"+then).problem(http.StatusForbidden, "forbidden")
	require.Equal(t, http.StatusOK, pier.get(t, "/v1/board?place=stall&"+then).Status)
}

// A trace of the past is a table too, but no EPCIS document: that tells the book as it stands, corrections among it.
func TestThePastInOtherForms(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, _, run := b.onCounter()
	b.at("2026-11-25T13:00:00Z")
	b.sold(run, 2)
	sheet := string(b.owner.get(t, "/v1/trace/"+s.cream+"/forward?at=2026-11-25T12:59:00Z", "Accept", mediaCSV).Body)
	require.NotContains(t, sheet, "sale")
	require.Contains(t, string(b.owner.get(t, "/v1/trace/"+s.cream+"/forward?at=2026-11-25T13:00:00Z", "Accept", mediaCSV).Body), "sale")
	require.Contains(t, string(b.owner.get(t, "/v1/balances/"+run+"?at=2026-11-25T13:00:00Z", "Accept", mediaCSV).Body), "sold")
	off := b.owner.get(t, "/v1/trace/"+run+"/back?at=2026-11-25T13:00:00Z", "Accept", mediaEPCIS)
	require.Contains(t, off.problem(http.StatusUnprocessableEntity, "invalid-request")["detail"], "an EPCIS document tells the book as it stands")
}
