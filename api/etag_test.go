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
