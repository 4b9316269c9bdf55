package workshop

import (
	"fmt"
	"strings"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// compositionOf gives an ingredient's composition in g per 100 g: the reference row that it is like, with its own values in
// place of the row's, key by key. Nil: unknown.
func compositionOf(i events.Ingredient) map[string]float64 {
	return expiry.WithLabel(reference(i.Like), i.Composition)
}

// reference gives the composition of a reference row; nil of none.
func reference(name string) map[string]float64 {
	if row, found := expiry.Reference(name); found {
		return row.Composition.Grams()
	}
	return nil
}

// checkLike refuses a reference row that there is none of.
func checkLike(name string) *Refusal {
	if _, found := expiry.Reference(name); found || name == "" {
		return nil
	}
	return &Refusal{
		Slug: RefusedUnknownCode, Facts: Facts{"name": name},
		Detail: fmt.Sprintf("There is no reference ingredient %q: take one of /v1/reference/ingredients, or leave it out and give the composition.", name),
	}
}

// checkComposition refuses a composition that no water activity could be worked out from: what is stated, in place of
// what it stands over. Both are in g per 100 g and may be nil.
func checkComposition(over, stated map[string]float64) *Refusal {
	if stated == nil {
		return nil
	}
	if _, err := expiry.NewComposition(expiry.WithLabel(over, stated)); err != nil {
		where, what, _ := strings.Cut(err.Error(), ": ")
		return invalid("/"+strings.ReplaceAll(where, ".", "/"), "%s", sentence(what))
	}
	return nil
}

// sentence is what an error says, begun and ended as a sentence.
func sentence(said string) string {
	if said == "" {
		return said
	}
	return strings.ToUpper(said[:1]) + said[1:] + "."
}

// DesignWarnings says what speaks against the names that a piece of a design might be sold by. They forbid nothing.
func DesignWarnings(d events.Design) []string {
	chocolate := d.Shell + d.Cap
	total := chocolate
	for _, f := range d.Fillings {
		total += f.Quantity
	}
	for _, decoration := range d.Decorations {
		total += decoration.Quantity
	}
	if total == 0 {
		return nil
	}
	if _, warning := expiry.ChocolateShare(grams(chocolate), grams(total)); warning != "" {
		return []string{warning}
	}
	return nil
}

// ReferenceIngredients gives the rows that an ingredient may be like, by name.
func ReferenceIngredients() []expiry.ReferenceIngredient { return expiry.ReferenceIngredients() }
