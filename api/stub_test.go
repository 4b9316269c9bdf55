package api

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"firstout/api/openapi"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// unbuilt has every operation and answers none: calling one is a panic.
type unbuilt struct {
	openapi.StrictServerInterface
}

// stub answers a few operations without a book, to try the shell around them.
type stub struct {
	unbuilt
	service

	sell  func(ctx context.Context, sale openapi.SellPieces) (openapi.CreateSaleResponseObject, error)
	board func(ctx context.Context) error
}

func (s stub) CreateSale(ctx context.Context, r openapi.CreateSaleRequestObject) (openapi.CreateSaleResponseObject, error) {
	if s.sell != nil {
		return s.sell(ctx, *r.Body)
	}
	return openapi.CreateSale201JSONResponse(stubSale(*r.Body)), nil
}

// someID is RFC 9562's example of a UUIDv7 (appendix A.6).
var someID = uuid.MustParse("017F22E2-79B0-7CC3-98C4-DC0C0C07398F")

func stubSale(asked openapi.SellPieces) openapi.Sale {
	sale := openapi.Sale{
		ID: someID, Place: asked.Place, Channel: asked.Channel,
		Recorded: openapi.Recorded{
			Command: someID, At: morning,
			Events: []openapi.RecordedEvent{{ID: someID, Position: 17, Type: "pieces_sold"}},
		},
	}
	for _, line := range asked.Lines {
		day := civil.Day{Year: 2026, Month: 12, Day: 8}
		sale.Lines = append(sale.Lines, openapi.SoldLine{
			Design:      pointerTo("blackcurrant-dome"),
			Allocations: []openapi.Allocation{{Run: pointerTo("R261125-01-7"), Pieces: line.Pieces, How: openapi.SingleRunOnPlace, UseBy: &day}},
		})
	}
	return sale
}

func (s stub) GetBoard(ctx context.Context, r openapi.GetBoardRequestObject) (openapi.GetBoardResponseObject, error) {
	if s.board != nil {
		if err := s.board(ctx); err != nil {
			return nil, err
		}
	}
	date := civil.DayOf(morning, time.UTC)
	if r.Params.Date != nil {
		on, err := dayIn("/query/date", *r.Params.Date)
		if err != nil {
			return nil, err
		}
		date = on
	}
	return openapi.GetBoard200JSONResponse{
		Place: r.Params.Place, Date: date, Cautions: []string{},
		Groups: openapi.BoardGroups{
			WithdrawNow: []openapi.BoardLine{}, SellToday: []openapi.BoardLine{},
			SellNext: []openapi.BoardLine{}, InGoodTime: []openapi.BoardLine{},
		},
	}, nil
}

// ListMoulds has 250 moulds, to turn pages of.
func (stub) ListMoulds(ctx context.Context, r openapi.ListMouldsRequestObject) (openapi.ListMouldsResponseObject, error) {
	p, err := pageOf(ctx, r.Params.Limit, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	var after string
	if err := p.follows(&after); err != nil {
		return nil, err
	}
	var found []openapi.Mould
	for i := range 250 {
		slug := fmt.Sprintf("mould-%03d", i)
		if slug > after && len(found) <= p.limit {
			found = append(found, openapi.Mould{Slug: slug, Name: slug, Cavities: 24, Version: 1, DefinedAt: morning})
		}
	}
	moulds, next, err := turn(ctx, p, found, func(m openapi.Mould) any { return m.Slug })
	if err != nil {
		return nil, err
	}
	return openapi.ListMoulds200JSONResponse{Moulds: moulds, NextCursor: next}, nil
}

// GetMould knows none.
func (stub) GetMould(_ context.Context, r openapi.GetMouldRequestObject) (openapi.GetMouldResponseObject, error) {
	return nil, fmt.Errorf("look up: %w", &workshop.Refusal{
		Slug: workshop.RefusedUnknownCode, Detail: "There is no mould " + r.Slug + ".", InURL: true,
	})
}

// PutMould says what it was sent.
func (stub) PutMould(_ context.Context, r openapi.PutMouldRequestObject) (openapi.PutMouldResponseObject, error) {
	return openapi.PutMould201JSONResponse{
		Slug: r.Slug, Name: r.Body.Name, Cavities: r.Body.Cavities, Version: 1, DefinedAt: morning,
	}, nil
}

// OpenLot says what mass it was sent, as a portion.
func (stub) OpenLot(_ context.Context, r openapi.OpenLotRequestObject) (openapi.OpenLotResponseObject, error) {
	return openapi.OpenLot201JSONResponse{
		Code: "L261125-01.1-Z", Lot: "L261125-01-8", Ingredient: "cream-35", OpenedAt: &morning,
		OnHandG: r.Body.QuantityG, Places: []openapi.Standing{},
		UseBy: events.Expiry{
			Kind: "use_by", EndsBy: morning, Binds: "opened_ingredient", Limits: []events.Limit{}, Status: "assessed", Cautions: []string{},
		},
	}, nil
}

var morning = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

// stubBook is a mark that a test moves.
type stubBook struct {
	mu   sync.Mutex
	mark Mark
	err  error
}

func (b *stubBook) Mark(context.Context) (Mark, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.mark, b.err
}

// A bench is a shell around a stub with all that it is given.
type bench struct {
	echo *echo.Echo
	keys *stubKeys
	book *stubBook
	log  *bytes.Buffer
	now  time.Time
}

func newBench(t *testing.T, s stub, change ...func(*Deps)) *bench {
	t.Helper()
	b := &bench{
		keys: &stubKeys{}, log: &bytes.Buffer{}, now: morning,
		book: &stubBook{mark: Mark{Epoch: "e1", Position: 17, Today: []civil.Day{civil.DayOf(morning, time.UTC)}}},
	}
	deps := Deps{
		Book: b.book, Keys: b.keys, Now: func() time.Time { return b.now },
		Log: slog.New(slog.NewJSONHandler(b.log, nil)),
	}
	for _, f := range change {
		f(&deps)
	}
	b.echo = shell(deps, s)
	return b
}

// as calls with a key of these roles.
func (b *bench) as(roles ...string) client { return client{handler: b.echo, key: b.keys.add(roles...)} }

// nobody calls without a key.
func (b *bench) nobody() client { return client{handler: b.echo} }
