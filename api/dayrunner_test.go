package api

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/api/openapi"
)

// The runner of days is itself tried on a shell without a book.
func TestPlayDay(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	b := newBench(t, stub{sell: func(ctx context.Context, sale openapi.SellPieces) (openapi.CreateSaleResponseObject, error) {
		key, _ := keyOf(ctx)
		if seen[key] {
			replayed(ctx)
		}
		seen[key] = true
		return openapi.CreateSale201JSONResponse(stubSale(sale)), nil
	}})
	var clock string
	playDay(t, `
# The counter opens.
clock 2026-11-25T08:00:00Z
as nobody
GET /v1/board?place=counter
expect 401
header WWW-Authenticate = Bearer
type = "/problems/unauthenticated"

as counter maker
GET /v1/board?place=counter
expect 200
date = "2026-11-25"
groups has 4
groups.sell_today has 0
date -> $today
place -> $place

# Six domes go over the counter; the till rings twice.
POST /v1/sales
{"place": "$place",
 "lines": [{"design": "blackcurrant-dome", "pieces": 6}],
 "channel": "counter"}
expect 201
lines.0.allocations.0.pieces = 6.0
lines[design=blackcurrant-dome].allocations[how=single_run_on_place].run -> $run
recorded.events.0.position = 17
currency absent
again

PUT /v1/moulds/dome-24
{"name":"Dome for $run","cavities":24}
expect 201
name = "Dome for $run"
name ~ "R2611"

GET /v1/board?place=$place&date=$today
expect 200

POST /v1/sales
Idempotency-Key:
{"place":"counter"}
expect 400
detail ~ "Idempotency-Key"
`, b.as, func(now string) { clock = now })
	require.Equal(t, "2026-11-25T08:00:00Z", clock)
	require.Len(t, seen, 1)
}

// What a script expects and does not get is told with its line.
func TestPlayDayFails(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	for script, line := range map[string]string{
		"as owner\nGET /v1/board?place=counter\nexpect 201":                    "line 3: ",
		"as owner\nGET /v1/board?place=counter\nexpect 200\nplace = \"stall\"": "line 4: ",
		"as owner\nGET /v1/board?place=counter\nexpect 200\nplace absent":      "line 4: ",
		"as owner\nGET /v1/board?place=counter\nexpect 200\nnothing = 1":       "line 4: ",
		"as owner\nGET /v1/board?place=counter\nexpect 200\ngroups has 3":      "line 4: ",
		"as owner\nGET /v1/board?place=counter\nexpect 200\nplace ~ \"x\"":     "line 4: ",
		"as owner\nGET /v1/board?place=counter\nexpect 200\nagain":             "line 4: ",
		"as owner\nGET /v1/board?place=$nowhere\nexpect 200":                   "line 2: ",
		"as owner\nGET /v1/board?place=counter\n":                              "line 4: ",
		"clock yesterday": "line 1: ",
		"sell six domes":  "line 1: ",
	} {
		require.Contains(t, failureOf(t, b, script), line, script)
	}
}

// failureOf plays a script that must fail and gives what is told.
func failureOf(t *testing.T, b *bench, script string) (told string) {
	t.Helper()
	type failed string
	d := &day{
		t: t, keys: b.as, names: map[string]string{}, clock: func(string) {},
		fail: func(why string) { panic(failed(why)) },
	}
	defer func() {
		why, _ := recover().(failed)
		told = string(why)
	}()
	d.play(script)
	return ""
}
