package projections

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	holdsPage      = query("holds")
	deviationsPage = query("deviations")
	definitionPage = query("definitions")
	oneDefinition  = query("definition")
)

// MaxPage bounds every page: the API's largest and one more, which tells that there is a next page.
const MaxPage = 501

// pageSize is a page's size as asked for, within bounds; none asked for is the largest.
func pageSize(limit int) int {
	if limit <= 0 || limit > MaxPage {
		return MaxPage
	}
	return limit
}

// collect runs a query and reads each row with to.
func collect[T any](ctx context.Context, q Querier, to pgx.RowToFunc[T], doing, sql string, args ...any) ([]T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	found, err := pgx.CollectRows(rows, to)
	return found, wrap(err, doing)
}

// At is a thing of the book with the position of the event that made it known, which is also where a page of its
// list goes on.
type At[T any] struct {
	Position int64
	Is       T
}

func scanAt[T any](row pgx.CollectableRow) (At[T], error) {
	var at At[T]
	var state []byte
	if err := row.Scan(&at.Position, &state); err != nil {
		return at, err
	}
	var err error
	at.Is, err = decode[T](state)
	return at, err
}

// HoldFilter says which holds. The zero of a field leaves it out.
type HoldFilter struct {
	Open   bool // not lifted
	Site   string
	Places []string // with Site: a hold on what stands at one of these is of the site too
	After  int64    // position
	Limit  int
}

// Holds lists holds in the order in which they were placed.
func Holds(ctx context.Context, q Querier, f HoldFilter) ([]At[workshop.Hold], error) {
	return collect(ctx, q, scanAt[workshop.Hold], "list holds", holdsPage, f.Open, f.Site, f.After, pageSize(f.Limit), f.Places)
}

// DeviationFilter says which deviations. The zero of a field leaves it out.
type DeviationFilter struct {
	Open   bool // not decided
	Site   string
	Places []string // with Site: a deviation of what stands at one of these is of the site too
	Place  string   // of the place, or of a thing that stands there
	Code   events.Code
	After  int64 // position
	Limit  int
}

// Deviations lists deviations in the order in which they were opened.
func Deviations(ctx context.Context, q Querier, f DeviationFilter) ([]At[workshop.Deviation], error) {
	return collect(ctx, q, scanAt[workshop.Deviation], "list deviations", deviationsPage,
		f.Open, f.Site, f.Place, string(f.Code), f.After, pageSize(f.Limit), f.Places)
}

// Definition is one version of a definition. Body is one of the definition structs of package events, or a Supplier or
// Buyer of package workshop, as JSON.
type Definition struct {
	Slug       string
	Version    int
	RecordedAt time.Time
	Body       json.RawMessage
}

// Definitions lists the newest versions of the definitions of a kind (site, place, supplier, buyer, ingredient,
// formula, vat, mould, design or scheme) by slug, after one: with a site, of that site's places or vats.
func Definitions(ctx context.Context, q Querier, kind, site, after string, limit int) ([]Definition, error) {
	return collect(ctx, q, scanDefinition(kind), "list definitions", definitionPage, kind, after, pageSize(limit), site)
}

// OneDefinition finds a version of a definition, or with version 0 the newest; nil if there is none.
func OneDefinition(ctx context.Context, q Querier, kind, slug string, version int) (*Definition, error) {
	found, err := collect(ctx, q, scanDefinition(kind), "find "+kind+" "+slug, oneDefinition, kind, slug, version)
	return first(found), err
}

func scanDefinition(kind string) pgx.RowToFunc[Definition] {
	return func(row pgx.CollectableRow) (Definition, error) {
		found, err := pgx.RowToStructByName[struct {
			Definition
			workshop.Details
		}](row)
		if err != nil {
			return Definition{}, err
		}
		d := found.Definition
		d.RecordedAt = d.RecordedAt.UTC()
		d.Body, err = withDetails(kind, d.Body, found.Details)
		return d, err
	}
}

func first[T any](found []T) *T {
	if len(found) == 0 {
		return nil
	}
	return &found[0]
}

// Vats lists the states of the vats that ever held anything, by slug.
func Vats(ctx context.Context, q Querier) ([]workshop.VatState, error) {
	return collect(ctx, q, func(row pgx.CollectableRow) (workshop.VatState, error) {
		var state []byte
		if err := row.Scan(&state); err != nil {
			return workshop.VatState{}, err
		}
		return decode[workshop.VatState](state)
	}, "list vats", "SELECT state FROM vats ORDER BY slug")
}
