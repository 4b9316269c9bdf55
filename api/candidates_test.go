package api

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

const domesSold = "/v1/trace/candidates?design=blackcurrant-dome&sold_from="

// Two runs on the counter one after the other, worked by hand. The first stands there from 9:00 with 140 pieces, the
// second from 12:00 with 60; 20 of the first are sold at 11:00, and by code, of the second, 10 at 13:00. From 10:00 to 14:00
// that is 140 + 3 × 120 = 500 piece hours of the first and 60 + 50 = 110 of the second.
func TestALoosePieceMayBeOfWhatStoodThere(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.at("2026-11-25T09:00:00Z")
	goods, _, first := b.onCounter()
	b.at("2026-11-25T11:00:00Z")
	b.post("sales", obj{"place": "counter", "channel": "counter", "lines": []obj{{"code": first, "pieces": 20}}})
	b.at("2026-11-25T12:00:00Z")
	charge := b.owner.get(t, "/v1/vats/vat-dark").text("charge", "code")
	second := b.run(b.ganache(goods, charge).text("code")).text("code")
	b.post("runs/"+second+"/releases", obj{"pieces": 60, "place": "counter"})
	b.at("2026-11-25T13:00:00Z")
	b.post("sales", obj{"place": "counter", "channel": "counter", "lines": []obj{{"code": second, "pieces": 10}}})
	b.at("2026-11-25T15:00:00Z")
	b.post("sales", obj{"place": "counter", "channel": "counter", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 30}}})

	ask := func(query string) answer {
		t.Helper()
		a := b.owner.get(t, domesSold+query)
		require.Equal(t, http.StatusOK, a.Status, "%s", a.Body)
		return a
	}
	ask("2026-11-25T10:00:00Z&sold_to=2026-11-25T14:00:00Z").has(map[string]any{
		"runs.0.run": first, "runs.0.piece_hours": n("500"), "runs.0.likelihood": n("0.819672"), "runs.0.sold": n("20"), "runs.0.presumed": n("0"), "runs.0.use_by": "2026-12-08",
		"runs.1.run": second, "runs.1.piece_hours": n("110"), "runs.1.likelihood": n("0.180328"), "runs.1.sold": n("10"), "runs.1.place": "counter",
	})
	// What the book presumed: a sale by design takes the first expiring, of two that expire together the earlier code.
	ask("2026-11-25T14:30:00Z&sold_to=2026-11-25T15:30:00Z").has(map[string]any{"runs.0.sold": n("30"), "runs.0.presumed": n("30"), "runs.1.sold": n("0")})
	// Before the second came, it was no candidate; before either, none is.
	require.Len(t, ask("2026-11-25T10:00:00Z&sold_to=2026-11-25T11:30:00Z").at("runs"), 1)
	require.Empty(t, ask("2026-11-24T10:00:00Z&sold_to=2026-11-24T11:30:00Z").at("runs"))
	// To the second: what stood there at that instant, with what went at it.
	ask("2026-11-25T13:00:00Z&sold_to=2026-11-25T13:00:00Z").has(map[string]any{
		"runs.0.piece_hours": n("120"), "runs.1.piece_hours": n("60"), "runs.1.sold": n("10"), "runs.0.likelihood": n("0.666667"), "runs.1.likelihood": n("0.333333"),
	})
	require.Empty(t, ask("2026-11-25T10:00:00Z&sold_to=2026-11-25T14:00:00Z&place=workshop").at("runs"))

	for _, wrong := range []string{"2026-11-25T10:00:00Z&sold_to=2026-11-25T09:00:00Z", "2026-10-01T10:00:00Z&sold_to=2026-11-25T09:00:00Z"} {
		require.Contains(t, b.owner.get(t, domesSold+wrong).problem(http.StatusUnprocessableEntity, "invalid-request")["detail"], "/query/sold_to")
	}
	require.Equal(t, http.StatusNotFound, b.owner.get(t, "/v1/trace/candidates?design=no-such&sold_from=2026-11-25T10:00:00Z&sold_to=2026-11-25T10:00:00Z").Status)

	// What has gone stays a candidate of the time in which it stood there.
	b.post("discards", obj{"place": "counter", "lines": []obj{{"code": first, "pieces": 90}, {"code": second, "pieces": 50}}, "reason": "damaged", "destination": "refuse"})
	b.at("2026-11-30T15:00:00Z")
	ask("2026-11-25T10:00:00Z&sold_to=2026-11-25T14:00:00Z").has(map[string]any{"runs.0.likelihood": n("0.819672"), "runs.1.likelihood": n("0.180328")})
	require.Empty(t, ask("2026-11-28T10:00:00Z&sold_to=2026-11-28T14:00:00Z").at("runs"))
}
