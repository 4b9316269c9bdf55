package api

import (
	"context"
	"net/http"

	"firstout/api/openapi"
	"firstout/internal/workshop"
)

// ListReferenceIngredients lists what ingredients are made of by the tables that the program is shipped with.
func (h *handlers) ListReferenceIngredients(ctx context.Context, r openapi.ListReferenceIngredientsRequestObject) (openapi.ListReferenceIngredientsResponseObject, error) {
	page, err := pageOf(ctx, r.Params.Limit, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	after := ""
	if err := page.follows(&after); err != nil {
		return nil, err
	}
	found := []openapi.ReferenceIngredient{}
	for _, row := range workshop.ReferenceIngredients() {
		if row.Name > after && len(found) <= page.limit {
			found = append(found, openapi.ReferenceIngredient{
				Name: row.Name, Composition: row.Composition.Grams(), Source: row.Source, Basis: row.Basis,
			})
		}
	}
	rows, next, err := turn(ctx, page, found, func(i openapi.ReferenceIngredient) any { return i.Name })
	if err != nil {
		return nil, err
	}
	return answered(http.StatusOK, openapi.ReferenceIngredientPage{Ingredients: rows, NextCursor: next})
}
