package api

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
)

// A session is what a browser holds after a log-in with a key: a cookie that names the key and when the session ends,
// authenticated with the hash of the key's text. The hash is known to whoever has the key and to every process over
// this database, and to nobody else; so any process can check a cookie and nothing is kept for it, and it ends with
// its key. A cookie that leaks shows the board until then and opens nothing else, and neither the key nor its hash can
// be had from it.
//
// Turned down: the key itself in the cookie, sealed or not, which would give a thief of cookies the whole API; a
// secret of the process's own, for there are several processes and they start anew; a table of sessions, which would
// make a log-in a write. The price: a log-out takes the cookie from this browser, and does not end a copy of it.
const (
	sessionLife   = 12 * time.Hour // a working day
	sessionCookie = "firstout_session"
	sessionMost   = 400 // bytes: what is longer is none
	sessionUse    = "firstout session 1\x00"
)

// sessionRoutes are those that a session opens. All are questions: what only a session vouches for writes nothing, so
// there is nothing that another site could make a browser do.
var sessionRoutes = map[string]bool{"GET /": true, "GET /v1/board/stream": true}

// cookieName is the cookie's name. Where it travels over TLS, the prefix binds it to this host (RFC 6265bis, section
// 4.1.3.2).
func cookieName(secure bool) string {
	if secure {
		return "__Host-" + sessionCookie
	}
	return sessionCookie
}

// newSession makes the cookie's value for a key, from its text's hash.
func newSession(id string, hash [32]byte, ends time.Time) string {
	return sessionClaim(id, ends) + "." + encode(sessionMAC(sessionClaim(id, ends), hash))
}

func sessionClaim(id string, ends time.Time) string {
	return encode([]byte(id)) + "." + strconv.FormatInt(ends.Unix(), 10)
}

func sessionMAC(claim string, hash [32]byte) []byte {
	mac := hmac.New(sha256.New, hash[:])
	mac.Write([]byte(sessionUse + claim))
	return mac.Sum(nil)
}

func encode(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// session finds the key that a cookie's value stands for, and when the session ends; ErrNoKey for one that is not in
// force.
func (k *keyring) session(ctx context.Context, value string) (Key, time.Time, error) {
	now := k.now()
	id, ends, mac, ok := splitSession(value)
	if !ok || !now.Before(ends) {
		return Key{}, time.Time{}, ErrNoKey
	}
	_, hash, err := k.keys.FindByID(ctx, id)
	if err != nil {
		return Key{}, time.Time{}, err
	}
	if !hmac.Equal(mac, sessionMAC(sessionClaim(id, ends), hash)) {
		return Key{}, time.Time{}, ErrNoKey
	}
	key, err := k.find(ctx, hash)
	return key, ends, err
}

func splitSession(value string) (id string, ends time.Time, mac []byte, ok bool) {
	parts := strings.Split(value, ".")
	if len(value) > sessionMost || len(parts) != 3 {
		return "", time.Time{}, nil, false
	}
	name, badID := base64.RawURLEncoding.DecodeString(parts[0])
	seconds, badTime := strconv.ParseInt(parts[1], 10, 64)
	mac, badMAC := base64.RawURLEncoding.DecodeString(parts[2])
	return string(name), time.Unix(seconds, 0), mac, badID == nil && badTime == nil && badMAC == nil
}

// openSession gives the browser its cookie.
func (g *gate) openSession(c echo.Context, key Key) {
	ends := g.keys.now().Add(sessionLife)
	if key.Expires != nil && key.Expires.Before(ends) {
		ends = *key.Expires
	}
	cookie := g.cookie(newSession(key.ID, key.hash, ends))
	cookie.Expires = ends
	c.SetCookie(cookie)
}

// closeSession takes the cookie away.
func (g *gate) closeSession(c echo.Context) {
	cookie := g.cookie("")
	cookie.MaxAge = -1
	c.SetCookie(cookie)
}

func (g *gate) cookie(value string) *http.Cookie {
	return &http.Cookie{
		Name: cookieName(g.secure), Value: value, Path: "/",
		HttpOnly: true, Secure: g.secure, SameSite: http.SameSiteStrictMode,
	}
}

// bySession finds the key behind the request's cookie. inForce tells later whether the session still is.
func (g *gate) bySession(c echo.Context) (key Key, inForce func(ctx context.Context) error, err error) {
	cookie, err := c.Cookie(cookieName(g.secure))
	if err != nil {
		return Key{}, nil, ErrNoKey
	}
	key, ends, err := g.keys.session(c.Request().Context(), cookie.Value)
	if err != nil {
		return Key{}, nil, err
	}
	return key, func(ctx context.Context) error {
		if !g.keys.now().Before(ends) {
			return fmt.Errorf("the session has ended: %w", ErrNoKey)
		}
		return g.keys.again(ctx, key.hash)
	}, nil
}

// hadSession says whether the browser came with a session, in force or not.
func hadSession(c echo.Context) bool {
	return slices.ContainsFunc(c.Cookies(), func(cookie *http.Cookie) bool {
		return cookie.Name == cookieName(false) || cookie.Name == cookieName(true)
	})
}
