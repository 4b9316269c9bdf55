package api

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"firstout/api/openapi"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// GetBoard answers what must sell today at a place, or with a date what of the same stock would have to on that day.
func (h *handlers) GetBoard(ctx context.Context, r openapi.GetBoardRequestObject) (openapi.GetBoardResponseObject, error) {
	m := momentOf(ctx)
	if err := checkPlace(ctx, r.Params.Place); err != nil {
		return nil, err
	}
	l, err := h.look(ctx, r.Params.At, r.Params.KnownAt)
	if err != nil {
		return nil, err
	}
	now := m.now
	if l.past != nil {
		now = l.at
	}
	place := m.defs.Places.Latest(r.Params.Place)
	if then := l.defs.Places.Latest(r.Params.Place); then != nil { // else it was not known yet, and nothing stood there
		place = then
	}
	zone := l.defs.Zone(place.Body.Site)
	j := judgement{today: civil.DayOf(now, zone), at: now, zone: zone}
	j.on = j.today
	if r.Params.Date != nil {
		on, err := dayIn("/query/date", *r.Params.Date)
		if err != nil {
			return nil, err
		}
		if on != j.today {
			j.on, j.at = on, on.StartIn(zone)
		}
	}
	board, err := l.board(ctx, r.Params.Place, place.Body.Site, j)
	return openapi.GetBoard200JSONResponse(board), err
}

// judgement is the day on which a board is judged, the instant of it, and the day on which it is asked for.
type judgement struct {
	on    civil.Day
	at    time.Time
	today civil.Day
	zone  *time.Location
}

// board works the board of a place out.
func (l look) board(ctx context.Context, place, site string, j judgement) (openapi.Board, error) {
	answer := openapi.Board{Place: place, Date: j.on, Cautions: boardCautions, AsOf: l.asOf}
	lines, demand, err := l.boardLines(ctx, place, j)
	if err != nil {
		return answer, err
	}
	stock := make([]workshop.BoardStock, 0, len(lines))
	about := make(map[boardKey]projections.BoardLine, len(lines))
	for _, line := range lines {
		about[boardKey{line.Code, line.Grade}] = line
		s := workshop.BoardStock{
			Code: line.Code, Design: line.Subject, Grade: line.Grade, Pieces: int(line.Amount), Held: line.Held, Dates: line.Dates,
		}
		if design := l.defs.Designs.Latest(line.Subject); design != nil {
			s.DaysForCustomer = design.Body.DaysForCustomer
		}
		stock = append(stock, s)
	}
	board := workshop.SortBoard(stock, demand, j.on, j.at, j.today, j.zone)
	view := boardView{defs: l.defs, about: about, site: site}
	for _, group := range []struct {
		from []workshop.BoardLine
		to   *[]openapi.BoardLine
	}{
		{board.WithdrawNow, &answer.Groups.WithdrawNow},
		{board.SellToday, &answer.Groups.SellToday},
		{board.SellNext, &answer.Groups.SellNext},
		{board.InGoodTime, &answer.Groups.InGoodTime},
	} {
		if *group.to, err = view.lines(group.from); err != nil {
			return answer, err
		}
	}
	return answer, nil
}

// boardLines finds what a board is made of: of the book as it stands with what stands in a freezer dated as if it were thawed
// then, of the past with the dates that were recorded.
func (l look) boardLines(ctx context.Context, place string, j judgement) (lines []projections.BoardLine, demand map[string]workshop.Demand, err error) {
	if l.past == nil {
		if lines, err = projections.BoardLines(ctx, l.h.pool, place); err != nil {
			return nil, nil, err
		}
		if err := l.h.frozenBoard(ctx, moment{now: j.at, defs: l.defs}, lines); err != nil {
			return nil, nil, err
		}
		demand, err = projections.Demand(ctx, l.h.pool, place, j.today)
		return lines, demand, err
	}
	if lines, err = l.past.BoardLines(ctx, place); err != nil {
		return nil, nil, err
	}
	var designs []string
	for _, line := range lines {
		if line.Subject != "" {
			designs = append(designs, line.Subject)
		}
	}
	slices.Sort(designs)
	demand, err = l.past.Demand(ctx, place, slices.Compact(designs), j.today)
	return lines, demand, err
}

// dayIn reads a day that stands in the query.
func dayIn(pointer, text string) (civil.Day, error) {
	day, err := civil.ParseDay(text)
	if err != nil {
		return day, invalid(misfit{Pointer: pointer, Detail: "expected a day of the calendar, such as 2026-11-25"})
	}
	return day, nil
}

// boardCautions stand beside the dates and allergens of a board.
var boardCautions = []string{
	"Dates rest on what was recorded; local food law and a qualified person decide what may be sold.",
	"Allergens are those recorded of the lots used: check them against the packets before you tell a customer.",
}

