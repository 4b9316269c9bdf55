package workshop_test

import (
	"encoding/json"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

func cafe() workshop.Buyer {
	return workshop.Buyer{Name: "Pier Café", Address: "Pier End", Contact: "cafe@example.com"}
}

func TestWhoBuysIsKeptOutsideTheLog(t *testing.T) {
	t.Parallel()
	s := open(t)
	first := s.do(workshop.Define{Slug: "pier-cafe", Body: cafe()}).(workshop.Defined)
	require.True(t, first.Changed)
	text, err := json.Marshal(s.log[len(s.log)-1].Data)
	require.NoError(t, err)
	require.NotContains(t, string(text), "Pier")
	require.NotContains(t, string(text), "example.com")
	kept := s.set.People[len(s.set.People)-1]
	require.Equal(t, workshop.Details{Name: "Pier Café", Address: "Pier End", Contact: "cafe@example.com"}, kept.Details)
	require.Equal(t, workshop.KindBuyer, kept.Kind)
	require.Equal(t, kept.ID, s.log[len(s.log)-1].Data.(events.BuyerDefined).Person)

	again := s.do(workshop.Define{Slug: "pier-cafe", Body: cafe()}).(workshop.Defined)
	require.False(t, again.Changed, "the same content, outside the log too, is no new version")
	moved := cafe()
	moved.Contact = "new@example.com"
	second := s.do(workshop.Define{Slug: "pier-cafe", Body: moved}).(workshop.Defined)
	require.Equal(t, 2, second.Version)
	require.Equal(t, "cafe@example.com", s.set.Defs.Buyers.Numbered("pier-cafe", 1).Body.Contact, "an old version stays readable")
}

func TestErasingTakesEveryVersion(t *testing.T) {
	t.Parallel()
	s := open(t)
	moved := cafe()
	moved.Contact = "new@example.com"
	s.do(workshop.Define{Slug: "pier-cafe", Body: cafe()})
	s.do(workshop.Define{Slug: "pier-cafe", Body: moved})
	erased := s.do(workshop.Erase{Buyer: "pier-cafe"}).(workshop.Erased)
	require.Equal(t, 2, erased.Versions)
	require.Len(t, s.set.Erased, 1)
	for number := 1; number <= 2; number++ {
		body := s.set.Defs.Buyers.Numbered("pier-cafe", number).Body
		require.NotZero(t, body.Person)
		require.Equal(t, s.set.Erased[0].People[number-1], body.Person)
		body.Person = uuid.Nil
		require.Equal(t, workshop.Buyer{Name: "erased", Erased: true}, body)
	}

	positions := len(s.log)
	require.Equal(t, workshop.Erased{Kind: "buyer", Slug: "pier-cafe"}, s.do(workshop.Erase{Buyer: "pier-cafe"}), "twice is as good as once")
	require.Len(t, s.log, positions)

	anew := s.do(workshop.Define{Slug: "pier-cafe", Body: cafe()}).(workshop.Defined)
	require.Equal(t, 3, anew.Version, "who buys again is defined anew")
	require.Equal(t, "Pier Café", s.set.Defs.Buyers.Latest("pier-cafe").Body.Name)
	require.Equal(t, "erased", s.set.Defs.Buyers.Numbered("pier-cafe", 2).Body.Name)
}

func TestAnErasedSupplierKeepsWhatIsNobodys(t *testing.T) {
	t.Parallel()
	s := open(t)
	s.do(workshop.Define{Slug: "hill-farm", Body: workshop.Supplier{Name: "Hill Farm", Contact: "farm@example.com", ApprovalNumber: "IE-EX-0002"}})
	s.do(workshop.Erase{Supplier: "hill-farm"})
	body := s.set.Defs.Suppliers.Latest("hill-farm").Body
	require.Equal(t, "erased", body.Name)
	require.Empty(t, body.Contact)
	require.Equal(t, "IE-EX-0002", body.ApprovalNumber)
	require.Equal(t, "Example Dairy", s.set.Defs.Suppliers.Latest("example-dairy").Body.Name, "nobody else is touched")
}

func TestWhoMayErase(t *testing.T) {
	t.Parallel()
	s := open(t)
	require.Equal(t, workshop.RefusedUnknownCode, s.refuse(workshop.Erase{Buyer: "nobody"}).Slug)
	require.Equal(t, workshop.RefusedInvalid, s.refuse(workshop.Erase{}).Slug)
	require.Equal(t, workshop.RefusedInvalid, s.refuse(workshop.Erase{Buyer: "harbour-cafe", Supplier: "example-dairy"}).Slug)
	s.as = maker
	require.Equal(t, workshop.RefusedForbidden, s.refuse(workshop.Erase{Buyer: "harbour-cafe"}).Slug)
}

func TestAVersionFromBeforeIsUnknown(t *testing.T) {
	t.Parallel()
	defs, is := (&workshop.Definitions{}).With(events.Recorded{Data: events.BuyerDefined{Defined: events.Defined{Slug: "old", DefVersion: 1}}})
	require.True(t, is)
	require.Equal(t, workshop.Buyer{Name: "unknown"}, defs.Buyers.Latest("old").Body)
}
