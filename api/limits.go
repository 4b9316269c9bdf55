package api

import (
	"context"
	"math"
	"strconv"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"
)

// The limits on what one request may ask of the process.
const (
	maxBody     = 1 << 20           // bytes: a sale of 200 lines is 20 kB
	maxHeaders  = 32 << 10          // bytes
	maxDepth    = 32                // of nested JSON; the document goes to 6
	maxWait     = 4 * time.Second   // for a look of the streams' at the book
	readHeaders = 5 * time.Second   // a slow client must not hold a connection
	readAll     = 30 * time.Second  // a body of 1 MiB over a bad line
	writeAll    = 60 * time.Second  // the largest page over a bad line
	idle        = 120 * time.Second // between two requests of a tablet
	maxCallers  = 10_000            // remembered by the rate limit
)

// Rate is how often one key may call: so many a second, and so many at once after a rest.
type Rate struct {
	PerSecond float64
	Burst     int
}

// DefaultRate is generous: a busy till makes one call a second, a demo's play a few hundred.
var DefaultRate = Rate{PerSecond: 200, Burst: 400}

// Waits are what a request may take for its answer. What it has sent to be written goes on without it.
type Waits struct {
	Quick time.Duration
	Long  time.Duration // of a request that looks wide: longRoutes
}

// DefaultWaits have every answer within five seconds, if only the answer that there is none just now.
var DefaultWaits = Waits{Quick: maxWait, Long: 20 * time.Second}

// Statement is what the database may take for one statement of such a request: a little less, so that it is the
// database that gives up where it can still be heard.
func Statement(wait time.Duration) time.Duration { return wait - wait/8 }

// logins is how often one address may try to log in: seldom beside what a key may call, as only people do it.
func (r Rate) logins() Rate { return Rate{PerSecond: r.PerSecond / 20, Burst: max(1, r.Burst/20)} }

// deadline bounds the time that a handler may take.
func (w Waits) deadline(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		wait := w.Quick
		if longRoutes[c.Path()] {
			wait = w.Long
		}
		ctx, cancel := context.WithTimeout(c.Request().Context(), wait)
		defer cancel()
		c.SetRequest(c.Request().WithContext(ctx))
		return next(c)
	}
}

// A limiter holds a token bucket a caller: a key's id, or the address of who has none.
type limiter struct {
	rate Rate
	now  func() time.Time

	mu      sync.Mutex
	buckets map[string]*rate.Limiter
}

func newLimiter(r Rate, now func() time.Time) *limiter {
	return &limiter{rate: r, now: now, buckets: map[string]*rate.Limiter{}}
}

// take lets a caller in, or tells how many whole seconds it must wait.
func (l *limiter) take(caller string) (wait int, ok bool) {
	now := l.now()
	reservation := l.bucket(caller, now).ReserveN(now, 1)
	delay := reservation.DelayFrom(now)
	if delay == 0 {
		return 0, true
	}
	reservation.CancelAt(now)
	return int(math.Ceil(delay.Seconds())), false
}

func (l *limiter) bucket(caller string, now time.Time) *rate.Limiter {
	l.mu.Lock()
	defer l.mu.Unlock()
	bucket, known := l.buckets[caller]
	if !known {
		l.makeRoom(now)
		bucket = rate.NewLimiter(rate.Limit(l.rate.PerSecond), l.rate.Burst)
		l.buckets[caller] = bucket
	}
	return bucket
}

// makeRoom forgets callers that are at rest, whose new bucket would be as full as the old; if all are busy, all.
func (l *limiter) makeRoom(now time.Time) {
	if len(l.buckets) < maxCallers {
		return
	}
	for caller, bucket := range l.buckets {
		if bucket.TokensAt(now) >= float64(l.rate.Burst) {
			delete(l.buckets, caller)
		}
	}
	if len(l.buckets) >= maxCallers {
		clear(l.buckets)
	}
}

// tooMany is the problem of who calls too often.
func tooMany(wait int) *problem {
	return &problem{
		slug:   slugTooManyRequests,
		detail: "This key calls too often: wait as many seconds as Retry-After says, then go on.",
		header: map[string]string{"Retry-After": strconv.Itoa(wait)},
	}
}
