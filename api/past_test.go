package api

import (
	"encoding/json"
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

// A trace of the past is a table too.
func TestThePastAsATable(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, _, run := b.onCounter()
	b.at("2026-11-25T13:00:00Z")
	b.sold(run, 2)
	sheet := string(b.owner.get(t, "/v1/trace/"+s.cream+"/forward?at=2026-11-25T12:59:00Z", "Accept", mediaCSV).Body)
	require.NotContains(t, sheet, "sale")
	require.Contains(t, string(b.owner.get(t, "/v1/trace/"+s.cream+"/forward?at=2026-11-25T13:00:00Z", "Accept", mediaCSV).Body), "sale")
	require.Contains(t, string(b.owner.get(t, "/v1/balances/"+run+"?at=2026-11-25T13:00:00Z", "Accept", mediaCSV).Body), "sold")
}

// What was answered at a moment is answered again when the book is asked what it knew then, whatever was written since:
// a sale, a discard, a late check, a hold that is lifted, and corrections of a sale and of a check.
func TestWhatWasAnsweredIsAnsweredAgain(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, ganache, run := b.cared()
	hold := b.post("holds", obj{"code": run, "reason": "a hair"}).text("id")
	b.at("2026-11-25T12:00:00Z")
	checked := b.post("checks", obj{"subject": run, "kind": "visual", "result": "fail"}).text("id")

	pages := map[string][]string{}
	for _, code := range []string{s.cream, ganache, run} {
		for _, way := range []string{"back", "forward"} {
			pages["/v1/trace/"+code+"/"+way+"?with=care"] = []string{"application/json"}
			pages["/v1/trace/"+code+"/"+way+"?"] = []string{mediaEPCIS, mediaCSV}
		}
		pages["/v1/balances/"+code+"?"] = []string{"application/json"}
	}
	pages["/v1/balances?from=2026-11-25&to=2026-11-26"] = []string{"application/json", mediaCSV}
	type asked struct{ page, form string }
	answers := map[asked]string{}
	told := func(a asked, query string) string {
		t.Helper()
		got := b.owner.get(t, a.page+query, "Accept", a.form)
		require.Equal(t, http.StatusOK, got.Status, "%s: %s", a.page+query, got.Body)
		if a.form == mediaCSV {
			return string(got.Body)
		}
		var body map[string]any
		require.NoError(t, json.Unmarshal(got.Body, &body))
		delete(body, "as_of")
		delete(body, "creationDate")
		return text(t, body)
	}
	for page, forms := range pages {
		for _, form := range forms {
			answers[asked{page, form}] = told(asked{page, form}, "")
		}
	}
	then := "&known_at=" + strconv.Itoa(int(b.head()))

	b.at("2026-11-25T13:00:00Z")
	sale := b.owner.get(t, "/v1/events?type=pieces_sold").text("events", 0, "id")
	b.post("corrections", obj{"event": sale, "reason": "rung up twice"})
	b.post("corrections", obj{"event": checked, "reason": "it was the light", "replacement": obj{"subject": run, "kind": "visual", "result": "pass"}})
	b.post("checks", obj{"subject": ganache, "kind": "visual", "result": "pass", "occurred_at": "2026-11-25T10:30:00Z"})
	b.post("holds/"+hold+"/lifts", obj{"reason": "it was a thread"})
	b.post("sales", obj{"place": "counter", "channel": "counter", "lines": []obj{{"code": run, "pieces": 9}}})
	b.post("discards", obj{"place": "cold-room", "lines": []obj{{"code": s.cream, "quantity_g": 100}}, "reason": "damaged", "destination": "refuse"})
	for a, answer := range answers {
		if a.form == "application/json" || a.form == mediaCSV {
			require.Equal(t, answer, told(a, then), "%s as %s", a.page, a.form)
		} else {
			require.JSONEq(t, answer, told(a, then), "%s as %s", a.page, a.form)
		}
	}

	// As it stands, what was found wrong stays beside what is right.
	checks := answer{t: t, Body: []byte(told(asked{"/v1/trace/" + run + "/back?with=care", "application/json"}, ""))}
	for i := range checks.at("nodes").([]any) {
		if checks.at("nodes", i, "code") == run {
			require.Equal(t, "fail", checks.at("nodes", i, "checks", 0, "result"))
			require.Equal(t, "2026-11-25T13:00:00Z", checks.at("nodes", i, "checks", 0, "recorded", "corrected_at"))
			require.Equal(t, "pass", checks.at("nodes", i, "checks", 1, "result"))
			require.NotContains(t, text(t, checks.at("nodes", i, "checks", 1).(map[string]any)), "corrected_at")
		}
	}
}
