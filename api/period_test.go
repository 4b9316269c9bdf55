package api

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// Two days of the walk, added up by hand. Nothing that is only moved, opened or released is in or out.
func TestABalanceOfAPeriod(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, _, run := b.onCounter() // 25 November
	b.at("2026-11-26T10:00:00Z")
	b.post("sales", obj{"place": "counter", "channel": "counter", "lines": []obj{{"code": run, "pieces": 40}}})
	b.post("moves", obj{"from": "counter", "to": "workshop", "lines": []obj{{"code": run, "pieces": 10}}})
	b.post("counts", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 87}}})
	b.at("2026-11-27T10:00:00Z")
	b.post("discards", obj{"place": "cold-room", "lines": []obj{{"code": s.cream, "quantity_g": 100}}, "reason": "damaged", "destination": "refuse"})

	line := func(from, to, kind, subject string) map[string]any {
		t.Helper()
		a := b.owner.get(t, "/v1/balances?from="+from+"&to="+to)
		for _, l := range a.at("lines").([]any) {
			if l := l.(map[string]any); l["kind"] == kind && l["subject"] == subject {
				return l
			}
		}
		return nil
	}
	// A piece is 11.7 g: 4 of shell, 1.2 of cap and 6.5 of filling, by the design. Cast were 144, good 140, broken 4.
	require.Equal(t, map[string]any{
		"kind": "run", "subject": "blackcurrant-dome", "opening_g": n("0"), "opening_pieces": n("0"),
		"in":           []any{map[string]any{"cause": "turned_out", "quantity_g": n("1684.8"), "pieces": n("144")}},
		"out":          []any{map[string]any{"cause": "discarded", "quantity_g": n("46.8"), "pieces": n("4")}},
		"difference_g": n("0"), "difference_pieces": n("0"), "closing_g": n("1638"), "closing_pieces": n("140"),
	}, line("2026-11-25", "2026-11-25", "run", "blackcurrant-dome"))
	require.Equal(t, map[string]any{
		"kind": "run", "subject": "blackcurrant-dome", "opening_g": n("1638"), "opening_pieces": n("140"), "in": []any{},
		"out":          []any{map[string]any{"cause": "sold", "quantity_g": n("468"), "pieces": n("40")}},
		"difference_g": n("-35.1"), "difference_pieces": n("-3"), "closing_g": n("1134.9"), "closing_pieces": n("97"),
	}, line("2026-11-26", "2026-11-26", "run", "blackcurrant-dome"))
	cream := line("2026-11-25", "2026-11-26", "lot", "cream-35")
	require.Equal(t, map[string]any{
		"kind": "lot", "subject": "cream-35", "opening_g": n("0"), "in": []any{map[string]any{"cause": "received", "quantity_g": n("6000")}},
		"out": []any{map[string]any{"cause": "drawn", "quantity_g": n("400")}}, "difference_g": n("0"), "closing_g": n("5600"),
	}, cream)
	require.Equal(t, n("5600"), line("2026-11-27", "2026-11-27", "lot", "cream-35")["opening_g"])
	require.Equal(t, n("5500"), line("2026-11-27", "2026-11-30", "lot", "cream-35")["closing_g"])
	tank := line("2026-11-25", "2026-11-25", "charge", "vat-dark")
	require.Equal(t, []any{map[string]any{"cause": "made", "quantity_g": n("12000")}}, tank["in"])
	require.Nil(t, line("2026-11-20", "2026-11-24", "lot", "cream-35"), "before anything there was nothing")
	b.owner.get(t, "/v1/balances?from=2026-11-26&to=2026-11-25").problem(http.StatusUnprocessableEntity, "invalid-request")
}

// The balance of every code there is adds up, whatever kind it is of: a portion, a part, a charge, a run.
func TestABalanceOfEveryCode(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, ganache, run := b.onCounter()
	b.at("2026-11-25T12:00:00Z")
	part := b.post("moves", obj{"from": "counter", "to": "freezer", "sealed": true, "lines": []obj{{"code": run, "pieces": 20}}}).text("lines", 0, "new_code")
	b.post("sales", obj{"place": "counter", "channel": "counter", "lines": []obj{{"code": run, "pieces": 40}}})
	portion := b.owner.get(t, "/v1/lots/"+s.cream).text("portions", 0, "code")
	balance := func(code string) answer { return b.owner.get(t, "/v1/balances/"+code) }
	balance(portion).has(map[string]any{"in_g": n("400"), "out.0.to": ganache, "out.0.quantity_g": n("400"), "on_hand_g": n("0"), "difference_g": n("0")})
	balance(part).has(map[string]any{"in_g": n("234"), "out": []any{}, "on_hand_g": n("234"), "difference_g": n("0")})
	balance(run).has(map[string]any{"out.0.to": "sold", "out.0.quantity_g": n("468"), "discarded_g": n("46.8"), "on_hand_g": n("1170"), "difference_g": n("0")})
	for _, code := range []string{s.cream, s.dark, s.puree, ganache, b.owner.get(t, "/v1/vats/vat-dark").text("charge", "code")} {
		balance(code).has(map[string]any{"difference_g": n("0")})
	}
}
