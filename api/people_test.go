package api

import (
	"net/http"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
	"firstout/internal/projections"
)

// tablesWith lists the tables in which a text stands anywhere.
func (b *testBook) tablesWith(what string) []string {
	b.t.Helper()
	rows, err := b.db.Owner.Query(b.t.Context(), "SELECT tablename::text FROM pg_tables WHERE schemaname = 'public' ORDER BY 1")
	require.NoError(b.t, err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(b.t, err)
	require.Contains(b.t, tables, "commands")
	with := []string{}
	for _, table := range tables {
		name := pgx.Identifier{table}.Sanitize()
		var found bool
		sql := "SELECT EXISTS (SELECT FROM " + name + " WHERE strpos(" + name + "::text, $1) > 0)"
		require.NoError(b.t, b.db.Owner.QueryRow(b.t.Context(), sql, what).Scan(&found))
		if found {
			with = append(with, table)
		}
	}
	return with
}

// logged is the bytes of every event, in their order.
func (b *testBook) logged() []string {
	b.t.Helper()
	rows, err := b.db.App.Query(b.t.Context(), "SELECT canonical FROM log ORDER BY position")
	require.NoError(b.t, err)
	all, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(b.t, err)
	return all
}

// What identifies a buyer stands in one table only, whatever was answered and kept; once erased it stands nowhere, every
// answer says so, and not a byte of the log is another. The book is checked at the end: a rebuild gives the live tables.
func TestErasing(t *testing.T) {
	t.Parallel()
	b, recall := calledBack(t, false)
	const name, contact, supplier = "Harbour Café", "cafe@example.com", "Example Dairy"
	for _, what := range []string{name, contact, supplier} {
		require.Equal(t, []string{"people"}, b.tablesWith(what), what)
	}

	opening := `{"code":"` + b.owner.get(t, "/v1/recalls/"+recall).text("roots", 0) + `","reach":"may_contain","drill":true,"reason":"exercise"}`
	first := b.owner.post(t, "/v1/recalls", opening, headerIdempotencyKey, "drill-1")
	require.Equal(t, http.StatusCreated, first.Status)
	sale := func(a answer) int {
		for i := range a.at("account", "sales").([]any) {
			if _, has := a.at("account", "sales", i).(map[string]any)["contact"]; has {
				return i
			}
		}
		require.FailNow(t, "no sale has a buyer's contact", "%s", a.Body)
		return -1
	}
	require.Equal(t, contact, first.text("account", "sales", sale(first), "contact"), "who opens a recall is told whom to call")
	again := b.owner.post(t, "/v1/recalls", opening, headerIdempotencyKey, "drill-1")
	require.Equal(t, string(first.Body), string(again.Body))
	require.Equal(t, []string{"people"}, b.tablesWith(contact), "a kept answer does not keep the contact")

	b.put("buyers/harbour-cafe", obj{"name": name, "contact": contact}).has(map[string]any{"version": n("1")})
	b.put("buyers/harbour-cafe", obj{"name": "Harbour Café Two", "contact": contact, "address": "Pier Head"}).has(map[string]any{"version": n("2")})
	b.owner.get(t, "/v1/buyers/harbour-cafe?version=1").has(map[string]any{"name": name, "contact": contact})
	tag := b.owner.get(t, "/v1/buyers/harbour-cafe").Header.Get("ETag")
	before := b.logged()

	erasing := `{"buyer":"harbour-cafe"}`
	b.as(roleMaker).post(t, "/v1/erasures", erasing, headerIdempotencyKey, "").problem(http.StatusForbidden, "forbidden")
	b.owner.post(t, "/v1/erasures", `{"buyer":"nobody"}`, headerIdempotencyKey, "").problem(http.StatusUnprocessableEntity, "unknown-code")
	b.owner.post(t, "/v1/erasures", `{"buyer":"harbour-cafe","supplier":"example-dairy"}`, headerIdempotencyKey, "").problem(http.StatusBadRequest, "invalid-request")
	erased := b.owner.post(t, "/v1/erasures", erasing, headerIdempotencyKey, "")
	require.Equal(t, http.StatusCreated, erased.Status)
	erased.has(map[string]any{"kind": "buyer", "slug": "harbour-cafe", "versions": n("2")})
	twice := b.owner.post(t, "/v1/erasures", erasing, headerIdempotencyKey, "")
	require.Equal(t, http.StatusOK, twice.Status)
	twice.has(map[string]any{"versions": n("0")})

	require.Empty(t, b.tablesWith(name))
	require.Empty(t, b.tablesWith(contact))
	require.Empty(t, b.tablesWith("Pier Head"))
	require.Equal(t, []string{"people"}, b.tablesWith(supplier), "nobody else is touched")
	after := b.logged()
	require.Equal(t, before, after[:len(before)], "what is written stays, to the byte")
	require.Len(t, after, len(before)+1)
	require.Contains(t, after[len(before)], `"type":"person_erased"`)

	for _, target := range []string{"/v1/buyers/harbour-cafe", "/v1/buyers/harbour-cafe?version=1"} {
		a := b.owner.get(t, target, "If-None-Match", tag)
		require.Equal(t, http.StatusOK, a.Status, "nobody goes on with a copy")
		a.has(map[string]any{"name": "erased", "erased": true})
		require.NotContains(t, a.at(), "contact")
	}
	b.owner.get(t, "/v1/buyers").has(map[string]any{"buyers.0.name": "erased"})
	account := b.owner.get(t, "/v1/recalls/"+recall)
	account.has(map[string]any{"account.sales": account.at("account", "sales")})
	require.Equal(t, "erased", account.text("account", "sales", sale(account), "contact"))
	require.Equal(t, "harbour-cafe", account.text("account", "sales", sale(account), "buyer"), "it is still traced")
	again = b.owner.post(t, "/v1/recalls", opening, headerIdempotencyKey, "drill-1")
	require.Equal(t, "true", again.Header.Get("Idempotency-Replayed"))
	require.Equal(t, "erased", again.text("account", "sales", sale(again), "contact"), "an answer kept for ever does not bring it back")
	require.NotContains(t, string(again.Body), standIn)
	b.refused(http.StatusUnprocessableEntity, "wrong-kind-of-thing", "corrections", obj{"event": erased.text("id"), "reason": "by mistake"})

	back := b.put("buyers/harbour-cafe", obj{"name": name})
	require.Equal(t, http.StatusCreated, back.Status)
	back.has(map[string]any{"version": n("3"), "name": name})
	require.NotContains(t, back.at(), "erased")

	rebuilt, err := projections.Rebuild(t.Context(), b.db.Owner)
	require.NoError(t, err)
	require.EqualValues(t, len(b.logged()), rebuilt.Position)
	b.owner.get(t, "/v1/buyers/harbour-cafe").has(map[string]any{"name": name})
	b.owner.get(t, "/v1/buyers/harbour-cafe?version=2").has(map[string]any{"name": "erased"})
}

// Two processes over one book: the one that did not erase does not go on telling what its own catalogue had.
func TestErasingReachesEveryProcess(t *testing.T) {
	t.Parallel()
	b, recall := calledBack(t, true)
	other := openTestBook(t, b.db, true)
	contacts := func(a answer) string { return string(a.Body) }
	require.Contains(t, contacts(other.owner.get(t, "/v1/recalls/"+recall)), "cafe@example.com")
	require.Equal(t, http.StatusCreated, b.owner.post(t, "/v1/erasures", `{"buyer":"harbour-cafe"}`, headerIdempotencyKey, "").Status)
	require.NotContains(t, contacts(other.owner.get(t, "/v1/recalls/"+recall)), "cafe@example.com")
	require.Equal(t, http.StatusOK, other.owner.post(t, "/v1/erasures", `{"buyer":"harbour-cafe"}`, headerIdempotencyKey, "").Status)
}

// Nothing that anybody types is taken for what stands in the place of a contact.
func TestWhatIsTypedIsNoStandIn(t *testing.T) {
	t.Parallel()
	b, _ := calledBack(t, true)
	var person string
	require.NoError(t, b.db.App.QueryRow(t.Context(), "SELECT id::text FROM people WHERE kind = 'buyer'").Scan(&person))
	reason := `"contact":"person:` + person + `"`
	lot := b.owner.get(t, "/v1/lots").text("lots", 0, "code")
	opened := b.post("recalls", obj{"code": lot, "reach": "contains", "drill": true, "reason": reason})
	require.Equal(t, reason, opened.text("reason"))
}

// Who holds a key is named in one table, and the log calls them by the key's id.
func TestWhoHoldsAKeyIsErased(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, key, err := eventlog.CreateKey(t.Context(), b.db.App, "Robin of the stall", []string{"counter"}, "", nil, morning)
	require.NoError(t, err)
	require.Equal(t, []string{"people"}, b.tablesWith("Robin"))
	require.ErrorIs(t, eventlog.EraseHolder(t.Context(), b.db.App, key.Name, morning), eventlog.ErrNameTaken)
	require.NoError(t, eventlog.RevokeKey(t.Context(), b.db.App, key.Name, morning))
	require.NoError(t, eventlog.EraseHolder(t.Context(), b.db.App, key.Name, morning))
	require.Empty(t, b.tablesWith("Robin"))
	require.ErrorIs(t, eventlog.EraseHolder(t.Context(), b.db.App, key.Name, morning), eventlog.ErrNoKey)
	keys, err := eventlog.ListKeys(t.Context(), b.db.App)
	require.NoError(t, err)
	require.Len(t, keys, 1)
	require.Equal(t, key.ID, keys[0].ID)
	require.Empty(t, keys[0].Name)

	_, anew, err := eventlog.CreateKey(t.Context(), b.db.App, "Robin of the stall", []string{"counter"}, "", nil, morning)
	require.NoError(t, err, "the name is free")
	require.NotEqual(t, key.ID, anew.ID)
}
