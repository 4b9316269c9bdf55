package workshop_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// tankOf is a tank of dark chocolate into which some milk chocolate was melted, in parts of 20,000 g.
func tankOf(t *testing.T, site events.Site, milk float64) (*shop, events.Code) {
	t.Helper()
	s := open(t)
	s.do(workshop.Define{Slug: "quay-lane", Body: site})
	goods := s.stock()
	s.melt("vat-dark", draw(goods.dark, 20000-milk))
	s.do(workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(goods.milk, milk)}, OtherChocolate: true})
	return s, s.run(moulding("dark-drop")).Code
}

// From which share on a lot is contained is the site's to state, one tenth of a per cent where it does not: 20 g in 20 kg is
// that, 19 g is less. Below it, the lot and its allergens only may be contained, and are never left out.
func TestTheSiteStatesFromWhichShareALotIsContained(t *testing.T) {
	t.Parallel()
	quay := events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR"}
	strict := changed(quay, func(s *events.Site) { s.ContainsFrom = ptr(0.01) })
	for name, c := range map[string]struct {
		site events.Site
		milk float64
		is   bool
	}{
		"a tenth of a per cent":             {quay, 20, true},
		"less":                              {quay, 19, false},
		"a hundredth, where that is stated": {strict, 2, true},
		"less than that":                    {strict, 1.9, false},
	} {
		s, run := tankOf(t, c.site, c.milk)
		allergens := s.set.Run(run).Allergens
		require.Equal(t, c.is, contains(allergens.Contains, "milk"), name)
		require.Equal(t, !c.is, contains(allergens.MayContain, "milk"), name)
		shares := workshop.SharesOf(s.set.Run(run).Mix, s.set.Defs.TraceAt("quay-lane"))
		require.Len(t, shares, 2)
		require.Equal(t, c.is, shares[1].Certain, name)
	}
}

func contains(list []string, code string) bool {
	for _, one := range list {
		if one == code {
			return true
		}
	}
	return false
}

// A dark piece with milk chocolate in its shell contains milk, and its label does not say so: the couverture of another
// kind is none of the design.
func TestChocolateOfAnotherKindIsNotOnTheLabel(t *testing.T) {
	t.Parallel()
	s, run := tankOf(t, events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR"}, 2000)
	refusal := s.refuse(workshop.Release{Run: run, Pieces: 24, Place: "counter"})
	require.Equal(t, workshop.RefusedNotOnLabel, refusal.Slug)
	require.Equal(t, []string{"milk"}, refusal.Facts["allergens"])
	s.do(workshop.Release{Done: already, Run: run, Pieces: 24, Place: "counter"})
	require.True(t, s.set.Run(run).Held(), "what was let out all the same is held")

	// The label says it once the design is a milk one too.
	other, milky := tankOf(t, events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR"}, 2000)
	other.do(workshop.Define{Slug: "dark-drop", Body: events.Design{Name: "Marbled drop", Chocolate: "dark", CapChocolate: "milk", Shell: g(5)}})
	other.do(workshop.Release{Run: milky, Pieces: 24, Place: "counter"})
}
