package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"time"

	"firstout/api/openapi"
	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// The kinds of definition, as the catalogue names them.
const (
	kindSite       = "site"
	kindPlace      = "place"
	kindSupplier   = workshop.KindSupplier
	kindBuyer      = workshop.KindBuyer
	kindIngredient = "ingredient"
	kindFormula    = "formula"
	kindVat        = "vat"
	kindMould      = "mould"
	kindDesign     = "design"
)

// definition is a version of a definition as it is shown: the members of its content beside its own.
type definition struct {
	Slug      string            `json:"slug"`
	Version   int               `json:"version"`
	DefinedAt time.Time         `json:"defined_at"`
	Warnings  []string          `json:"warnings,omitzero"`  // of a design or a formula
	Recorded  *openapi.Recorded `json:"recorded,omitempty"` // in the answer to the write
	content   any               // what is put and shown, one of the definition structs of package events for most, or the JSON of it
}

// MarshalJSON writes one object. Content is never empty: every definition has a name.
func (d definition) MarshalJSON() ([]byte, error) {
	type members definition
	return joined(members(d), d.content)
}

// joined writes two objects as one. The first must not be empty.
func joined(one, other any) ([]byte, error) {
	first, err := json.Marshal(one)
	if err != nil {
		return nil, err
	}
	second, err := json.Marshal(other)
	if err != nil || len(second) == len("{}") {
		return first, err
	}
	return slices.Concat(first[:len(first)-1], []byte(","), second[1:]), nil
}

// define has something defined, and gives what came of it.
func (h *handlers) define(ctx context.Context, slug string, content any) (defined workshop.Defined, recorded []events.Recorded, err error) {
	recorded, err = h.unkeyed(ctx, workshop.Define{Slug: slug, Body: content}, func(decided any) { defined = decided.(workshop.Defined) })
	return defined, recorded, err
}

// unkeyed has a command carried out that is the same however often it is given, and tells what was decided. There is no
// key to remember an answer by, so that is made by the caller and not where the book is written.
func (h *handlers) unkeyed(ctx context.Context, command workshop.Command, tell func(decided any)) (recorded []events.Recorded, err error) {
	answer, err := h.book.Do(ctx, book.Request{
		Command: command, Actor: actorOf(ctx),
		Render: func(decided any, did []events.Recorded) (int, []byte, error) {
			tell(decided)
			recorded = did
			return 0, nil, nil
		},
	})
	h.metrics.decided(command, answer, err)
	if err != nil {
		return nil, bookError(err)
	}
	return recorded, nil
}

// put defines something: 201 with a new version, 200 with the one in force where nothing changed.
func (h *handlers) put(ctx context.Context, kind, slug string, content any) (stored, error) {
	defined, recorded, err := h.define(ctx, slug, content)
	if err != nil {
		return stored{}, err
	}
	shown := definition{Slug: slug, Version: defined.Version, content: defined.Body}
	var m moment
	if kind == kindFormula { // what it is made of is in the catalogue
		mark, err := h.state.Mark(ctx)
		if err != nil {
			return stored{}, err
		}
		m = mark.moment
	}
	if err := shown.warn(kind, m, actorOf(ctx).Site); err != nil {
		return stored{}, err
	}
	if defined.Changed {
		shown.DefinedAt, shown.Recorded = recorded[0].RecordedAt, pointerTo(recordedOf(recorded))
		return answered(http.StatusCreated, shown)
	}
	if shown.DefinedAt, err = h.definedAt(ctx, kind, slug, defined.Version); err != nil {
		return stored{}, err
	}
	return answered(http.StatusOK, shown)
}

// definedAt is when a version that is in force was recorded.
func (h *handlers) definedAt(ctx context.Context, kind, slug string, version int) (time.Time, error) {
	as, err := projections.OneDefinition(ctx, h.pool, kind, slug, version)
	if err != nil {
		return time.Time{}, err
	}
	if as == nil {
		return time.Time{}, fmt.Errorf("%s %s version %d is in force and not in the catalogue", kind, slug, version)
	}
	return as.RecordedAt, nil
}

// definition gives one version, by default the newest.
func (h *handlers) definition(ctx context.Context, kind, slug string, version *int) (stored, error) {
	found, err := projections.OneDefinition(ctx, h.pool, kind, slug, valueOf(version))
	if err != nil {
		return stored{}, err
	}
	if found == nil {
		return stored{}, unknownDefinition(kind, slug, version)
	}
	shown := shownDefinition(*found)
	if err := shown.warn(kind, momentOf(ctx), actorOf(ctx).Site); err != nil {
		return stored{}, err
	}
	return answered(http.StatusOK, shown)
}

func shownDefinition(d projections.Definition) definition {
	return definition{Slug: d.Slug, Version: d.Version, DefinedAt: d.RecordedAt, content: d.Body}
}

