package projections

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	savePeople  = query("save_people")
	erasePeople = query("erase_people")
	contactsOf  = query("contacts")
)

// queuePeople writes what a set has to keep outside the log, and takes away what it erased. A set that only folds the log
// has neither: a rebuild leaves the table as it is.
func queuePeople(b *pgx.Batch, set *workshop.Set) {
	if people := peopleRows(set.People); people.len() > 0 {
		b.Queue(people.save, people.arrays()...)
	}
	for _, e := range set.Erased {
		b.Queue(erasePeople, e.People, e.At)
	}
}

func peopleRows(people []workshop.Person) rows {
	n := len(people)
	ids, kinds, names, addresses, contacts := make(values[uuid.UUID], n), texts(n), texts(n), texts(n), texts(n)
	noted := make(values[time.Time], n)
	for i, p := range people {
		ids[i], kinds[i], noted[i] = p.ID, p.Kind, p.Noted
		names[i], addresses[i], contacts[i] = p.Details.Name, p.Details.Address, p.Details.Contact
	}
	return rows{table: "people", save: savePeople, columns: []column{
		{"id", ids},
		{"kind", kinds},
		{"name", names},
		{"address", addresses},
		{"contact", contacts},
		{"noted_at", noted},
	}}
}

// Contacts gives the contacts that are kept for some versions of buyers, by the ids that the log calls them by. One who
// was erased has workshop.NameErased.
func Contacts(ctx context.Context, q Querier, people []uuid.UUID) (map[uuid.UUID]string, error) {
	found, err := q.Query(ctx, contactsOf, people, workshop.NameErased)
	if err != nil {
		return nil, wrap(err, "read contacts")
	}
	contacts := map[uuid.UUID]string{}
	var id uuid.UUID
	var contact string
	_, err = pgx.ForEachRow(found, []any{&id, &contact}, func() error {
		contacts[id] = contact
		return nil
	})
	return contacts, wrap(err, "read contacts")
}

// withDetails puts what is kept outside the log into the content of a supplier or buyer; other content stays as it is.
func withDetails(kind string, body json.RawMessage, details workshop.Details) (json.RawMessage, error) {
	var content any
	switch kind {
	case workshop.KindSupplier:
		kept, err := decode[events.Supplier](body)
		if err != nil {
			return nil, err
		}
		content = workshop.SupplierOf(kept, details)
	case workshop.KindBuyer:
		kept, err := decode[events.Buyer](body)
		if err != nil {
			return nil, err
		}
		content = workshop.BuyerOf(kept, details)
	default:
		return body, nil
	}
	whole, err := json.Marshal(content)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", kind, err)
	}
	return whole, nil
}

// personOf is who stands behind a definition, by the log's word for them; nil if nobody does.
func personOf(data events.Event) *uuid.UUID {
	switch e := data.(type) {
	case events.SupplierDefined:
		return &e.Person
	case events.BuyerDefined:
		return &e.Person
	}
	return nil
}
