package api

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/labstack/echo/v4"

	"firstout/internal/events/eventlog"
	"firstout/internal/workshop"
)

// A Key is what the book knows of an API key. The key itself is kept nowhere, only its SHA-256.
type Key struct {
	ID      string // opaque; stands as actor in the events
	Roles   []string
	Site    string     // a slug, if the key is bound to one
	Expires *time.Time // nil: never

	hash [32]byte // SHA-256 of its text
}

// ErrNoKey is what Keys.Find gives, wrapped or not, for a key that is not in force.
var ErrNoKey = errors.New("no such key")

// Keys finds keys by the SHA-256 of their text, and by their id with it. A revoked key is not found; an expired one may
// be.
type Keys interface {
	Find(ctx context.Context, sha256 [32]byte) (Key, error)
	FindByID(ctx context.Context, id string) (key Key, sha256 [32]byte, err error)
}

// keyMost is longer than any key: what is longer is none.
const keyMost = 100

// wellFormed spares the database a look-up of what cannot be a key.
func wellFormed(text string) bool {
	return strings.HasPrefix(text, eventlog.KeyPrefix) && len(text) <= keyMost
}

// keyCacheLife is how long a revoked key may still open doors; it spares the database a query a request.
const keyCacheLife = 5 * time.Second

// A keyring remembers keys that were found, for a moment.
type keyring struct {
	keys Keys
	now  func() time.Time

	mu    sync.Mutex
	found map[[32]byte]foundKey
}

type foundKey struct {
	key   Key
	until time.Time
}

func newKeyring(keys Keys, now func() time.Time) *keyring {
	return &keyring{keys: keys, now: now, found: map[[32]byte]foundKey{}}
}

// find gives a key that is in force now, or ErrNoKey.
func (k *keyring) find(ctx context.Context, hash [32]byte) (Key, error) {
	now := k.now()
	key, cached := k.cached(hash, now)
	if !cached {
		var err error
		if key, err = k.keys.Find(ctx, hash); err != nil {
			return Key{}, err
		}
		key.hash = hash
		k.remember(hash, foundKey{key: key, until: now.Add(keyCacheLife)}, now)
	}
	if key.Expires != nil && !now.Before(*key.Expires) {
		return Key{}, ErrNoKey
	}
	return key, nil
}

// again looks a key up whatever is remembered of it; nil: it is in force now.
func (k *keyring) again(ctx context.Context, hash [32]byte) error {
	k.mu.Lock()
	delete(k.found, hash)
	k.mu.Unlock()
	_, err := k.find(ctx, hash)
	return err
}

func (k *keyring) cached(hash [32]byte, now time.Time) (Key, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	entry, ok := k.found[hash]
	return entry.key, ok && now.Before(entry.until)
}

func (k *keyring) remember(hash [32]byte, entry foundKey, now time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for other, old := range k.found {
		if !now.Before(old.until) {
			delete(k.found, other)
		}
	}
	k.found[hash] = entry
}

// A gate lets a request in by its key: rights before body and idempotency key, and not too often. What rights does
// not name is shut to everybody.
type gate struct {
	keys    *keyring
	limiter *limiter
	logins  *limiter         // of addresses, beside that
	rights  map[string]roles // by method and route pattern
	routes  map[string]bool  // those that echo serves
	secure  bool             // the cookie of a session travels over TLS only

	behindProxy bool
}

func (g *gate) admit(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		route := c.Request().Method + " " + c.Path()
		if !g.routes[route] {
			return next(c) // no such address or method: echo says so, and there is nothing to protect
		}
		allowed := g.rights[route]
		if allowed.public || allowed.thisMachine && g.fromThisMachine(c) {
			return g.countAndGo(c, c.RealIP(), next)
		}
		key, inForce, err := g.identify(c, route)
		if err != nil {
			return err
		}
		call := callOf(c.Request().Context())
		call.actor = workshop.Actor{ID: key.ID, Roles: key.Roles, Site: key.Site}
		call.inForce = inForce
		if !allowed.any(key.Roles) {
			return &problem{slug: slugForbidden, detail: allowed.refusal(key.Roles)}
		}
		if allowed.wholeBook && key.Site != "" {
			return &problem{slug: slugForbidden, detail: "This key is for " + key.Site + " only, and this is of the whole book: use a key that is bound to no site."}
		}
		return g.countAndGo(c, key.ID, next)
	}
}

func (g *gate) countAndGo(c echo.Context, caller string, next echo.HandlerFunc) error {
	if wait, ok := g.limiter.take(caller); !ok {
		return tooMany(wait)
	}
	return next(c)
}

// identify finds the key that a request carries, or on the routes of a session the key of its cookie. Who has none is
// counted by address, so that guessing is slow. inForce tells later whether it still is.
func (g *gate) identify(c echo.Context, route string) (key Key, inForce func(ctx context.Context) error, err error) {
	if c.Request().Header.Get(echo.HeaderAuthorization) == "" && sessionRoutes[route] {
		key, inForce, err = g.bySession(c)
	} else {
		key, err = g.byKey(c)
		inForce = func(ctx context.Context) error { return g.keys.again(ctx, key.hash) }
	}
	switch {
	case err == nil:
		return key, inForce, nil
	case !errors.Is(err, ErrNoKey):
		return Key{}, nil, fmt.Errorf("find key: %w", err)
	}
	if wait, ok := g.limiter.take(c.RealIP()); !ok {
		return Key{}, nil, tooMany(wait)
	}
	return Key{}, nil, &problem{
		slug:   slugUnauthenticated,
		detail: "No key, or none that is in force, came with this request: send the header Authorization: Bearer with a key.",
		header: map[string]string{echo.HeaderWWWAuthenticate: "Bearer"},
	}
}

func (g *gate) byKey(c echo.Context) (Key, error) {
	scheme, text, _ := strings.Cut(c.Request().Header.Get(echo.HeaderAuthorization), " ")
	text = strings.TrimSpace(text)
	if !strings.EqualFold(scheme, "Bearer") || !wellFormed(text) {
		return Key{}, ErrNoKey
	}
	return g.keys.find(c.Request().Context(), eventlog.HashKey(text))
}
