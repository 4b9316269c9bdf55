package api

import (
	"cmp"
	"context"
	"slices"

	"firstout/api/openapi"
	"firstout/api/web"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// boardPage shows what GET /v1/board answers.
func (h *handlers) boardPage(ctx context.Context, slug string) (HTML, error) {
	m := momentOf(ctx)
	selling := sellingPlaces(m.defs, actorOf(ctx).Site)
	if slug == "" {
		if len(selling) != 1 {
			return web.Places{Places: selling}, nil
		}
		slug = selling[0].Slug
	}
	if err := checkPlace(ctx, slug); err != nil {
		return nil, err
	}
	place := m.defs.Places.Latest(slug)
	zone := m.defs.Zone(place.Body.Site)
	today := civil.DayOf(m.now, zone)
	board, err := look{h: h, defs: m.defs}.board(ctx, slug, place.Body.Site, judgement{on: today, at: m.now, today: today, zone: zone})
	if err != nil {
		return nil, err
	}
	others := slices.DeleteFunc(selling, func(p web.Place) bool { return p.Slug == slug })
	return web.Board{
		Place: shownPlace(m.defs, slug, place), Others: others, At: m.now, Zone: zone, Cautions: board.Cautions,
		WithdrawNow: shownLines(board.Groups.WithdrawNow), SellToday: shownLines(board.Groups.SellToday),
		SellNext: shownLines(board.Groups.SellNext), InGoodTime: shownLines(board.Groups.InGoodTime),
	}, nil
}

// sellingPlaces are those that sell, by site and name; of one site only, if one is given.
func sellingPlaces(defs *workshop.Definitions, site string) []web.Place {
	var found []web.Place
	for slug := range defs.Places {
		place := defs.Places.Latest(slug)
		if place.Body.Sells && (site == "" || site == place.Body.Site) {
			found = append(found, shownPlace(defs, slug, place))
		}
	}
	slices.SortFunc(found, func(a, b web.Place) int {
		return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Slug, b.Slug))
	})
	return found
}

func shownPlace(defs *workshop.Definitions, slug string, place *workshop.Version[events.Place]) web.Place {
	shown := web.Place{Slug: slug, Name: place.Body.Name, Site: place.Body.Site}
	if site := defs.Sites.Latest(place.Body.Site); site != nil {
		shown.Site = site.Body.Name
	}
	return shown
}

func shownLines(lines []openapi.BoardLine) []web.Line {
	shown := make([]web.Line, len(lines))
	for i, l := range lines {
		shown[i] = web.Line{
			Code: valueOf(l.Run) + valueOf(l.Box), Name: valueOf(l.Design), Seconds: l.Grade != nil && *l.Grade == workshop.GradeSecond,
			Pieces: l.Pieces, MustGoToday: l.MustGoToday, Held: l.Held,
			UseBy: l.UseBy.Kind == "use_by", Date: l.UseBy.Date, DaysLeft: l.DaysLeft, EndsBy: l.UseBy.EndsBy, SellBy: l.SellBy,
			Cautions: l.UseBy.Cautions, Contains: l.Allergens.Contains, MayContain: l.Allergens.MayContain,
			MadeWhereHandled: l.Allergens.MadeWhereHandled, AllergensUnknown: valueOf(l.Allergens.Unknown),
		}
		switch {
		case l.Name != nil:
			shown[i].Name = *l.Name
		case l.Box != nil:
			shown[i].Name = "Box"
		}
		if estimated := slices.Index(l.UseBy.Cautions, workshop.CautionEstimated); estimated >= 0 {
			shown[i].Estimate = workshop.CautionEstimated
			shown[i].Cautions = slices.Delete(slices.Clone(l.UseBy.Cautions), estimated, estimated+1)
		}
	}
	return shown
}
