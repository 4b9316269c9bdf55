package api

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
)

// Every reader of what callers send, beside those in the packages that they belong to: codes, masses, days, GS1 symbols and
// the canonical form. None may break off, and what one accepts is what it says.

// FuzzIdempotencyKey: a key that is taken is 1 to 128 visible characters, and is taken again as it stands.
func FuzzIdempotencyKey(f *testing.F) {
	for _, seed := range []string{"", `"`, `""`, `" "`, "till-1", `"till-1"`, `"a\"b"`, `"a\\"`, `\`, "ü", "a b", "a\x7f", strings.Repeat("k", maxKey+1)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, sent string) {
		r := httptest.NewRequestWithContext(context.WithValue(t.Context(), callKey{}, &call{}), http.MethodPost, "/v1/sales", http.NoBody)
		r.Header[headerIdempotencyKey] = []string{sent}
		if takeKey(r, &operation{needsKey: true}) != nil {
			return
		}
		key := callOf(r.Context()).key
		require.True(t, visible(key) && len(key) <= maxKey, "%q", key)
		require.Equal(t, []string{key}, r.Header.Values(headerIdempotencyKey))
	})
}

// FuzzAccept: what is answered in is one of what there is, and a type that is asked for by name is not refused.
func FuzzAccept(f *testing.F) {
	available := []string{"application/json", mediaCSV, mediaEPCIS}
	for _, seed := range []string{"", "*/*", "text/csv", "application/ld+json;q=0.1, text/csv", "application/*", "text/csv;q=0", ";", ",,,", "a/b;q=2", "*/*;q=1e9", `application/json;x="`} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, sent string) {
		chosen, err := acceptable([]string{sent}, available)
		if err == nil {
			require.Contains(t, available, chosen)
		}
		if slices.Contains(available, sent) {
			require.NoError(t, err)
			require.Equal(t, sent, chosen)
		}
	})
}

// FuzzLastEventID: an id that is read is written as it was sent.
func FuzzLastEventID(f *testing.F) {
	for _, seed := range []string{"", "-", "e-1", "e-0", "-1", "e--1", "e-01", "e-+1", "e-9223372036854775808", "a-b-7", "\x00-1"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, sent string) {
		epoch, position, err := splitID(sent)
		if err != nil {
			return
		}
		require.GreaterOrEqual(t, position, int64(0))
		again, same, err := splitID(messageID(epoch, position))
		require.NoError(t, err)
		require.Equal(t, epoch, again)
		require.Equal(t, position, same)
	})
}

// FuzzCursor: a cursor that is none of this list's is refused; nobody gets further than its list by one.
func FuzzCursor(f *testing.F) {
	const route = "GET /v1/runs"
	good, err := json.Marshal(cursor{List: listOf(route, url.Values{}), Epoch: "e", Position: 7, After: json.RawMessage(`7`)})
	require.NoError(f, err)
	for _, seed := range []string{"", "e30", "bnVsbA", "W10", encode(good), encode(good) + "=", encode([]byte(`{"l":1}`))} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, sent string) {
		k := &call{route: route, url: &url.URL{}, mark: Mark{Epoch: "e", Position: 7}}
		ctx := context.WithValue(t.Context(), callKey{}, k)
		p, err := pageOf(ctx, nil, &sent)
		if err != nil {
			return
		}
		var after int64
		_ = p.follows(&after) // what it goes on after may be anything, and is an argument of a query
		require.Equal(t, listOf(route, url.Values{}), p.list)
	})
}

// FuzzJSON: what the strict reader lets through, the standard's reader takes too, and its canonical form means the same.
func FuzzJSON(f *testing.F) {
	for _, seed := range []string{"", "{}", `{"a":1,"a":2}`, `{"a":1}x`, `[1e400]`, `"\ud800"`, `{"a":9007199254740993}`, `[[[[]]]]`, "\xff", `{"a":"\u0007"}`, `-0`, `1.0`, `{"\u0061":1,"a":2}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, sent []byte) {
		if len(checkJSON(sent)) > 0 {
			return
		}
		var meant any
		require.NoError(t, json.Unmarshal(sent, &meant))
		canonical, err := events.Canonicalize(sent)
		if err != nil {
			return // no object or list: the document refuses it
		}
		var same any
		require.NoError(t, json.Unmarshal(canonical, &same))
		require.Equal(t, meant, same)
		require.Empty(t, checkJSON(canonical))
	})
}

// FuzzSession: no cookie but one that was made with the key's hash opens anything.
func FuzzSession(f *testing.F) {
	key := Key{ID: "k", Roles: []string{roleOwner}, hash: [32]byte{1}}
	keys := &stubKeys{keys: map[[32]byte]Key{key.hash: key}}
	ring := newKeyring(keys, func() time.Time { return morning })
	good := newSession("k", key.hash, morning.Add(time.Hour))
	for _, seed := range []string{"", ".", "..", "...", good, good + "A", good[1:], newSession("k", [32]byte{2}, morning.Add(time.Hour)), newSession("k", key.hash, morning)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, sent string) {
		_, ends, err := ring.session(t.Context(), sent)
		if err == nil {
			id, _, _, _ := splitSession(sent)
			require.Equal(t, "k", id)
			require.Equal(t, morning.Add(time.Hour).Unix(), ends.Unix(), "the one that was made")
		}
	})
}
