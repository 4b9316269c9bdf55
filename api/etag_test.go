package api

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/workshop"
)

func TestETag(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	owner := b.as(roleOwner)
	first := owner.get(t, "/v1/board?place=counter")
	tag := first.Header.Get("ETag")
	require.Regexp(t, `^"[A-Za-z0-9_-]{24}"$`, tag)
	require.Equal(t, "private, no-cache", first.Header.Get("Cache-Control"))

	for _, have := range []string{tag, "W/" + tag, `"other", ` + tag} {
		a := owner.get(t, "/v1/board?place=counter", "If-None-Match", have)
		require.Equal(t, http.StatusNotModified, a.Status)
		require.Empty(t, a.Body)
		require.Equal(t, tag, a.Header.Get("ETag"))
	}
	for _, have := range []string{`"other"`, "*", tag[1:]} {
		require.Equal(t, http.StatusOK, owner.get(t, "/v1/board?place=counter", "If-None-Match", have).Status, have)
	}
	require.Equal(t, http.StatusOK, owner.get(t, "/v1/board?place=stall", "If-None-Match", tag).Status)
	require.Equal(t, http.StatusOK, b.as(roleCounter).get(t, "/v1/board?place=counter", "If-None-Match", tag).Status)
	b.nobody().get(t, "/v1/board?place=counter", "If-None-Match", tag).problem(http.StatusUnauthorized, "unauthenticated")

	b.book.mark.Position++
	require.Equal(t, http.StatusOK, owner.get(t, "/v1/board?place=counter", "If-None-Match", tag).Status)
}

// Everything that an answer can depend on changes its tag, midnight at any site and a date that falls due among it.
func TestEntityTagTellsAnswersApart(t *testing.T) {
	t.Parallel()
	day := civil.DayOf(morning, time.UTC)
	mark := Mark{Epoch: "e1", Position: 17, Today: []civil.Day{day, day}, NextDue: morning}
	owner := workshop.Actor{ID: "k1", Roles: []string{"owner", "maker"}}
	same := entityTag(mark, owner, "/v1/board")
	require.Equal(t, same, entityTag(mark, workshop.Actor{ID: "k2", Roles: []string{"maker", "owner"}}, "/v1/board"))

	tags := map[string]bool{same: true}
	for _, tag := range []string{
		entityTag(mark, owner, "/v1/stock"),
		entityTag(mark, workshop.Actor{Roles: []string{"owner"}}, "/v1/board"),
		entityTag(mark, workshop.Actor{Roles: []string{"owner", "maker"}, Site: "quay-lane"}, "/v1/board"),
		entityTag(Mark{Epoch: "e2", Position: 17, Today: mark.Today, NextDue: morning}, owner, "/v1/board"),
		entityTag(Mark{Epoch: "e1", Position: 18, Today: mark.Today, NextDue: morning}, owner, "/v1/board"),
		entityTag(Mark{Epoch: "e1", Position: 17, Today: []civil.Day{day, day.AddDays(1)}, NextDue: morning}, owner, "/v1/board"),
		entityTag(Mark{Epoch: "e1", Position: 17, Today: mark.Today, NextDue: morning.Add(time.Minute)}, owner, "/v1/board"),
	} {
		require.False(t, tags[tag])
		tags[tag] = true
	}
}

func TestAnswersOutsideTheBookHaveNoTag(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	require.Empty(t, b.nobody().get(t, "/healthz").Header.Get("ETag"))
	require.Empty(t, b.as(roleTill).post(t, "/v1/sales", aSale).Header.Get("ETag"))
	require.Empty(t, b.as(roleMaker).get(t, "/v1/moulds/dome-24").Header.Get("ETag"), "a problem has none either")
}