// warn puts in what there is to say against a design or a formula.
func (d *definition) warn(kind string, m moment, site string) error {
	switch kind {
	case kindDesign:
		design, err := contentOf[events.Design](*d)
		d.Warnings = notNil(workshop.DesignWarnings(design))
		return err
	case kindFormula:
		formula, err := contentOf[events.Formula](*d)
		d.Warnings = notNil(workshop.FormulaWarnings(m.defs, formula, m.now, site))
		return err
	}
	return nil
}

// contentOf is what a definition says, whether it was just defined or read as JSON.
func contentOf[T any](d definition) (content T, err error) {
	if body, raw := d.content.(json.RawMessage); raw {
		if err := json.Unmarshal(body, &content); err != nil {
			return content, fmt.Errorf("read %s: %w", d.Slug, err)
		}
		return content, nil
	}
	content, is := d.content.(T)
	if !is {
		return content, fmt.Errorf("%s is a %T", d.Slug, d.content)
	}
	return content, nil
}

// unknownDefinition is the refusal of a name in a URL that nothing is defined under.
func unknownDefinition(kind, slug string, version *int) *workshop.Refusal {
	refusal := &workshop.Refusal{
		Slug: workshop.RefusedUnknownCode, InURL: true, Facts: workshop.Facts{"name": slug},
		Detail: fmt.Sprintf("There is no %s %q in the book: define it first, or mend the name.", kind, slug),
	}
	if version != nil {
		refusal.Detail = fmt.Sprintf("There is no version %d of %s %q in the book.", *version, kind, slug)
	}
	return refusal
}

// definitions gives a page of the newest versions, by slug. plural names the list in the answer.
func (h *handlers) definitions(ctx context.Context, kind, plural string, limit *int, cursor *string) (stored, error) {
	page, err := pageOf(ctx, limit, cursor)
	if err != nil {
		return stored{}, err
	}
	after := ""
	if err := page.follows(&after); err != nil {
		return stored{}, err
	}
	found, err := projections.Definitions(ctx, h.pool, kind, "", after, page.limit+1)
	if err != nil {
		return stored{}, err
	}
	rows, next, err := turn(ctx, page, found, func(d projections.Definition) any { return d.Slug })
	if err != nil {
		return stored{}, err
	}
	shown := make([]definition, len(rows))
	for i, d := range rows {
		shown[i] = shownDefinition(d)
		if err := shown[i].warn(kind, momentOf(ctx), actorOf(ctx).Site); err != nil {
			return stored{}, err
		}
	}
	return answered(http.StatusOK, map[string]any{plural: shown, "next_cursor": next})
}

// answered is an answer that nobody keeps.
func answered(status int, what any) (stored, error) {
	body, err := json.Marshal(what)
	return stored{status: status, body: body}, err
}

// PutSite defines a site.
func (h *handlers) PutSite(ctx context.Context, r openapi.PutSiteRequestObject) (openapi.PutSiteResponseObject, error) {
	return h.put(ctx, kindSite, r.Slug, *r.Body)
}

// GetSite gives a site.
func (h *handlers) GetSite(ctx context.Context, r openapi.GetSiteRequestObject) (openapi.GetSiteResponseObject, error) {
	return h.definition(ctx, kindSite, r.Slug, r.Params.Version)
}

// ListSites lists sites.
func (h *handlers) ListSites(ctx context.Context, r openapi.ListSitesRequestObject) (openapi.ListSitesResponseObject, error) {
	return h.definitions(ctx, kindSite, "sites", r.Params.Limit, r.Params.Cursor)
}

// PutPlace defines a place.
func (h *handlers) PutPlace(ctx context.Context, r openapi.PutPlaceRequestObject) (openapi.PutPlaceResponseObject, error) {
	return h.put(ctx, kindPlace, r.Slug, *r.Body)
}

// GetPlace gives a place.
func (h *handlers) GetPlace(ctx context.Context, r openapi.GetPlaceRequestObject) (openapi.GetPlaceResponseObject, error) {
	return h.definition(ctx, kindPlace, r.Slug, r.Params.Version)
}

// ListPlaces lists places.
func (h *handlers) ListPlaces(ctx context.Context, r openapi.ListPlacesRequestObject) (openapi.ListPlacesResponseObject, error) {
	return h.definitions(ctx, kindPlace, "places", r.Params.Limit, r.Params.Cursor)
}

// PutSupplier defines a supplier.
func (h *handlers) PutSupplier(ctx context.Context, r openapi.PutSupplierRequestObject) (openapi.PutSupplierResponseObject, error) {
	b := r.Body
	return h.put(ctx, kindSupplier, r.Slug, workshop.Supplier{
		Name: b.Name, Contact: valueOf(b.Contact), Address: valueOf(b.Address), ApprovalNumber: valueOf(b.ApprovalNumber),
	})
}

// GetSupplier gives a supplier.
func (h *handlers) GetSupplier(ctx context.Context, r openapi.GetSupplierRequestObject) (openapi.GetSupplierResponseObject, error) {
	return h.definition(ctx, kindSupplier, r.Slug, r.Params.Version)
}

