package workshop

import (
	"maps"
	"reflect"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// Version is one version of a definition, with the moment from which it is in force.
type Version[T any] struct {
	Number   int
	Position int64     // of its event
	From     time.Time // recorded_at of its event
	Body     T
}

// Versioned is every version of every definition of one kind, by slug, oldest first.
type Versioned[T any] map[string][]Version[T]

// Latest is the newest version, nil if the slug is not defined.
func (v Versioned[T]) Latest(slug string) *Version[T] {
	versions := v[slug]
	if len(versions) == 0 {
		return nil
	}
	return &versions[len(versions)-1]
}

// InForce is the version in force at an instant. Before the first there is the first: a definition may be
// written down after the work it describes.
func (v Versioned[T]) InForce(slug string, at time.Time) *Version[T] {
	versions := v[slug]
	for i := len(versions) - 1; i >= 0; i-- {
		if i == 0 || !versions[i].From.After(at) {
			return &versions[i]
		}
	}
	return nil
}

// Numbered is a version by its number, nil if there is none.
func (v Versioned[T]) Numbered(slug string, number int) *Version[T] {
	if number < 1 || number > len(v[slug]) {
		return nil
	}
	return &v[slug][number-1]
}

// with is v with one more version; v itself stays as it is.
func (v Versioned[T]) with(slug string, version Version[T]) Versioned[T] {
	next := maps.Clone(v)
	if next == nil {
		next = Versioned[T]{}
	}
	next[slug] = append(slices.Clip(next[slug]), version)
	return next
}

// Definitions is the whole catalogue. It is small, changes seldom and is never changed in place, so a process
// keeps it until the book says that a newer one was written.
type Definitions struct {
	Sites       Versioned[events.Site]
	Places      Versioned[events.Place]
	Suppliers   Versioned[Supplier]
	Buyers      Versioned[Buyer]
	Ingredients Versioned[events.Ingredient]
	Formulas    Versioned[events.Formula]
	Vats        Versioned[events.Vat]
	Moulds      Versioned[events.Mould]
	Designs     Versioned[events.Design]
	Schemes     Versioned[events.LifeScheme] // of one slug, SchemeSlug

	schemes []Version[*expiry.Scheme] // the same as expiry takes them
	zones   map[string]*time.Location
	people  map[uuid.UUID]Details // outside the log: what is not there is not known
}

// With is the catalogue with one definition event, or an erasure, applied; ok is false if the event is none.
func (d *Definitions) With(r events.Recorded) (next *Definitions, ok bool) {
	n := *d
	switch e := r.Data.(type) {
	case events.SiteDefined:
		n.Sites = d.Sites.with(e.Slug, Version[events.Site]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: e.Site})
		n.zones = maps.Clone(d.zones)
		if n.zones == nil {
			n.zones = map[string]*time.Location{}
		}
		n.zones[e.Slug] = zoneOf(e.Site)
	case events.PlaceDefined:
		n.Places = d.Places.with(e.Slug, Version[events.Place]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: e.Place})
	case events.SupplierDefined:
		n.Suppliers = d.Suppliers.with(e.Slug, Version[Supplier]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: SupplierOf(e.Supplier, d.people[e.Person])})
	case events.BuyerDefined:
		n.Buyers = d.Buyers.with(e.Slug, Version[Buyer]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: BuyerOf(e.Buyer, d.people[e.Person])})
	case events.IngredientDefined:
		n.Ingredients = d.Ingredients.with(e.Slug, Version[events.Ingredient]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: e.Ingredient})
	case events.FormulaDefined:
		n.Formulas = d.Formulas.with(e.Slug, Version[events.Formula]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: e.Formula})
	case events.VatDefined:
		n.Vats = d.Vats.with(e.Slug, Version[events.Vat]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: e.Vat})
	case events.MouldDefined:
		n.Moulds = d.Moulds.with(e.Slug, Version[events.Mould]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: e.Mould})
	case events.DesignDefined:
		n.Designs = d.Designs.with(e.Slug, Version[events.Design]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: e.Design})
	case events.SchemeDefined:
		n.Schemes = d.Schemes.with(e.Slug, Version[events.LifeScheme]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: e.LifeScheme})
		scheme := SchemeOf(e.DefVersion, e.LifeScheme)
		n.schemes = append(slices.Clip(d.schemes), Version[*expiry.Scheme]{Number: e.DefVersion, Position: r.Position, From: r.RecordedAt, Body: &scheme})
	case events.PersonErased:
		n = *d.without(e)
	default:
		return d, false
	}
	return &n, true
}

// zoneOf is the time zone of a site. It was loaded when the site was defined; UTC only stands in where the zone files
// themselves have gone.
func zoneOf(site events.Site) *time.Location {
	if zone, err := time.LoadLocation(site.TimeZone); err == nil {
		return zone
	}
	return time.UTC
}

