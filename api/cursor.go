package api

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/url"
)

const (
	pageDefault = 100
	pageMost    = 500
)

// A page is the part of a list that a request asks for.
type page struct {
	limit int
	after json.RawMessage // sort key of the last row of the page before; nil on the first
	list  string
}

// A cursor is where a page ended. It is opaque to callers but no secret: it leads nowhere that its list would not.
type cursor struct {
	List     string          `json:"l"` // route and filters
	Epoch    string          `json:"e"`
	Position int64           `json:"p"` // of the book when it was made
	After    json.RawMessage `json:"a"`
}

// pageOf reads what page is asked for. A cursor of another list, or with other filters, is refused with 400; one of
// another book, or of a book that was further on than this one, is gone.
func pageOf(ctx context.Context, limit *int, text *string) (page, error) {
	k := callOf(ctx)
	p := page{limit: pageDefault, list: listOf(k.route, k.url.Query())}
	if limit != nil {
		p.limit = min(*limit, pageMost)
	}
	if text == nil {
		return p, nil
	}
	var at cursor
	plain, err := base64.RawURLEncoding.DecodeString(*text)
	if err == nil {
		err = json.Unmarshal(plain, &at)
	}
	if err != nil || at.List != p.list {
		return page{}, invalid(misfit{
			Pointer: "/query/cursor",
			Detail:  "this is no cursor of this list with these filters: send next_cursor as it was given, with the same filters",
		})
	}
	if at.Epoch != k.mark.Epoch || at.Position > k.mark.Position {
		return page{}, cursorGone()
	}
	p.after = at.After
	return p, nil
}

// follows reads the sort key that the page starts after; on the first page key stays as it is.
func (p page) follows(key any) error {
	if p.after == nil {
		return nil
	}
	if err := json.Unmarshal(p.after, key); err != nil {
		return invalid(misfit{Pointer: "/query/cursor", Detail: "this cursor is broken: send next_cursor as it was given"})
	}
	return nil
}

// turn takes the rows found, of which one more than the limit was asked for, and gives those of the page with the
// cursor of the next. It sets the Link header too.
func turn[Row any](ctx context.Context, p page, rows []Row, key func(Row) any) ([]Row, *string, error) {
	if len(rows) <= p.limit {
		return rows, nil, nil
	}
	rows = rows[:p.limit]
	k := callOf(ctx)
	after, err := json.Marshal(key(rows[len(rows)-1]))
	if err != nil {
		return nil, nil, err
	}
	plain, err := json.Marshal(cursor{List: p.list, Epoch: k.mark.Epoch, Position: k.mark.Position, After: after})
	if err != nil {
		return nil, nil, err
	}
	text := base64.RawURLEncoding.EncodeToString(plain)
	query := k.url.Query()
	query.Set("cursor", text)
	next := url.URL{Path: k.url.Path, RawPath: k.url.RawPath, RawQuery: query.Encode()}
	k.header.Set("Link", "<"+next.String()+`>; rel="next"`)
	return rows, &text, nil
}

// listOf names a list: its route, and a hash of its filters.
func listOf(route string, query url.Values) string {
	query.Del("cursor")
	query.Del("limit")
	sum := sha256.Sum256([]byte(route + "?" + query.Encode()))
	return base64.RawURLEncoding.EncodeToString(sum[:9])
}

// cursorGone is the problem of a cursor or position that this book, as it stands, never gave.
func cursorGone() *problem {
	return &problem{
		slug:   slugCursorGone,
		detail: "This book, as it stands, is not where the cursor or position says: start the list again from its beginning.",
	}
}
