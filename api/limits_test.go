package api

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestRateLimit(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{}, func(d *Deps) { d.Rate = Rate{PerSecond: 0.5, Burst: 2} })
	one, other := b.as(roleOwner), b.as(roleTill)
	board := func(c client) answer { return c.get(t, "/v1/board?place=counter") }
	require.Equal(t, http.StatusOK, board(one).Status)
	require.Equal(t, http.StatusOK, board(one).Status)
	a := board(one)
	a.problem(http.StatusTooManyRequests, "too-many-requests")
	require.Equal(t, "2", a.Header.Get("Retry-After"))
	require.Equal(t, http.StatusOK, board(other).Status, "another key has a bucket of its own")

	b.now = b.now.Add(2 * time.Second)
	require.Equal(t, http.StatusOK, board(one).Status)
	board(one).problem(http.StatusTooManyRequests, "too-many-requests")
}

// Guessing keys is slowed down by address, before the database is asked more than that.
func TestGuessingIsLimited(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{}, func(d *Deps) { d.Rate = Rate{PerSecond: 1, Burst: 3} })
	for range 3 {
		b.nobody().get(t, "/v1/board?place=counter").problem(http.StatusUnauthorized, "unauthenticated")
	}
	b.nobody().get(t, "/v1/board?place=counter").problem(http.StatusTooManyRequests, "too-many-requests")
}

func TestLimiterForgetsCallers(t *testing.T) {
	t.Parallel()
	now := morning
	l := newLimiter(Rate{PerSecond: 1, Burst: 1}, func() time.Time { return now })
	for i := range maxCallers {
		_, ok := l.take(strconv.Itoa(i))
		require.True(t, ok)
	}
	now = now.Add(time.Second)
	_, ok := l.take("0") // not at rest any more
	require.True(t, ok)
	_, ok = l.take("new")
	require.True(t, ok)
	require.Len(t, l.buckets, 2)
	_, ok = l.take("0")
	require.False(t, ok, "who is busy is not forgotten")
}

// What may take longer is a route that there is.
func TestLongRoutesAreServed(t *testing.T) {
	t.Parallel()
	served := map[string]bool{}
	for route := range rights {
		_, path, _ := strings.Cut(route, " ")
		served[path] = true
	}
	for route := range longRoutes {
		require.True(t, served[route], route)
	}
}

// Who waits for a database that does not answer is told to come back.
func TestAnAnswerThatDoesNotCome(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{board: func(ctx context.Context) error {
		<-ctx.Done()
		return fmt.Errorf("board: %w", context.Cause(ctx))
	}}, func(d *Deps) { d.Wait = Waits{Quick: time.Millisecond, Long: time.Hour} })
	a := b.as(roleOwner).get(t, "/v1/board?place=counter")
	a.problem(http.StatusServiceUnavailable, "unavailable")
	require.NotEmpty(t, a.Header.Get("Retry-After"))
}
