package workshop

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"firstout/internal/events"
)

// Define puts a definition: a new version of it, or nothing when it already stands so. Body is one of the
// definition structs of package events, or a Supplier or Buyer of this one.
type Define struct {
	Slug string
	Body any
}

// Defined is the answer to Define.
type Defined struct {
	Slug    string
	Version int
	Changed bool
	Body    any
}

// Needs is nothing: the catalogue is always there.
func (Define) Needs() []Need { return nil }

// Decide writes a new version where the content differs from the one in force.
func (c Define) Decide(d *Desk) (any, *Refusal) {
	defs := d.Set.Defs
	switch body := c.Body.(type) {
	case events.Site:
		return put(d, c.Slug, defs.Sites, body, c.mayOwner(d), checkSite(body),
			func(v events.Defined) events.Event { return events.SiteDefined{Defined: v, Site: body} })
	case events.Place:
		return put(d, c.Slug, defs.Places, body, c.mayOwner(d), needs(known(defs.Sites, "site", body.Site)),
			func(v events.Defined) events.Event { return events.PlaceDefined{Defined: v, Place: body} })
	case Supplier:
		return put(d, c.Slug, defs.Suppliers, body, nil, nil, func(v events.Defined) events.Event {
			person := d.noted(KindSupplier, Details{Name: body.Name, Address: body.Address, Contact: body.Contact})
			return events.SupplierDefined{Defined: v, Supplier: events.Supplier{Person: person, ApprovalNumber: body.ApprovalNumber}}
		})
	case Buyer:
		return put(d, c.Slug, defs.Buyers, body, c.mayOwner(d), nil, func(v events.Defined) events.Event {
			person := d.noted(KindBuyer, Details{Name: body.Name, Address: body.Address, Contact: body.Contact})
			return events.BuyerDefined{Defined: v, Buyer: events.Buyer{Person: person}}
		})
	case events.Ingredient:
		return put(d, c.Slug, defs.Ingredients, body, nil, checkIngredient(body),
			func(v events.Defined) events.Event { return events.IngredientDefined{Defined: v, Ingredient: body} })
	case events.Formula:
		return put(d, c.Slug, defs.Formulas, body, c.mayFormula(d, body), checkFormula(defs, body),
			func(v events.Defined) events.Event { return events.FormulaDefined{Defined: v, Formula: body} })
	case events.Vat:
		return put(d, c.Slug, defs.Vats, body, nil, needs(known(defs.Sites, "site", body.Site)),
			func(v events.Defined) events.Event { return events.VatDefined{Defined: v, Vat: body} })
	case events.Mould:
		return put(d, c.Slug, defs.Moulds, body, nil, nil,
			func(v events.Defined) events.Event { return events.MouldDefined{Defined: v, Mould: body} })
	case events.Design:
		return put(d, c.Slug, defs.Designs, body, c.mayDesign(d, body), checkDesign(defs, body),
			func(v events.Defined) events.Event { return events.DesignDefined{Defined: v, Design: body} })
	case events.LifeScheme:
		body = body.Sorted()
		return put(d, c.Slug, defs.Schemes, body, c.mayScheme(d), checkScheme(body),
			func(v events.Defined) events.Event { return events.SchemeDefined{Defined: v, LifeScheme: body} })
	}
	panic(fault{err: fmt.Errorf("no definition is a %T", c.Body)})
}

