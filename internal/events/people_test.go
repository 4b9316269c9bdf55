package events_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
)

func TestAnOlderShapeIsLiftedToTheNewest(t *testing.T) {
	t.Parallel()
	for file, want := range map[string]events.Event{
		"supplier_defined/1": events.SupplierDefined{Defined: defined("example-dairy"), Supplier: events.Supplier{ApprovalNumber: "IE 0000 EC"}},
		"buyer_defined/1":    events.BuyerDefined{Defined: defined("harbour-cafe")},
	} {
		t.Run(file, func(t *testing.T) {
			t.Parallel()
			text, err := os.ReadFile("../../testdata/events/" + file + ".json")
			require.NoError(t, err)
			read, err := events.ParseCanonical(text)
			require.NoError(t, err)
			require.Equal(t, 1, read.Version, "the version that was written, not the one it was lifted to")
			require.Equal(t, want, read.Data)

			_, err = events.ParseCanonical([]byte(strings.Replace(string(text), `"data":{`, `"data":{"phone":"1",`, 1)))
			require.ErrorContains(t, err, "phone", "an older shape is read as strictly")
		})
	}
}

// TestTheNewestVersionIsTheLastThatCanBeRead holds that nothing is written in a shape that has a newer one.
func TestTheNewestVersionIsTheLastThatCanBeRead(t *testing.T) {
	t.Parallel()
	for _, e := range exampleEvents() {
		version := events.NewestVersion(e)
		data := []byte("{}")
		_, err := events.Decode(e.EventType(), version, data)
		if err != nil {
			require.NotContains(t, err.Error(), "not known", "%s version %d", e.EventType(), version)
		}
		_, err = events.Decode(e.EventType(), version+1, data)
		require.ErrorContains(t, err, "not known", "%s has a version after %d", e.EventType(), version)
	}
}

// TestNoEventSaysWhoAnybodyIs holds the shapes of today's events to it that names, addresses and contacts of people stay
// outside the log. A site's operator and address are the shop's own, as its labels have to say them.
func TestNoEventSaysWhoAnybodyIs(t *testing.T) {
	t.Parallel()
	for _, e := range exampleEvents() {
		text, err := recorded(e).Canonical()
		require.NoError(t, err)
		require.NotContains(t, string(text), `"contact"`, e.EventType())
		switch e.(type) {
		case events.SupplierDefined, events.BuyerDefined, events.PersonErased:
			require.NotContains(t, string(text), `"name"`, e.EventType())
		}
		if _, site := e.(events.SiteDefined); !site {
			require.NotContains(t, string(text), `"address"`, e.EventType())
		}
	}
}
