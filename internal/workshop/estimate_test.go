package workshop_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// A quarter of the total weight, decorations in the total: Directive 2000/36/EC, Annex I A 7 and 10.
func TestDesignWarnsOfTooLittleChocolate(t *testing.T) {
	t.Parallel()
	piece := func(shell, capping, filling, decoration events.Mass) events.Design {
		d := events.Design{Name: "Dome", Chocolate: "dark", Shell: shell, Cap: capping}
		if filling > 0 {
			d.Fillings = []events.DesignFilling{{Formula: "blackcurrant-bay", Quantity: filling}}
		}
		if decoration > 0 {
			d.Decorations = []events.DesignDecoration{{Ingredient: "petals", Quantity: decoration, Stage: "after_capping"}}
		}
		return d
	}
	for _, c := range []struct {
		name   string
		design events.Design
		warns  bool
	}{
		{"just a quarter", piece(2*events.Gram, 500, 7500, 0), false},
		{"a milligram more filling", piece(2*events.Gram, 500, 7501, 0), true},
		{"decoration counts in the total", piece(2*events.Gram, 500, 7*events.Gram, 501), true},
		{"no filling", piece(5*events.Gram, 0, 0, 0), false},
		{"nothing at all", piece(0, 0, 0, 0), false},
	} {
		require.Equal(t, c.warns, len(workshop.DesignWarnings(c.design)) > 0, c.name)
	}
}