func put[T any](d *Desk, slug string, all Versioned[T], body T, notYours, wrong *Refusal, event func(events.Defined) events.Event) (any, *Refusal) {
	if notYours != nil {
		return nil, notYours
	}
	if wrong != nil {
		return nil, wrong
	}
	d.site = siteOf(slug, body)
	var rs refusals
	d.ownSite(&rs)
	number, latest := 1, all.Latest(slug)
	if latest != nil {
		d.ofSite(siteOf(slug, latest.Body), &rs) // what another site has is not taken from it
		number = latest.Number + 1
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	if latest != nil && same(latest.Body, body) {
		return Defined{Slug: slug, Version: latest.Number, Body: latest.Body}, nil
	}
	d.record(d.Now, d.site, event(events.Defined{Slug: slug, DefVersion: number}))
	return Defined{Slug: slug, Version: number, Changed: true, Body: body}, nil
}

// siteOf is the site that a definition belongs to; most belong to the whole book.
func siteOf(slug string, body any) string {
	switch b := body.(type) {
	case events.Site:
		return slug
	case events.Place:
		return b.Site
	case events.Vat:
		return b.Site
	}
	return ""
}

// same compares two contents as they are written.
func same(a, b any) bool {
	one, errOne := json.Marshal(a)
	two, errTwo := json.Marshal(b)
	return errOne == nil && errTwo == nil && string(one) == string(two)
}

func (c Define) mayOwner(d *Desk) *Refusal {
	if d.Actor.Is(roleOwner) {
		return nil
	}
	return forbidden("Sites, places and buyers are the owner's to define: ask the owner.")
}

// mayFormula keeps what others vouch for, and the shop's own limit, in the owner's hands.
func (c Define) mayFormula(d *Desk, body events.Formula) *Refusal {
	var old events.Formula
	if latest := d.Set.Defs.Formulas.Latest(c.Slug); latest != nil {
		old = latest.Body
	}
	if d.Actor.Is(roleOwner) || same(old.Assessment, body.Assessment) && same(old.Measured, body.Measured) &&
		same(old.ShopLimitDays, body.ShopLimitDays) {
		return nil
	}
	return forbidden("A recipe's assessment, measured values and shop limit are the owner's to set: leave them as they stand, or ask the owner.")
}

func (c Define) mayDesign(d *Desk, body events.Design) *Refusal {
	var old events.Design
	if latest := d.Set.Defs.Designs.Latest(c.Slug); latest != nil {
		old = latest.Body
	}
	if d.Actor.Is(roleOwner) || same(old.PriceMinor, body.PriceMinor) {
		return nil
	}
	return forbidden("Prices are the owner's to set: leave price_minor as it stands, or ask the owner.")
}

func needs(missing ...*Refusal) *Refusal {
	var rs refusals
	for _, r := range missing {
		if r != nil {
			rs = append(rs, r)
		}
	}
	return rs.first()
}

// known refuses a reference to something that is not defined; an empty reference is none.
func known[T any](all Versioned[T], what, slug string) *Refusal {
	if slug == "" || all.Latest(slug) != nil {
		return nil
	}
	var rs refusals
	rs.unknown(what, slug)
	return rs.first()
}

func checkSite(s events.Site) *Refusal {
	if _, err := time.LoadLocation(s.TimeZone); err != nil || s.TimeZone == "" || s.TimeZone == "Local" {
		return invalid("/time_zone", "%q is no time zone of the IANA list: give one such as Europe/Dublin.", s.TimeZone)
	}
	return checkAllergens("/handles", s.Handles)
}

func checkIngredient(i events.Ingredient) *Refusal {
	if (i.Kind == "couverture") != (i.Chocolate != "") {
		return invalid("/chocolate", "A couverture says whether it is dark, milk or white, and nothing else does.")
	}
	if i.Allergens != nil {
		if wrong := checkAllergens("/allergens", *i.Allergens); wrong != nil {
			return wrong
		}
	}
	if wrong := checkAllergens("/may_contain", i.MayContain); wrong != nil {
		return wrong
	}
	if unknown := checkLike(i.Like); unknown != nil {
		return unknown
	}
	return checkComposition(reference(i.Like), i.Composition)
}

func checkFormula(defs *Definitions, f events.Formula) *Refusal {
	var rs []*Refusal
	for _, input := range f.Inputs {
		rs = append(rs, known(defs.Ingredients, "ingredient", input.Ingredient))
	}
	return needs(rs...)
}

func checkDesign(defs *Definitions, design events.Design) *Refusal {
	if wrong := checkGTIN(design.GTIN); wrong != nil {
		return wrong
	}
	var rs []*Refusal
	for _, ingredient := range design.Quid {
		rs = append(rs, known(defs.Ingredients, "ingredient", ingredient))
	}
	for i, filling := range design.Fillings {
		if (filling.Formula == "") == (filling.Ingredient == "") {
			return invalid(fmt.Sprintf("/fillings/%d", i), "A filling names either a formula or an ingredient.")
		}
		rs = append(rs, known(defs.Formulas, "formula", filling.Formula), known(defs.Ingredients, "ingredient", filling.Ingredient))
	}
	for _, decoration := range design.Decorations {
		rs = append(rs, known(defs.Ingredients, "ingredient", decoration.Ingredient))
	}
	return needs(rs...)
}

// allergenList is Annex II of Regulation (EU) No 1169/2011, by the codes used here.
var allergenList = map[string]bool{
	"gluten": true, "crustaceans": true, "eggs": true, "fish": true, "peanuts": true, "soybeans": true, "milk": true,
	"nuts": true, "celery": true, "mustard": true, "sesame": true, "sulphites": true, "lupin": true, "molluscs": true,
}

// checkAllergens refuses a code that the law's list does not have, or a nut or cereal that is not named: the
// label must name it.
func checkAllergens(pointer string, codes []string) *Refusal {
	for i, code := range codes {
		group, name, named := strings.Cut(code, ":")
		at := fmt.Sprintf("%s/%d", pointer, i)
		if !allergenList[group] {
			return invalid(at, "%q is not one of the fourteen allergens of the law's list, such as milk, nuts:hazelnut or gluten:wheat.", code)
		}
		if must := group == "nuts" || group == "gluten"; must != (named && name != "") {
			return invalid(at, "%q: name the nut or the cereal, such as nuts:hazelnut or gluten:wheat, and nothing else.", code)
		}
	}
	return nil
}
