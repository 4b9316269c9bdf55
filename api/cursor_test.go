package api

import (
	"encoding/base64"
	"net/http"
	"net/url"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPages(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	maker := b.as(roleMaker)
	var slugs []string
	pages := 0
	for target := "/v1/moulds?limit=60"; target != ""; pages++ {
		a := maker.get(t, target)
		require.Equal(t, http.StatusOK, a.Status, "%s", a.Body)
		body := a.json().(map[string]any)
		for _, m := range body["moulds"].([]any) {
			slugs = append(slugs, m.(map[string]any)["slug"].(string))
		}
		target = ""
		if next, more := body["next_cursor"].(string); more {
			link := regexp.MustCompile(`^<(/v1/moulds\?[^>]+)>; rel="next"$`).FindStringSubmatch(a.Header.Get("Link"))
			require.NotNil(t, link, a.Header.Get("Link"))
			target = link[1]
			require.Contains(t, target, "cursor="+url.QueryEscape(next))
			require.Contains(t, target, "limit=60")
		} else {
			require.Empty(t, a.Header.Get("Link"))
		}
	}
	require.Equal(t, 5, pages)
	require.Len(t, slugs, 250)
	require.IsIncreasing(t, slugs)

	require.Len(t, maker.get(t, "/v1/moulds").json().(map[string]any)["moulds"], 100)
}

func TestCursorsOfOthers(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	maker := b.as(roleMaker)
	next := maker.get(t, "/v1/moulds").json().(map[string]any)["next_cursor"].(string)
	turn := func(cursor string) answer { return maker.get(t, "/v1/moulds?cursor="+url.QueryEscape(cursor)) }
	require.Equal(t, http.StatusOK, turn(next).Status)

	foreign := base64.RawURLEncoding.EncodeToString([]byte(`{"l":"other","e":"e1","p":1,"a":"x"}`))
	broken := base64.RawURLEncoding.EncodeToString([]byte(`{"l":"` + listOf("/v1/moulds", url.Values{}) + `","e":"e1","p":1,"a":{}}`))
	for _, cursor := range []string{"x", "####", next + "AAAA", foreign, broken} {
		require.Contains(t, turn(cursor).misfits(), "/query/cursor", cursor)
	}
	require.NotEqual(t, listOf("/v1/moulds", url.Values{}), listOf("/v1/moulds", url.Values{"place": {"counter"}}))

	b.book.mark.Position-- // put back to an earlier state
	turn(next).problem(http.StatusGone, "cursor-gone")
	b.book.mark.Position += 5
	require.Equal(t, http.StatusOK, turn(next).Status)
	b.book.mark.Epoch = "e2"
	turn(next).problem(http.StatusGone, "cursor-gone")
}
