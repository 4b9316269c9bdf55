package api

import (
	"encoding/csv"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// calledBack is a book in which the dairy has called about its cream, with the recall's id.
func calledBack(t *testing.T, drill bool) (b *testBook, id string) {
	t.Helper()
	b = newTestBook(t)
	playDay(t, "after setup/cream-in-five-runs.txt\nclock 2026-11-27T09:30:00Z", b.as, b.at)
	return b, b.post("recalls", obj{
		"supplier": "example-dairy", "supplier_lots": []string{"CR-7731"}, "reach": "may_contain", "drill": drill, "reason": "the dairy called: glass",
	}).text("id")
}

// A notice names what was sold or still stands there, by its mark and date, where and when; and says that it is a draft.
func TestTheNoticeOfARecall(t *testing.T) {
	t.Parallel()
	b, id := calledBack(t, false)
	a := serve(t, b.owner, b.owner.request(t, http.MethodGet, "/v1/recalls/"+id+"/notice", ""))
	notice := string(a.Body)
	require.NotContains(t, notice, "DRILL")
	for _, line := range []string{
		"PRODUCT RECALL", "Example Chocolate Ltd, Quay Lane, 1 Quay Lane", "2026-11-27", "Reason: the dairy called: glass", "  Blackcurrant dome\n",
		"  Box of eight\n", "    Use by: 2026-12-08\n", "    Sold: Market stall, 2026-11-26\n", "    Sold: Counter, 2026-11-26\n", "It may be affected.", "local food law",
	} {
		require.Contains(t, notice, line)
	}
	account := b.owner.get(t, "/v1/recalls/"+id)
	for i := range account.at("account", "lines").([]any) {
		if account.text("account", "lines", i, "kind") == "box" {
			require.Contains(t, notice, "Lot: "+account.text("account", "lines", i, "code")+"\n")
		}
	}
	drill, id := calledBack(t, true)
	a = serve(t, drill.owner, drill.owner.request(t, http.MethodGet, "/v1/recalls/"+id+"/notice", ""))
	require.True(t, strings.HasPrefix(string(a.Body), "EXERCISE."), "nobody takes an exercise for a recall")
}

// The account as a table has a row for each thing and for each sale, and its figures are the answer's.
func TestTheAccountAsATable(t *testing.T) {
	t.Parallel()
	b, id := calledBack(t, false)
	account := b.owner.get(t, "/v1/recalls/"+id)
	r := b.owner.request(t, http.MethodGet, "/v1/recalls/"+id, "")
	r.Header.Set("Accept", "text/csv")
	rows, err := csv.NewReader(strings.NewReader(string(serve(t, b.owner, r).Body))).ReadAll()
	require.NoError(t, err)
	things, sales := account.at("account", "lines").([]any), account.at("account", "sales").([]any)
	require.Len(t, rows, 1+len(things)+len(sales))
	at := map[string]int{}
	for i, name := range rows[0] {
		at[name] = i
	}
	for i := range things {
		row := rows[1+i]
		require.Equal(t, "thing", row[at["row"]])
		require.Equal(t, account.text("account", "lines", i, "code"), row[at["code"]])
		require.Equal(t, account.at("account", "lines", i, "on_hand"), n(row[at["on_hand"]]))
	}
	last := rows[len(rows)-1]
	require.Equal(t, "sale", last[at["row"]])
	require.Equal(t, "cafe@example.com", last[at["contact"]])
	require.Equal(t, "INV-7", last[at["reference"]])
}
