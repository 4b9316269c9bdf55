package workshop

import (
	"cmp"
	"maps"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
)

// What identifies people is kept outside the log, which nobody can take anything out of, and beside the derived tables,
// which could not be worked out anew without it. The log calls a version of a supplier or buyer by an opaque id.

// The kinds of definition behind which a person may stand.
const (
	KindSupplier = "supplier"
	KindBuyer    = "buyer"
)

// What is shown in place of a name that is not there any more, or never was.
const (
	NameErased  = "erased"
	NameUnknown = "unknown" // a version that was written down before names were kept outside the log
)

// Details are what identifies a supplier or a buyer, or that they were erased.
type Details struct {
	Name    string
	Address string
	Contact string
	Erased  bool
}

// Person is the details of one version of a supplier or buyer on their way in.
type Person struct {
	ID      uuid.UUID // the log's word for them
	Kind    string
	Noted   time.Time
	Details Details
}

// Erasure is what is to be taken away for ever.
type Erasure struct {
	People []uuid.UUID
	At     time.Time
}

// Supplier is who delivers, as it is put and shown: one step back.
type Supplier struct {
	Name           string `json:"name"`
	Contact        string `json:"contact,omitempty"`
	Address        string `json:"address,omitempty"`
	ApprovalNumber string `json:"approval_number,omitempty"`
	Erased         bool   `json:"erased,omitempty"`

	Person uuid.UUID `json:"-"`
}

// Buyer is a business that buys, as it is put and shown: one step forward.
type Buyer struct {
	Name    string `json:"name"`
	Address string `json:"address,omitempty"`
	Contact string `json:"contact,omitempty"`
	Erased  bool   `json:"erased,omitempty"`

	Person uuid.UUID `json:"-"`
}

// SupplierOf puts together what the log has of a supplier and what is kept outside it.
func SupplierOf(kept events.Supplier, d Details) Supplier {
	d = d.shown()
	return Supplier{
		Name: d.Name, Contact: d.Contact, Address: d.Address, ApprovalNumber: kept.ApprovalNumber, Erased: d.Erased, Person: kept.Person,
	}
}

// BuyerOf puts together what the log has of a buyer and what is kept outside it.
func BuyerOf(kept events.Buyer, d Details) Buyer {
	d = d.shown()
	return Buyer{Name: d.Name, Address: d.Address, Contact: d.Contact, Erased: d.Erased, Person: kept.Person}
}

// shown says where a name should stand that it is not there.
func (d Details) shown() Details {
	if d.Erased {
		return Details{Name: NameErased, Erased: true}
	}
	d.Name = cmp.Or(d.Name, NameUnknown)
	return d
}

// WithPerson is the catalogue with what the log calls by an id. It has to be there before the definition that names it.
func (d *Definitions) WithPerson(id uuid.UUID, details Details) *Definitions {
	n := *d
	n.people = maps.Clone(d.people)
	if n.people == nil {
		n.people = map[uuid.UUID]Details{}
	}
	n.people[id] = details
	return &n
}

// without is the catalogue with the details of all versions of a supplier or buyer gone.
func (d *Definitions) without(e events.PersonErased) *Definitions {
	n := d
	for _, id := range e.People {
		n = n.WithPerson(id, Details{Erased: true})
	}
	next := *n
	switch e.Kind {
	case KindSupplier:
		next.Suppliers = mapped(d.Suppliers, e.Slug, func(s Supplier) Supplier {
			return SupplierOf(events.Supplier{Person: s.Person, ApprovalNumber: s.ApprovalNumber}, n.people[s.Person])
		})
	case KindBuyer:
		next.Buyers = mapped(d.Buyers, e.Slug, func(b Buyer) Buyer { return BuyerOf(events.Buyer{Person: b.Person}, n.people[b.Person]) })
	}
	return &next
}

// mapped is all with every version of one slug changed.
func mapped[T any](all Versioned[T], slug string, change func(T) T) Versioned[T] {
	next := maps.Clone(all)
	versions := make([]Version[T], 0, len(all[slug]))
	for _, v := range all[slug] {
		v.Body = change(v.Body)
		versions = append(versions, v)
	}
	next[slug] = versions
	return next
}

// noted keeps details outside the log and gives the id by which the log calls them.
func (d *Desk) noted(kind string, details Details) uuid.UUID {
	id := d.clock.NewID()
	d.Set.Defs = d.Set.Defs.WithPerson(id, details)
	d.Set.People = append(d.Set.People, Person{ID: id, Kind: kind, Noted: d.Now, Details: details})
	return id
}

// Erase takes what identifies a supplier or buyer away for ever, in every version. Its slug stays, so that what was
// delivered and sold can still be traced to it. Exactly one of the two is named.
type Erase struct{ Supplier, Buyer string }

// Erased is the answer to Erase.
type Erased struct {
	ID       uuid.UUID // of the event, if there was something
	Kind     string
	Slug     string
	Versions int // in which there was something
}

// Needs is nothing: the catalogue is always there.
func (Erase) Needs() []Need { return nil }

// Decide erases what there is; erasing twice is as good as once.
func (c Erase) Decide(d *Desk) (any, *Refusal) {
	if !d.Actor.Is(roleOwner) {
		return nil, forbidden("Erasing is the owner's: ask the owner.")
	}
	if (c.Supplier == "") == (c.Buyer == "") {
		return nil, invalid("", "Name either a supplier or a buyer.")
	}
	kind, slug := KindSupplier, c.Supplier
	if c.Buyer != "" {
		kind, slug = KindBuyer, c.Buyer
	}
	var versions int
	var people []uuid.UUID
	note := func(person uuid.UUID, erased bool) {
		versions++
		if person != uuid.Nil && !erased {
			people = append(people, person)
		}
	}
	for _, v := range d.Set.Defs.Suppliers[c.Supplier] {
		note(v.Body.Person, v.Body.Erased)
	}
	for _, v := range d.Set.Defs.Buyers[c.Buyer] {
		note(v.Body.Person, v.Body.Erased)
	}
	if versions == 0 {
		var rs refusals
		rs.unknown(kind, slug)
		return nil, rs.first()
	}
	if len(people) == 0 {
		return Erased{Kind: kind, Slug: slug}, nil
	}
	d.Set.Erased = append(d.Set.Erased, Erasure{People: people, At: d.Now})
	r := d.record(d.Now, "", events.PersonErased{Kind: kind, Slug: slug, People: people})
	return Erased{ID: r.ID, Kind: kind, Slug: slug, Versions: len(people)}, nil
}
