package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

const kindScheme = "scheme"

// PutLifeScheme sets the shop's own table of lives.
func (h *handlers) PutLifeScheme(ctx context.Context, r openapi.PutLifeSchemeRequestObject) (openapi.PutLifeSchemeResponseObject, error) {
	defined, recorded, err := h.define(ctx, workshop.SchemeSlug, *r.Body)
	if err != nil {
		return stored{}, err
	}
	body, is := defined.Body.(events.LifeScheme)
	if !is {
		return stored{}, fmt.Errorf("the life scheme is a %T", defined.Body)
	}
	shown := lifeSchemeOf(defined.Version, body)
	if defined.Changed {
		shown.DefinedAt, shown.Recorded = &recorded[0].RecordedAt, pointerTo(recordedOf(recorded))
		return answered(http.StatusCreated, shown)
	}
	since, err := h.definedAt(ctx, kindScheme, workshop.SchemeSlug, defined.Version)
	shown.DefinedAt = &since
	if err != nil {
		return stored{}, err
	}
	return answered(http.StatusOK, shown)
}

// GetLifeScheme gives the table in force, or a version of it, beside the shipped one.
func (h *handlers) GetLifeScheme(ctx context.Context, r openapi.GetLifeSchemeRequestObject) (openapi.GetLifeSchemeResponseObject, error) {
	found, err := projections.OneDefinition(ctx, h.pool, kindScheme, workshop.SchemeSlug, valueOf(r.Params.Version))
	switch {
	case err != nil:
		return stored{}, err
	case found == nil && r.Params.Version != nil:
		return stored{}, unknownDefinition(kindScheme, workshop.SchemeSlug, r.Params.Version)
	case found == nil:
		return answered(http.StatusOK, lifeSchemeOf(0, events.LifeScheme{}))
	}
	var body events.LifeScheme
	if err := json.Unmarshal(found.Body, &body); err != nil {
		return stored{}, fmt.Errorf("read version %d of the life scheme: %w", found.Version, err)
	}
	shown := lifeSchemeOf(found.Version, body)
	shown.DefinedAt = &found.RecordedAt
	return answered(http.StatusOK, shown)
}

// lifeSchemeOf shows a version of the shop's own table with what it leaves out put in; version 0 is the shipped one.
func lifeSchemeOf(version int, own events.LifeScheme) openapi.LifeScheme {
	shipped := workshop.SchemeOf(0, events.LifeScheme{})
	shown := openapi.LifeScheme{
		Version: version, Bands: []events.LifeBand{},
		Shipped: openapi.ShippedLifeScheme{Tables: shipped.Tables(), BestBeforeBinds: shipped.BestBeforeBinds},
	}
	for _, b := range shipped.Bands {
		shown.Shipped.Bands = append(shown.Shipped.Bands, openapi.ShippedLifeBand{
			WaterActivityMax: b.Max, Included: b.MaxIncluded, Cool: events.Keeps(b.Cool), Chilled: events.Keeps(b.Chilled), Source: b.Source, Basis: b.Basis,
		})
	}
	scheme := workshop.SchemeOf(version, own)
	shown.Tables, shown.BestBeforeBinds, shown.Cautions = scheme.Tables(), scheme.BestBeforeBinds, notNil(scheme.LongerThanShipped())
	for _, b := range scheme.Bands {
		shown.Bands = append(shown.Bands, events.LifeBand{
			WaterActivityMax: b.Max, Included: b.MaxIncluded, Cool: events.Keeps(b.Cool), Chilled: events.Keeps(b.Chilled),
		})
	}
	return shown
}