type boardKey struct {
	code  events.Code
	grade string
}

// boardView turns the workshop's board into the answer's lines.
type boardView struct {
	defs  *workshop.Definitions
	about map[boardKey]projections.BoardLine
	site  string
}

func (v boardView) lines(from []workshop.BoardLine) ([]openapi.BoardLine, error) {
	lines := make([]openapi.BoardLine, 0, len(from))
	for _, l := range from {
		about := v.about[boardKey{l.Code, l.Grade}]
		line := openapi.BoardLine{
			Design: optional(l.Design), Pieces: l.Pieces, MustGoToday: l.MustGoToday, DaysLeft: l.DaysLeft,
			DiscardBy: l.Dates.DiscardBy, SellBy: l.SellBy, Held: l.Held, Why: l.Why, Grade: gradeOf(l.Code, l.Grade),
			Name: optional(about.Name), Contents: boxedDesigns(about.Contents), Allergens: allergensAt(v.defs, v.site, about.Allergens),
		}
		line.Run, line.Box = pieceOrBox(l.Code)
		if design := v.defs.Designs.Latest(l.Design); design != nil {
			line.Name = &design.Body.Name
		}
		if err := json.Unmarshal(about.Expiry, &line.UseBy); err != nil {
			return nil, fmt.Errorf("read the date of %s: %w", l.Code, err)
		}
		lines = append(lines, line)
	}
	return lines, nil
}

func unknownPlace(slug string) *problem {
	return &problem{slug: slugNotFound, detail: fmt.Sprintf("There is no place %q in the book: define it first, or mend the name.", slug)}
}

func pointerTo[T any](value T) *T { return &value }

// GetPicks answers what to take first: nothing is booked.
func (h *handlers) GetPicks(ctx context.Context, r openapi.GetPicksRequestObject) (openapi.GetPicksResponseObject, error) {
	m, p := momentOf(ctx), r.Params
	byDesign := p.Design != nil && p.Pieces != nil && p.Ingredient == nil && p.QuantityG == nil
	byIngredient := p.Ingredient != nil && p.QuantityG != nil && p.Design == nil && p.Pieces == nil
	if byDesign == byIngredient {
		return nil, impossible(misfit{Pointer: "/query", Detail: "expected design and pieces, or ingredient and quantity_g"})
	}
	if err := checkPlaceIfAny(ctx, p.Place); err != nil {
		return nil, err
	}
	subject, wanted := "", 0
	if byDesign {
		if subject, wanted = *p.Design, *p.Pieces; m.defs.Designs.Latest(subject) == nil {
			return nil, &problem{slug: slugNotFound, detail: fmt.Sprintf("There is no design %q in the book.", subject)}
		}
	} else {
		quantity, err := events.ParseGrams(*p.QuantityG)
		if err != nil {
			return nil, invalid(misfit{Pointer: "/query/quantity_g", Detail: err.Error()})
		}
		if subject, wanted = *p.Ingredient, int(quantity); m.defs.Ingredients.Latest(subject) == nil {
			return nil, &problem{slug: slugNotFound, detail: fmt.Sprintf("There is no ingredient %q in the book.", subject)}
		}
	}
	found, err := projections.PickLines(ctx, h.pool, valueOf(p.Place), subject)
	if err != nil {
		return nil, err
	}
	own := ownPlaces(ctx)
	lines := make([]*workshop.StockLine, 0, len(found))
	for i := range found {
		if own == nil || slices.Contains(own, found[i].Place) {
			lines = append(lines, &found[i])
		}
	}
	if byIngredient {
		workshop.SortLots(lines, m.defs)
	}
	if _, err := h.frozenDates(ctx, m, lines); err != nil {
		return nil, err
	}
	picked, missing := workshop.Pick(lines, wanted, func(l *workshop.StockLine) int {
		if l.Held || l.Unreleased || l.Grade != gradeWanted(byDesign) || l.Dates.PastAt(m.now) || !m.daysLeft(l, p.MinDaysLeft) {
			return 0
		}
		return int(l.Amount)
	})
	answer := openapi.Picks{Lines: []openapi.PickLine{}, Missing: float64(missing)}
	if byIngredient {
		answer.Missing /= float64(events.Gram)
	}
	for _, pick := range picked {
		line := openapi.PickLine{Place: pick.Line.Place, UseBy: pick.Line.Dates.Date}
		if byDesign {
			line.Run, line.Pieces = pointerTo(string(pick.Line.Code)), &pick.Amount
		} else {
			line.Source, line.QuantityG = pointerTo(string(pick.Line.Code)), pointerTo(events.Mass(pick.Amount))
		}
		answer.Lines = append(answer.Lines, line)
	}
	return openapi.GetPicks200JSONResponse(answer), nil
}

