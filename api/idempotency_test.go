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

// The request is known again by method, path and the canonical form of its body (RFC 8785; its cases are a test of
// package events), whatever way it is written in.
func TestRequestHash(t *testing.T) {
	t.Parallel()
	var hashes [][32]byte
	b := newBench(t, stub{sell: func(ctx context.Context, sale openapi.SellPieces) (openapi.CreateSaleResponseObject, error) {
		_, hash := keyOf(ctx)
		hashes = append(hashes, hash)
		return openapi.CreateSale201JSONResponse(stubSale(sale)), nil
	}})
	till := b.as(roleTill)
	for _, body := range []string{
		aSale,
		"{ \"channel\":\"\\u0063ounter\",\n\"place\":\"counter\", \"lines\":[{\"pieces\":6.0,\"design\":\"blackcurrant-dome\"}] }\n",
		`{"place":"counter","lines":[{"design":"blackcurrant-dome","pieces":0.6e1}],"channel":"counter"}`,
		`{"place":"counter","lines":[{"design":"blackcurrant-dome","pieces":7}],"channel":"counter"}`,
	} {
		a := till.post(t, "/v1/sales", body)
		require.Equal(t, http.StatusCreated, a.Status, "%s", a.Body)
	}
	canonical := `{"channel":"counter","lines":[{"design":"blackcurrant-dome","pieces":6}],"place":"counter"}`
	want := sha256.Sum256([]byte("POST\n/v1/sales\n" + canonical))
	require.Equal(t, [][32]byte{want, want, want}, hashes[:3])
	require.NotEqual(t, want, hashes[3])
	require.NotEqual(t, want, requestHash("POST", "/v1/tasters", []byte(canonical)))
	require.NotEqual(t, want, requestHash("PUT", "/v1/sales", []byte(canonical)))
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