// Zone is a site's time zone; of an unknown site, UTC.
func (d *Definitions) Zone(site string) *time.Location {
	if zone, known := d.zones[site]; known {
		return zone
	}
	return time.UTC
}

// SiteOf is the site that a place or, failing that, a vat of that slug belongs to.
func (d *Definitions) SiteOf(slug string) string {
	if p := d.Places.Latest(slug); p != nil {
		return p.Body.Site
	}
	if v := d.Vats.Latest(slug); v != nil {
		return v.Body.Site
	}
	return ""
}

// KnownAt is the catalogue up to a position, as it was at an instant: of what was defined only later the first version.
func (d *Definitions) KnownAt(position int64, at time.Time) *Definitions {
	then := &Definitions{
		Sites: d.Sites.knownAt(position, at), Places: d.Places.knownAt(position, at), Suppliers: d.Suppliers.knownAt(position, at),
		Buyers: d.Buyers.knownAt(position, at), Ingredients: d.Ingredients.knownAt(position, at), Formulas: d.Formulas.knownAt(position, at),
		Vats: d.Vats.knownAt(position, at), Moulds: d.Moulds.knownAt(position, at), Designs: d.Designs.knownAt(position, at),
		zones: map[string]*time.Location{},
	}
	for slug := range then.Sites {
		then.zones[slug] = zoneOf(then.Sites.Latest(slug).Body)
	}
	return then
}

func (v Versioned[T]) knownAt(position int64, at time.Time) Versioned[T] {
	then := Versioned[T]{}
	for slug, versions := range v.asOf(position + 1) {
		n := len(versions)
		for n > 1 && versions[n-1].From.After(at) {
			n--
		}
		then[slug] = versions[:n:n]
	}
	return then
}

// asOf is the catalogue as the log had it before a position.
func (d *Definitions) asOf(position int64) *Definitions {
	return &Definitions{
		Sites: d.Sites.asOf(position), Places: d.Places.asOf(position), Suppliers: d.Suppliers.asOf(position),
		Buyers: d.Buyers.asOf(position), Ingredients: d.Ingredients.asOf(position), Formulas: d.Formulas.asOf(position),
		Vats: d.Vats.asOf(position), Moulds: d.Moulds.asOf(position), Designs: d.Designs.asOf(position), zones: d.zones, people: d.people,
	}
}

func (v Versioned[T]) asOf(position int64) Versioned[T] {
	then := Versioned[T]{}
	for slug, versions := range v {
		n := 0
		for n < len(versions) && versions[n].Position < position {
			n++
		}
		if n > 0 {
			then[slug] = versions[:n:n]
		}
	}
	return then
}

// RelabelledBetween says whether what an ingredient contains, or from which share on a site says that something is contained,
// was defined otherwise than before after one position and by another.
func (d *Definitions) RelabelledBetween(after, by int64) bool {
	return d.Ingredients.otherwise(after, by, func(a, b *events.Ingredient) bool {
		return reflect.DeepEqual(a.Allergens, b.Allergens) && slices.Equal(a.MayContain, b.MayContain)
	}) || d.Sites.otherwise(after, by, func(a, b *events.Site) bool { return reflect.DeepEqual(a.ContainsFrom, b.ContainsFrom) })
}

// otherwise says whether any version after one position and by another is not the same as the one before it.
func (v Versioned[T]) otherwise(after, by int64, same func(a, b *T) bool) bool {
	for _, versions := range v {
		for n := 1; n < len(versions); n++ {
			if p := versions[n].Position; p > after && p <= by && !same(&versions[n-1].Body, &versions[n].Body) {
				return true
			}
		}
	}
	return false
}

// before gives the catalogue as the log had it before a position. It is asked for rising positions.
func (d *Definitions) before() func(position int64) *Definitions {
	changes := d.changes()
	next, then := 0, &Definitions{zones: d.zones}
	return func(position int64) *Definitions {
		passed := next
		for next < len(changes) && changes[next] < position {
			next++
		}
		if next > passed {
			then = d.asOf(position)
		}
		return then
	}
}

// changes lists the positions at which the catalogue changed, in order.
func (d *Definitions) changes() []int64 {
	all := slices.Concat(d.Sites.positions(), d.Places.positions(), d.Suppliers.positions(), d.Buyers.positions(),
		d.Ingredients.positions(), d.Formulas.positions(), d.Vats.positions(), d.Moulds.positions(), d.Designs.positions())
	slices.Sort(all)
	return all
}

func (v Versioned[T]) positions() []int64 {
	var all []int64
	for _, versions := range v {
		for _, version := range versions {
			all = append(all, version.Position)
		}
	}
	return all
}
