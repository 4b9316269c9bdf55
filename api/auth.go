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
}

// ErrNoKey is what Keys.Find gives, wrapped or not, for a key that is not in force.
var ErrNoKey = errors.New("no such key")

// Keys finds keys by the SHA-256 of their text. A revoked key is not found; an expired one may be.
type Keys interface {
	Find(ctx context.Context, sha256 [32]byte) (Key, error)
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
		k.remember(hash, foundKey{key: key, until: now.Add(keyCacheLife)}, now)
	}
	if key.Expires != nil && !now.Before(*key.Expires) {
		return Key{}, ErrNoKey
	}
	return key, nil
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
	rights  map[string]roles // by method and route pattern
	routes  map[string]bool  // those that echo serves
}

func (g *gate) admit(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		route := c.Request().Method + " " + c.Path()
		if !g.routes[route] {
			return next(c) // no such address or method: echo says so, and there is nothing to protect
		}
		allowed := g.rights[route]
		if allowed.public {
			return g.countAndGo(c, c.RealIP(), next)
		}
		key, err := g.identify(c)
		if err != nil {
			return err
		}
		callOf(c.Request().Context()).actor = workshop.Actor{ID: key.ID, Roles: key.Roles, Site: key.Site}
		if !allowed.any(key.Roles) {
			return &problem{slug: slugForbidden, detail: allowed.refusal(key.Roles)}
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

// identify finds the key that a request carries. Who has none is counted by address, so that guessing is slow.
func (g *gate) identify(c echo.Context) (Key, error) {
	scheme, text, _ := strings.Cut(c.Request().Header.Get(echo.HeaderAuthorization), " ")
	text = strings.TrimSpace(text)
	err := ErrNoKey
	if strings.EqualFold(scheme, "Bearer") && wellFormed(text) {
		var key Key
		if key, err = g.keys.find(c.Request().Context(), eventlog.HashKey(text)); err == nil {
			return key, nil
		}
	}
	if !errors.Is(err, ErrNoKey) {
		return Key{}, fmt.Errorf("find key: %w", err)
	}
	if wait, ok := g.limiter.take(c.RealIP()); !ok {
		return Key{}, tooMany(wait)
	}
	return Key{}, &problem{
		slug:   slugUnauthenticated,
		detail: "No key, or none that is in force, came with this request: send the header Authorization: Bearer with a key.",
		header: map[string]string{echo.HeaderWWWAuthenticate: "Bearer"},
	}
}