// groupOf tells in which group of a board a run stands.
func (a answer) groupOf(run string) string {
	a.t.Helper()
	require.Equal(a.t, http.StatusOK, a.Status, "%s", a.Body)
	for group, lines := range a.at("groups").(map[string]any) {
		for _, line := range lines.([]any) {
			if line.(map[string]any)["run"] == run {
				return group
			}
		}
	}
	require.Fail(a.t, "not on the board", "%s in %s", run, a.Body)
	return ""
}

// A board fetched before an instant that changes it is another after it, whether or not anything was written.
func TestBoardTagsDoNotOutliveTheirDay(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.catalogue()
	site := obj{"name": "Quay Lane", "time_zone": "Asia/Tokyo", "currency": "EUR", "handles": []string{"nuts:hazelnut"}}
	require.Equal(t, http.StatusCreated, b.put("sites/quay-lane", site).Status)
	s := b.stock()
	run := b.run(b.ganache(s, b.melt(s).text("charge")).text("code")).text("code")
	b.post("runs/"+run+"/releases", obj{"pieces": 140, "place": "counter"})
	// The dates given stay when the site moves to another zone: they now end at no site's midnight.
	site["time_zone"] = "Europe/Dublin"
	require.Equal(t, http.StatusCreated, b.put("sites/quay-lane", site).Status)
	require.Equal(t, http.StatusCreated, b.put("sites/pier", obj{"name": "Pier", "time_zone": "America/New_York", "currency": "USD"}).Status)
	require.Equal(t, "2026-12-08T15:00:00Z", b.owner.get(t, "/v1/runs/"+run).text("use_by", "discard_by"))

	for _, step := range []struct{ why, before, after, was, is string }{
		{"midnight at the place", "2026-12-05T23:59:59Z", "2026-12-06T00:00:00Z", "in_good_time", "sell_next"},
		{"midnight at another site", "2026-12-06T04:59:59Z", "2026-12-06T05:00:00Z", "sell_next", "sell_next"},
		{"midnight at the place on its last day", "2026-12-07T23:59:59Z", "2026-12-08T00:00:00Z", "sell_next", "sell_today"},
		{"an instant at which it must be discarded", "2026-12-08T14:59:59Z", "2026-12-08T15:00:00Z", "sell_today", "withdraw_now"},
	} {
		const board = "/v1/board?place=counter"
		b.at(step.before)
		a := b.owner.get(t, board)
		require.Equal(t, step.was, a.groupOf(run), step.why)
		tag := a.Header.Get("ETag")
		require.Equal(t, http.StatusNotModified, b.owner.get(t, board, "If-None-Match", tag).Status, step.why)
		b.at(step.after)
		a = b.owner.get(t, board, "If-None-Match", tag)
		require.Equal(t, step.is, a.groupOf(run), step.why)
		require.NotEqual(t, tag, a.Header.Get("ETag"), step.why)
		require.Equal(t, http.StatusNotModified, b.owner.get(t, board, "If-None-Match", a.Header.Get("ETag")).Status, step.why)
	}
}

// A tag is its caller's role's and site's, and the book's as it stands.
func TestBoardTagsAreTheCallers(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, run := b.twoSites()
	const board = "/v1/board?place=stall"
	callers := []client{
		b.owner, b.as(roleCounter), b.as(roleTill), b.as(roleCounter, roleTill),
		b.bound("pier", roleCounter), b.bound("pier", roleTill), b.bound("pier", roleOwner),
	}
	tags := map[string]bool{}
	for _, c := range callers {
		for tag := range tags {
			require.Equal(t, http.StatusOK, c.get(t, board, "If-None-Match", tag).Status)
		}
		tag := c.get(t, board).Header.Get("ETag")
		require.Equal(t, http.StatusNotModified, c.get(t, board, "If-None-Match", tag).Status)
		tags[tag] = true
	}
	require.Len(t, tags, len(callers))
	b.post("sales", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 1}}, "channel": "counter"})
	for _, c := range callers {
		for tag := range tags {
			require.Equal(t, http.StatusOK, c.get(t, board, "If-None-Match", tag).Status)
		}
	}
}
