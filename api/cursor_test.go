package api

import (
	"encoding/base64"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
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

// lists are the lists that come in pages, with a filter each that leaves some of it out; the document says which there
// are.
var lists = map[string][]string{
	"/v1/sites": {""}, "/v1/places": {""}, "/v1/suppliers": {""}, "/v1/ingredients": {""}, "/v1/formulas": {""}, "/v1/vats": {""},
	"/v1/moulds": {""}, "/v1/designs": {""}, "/v1/buyers": {""}, "/v1/reference/ingredients": {""},
	"/v1/lots":       {"", "ingredient=couverture-dark-60", "on_hand=true"},
	"/v1/ganaches":   {"", "formula=blackcurrant-bay", "on_hand=true"},
	"/v1/runs":       {"", "design=blackcurrant-dome&on_hand=true", "awaiting_release=true"},
	"/v1/boxes":      {"", "on_hand=true"},
	"/v1/recalls":    {"", "open=true"},
	"/v1/holds":      {"", "open=true"},
	"/v1/deviations": {"", "open=true"},
	"/v1/stock":      {"", "place=workshop", "kind=pieces", "place=counter&kind=pieces"},
	"/v1/events":     {"", "after=7", "type=ingredient_received", "code=$run", "type=checked&after=20"},
}

// nextLink is the link to the next page (RFC 8288), empty on the last.
func (a answer) nextLink() string {
	a.t.Helper()
	header := a.Header.Values("Link")
	if len(header) == 0 {
		return ""
	}
	require.Len(a.t, header, 1)
	link := regexp.MustCompile(`^<([^>]+)>; rel="next"$`).FindStringSubmatch(header[0])
	require.NotNil(a.t, link, header)
	return link[1]
}

// Whoever follows the links of a list gets what one long page has, with its filters.
func TestLinksLeadThroughEveryList(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, ganache, run := b.onCounter()
	second := b.ganache(s, b.owner.get(t, "/v1/vats/vat-dark").text("charge", "code")).text("code")
	another := b.run(second).text("code")
	for range 3 {
		b.post("boxes", obj{"place": "counter", "contents": []obj{{"run": run, "pieces": 4}}})
		b.post("recalls", obj{"code": ganache, "reach": "contains", "drill": true, "reason": "exercise"})
	}
	for _, code := range []string{ganache, run, another} {
		b.post("holds", obj{"code": code, "reason": "smell"})
	}
	for range 3 {
		b.post("checks", obj{"subject": "cold-room", "kind": "temperature", "value": 9.5})
	}
	b.put("buyers/pier-cafe", obj{"name": "Pier Café", "address": "Pier End"})
	b.put("moulds/bar-24", obj{"name": "Bar 24", "cavities": 24})

	operations, err := document()
	require.NoError(t, err)
	for route, op := range operations {
		if slices.Contains(op.query, "cursor") {
			require.Contains(t, lists, strings.TrimPrefix(route, "GET "))
		}
	}
	for path, filters := range lists {
		member := path[strings.LastIndexByte(path, '/')+1:]
		if member == "stock" {
			member = "lines"
		}
		for _, filter := range filters {
			filter = strings.ReplaceAll(filter, "$run", run)
			whole := b.owner.get(t, path+"?limit=500&"+filter)
			all := whole.at(member).([]any)
			require.Empty(t, whole.nextLink())
			require.Nil(t, whole.at("next_cursor"))

			var found []any
			pages := 0
			for target := path + "?limit=2&" + filter; target != ""; pages++ {
				a := b.owner.get(t, target)
				require.Equal(t, http.StatusOK, a.Status, "%s", a.Body)
				found = append(found, a.at(member).([]any)...)
				target = a.nextLink()
				next, more := a.at("next_cursor").(string)
				require.Equal(t, more, target != "", a.Body)
				if !more {
					break
				}
				u, err := url.Parse(target)
				require.NoError(t, err)
				require.Equal(t, path, u.Path)
				wanted, err := url.ParseQuery("limit=2&" + filter)
				require.NoError(t, err)
				wanted.Set("cursor", next)
				require.Equal(t, wanted, u.Query())
			}
			require.Equal(t, all, found, "%s?%s", path, filter)
			require.Equal(t, max(1, (len(all)+1)/2), pages+1, "%s?%s", path, filter)
			if filter == "" && !slices.Contains([]string{"/v1/sites", "/v1/formulas", "/v1/vats", "/v1/designs"}, path) {
				require.GreaterOrEqual(t, len(all), 2, path)
			}
		}
	}
}
