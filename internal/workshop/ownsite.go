package workshop

import (
	"slices"

	"firstout/internal/events"
)

// What a key that is bound to a site may write: it takes from and puts into that site's places and tanks only, so that
// nothing passes between two sites by it. It may hold, check and redate what was made there and what stands there, and
// decide about deviations and lift holds of that site. It defines its own site, places and tanks; the rest of the
// catalogue is shared.
//
// What it may not even read answers as what is not in the book; the rest that is another site's is forbidden to it.

// ownSite refuses a key that is bound to another site than the command's.
func (d *Desk) ownSite(rs *refusals) { d.ofSite(d.site, rs) }

// ownPlace refuses a place, or failing that a tank, of another site to a key that is bound to one.
func (d *Desk) ownPlace(slug string, rs *refusals) { d.ofSite(d.Set.Defs.SiteOf(slug), rs) }

func (d *Desk) ofSite(site string, rs *refusals) {
	if site != "" && d.Actor.Site != "" && d.Actor.Site != site {
		*rs = append(*rs, forbidden("This key is for %s only: use one for %s.", d.Actor.Site, site))
	}
}

// atThing takes the site where a thing was made as the command's. A key that is bound to another may write of it too
// while some of it stands at that other.
func (d *Desk) atThing(code events.Code, rs *refusals) {
	d.site = d.Set.siteOf(code)
	d.ownThing(code, rs)
}

// ownThing refuses a thing of another site, of which nothing stands at the site that a key is bound to.
func (d *Desk) ownThing(code events.Code, rs *refusals) {
	stands := func(line *StockLine) bool { return line.Amount > 0 && d.isOwn(line.Place) }
	if !slices.ContainsFunc(d.Set.LinesOf(code), stands) {
		d.ofSite(d.Set.siteOf(code), rs)
	}
}

// isOwn says whether a place or tank is of the site that the key is bound to, if it is bound.
func (d *Desk) isOwn(slug string) bool {
	return d.Actor.Site == "" || d.Set.Defs.SiteOf(slug) == d.Actor.Site
}

// knows says whether a thing is in the book, as far as the actor may hear of it. To a key that is bound to a site, what was
// neither made there nor ever stood there is not: codes can be guessed, and nobody is to learn by it what others make.
func (d *Desk) knows(code events.Code) bool { return d.Set.Exists(code) && !d.isHidden(code) }

// isHidden says that a thing is in the book and not for the actor to hear of.
func (d *Desk) isHidden(code events.Code) bool {
	if d.Actor.Site == "" || d.Set.siteOf(code) == d.Actor.Site {
		return false
	}
	stood := func(code events.Code) bool {
		return slices.ContainsFunc(d.Set.LinesOf(code), func(line *StockLine) bool { return d.isOwn(line.Place) })
	}
	return !stood(code) && !slices.ContainsFunc(d.withParts(code), stood) // parts may have to be loaded: only if it comes to that
}

// knowsOf says whether the actor may hear of something of a site, "" for all sites, that is about some things.
func (d *Desk) knowsOf(site string, codes ...events.Code) bool {
	if d.Actor.Site == "" || site == "" || site == d.Actor.Site {
		return true
	}
	codes = slices.DeleteFunc(slices.Clone(codes), func(code events.Code) bool { return code == "" })
	d.Set.wantThings(codes)
	return slices.ContainsFunc(codes, d.knows)
}

// knowsOfCommand says whether the actor may hear of a command: who wrote it may, and whoever knows something that it is about.
func (d *Desk) knowsOfCommand(recorded []events.Recorded) bool {
	var about []events.Code
	for _, r := range recorded {
		about = append(about, r.Codes()...)
	}
	return recorded[0].Actor == d.Actor.ID || d.knowsOf(recorded[0].Site, about...)
}
