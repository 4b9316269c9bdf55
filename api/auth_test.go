package api

import (
	"crypto/rand"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
)

// besideTheDocument are routes that promise programs nothing of the book's, and stand in no document.
var besideTheDocument = map[string]bool{"GET " + docsPage: true, "GET " + docsFile: true, "GET " + metricsPage: true}

// The table names every route that is served and no other, and only roles that there are.
func TestRightsNameEveryRoute(t *testing.T) {
	t.Parallel()
	served := map[string]bool{}
	for _, route := range newBench(t, stub{}).echo.Routes() {
		served[route.Method+" "+route.Path] = true
		require.Contains(t, rights, route.Method+" "+route.Path)
	}
	operations, err := document()
	require.NoError(t, err)
	for route, allowed := range rights {
		require.True(t, served[route], route)
		if !isPage(route) && !besideTheDocument[route] {
			require.Contains(t, operations, route)
		}
		require.NotEqual(t, allowed.public, len(allowed.names) > 0, route)
		require.Subset(t, Roles, allowed.names, route)
	}
}

// Who owns the workshop may do everything; who audits it reads everything and writes nothing.
func TestRightsOfOwnerAndAuditor(t *testing.T) {
	t.Parallel()
	for route, allowed := range rights {
		if allowed.public || allowed.thisMachine { // that is of the process, and not of the book
			continue
		}
		require.Contains(t, allowed.names, roleOwner, route)
		if strings.HasPrefix(route, "GET ") || route == "POST /v1/expiry/estimates" { // a question with a body: nothing is recorded
			require.Contains(t, allowed.names, roleAuditor, route)
		} else {
			require.NotContains(t, allowed.names, roleAuditor, route)
		}
	}
}

// Rights are judged before body and key: a request that is off in every way is still 401 or 403 first.
func TestRightsComeFirst(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	spoilt := func(c client) answer {
		return c.post(t, "/v1/lots", "no JSON", headerIdempotencyKey, "", "Content-Type", "text/plain")
	}
	a := spoilt(b.nobody())
	a.problem(http.StatusUnauthorized, "unauthenticated")
	require.Equal(t, "Bearer", a.Header.Get("WWW-Authenticate"))
	require.Contains(t, spoilt(b.as(roleCounter)).problem(http.StatusForbidden, "forbidden")["detail"], "maker or owner")
	spoilt(b.as(roleMaker)).problem(http.StatusBadRequest, "key-missing")
	spoilt(b.as(roleCounter, roleMaker)).problem(http.StatusBadRequest, "key-missing")
	spoilt(b.as("janitor")).problem(http.StatusForbidden, "forbidden")
	spoilt(b.as()).problem(http.StatusForbidden, "forbidden")
}

func TestKeysThatAreNone(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	good := b.as(roleOwner).key
	forged := eventlog.KeyPrefix + rand.Text()
	for _, authorization := range []string{
		"", "Bearer", "Bearer ", "Bearer x", "Basic " + good, good, "Bearer " + forged, "Bearer " + good[1:], "Bearer " + good + strings.Repeat("A", keyMost),
	} {
		b.nobody().get(t, "/v1/board?place=counter", "Authorization", authorization).problem(http.StatusUnauthorized, "unauthenticated")
	}
	require.Equal(t, 1, b.keys.asked, "only what looks like a key is looked up")
	for _, scheme := range []string{"Bearer ", "bearer ", "BEARER  "} {
		require.Equal(t, http.StatusOK, b.nobody().get(t, "/v1/board?place=counter", "Authorization", scheme+good).Status)
	}
}

func TestExpiredAndRevokedKeys(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	owner := b.as(roleOwner)
	board := func() int { return owner.get(t, "/v1/board?place=counter").Status }
	hash := eventlog.HashKey(owner.key)

	noon := morning.Add(4 * time.Hour)
	b.keys.keys[hash] = Key{ID: "k", Roles: []string{roleOwner}, Expires: &noon}
	require.Equal(t, http.StatusOK, board())
	b.now = noon.Add(-time.Second)
	require.Equal(t, http.StatusOK, board())
	b.now = noon
	require.Equal(t, http.StatusUnauthorized, board())

	b.keys.keys[hash] = Key{ID: "k", Roles: []string{roleOwner}}
	b.now = b.now.Add(keyCacheLife)
	require.Equal(t, http.StatusOK, board())
	delete(b.keys.keys, hash)
	b.now = b.now.Add(keyCacheLife)
	require.Equal(t, http.StatusUnauthorized, board(), "a revoked key dies soon")
}

func TestKeysAreRememberedForAMoment(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	owner := b.as(roleOwner)
	for range 5 {
		require.Equal(t, http.StatusOK, owner.get(t, "/v1/board?place=counter").Status)
	}
	require.Equal(t, 1, b.keys.asked)
}

func TestKeysThatCannotBeLookedUp(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	owner := b.as(roleOwner)
	b.keys.err = errors.New("syntax error")
	owner.get(t, "/v1/board?place=counter").problem(http.StatusInternalServerError, "fault")
	b.keys.err = notReady{errors.New("connection refused")}
	owner.get(t, "/v1/board?place=counter").problem(http.StatusServiceUnavailable, "unavailable")
}

// A route that nobody thought of is shut, to owners too.
func TestARouteWithoutALineIsShut(t *testing.T) {
	t.Parallel()
	require.False(t, rights["GET /v1/forgotten"].any(Roles))
	require.Equal(t, "Nobody may call this address.", roles{}.refusal([]string{roleOwner}))
}
