package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"firstout/api/web"
	"firstout/internal/events/eventlog"
)

// The pages stand beside the document's operations: they are for people, and promise programs nothing.
const (
	pageBoard  = "/"
	pageLogin  = "/login"
	pageLogout = "/logout"
	pageAsset  = web.AssetPath + ":name"
)

// pageRoutes are those whose errors are pages too.
var pageRoutes = map[string]bool{
	"GET " + pageBoard: true, "GET " + pageLogin: true, "POST " + pageLogin: true, "POST " + pageLogout: true,
}

// maxForm is how large a log-in may be, in bytes.
const maxForm = 4 << 10

// A BoardPage gives the page of a place's board; without a place, that of the only one or of the choice.
type BoardPage func(ctx context.Context, place string) (HTML, error)

// HTML is a page before it is written.
type HTML interface{ HTML() ([]byte, error) }

// pages answers people.
type pages struct {
	gate      *gate
	boardPage BoardPage
	book      Book
	origin    *http.CrossOriginProtection
}

func (p *pages) register(e *echo.Echo) {
	e.GET(pageBoard, p.board)
	e.GET(pageLogin, p.login)
	e.POST(pageLogin, p.enter)
	e.POST(pageLogout, p.leave)
	e.GET(pageAsset, p.asset)
}

func (p *pages) board(c echo.Context) error {
	ctx := c.Request().Context()
	mark, err := p.book.Mark(ctx)
	if err != nil {
		return fmt.Errorf("mark the book: %w", err)
	}
	callOf(ctx).mark = mark
	shown, err := p.boardPage(ctx, c.QueryParam("place"))
	if err != nil {
		return err
	}
	return show(c, http.StatusOK, shown)
}

func (p *pages) login(c echo.Context) error { return show(c, http.StatusOK, web.Login{}) }

// enter checks a key as the API does. The address was counted already, as whoever has no key is; log-ins are counted apart,
// by less, before anything is looked up.
func (p *pages) enter(c echo.Context) error {
	if wait, ok := p.gate.logins.take(c.RealIP()); !ok {
		return tooMany(wait)
	}
	form, err := p.form(c)
	if err != nil {
		return err
	}
	again := web.Login{Place: form.Get("place")}
	text := strings.TrimSpace(form.Get("key"))
	err = ErrNoKey
	var key Key
	if wellFormed(text) {
		key, err = p.gate.keys.find(c.Request().Context(), eventlog.HashKey(text))
	}
	switch allowed := p.gate.rights["GET "+pageBoard]; {
	case errors.Is(err, ErrNoKey):
		again.Message = "That is no key, or none that is in force any more. Look at it once more, or ask the owner for a new one."
		return show(c, http.StatusUnauthorized, again)
	case err != nil:
		return fmt.Errorf("find key: %w", err)
	case !allowed.any(key.Roles):
		again.Message = "This key may not see the board: use one with the role " + strings.Join(allowed.names, " or ") + "."
		return show(c, http.StatusForbidden, again)
	}
	p.gate.openSession(c, key)
	to := pageBoard
	if again.Place != "" {
		to += "?place=" + url.QueryEscape(again.Place)
	}
	return c.Redirect(http.StatusSeeOther, to)
}

func (p *pages) leave(c echo.Context) error {
	if _, err := p.form(c); err != nil {
		return err
	}
	p.gate.closeSession(c)
	return c.Redirect(http.StatusSeeOther, pageLogin)
}

// form reads a form that one of our own pages sent, and no other site's.
func (p *pages) form(c echo.Context) (url.Values, error) {
	r := c.Request()
	if err := p.origin.Check(r); err != nil {
		return nil, &problem{slug: slugForbidden, detail: "This was sent from another site's page: open Firstout's own page and send it from there."}
	}
	r.Body = http.MaxBytesReader(c.Response(), r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		if tooBig := new(http.MaxBytesError); errors.As(err, &tooBig) {
			return nil, err
		}
		return nil, invalid(misfit{Detail: "the form could not be read: send it from the page"})
	}
	return r.PostForm, nil
}

// asset serves what the pages load. An address that names the content may be kept for ever.
func (p *pages) asset(c echo.Context) error {
	content, mediaType, tag, ok := web.Asset(c.Param("name"))
	if !ok {
		return &problem{slug: slugNotFound, detail: "There is no file of that name: open the page anew."}
	}
	header := c.Response().Header()
	header.Set("Cache-Control", "no-cache")
	if c.QueryParam("v") == tag {
		header.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	header.Set("ETag", `"`+tag+`"`)
	if holds(c.Request().Header.Values("If-None-Match"), `"`+tag+`"`) {
		return c.NoContent(http.StatusNotModified)
	}
	return c.Blob(http.StatusOK, mediaType, content)
}

// show answers with a page.
func show(c echo.Context, status int, p HTML) error {
	body, err := p.HTML()
	if err != nil {
		return err
	}
	header := c.Response().Header()
	header.Set("Content-Security-Policy", web.Policy)
	header.Set("Referrer-Policy", "same-origin")
	return c.HTMLBlob(status, body)
}

// asksForPage says whether a person waits for the answer.
func asksForPage(c echo.Context) bool {
	return pageRoutes[c.Request().Method+" "+c.Path()] && strings.Contains(c.Request().Header.Get(echo.HeaderAccept), echo.MIMETextHTML)
}

// showProblem tells a person of a problem; who is not logged in is asked for the key.
func showProblem(c echo.Context, p *problem, status int) error {
	for name, value := range p.header {
		c.Response().Header().Set(name, value)
	}
	if p.slug == slugUnauthenticated {
		form := web.Login{Place: c.QueryParam("place")}
		if hadSession(c) {
			form.Message = "You are logged out: a log-in lasts a working day, and no longer than its key. Give the key again."
		}
		return show(c, status, form)
	}
	return show(c, status, web.Notice{
		Title: kinds[p.slug].Title, Detail: p.detail, RequestID: requestID(c.Request()).String(),
		LoggedIn: callOf(c.Request().Context()).actor.ID != "",
	})
}
