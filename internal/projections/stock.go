package projections

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	stockPage  = query("stock")
	boardLines = query("board")
	demandRows = query("demand")
)

// StockFilter says which open lines of stock. The zero of a field leaves it out.
type StockFilter struct {
	Place   string
	Places  []string // nil, and not empty: every place
	Kinds   []events.Kind
	Subject string // ingredient, formula or design
	After   workshop.StockKey
	Limit   int
}

// Stock lists open lines of stock by code, place and grade; unreleased pieces after released ones.
func Stock(ctx context.Context, q Querier, f StockFilter) ([]workshop.StockLine, error) {
	kinds := make([]string, 0, len(f.Kinds))
	for _, k := range f.Kinds {
		kinds = append(kinds, k.String())
	}
	day, sequence, part := f.After.Code.Numbers()
	return collect(ctx, q, func(row pgx.CollectableRow) (workshop.StockLine, error) { return scanLine(row) }, "list stock", stockPage,
		f.Place, kinds, f.Subject, day, sequence, part, f.After.Code, f.After.Place, f.After.Grade, f.After.Unreleased, pageSize(f.Limit), f.Places)
}

// PickLines lists the open lines of a design, ingredient or formula at a place ("" = every place), first expiring
// first: what an allocation is made from.
func PickLines(ctx context.Context, q Querier, place, subject string) ([]workshop.StockLine, error) {
	sql, args := loadOpen, []any{[]string{place}, []string{subject}}
	if place == "" {
		sql, args = loadOpenAnywhere, []any{[]string{subject}}
	}
	lines, err := collect(ctx, q, func(row pgx.CollectableRow) (workshop.StockLine, error) { return scanLine(row) }, "list what can be picked", sql, args...)
	slices.SortFunc(lines, func(a, b workshop.StockLine) int { return workshop.FirstExpiring(&a, &b) })
	return lines, err
}

// BoardLine is a line of stock with what a board says of it. Expiry is an events.Expiry, left undecoded: most
// boards pass it on as it is.
type BoardLine struct {
	workshop.StockLine
	Allergens workshop.Allergens
	Expiry    json.RawMessage
	Name      string              // of boxes
	Contents  []events.BoxContent // of boxes
}

// BoardLines lists the released pieces and the boxes that stand at a place, held ones too, first expiring first.
func BoardLines(ctx context.Context, q Querier, place string) ([]BoardLine, error) {
	lines, err := collect(ctx, q, func(row pgx.CollectableRow) (l BoardLine, err error) {
		var allergens, contents []byte
		if l.StockLine, err = scanLine(row, &allergens, (*[]byte)(&l.Expiry), &l.Name, &contents); err != nil {
			return l, err
		}
		if contents != nil {
			if l.Contents, err = decode[[]events.BoxContent](contents); err != nil {
				return l, err
			}
		}
		l.Allergens, err = decode[workshop.Allergens](allergens)
		return l, err
	}, "list the board of "+place, boardLines, place)
	slices.SortFunc(lines, func(a, b BoardLine) int { return workshop.FirstExpiring(&a.StockLine, &b.StockLine) })
	return lines, err
}

// demandDays is how far back the usual demand looks: the last four of each weekday.
const demandDays = 28

// Demand gives, for each design that stands at a place and was ever sold there, what was sold on each of the 28
// days before today, and the first day on which any was.
func Demand(ctx context.Context, q Querier, place string, today civil.Day) (map[string]workshop.Demand, error) {
	rows, err := q.Query(ctx, demandRows, place, dateOf(today), demandDays)
	if err != nil {
		return nil, wrap(err, "read the demand at "+place)
	}
	demand := map[string]workshop.Demand{}
	var subject string
	var since civil.Day
	var day *civil.Day
	var pieces *int
	_, err = pgx.ForEachRow(rows, []any{&subject, &since, &day, &pieces}, func() error {
		if _, met := demand[subject]; !met {
			demand[subject] = workshop.Demand{First: since, Sold: map[civil.Day]int{}}
		}
		if day != nil {
			demand[subject].Sold[*day] = *pieces
		}
		return nil
	})
	return demand, wrap(err, "read the demand at "+place)
}

// lineColumns is how many columns a line of stock has in every query that gives lines.
const lineColumns = 16

// scanLine reads a line of stock, in the order of columns of every query that gives lines, and what more the query
// gives after them.
func scanLine(row pgx.CollectableRow, more ...any) (workshop.StockLine, error) {
	var l workshop.StockLine
	var endsBy *time.Time
	err := row.Scan(append([]any{
		&l.Code, &l.Place, &l.Grade, &l.Unreleased, &l.Subject, &l.Site, &l.Amount, &l.Held, &l.Dates.Kind, &l.Dates.Date,
		&endsBy, &l.Dates.DiscardBy, &l.PieceMass, &l.ArrivedAt, &l.CountedAt, &l.LastAt,
	}, more...)...)
	if endsBy != nil {
		l.Dates.EndsBy = endsBy.UTC()
	}
	l.Dates.DiscardBy, l.CountedAt = utc(l.Dates.DiscardBy), utc(l.CountedAt)
	l.ArrivedAt, l.LastAt = l.ArrivedAt.UTC(), l.LastAt.UTC()
	return l, err
}

// utc gives an instant as the workshop's structs hold it: the driver reads in the machine's own zone.
func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	at := t.UTC()
	return &at
}