// ListSuppliers lists suppliers.
func (h *handlers) ListSuppliers(ctx context.Context, r openapi.ListSuppliersRequestObject) (openapi.ListSuppliersResponseObject, error) {
	return h.definitions(ctx, kindSupplier, "suppliers", r.Params.Limit, r.Params.Cursor)
}

// PutBuyer defines a buyer.
func (h *handlers) PutBuyer(ctx context.Context, r openapi.PutBuyerRequestObject) (openapi.PutBuyerResponseObject, error) {
	b := r.Body
	return h.put(ctx, kindBuyer, r.Slug, workshop.Buyer{Name: b.Name, Address: valueOf(b.Address), Contact: valueOf(b.Contact)})
}

// GetBuyer gives a buyer.
func (h *handlers) GetBuyer(ctx context.Context, r openapi.GetBuyerRequestObject) (openapi.GetBuyerResponseObject, error) {
	return h.definition(ctx, kindBuyer, r.Slug, r.Params.Version)
}

// ListBuyers lists buyers.
func (h *handlers) ListBuyers(ctx context.Context, r openapi.ListBuyersRequestObject) (openapi.ListBuyersResponseObject, error) {
	return h.definitions(ctx, kindBuyer, "buyers", r.Params.Limit, r.Params.Cursor)
}

// PutIngredient defines an ingredient.
func (h *handlers) PutIngredient(ctx context.Context, r openapi.PutIngredientRequestObject) (openapi.PutIngredientResponseObject, error) {
	return h.put(ctx, kindIngredient, r.Slug, *r.Body)
}

// GetIngredient gives an ingredient.
func (h *handlers) GetIngredient(ctx context.Context, r openapi.GetIngredientRequestObject) (openapi.GetIngredientResponseObject, error) {
	return h.definition(ctx, kindIngredient, r.Slug, r.Params.Version)
}

// ListIngredients lists ingredients.
func (h *handlers) ListIngredients(ctx context.Context, r openapi.ListIngredientsRequestObject) (openapi.ListIngredientsResponseObject, error) {
	return h.definitions(ctx, kindIngredient, "ingredients", r.Params.Limit, r.Params.Cursor)
}

// PutFormula defines a formula.
func (h *handlers) PutFormula(ctx context.Context, r openapi.PutFormulaRequestObject) (openapi.PutFormulaResponseObject, error) {
	return h.put(ctx, kindFormula, r.Slug, *r.Body)
}

// GetFormula gives a formula.
func (h *handlers) GetFormula(ctx context.Context, r openapi.GetFormulaRequestObject) (openapi.GetFormulaResponseObject, error) {
	return h.definition(ctx, kindFormula, r.Slug, r.Params.Version)
}

// ListFormulas lists formulas.
func (h *handlers) ListFormulas(ctx context.Context, r openapi.ListFormulasRequestObject) (openapi.ListFormulasResponseObject, error) {
	if r.Params.Waiting != nil {
		return h.waitingForLab(ctx, r.Params.Limit, r.Params.Cursor)
	}
	return h.definitions(ctx, kindFormula, "formulas", r.Params.Limit, r.Params.Cursor)
}

// PutVat defines a vat. What is in it is no part of its definition: the questions about vats are in things.go.
func (h *handlers) PutVat(ctx context.Context, r openapi.PutVatRequestObject) (openapi.PutVatResponseObject, error) {
	return h.put(ctx, kindVat, r.Slug, *r.Body)
}

// PutMould defines a mould.
func (h *handlers) PutMould(ctx context.Context, r openapi.PutMouldRequestObject) (openapi.PutMouldResponseObject, error) {
	return h.put(ctx, kindMould, r.Slug, *r.Body)
}

// GetMould gives a mould.
func (h *handlers) GetMould(ctx context.Context, r openapi.GetMouldRequestObject) (openapi.GetMouldResponseObject, error) {
	return h.definition(ctx, kindMould, r.Slug, r.Params.Version)
}

// ListMoulds lists moulds.
func (h *handlers) ListMoulds(ctx context.Context, r openapi.ListMouldsRequestObject) (openapi.ListMouldsResponseObject, error) {
	return h.definitions(ctx, kindMould, "moulds", r.Params.Limit, r.Params.Cursor)
}

// PutDesign defines a design.
func (h *handlers) PutDesign(ctx context.Context, r openapi.PutDesignRequestObject) (openapi.PutDesignResponseObject, error) {
	return h.put(ctx, kindDesign, r.Slug, *r.Body)
}

// GetDesign gives a design.
func (h *handlers) GetDesign(ctx context.Context, r openapi.GetDesignRequestObject) (openapi.GetDesignResponseObject, error) {
	return h.definition(ctx, kindDesign, r.Slug, r.Params.Version)
}

// ListDesigns lists designs.
func (h *handlers) ListDesigns(ctx context.Context, r openapi.ListDesignsRequestObject) (openapi.ListDesignsResponseObject, error) {
	return h.definitions(ctx, kindDesign, "designs", r.Params.Limit, r.Params.Cursor)
}
