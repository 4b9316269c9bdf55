package projections

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	balanceMovements = query("balance_movements")
	balanceEdges     = query("balance_edges")
	accounts         = query("accounts")
	waste            = query("waste")
	sales            = query("sales")
)

// Balance is what a mass balance is drawn up from: of a whole, its parts are inside it.
type Balance struct {
	Thing Thing
	Sums  []MovementSum
	In    []workshop.Edge // what went into it, a sum for each source
	Out   []workshop.Edge // what it went into, a sum for each
}

// MovementSum is what came to and went from the stock of a code, for one cause and reason.
type MovementSum struct {
	Code     events.Code
	Cause    string
	Reason   string
	Pieces   bool        // Came and Went are pieces; else milligrams
	Came     int64       // never negative
	Went     int64       // never negative
	MassCame events.Mass // the same as mass
	MassWent events.Mass
}

// BalanceOf gathers the balance of a thing; nil if there is none. The sums of Edges have no Number, and the
// moment of the first.
func BalanceOf(ctx context.Context, q Querier, code events.Code) (*Balance, error) {
	thing, err := OneThing(ctx, q, code)
	if err != nil || thing == nil {
		return nil, err
	}
	b := &Balance{Thing: *thing}
	b.Sums, err = collect(ctx, q, pgx.RowToStructByName[MovementSum], "add up the movements of "+string(code), balanceMovements, code)
	if err != nil {
		return nil, err
	}
	edges, err := collect(ctx, q, func(row pgx.CollectableRow) (e workshop.Edge, err error) {
		err = row.Scan(&e.From, &e.To, &e.Ingredient, &e.Mass, &e.OccurredAt)
		e.OccurredAt = e.OccurredAt.UTC()
		return e, err
	}, "add up what went in and out of "+string(code), balanceEdges, code)
	for _, e := range edges {
		if kin(code, e.To) {
			b.In = append(b.In, e)
		} else {
			b.Out = append(b.Out, e)
		}
	}
	return b, err
}

// kin says that what is asked about a thing takes another in: itself, and of a whole its parts.
func kin(of, code events.Code) bool { return code == of || !of.IsPart() && code.Whole() == of }

// Account is what became of the released pieces of a run or a part of one, or of boxes.
// Released + Packed + PartedIn + Found = Sold + Given + Discarded + Boxed + Opened + PartedOut + OnHand.
type Account struct {
	Code      events.Code
	Released  int64
	Packed    int64 // boxes
	Opened    int64 // boxes
	PartedIn  int64 // came on under this code
	PartedOut int64 // went on under another code
	Sold      int64
	Given     int64
	Discarded int64
	Boxed     int64 // pieces that went into boxes and did not come out again
	Found     int64 // what counts found more, with a minus less
	OnHand    int64
}

// Accounts gives the accounts of runs, parts and boxes by their codes, in the order of codes as text. One of which nothing
// was released has none.
func Accounts(ctx context.Context, q Querier, codes []events.Code) ([]Account, error) {
	return collect(ctx, q, pgx.RowToStructByName[Account], "account for pieces", accounts, codes)
}

// Sale is pieces of one code in one sale.
type Sale struct {
	Event      uuid.UUID
	Position   int64
	OccurredAt time.Time
	Code       events.Code
	Pieces     int64
	Place      string
	Channel    string
	Buyer      string
	Reference  string
	How        string
}

// SalesOf lists the sales of runs, parts and boxes in the order of time.
func SalesOf(ctx context.Context, q Querier, codes []events.Code) ([]Sale, error) {
	rows, err := q.Query(ctx, sales, codes)
	if err != nil {
		return nil, wrap(err, "list sales")
	}
	var found []Sale
	var moments []moment
	var s Sale
	var m moment
	_, err = pgx.ForEachRow(rows, []any{
		&s.Event, &s.Position, &m.number, &s.OccurredAt, &s.Code, &s.Pieces, &s.Place, &s.Channel, &s.Buyer, &s.Reference, &s.How,
	}, func() error {
		s.OccurredAt = s.OccurredAt.UTC()
		m.at, m.position = s.OccurredAt.UnixMicro(), s.Position
		found, moments = append(roomFor(found), s), append(roomFor(moments), m)
		return nil
	})
	return ordered(found, moments, (*moment).compare), wrap(err, "list sales")
}

// The ways to sum up waste.
const (
	WasteByReason = "reason"
	WasteByDesign = "design"
	WasteByPlace  = "place"
)

// WasteSum is what was discarded for one reason, of one design or at one place.
type WasteSum struct {
	Key    string
	Pieces int64
	Mass   events.Mass `db:"mass_mg"`
	Times  int64       // in how many entries
	Waste  bool        // not for a reason that is no waste: what people ate, or what was used
}

// Waste sums up what was discarded on the days from one to another, both included, heaviest first. A day is the
// calendar's of the site where it happened. Without places (nil) it is everywhere.
func Waste(ctx context.Context, q Querier, from, to civil.Day, by string, places []string) ([]WasteSum, error) {
	return collect(ctx, q, pgx.RowToStructByName[WasteSum], "add up waste", waste, dateOf(from), dateOf(to), by, workshop.NoWaste, places)
}
