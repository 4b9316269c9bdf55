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

var allDefinitions = query("all_definitions")

// definition is one version of a definition on its way in. body is its definition struct.
type definition struct {
	kind       string
	defined    events.Defined
	position   int64
	recordedAt time.Time
	body       any
}

// definitionOf takes the definition out of a definition event; is says whether the event is one.
func definitionOf(r events.Recorded) (d definition, is bool) {
	of := func(kind string, defined events.Defined, body any) (definition, bool) {
		return definition{kind: kind, defined: defined, position: r.Position, recordedAt: r.RecordedAt, body: body}, true
	}
	switch e := r.Data.(type) {
	case events.SiteDefined:
		return of("site", e.Defined, e.Site)
	case events.PlaceDefined:
		return of("place", e.Defined, e.Place)
	case events.SupplierDefined:
		return of("supplier", e.Defined, e.Supplier)
	case events.BuyerDefined:
		return of("buyer", e.Defined, e.Buyer)
	case events.IngredientDefined:
		return of("ingredient", e.Defined, e.Ingredient)
	case events.FormulaDefined:
		return of("formula", e.Defined, e.Formula)
	case events.VatDefined:
		return of("vat", e.Defined, e.Vat)
	case events.MouldDefined:
		return of("mould", e.Defined, e.Mould)
	case events.DesignDefined:
		return of("design", e.Defined, e.Design)
	case events.SchemeDefined:
		return of("scheme", e.Defined, e.LifeScheme)
	}
	return definition{}, false
}

// eventOf is the way back: the event that a row of definitions came from.
func eventOf(kind string, defined events.Defined, body []byte) (events.Event, error) {
	switch kind {
	case "site":
		b, err := decode[events.Site](body)
		return events.SiteDefined{Defined: defined, Site: b}, err
	case "place":
		b, err := decode[events.Place](body)
		return events.PlaceDefined{Defined: defined, Place: b}, err
	case "supplier":
		b, err := decode[events.Supplier](body)
		return events.SupplierDefined{Defined: defined, Supplier: b}, err
	case "buyer":
		b, err := decode[events.Buyer](body)
		return events.BuyerDefined{Defined: defined, Buyer: b}, err
	case "ingredient":
		b, err := decode[events.Ingredient](body)
		return events.IngredientDefined{Defined: defined, Ingredient: b}, err
	case "formula":
		b, err := decode[events.Formula](body)
		return events.FormulaDefined{Defined: defined, Formula: b}, err
	case "vat":
		b, err := decode[events.Vat](body)
		return events.VatDefined{Defined: defined, Vat: b}, err
	case "mould":
		b, err := decode[events.Mould](body)
		return events.MouldDefined{Defined: defined, Mould: b}, err
	case "design":
		b, err := decode[events.Design](body)
		return events.DesignDefined{Defined: defined, Design: b}, err
	case "scheme":
		b, err := decode[events.LifeScheme](body)
		return events.SchemeDefined{Defined: defined, LifeScheme: b}, err
	}
	return nil, fmt.Errorf("definitions of kind %q are not known to this program", kind)
}

func definitionRows(definitions []definition) (rows, error) {
	n := len(definitions)
	kinds, slugs, bodies := texts(n), texts(n), texts(n)
	versions, positions, recorded := make(values[int32], n), make(values[int64], n), make(values[time.Time], n)
	for i, d := range definitions {
		body, err := json.Marshal(d.body)
		if err != nil {
			return rows{}, fmt.Errorf("encode %s %s: %w", d.kind, d.defined.Slug, err)
		}
		kinds[i], slugs[i], bodies[i] = d.kind, d.defined.Slug, string(body)
		versions[i], positions[i], recorded[i] = int32(d.defined.DefVersion), d.position, d.recordedAt
	}
	return rows{table: "definitions", save: saveDefinitions, columns: []column{
		{"kind", kinds},
		{"slug", slugs},
		{"version", versions},
		{"position", positions},
		{"recorded_at", recorded},
		{"body", bodies},
	}}, nil
}

// LoadDefinitions reads the whole catalogue: every version of every definition.
func LoadDefinitions(ctx context.Context, q Querier) (*workshop.Definitions, error) {
	defs := &workshop.Definitions{}
	found, err := q.Query(ctx, allDefinitions)
	if err != nil {
		return nil, fmt.Errorf("load definitions: %w", err)
	}
	var kind string
	var defined events.Defined
	var position int64
	var recordedAt time.Time
	var body []byte
	var behind workshop.Details
	row := []any{
		&kind, &defined.Slug, &defined.DefVersion, &position, &recordedAt, &body,
		&behind.Name, &behind.Address, &behind.Contact, &behind.Erased,
	}
	_, err = pgx.ForEachRow(found, row, func() error {
		data, err := eventOf(kind, defined, body)
		if err != nil {
			return fmt.Errorf("%s %s: %w", kind, defined.Slug, err)
		}
		if person := personOf(data); person != nil {
			defs = defs.WithPerson(*person, behind)
		}
		defs, _ = defs.With(events.Recorded{Position: position, RecordedAt: recordedAt.UTC(), Data: data})
		return nil
	})
	return defs, wrap(err, "load definitions")
}
