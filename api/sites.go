package api

import (
	"context"
	"fmt"
	"slices"

	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// What a key that is bound to a site may read: what stands or stood at that site's places and tanks, and what was made
// there. Each such thing it reads whole, with what it was made of and what became of it wherever that was: a trace that
// ends at a door is none. The catalogue is shared, but for tanks, which are read with what is in them. The log is of the
// whole book, and so is whatever else roles.go marks as that: such a key may not call it. What it may write,
// workshop.Desk decides.

// notOfSite is the problem of a key that is bound to another site.
func notOfSite(bound, asked string) *problem {
	return &problem{slug: slugForbidden, detail: "This key is for " + bound + " only: use one for " + asked + "."}
}

// ownSite refuses what belongs to a site that the caller's key is not for.
func ownSite(ctx context.Context, site string) error {
	if bound := actorOf(ctx).Site; bound != "" && bound != site {
		return notOfSite(bound, site)
	}
	return nil
}

// ownPlaces are the places and tanks of the site that the caller's key is bound to; nil of one that is not.
func ownPlaces(ctx context.Context) []string {
	site := actorOf(ctx).Site
	if site == "" {
		return nil
	}
	defs, own := momentOf(ctx).defs, []string{}
	for slug := range defs.Places {
		if defs.Places.Latest(slug).Body.Site == site {
			own = append(own, slug)
		}
	}
	for slug := range defs.Vats {
		if defs.Vats.Latest(slug).Body.Site == site {
			own = append(own, slug)
		}
	}
	return own
}

// unknownThing is the refusal of a code in a URL that names nothing.
func unknownThing(code events.Code) *workshop.Refusal {
	return &workshop.Refusal{
		Slug: workshop.RefusedUnknownCode, InURL: true, Facts: workshop.Facts{"code": code},
		Detail: fmt.Sprintf("There is no %s %s in the book: look at the label again.", code.Kind(), code),
	}
}

// ownThing refuses a thing that was neither made at the site of the caller's key nor ever stood there, as one that is not
// in the book: codes can be guessed, and nobody is to learn by it what others make. The thing has every line of stock
// that it and its parts ever had.
func ownThing(ctx context.Context, code events.Code, t *projections.Thing) error {
	bound := actorOf(ctx).Site
	if bound == "" || siteOf(t) == bound {
		return nil
	}
	own := ownPlaces(ctx)
	here := func(l workshop.StockLine) bool { return slices.Contains(own, l.Place) }
	if slices.ContainsFunc(t.Lines, here) || slices.ContainsFunc(t.PartLines, here) {
		return nil
	}
	return unknownThing(code)
}

// siteOf is the site where a thing was made or came in.
func siteOf(t *projections.Thing) string {
	switch {
	case t.Lot != nil:
		return t.Lot.Site
	case t.Charge != nil:
		return t.Charge.Site
	case t.Ganache != nil:
		return t.Ganache.Site
	case t.Run != nil:
		return t.Run.Site
	case t.Box != nil:
		return t.Box.Site
	}
	return ""
}

// checkPlace refuses a place that is unknown, or of a site that the caller's key is not for.
func checkPlace(ctx context.Context, slug string) error {
	place := momentOf(ctx).defs.Places.Latest(slug)
	if place == nil {
		return unknownPlace(slug)
	}
	return ownSite(ctx, place.Body.Site)
}

// checkPlaceIfAny is checkPlace, of a place that may be left out.
func checkPlaceIfAny(ctx context.Context, slug *string) error {
	if slug == nil {
		return nil
	}
	return checkPlace(ctx, *slug)
}
