package api

import (
	"context"
	"crypto/sha256"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/api/openapi"
	"firstout/internal/workshop"
)

const aSale = `{"place":"counter","lines":[{"design":"blackcurrant-dome","pieces":6}],"channel":"counter"}`

// The request is known again by method, path and the canonical form of its body: RFC 8785's published cases
// (cyberphone/json-canonicalization, testdata; Apache-2.0) and some of our own, from testdata/standards.
func TestRequestHashIsOverTheCanonicalForm(t *testing.T) {
	t.Parallel()
	cases := readJCSCases(t).Canonical
	require.NotEmpty(t, cases)
	for _, c := range cases {
		got, err := requestHash("POST", "/v1/sales", []byte(c.Input))
		require.NoError(t, err, c.Name)
		require.Equal(t, sha256.Sum256([]byte("POST\n/v1/sales\n"+c.Canonical)), got, c.Name)
	}
}

func TestRequestHashTellsRequestsApart(t *testing.T) {
	t.Parallel()
	hash := func(method, path, body string) [32]byte {
		h, err := requestHash(method, path, []byte(body))
		require.NoError(t, err)
		return h
	}
	first := hash("POST", "/v1/sales", `{"a":1,"b":"x"}`)
	require.Equal(t, first, hash("POST", "/v1/sales", "{ \"b\": \"\\u0078\",\n\"a\": 1.0 }"), "written otherwise")
	require.NotEqual(t, first, hash("POST", "/v1/sales", `{"a":2,"b":"x"}`), "another body")
	require.NotEqual(t, first, hash("POST", "/v1/tasters", `{"a":1,"b":"x"}`), "another path")
	require.NotEqual(t, first, hash("PUT", "/v1/sales", `{"a":1,"b":"x"}`), "another method")
}

func TestIdempotencyKey(t *testing.T) {
	t.Parallel()
	var got []string
	b := newBench(t, stub{sell: func(ctx context.Context, sale openapi.SellPieces) (openapi.CreateSaleResponseObject, error) {
		key, hash := keyOf(ctx)
		require.NotZero(t, hash)
		got = append(got, key)
		if key == "seen" {
			replayed(ctx)
		}
		return openapi.CreateSale201JSONResponse(stubSale(sale)), nil
	}})
	till := b.as(roleTill)
	sell := func(key string) answer { return till.post(t, "/v1/sales", aSale, headerIdempotencyKey, key) }

	for _, key := range []string{"till-000231", `"till-000231"`, "!", strings.Repeat("k", 128), `"` + strings.Repeat("k", 128) + `"`, `a\b`} {
		require.Equal(t, http.StatusCreated, sell(key).Status, key)
	}
	require.Equal(t, []string{"till-000231", "till-000231", "!", strings.Repeat("k", 128), strings.Repeat("k", 128), `a\b`}, got)

	again := sell("seen")
	require.Equal(t, "true", again.Header.Get("Idempotency-Replayed"))

	for _, key := range []string{"", `""`} {
		sell(key).problem(http.StatusBadRequest, "key-missing")
	}
	for _, key := range []string{strings.Repeat("k", 129), `"` + strings.Repeat("k", 129) + `"`, "two words", "naïve"} {
		require.Contains(t, sell(key).misfits(), "/header/Idempotency-Key", key)
	}
}

// A problem that a handler returns is told like any other, and marks no replay.
func TestKeyReused(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{sell: func(ctx context.Context, _ openapi.SellPieces) (openapi.CreateSaleResponseObject, error) {
		replayed(ctx)
		return nil, &problem{slug: slugKeyReused, detail: "This key was used.", facts: workshop.Facts{"first_used": "2026-11-25"}}
	}})
	a := b.as(roleTill).post(t, "/v1/sales", aSale)
	require.Equal(t, "2026-11-25", a.problem(http.StatusUnprocessableEntity, "key-reused")["first_used"])
	require.Empty(t, a.Header.Get("Idempotency-Replayed"))
}