func gradeWanted(byDesign bool) string {
	if byDesign {
		return workshop.GradeFirst
	}
	return ""
}

// daysLeft says whether a line has at least so many whole days left after today; without a date it has none.
func (m moment) daysLeft(l *workshop.StockLine, least *int) bool {
	if least == nil || *least == 0 {
		return true
	}
	today := civil.DayOf(m.now, m.defs.Zone(l.Site))
	return l.Dates.Date != nil && l.Dates.Date.Sub(today) >= *least
}

func valueOf[T any](p *T) T {
	var zero T
	if p == nil {
		return zero
	}
	return *p
}

// stockKinds are the kinds of stock that can be asked for.
var stockKinds = map[openapi.StockKind][]events.Kind{
	openapi.StockKindPieces: {events.KindRun}, openapi.StockKindLots: {events.KindLot}, openapi.StockKindGanaches: {events.KindGanache},
	openapi.StockKindBoxes: {events.KindBox},
}

// GetStock answers what stands where.
func (h *handlers) GetStock(ctx context.Context, r openapi.GetStockRequestObject) (openapi.GetStockResponseObject, error) {
	p := r.Params
	if err := checkPlaceIfAny(ctx, p.Place); err != nil {
		return nil, err
	}
	l, err := h.look(ctx, p.At, p.KnownAt)
	if err != nil {
		return nil, err
	}
	page, err := pageOf(ctx, p.Limit, p.Cursor)
	if err != nil {
		return nil, err
	}
	filter := projections.StockFilter{
		Place: valueOf(p.Place), Places: ownPlaces(ctx), Kinds: []events.Kind{events.KindRun, events.KindLot, events.KindGanache, events.KindBox},
		Limit: page.limit + 1,
	}
	if p.Kind != nil {
		filter.Kinds = stockKinds[*p.Kind]
	}
	if err := page.follows(&filter.After); err != nil {
		return nil, err
	}
	found, err := l.stock(ctx, filter)
	if err != nil {
		return nil, err
	}
	rows, next, err := turn(ctx, page, found, func(l workshop.StockLine) any { return l.StockKey })
	if err != nil {
		return nil, err
	}
	answer := openapi.Stock{Lines: []openapi.StockLine{}, NextCursor: next, AsOf: l.asOf}
	for _, l := range rows {
		answer.Lines = append(answer.Lines, stockLine(l))
	}
	return openapi.GetStock200JSONResponse(answer), nil
}

func stockLine(l workshop.StockLine) openapi.StockLine {
	line := openapi.StockLine{Code: string(l.Code), Place: l.Place, Held: l.Held, UseBy: l.Dates.Date}
	switch l.Code.Kind() {
	case events.KindRun:
		line.Kind, line.Design, line.Pieces = openapi.StockKindPieces, &l.Subject, pointerTo(int(l.Amount))
		line.Grade, line.Released = pointerTo(openapi.Grade(l.Grade)), pointerTo(!l.Unreleased)
		return line
	case events.KindBox:
		line.Kind, line.Pieces = openapi.StockKindBoxes, pointerTo(int(l.Amount))
		return line
	case events.KindGanache:
		line.Kind, line.Formula = openapi.StockKindGanaches, &l.Subject
	default:
		line.Kind, line.Ingredient = openapi.StockKindLots, &l.Subject
	}
	line.QuantityG = pointerTo(events.Mass(l.Amount))
	return line
}

// allergensAt gives a thing's allergens in three grades: what the site handles stands apart from what the thing
// contains or may contain.
func allergensAt(defs *workshop.Definitions, site string, a workshop.Allergens) openapi.Allergens {
	var handles []string
	if def := defs.Sites.Latest(site); def != nil {
		handles = def.Body.Handles
	}
	return allergensAmong(handles, a)
}

// allergensAmong is allergensAt, told what the site handles.
func allergensAmong(handles []string, a workshop.Allergens) openapi.Allergens {
	answer := openapi.Allergens{Contains: a.Contains, MayContain: a.MayContain, MadeWhereHandled: []string{}}
	if len(a.Unknown) > 0 {
		answer.Unknown = pointerTo(true)
	}
	for _, code := range handles {
		if !slices.Contains(a.Contains, code) && !slices.Contains(a.MayContain, code) {
			answer.MadeWhereHandled = append(answer.MadeWhereHandled, code)
		}
	}
	answer.Contains, answer.MayContain = orNone(answer.Contains), orNone(answer.MayContain)
	return answer
}

func orNone(codes []string) []string {
	if codes == nil {
		return []string{}
	}
	return codes
}
