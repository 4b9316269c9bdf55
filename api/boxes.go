package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// PackBoxes records boxes packed.
func (h *handlers) PackBoxes(ctx context.Context, r openapi.PackBoxesRequestObject) (openapi.PackBoxesResponseObject, error) {
	var codes typed
	b := r.Body
	pack := workshop.PackBoxes{
		Done: done(b.OccurredAt, b.AlreadyDone), Name: valueOf(b.Name), Place: b.Place, Lines: codes.boxedLines(b), Boxes: 1,
		PriceMinor: b.PriceMinor,
	}
	if b.Count != nil {
		pack.Boxes = *b.Count
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, pack, func(packed workshop.PackedBoxes, recorded []events.Recorded) any {
		answer := openapi.PackedBoxes{
			Boxes: []openapi.Box{}, Warnings: packed.Warnings, Deviations: deviationsIn(recorded), Recorded: recordedOf(recorded),
		}
		for _, box := range packed.Boxes {
			answer.Boxes = append(answer.Boxes, boxOf(projections.Thing{Box: box}, packed.Handles, deviationsOf(answer.Deviations, box.Code)))
		}
		return answer
	})
}

func (t *typed) boxedLines(b *openapi.PackBoxesJSONRequestBody) []workshop.PieceLine {
	var lines []workshop.PieceLine
	for _, l := range b.Contents {
		lines = append(lines, workshop.PieceLine{Code: t.code(l.Run), Grade: string(valueOf(l.Grade)), Pieces: l.Pieces})
	}
	for _, l := range b.Designs {
		lines = append(lines, workshop.PieceLine{Design: l.Design, Pieces: l.Pieces})
	}
	return lines
}

// deviationsOf are those of one thing among some.
func deviationsOf(all []openapi.Deviation, code events.Code) []openapi.Deviation {
	var own []openapi.Deviation
	for _, d := range all {
		if d.Code != nil && *d.Code == string(code) {
			own = append(own, d)
		}
	}
	return own
}

// OpenBoxes records boxes opened again.
func (h *handlers) OpenBoxes(ctx context.Context, r openapi.OpenBoxesRequestObject) (openapi.OpenBoxesResponseObject, error) {
	var codes typed
	b := r.Body
	open := workshop.OpenBoxes{Done: done(b.OccurredAt, b.AlreadyDone), Box: codes.code(r.Code), Boxes: b.Count, Place: valueOf(b.Place)}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, open, boxOpeningOf)
}

func boxOpeningOf(_ workshop.OpenedBoxes, recorded []events.Recorded) any {
	r, e := mainEvent[events.BoxesOpened](recorded)
	opening := openapi.BoxOpening{
		ID: r.ID, Box: string(e.Box), Place: e.Place, Count: e.Boxes, Lines: []openapi.UnboxedLine{}, Deviations: deviationsIn(recorded),
		Recorded: recordedOf(recorded),
	}
	for _, l := range e.Lines {
		line := openapi.UnboxedLine{
			Run: string(l.Code), Grade: openapi.Grade(l.Grade), Pieces: l.Pieces, NewCode: optional(string(l.NewCode)), Relabel: l.NewCode != "",
		}
		if l.Expiry != nil {
			line.UseBy = pointerTo(expiryOf(*l.Expiry))
		}
		opening.Lines = append(opening.Lines, line)
	}
	return opening
}

// GetBox answers about the boxes of one code, or a part of them.
func (h *handlers) GetBox(ctx context.Context, r openapi.GetBoxRequestObject) (openapi.GetBoxResponseObject, error) {
	code, thing, err := h.findA(ctx, events.KindBox, r.Code)
	if err != nil {
		return nil, err
	}
	a, err := h.about(ctx, code)
	if err != nil {
		return nil, err
	}
	momentOf(ctx).frozenNow(*thing)
	box := boxOf(*thing, handledAt(ctx, thing.Box.Site), a.deviations)
	box.Checks, box.History = a.checks, a.history
	addStanding(&box, *thing)
	return openapi.GetBox200JSONResponse(box), nil
}

// ListBoxes lists boxes and their parts in code order.
func (h *handlers) ListBoxes(ctx context.Context, r openapi.ListBoxesRequestObject) (openapi.ListBoxesResponseObject, error) {
	p := r.Params
	filter := projections.ThingFilter{Kind: events.KindBox, Open: valueOf(p.OnHand)}
	found, next, err := h.things(ctx, filter, p.Limit, p.Cursor)
	if err != nil {
		return nil, err
	}
	answer := openapi.BoxPage{Boxes: []openapi.Box{}, NextCursor: next}
	for _, t := range found {
		box := boxOf(t, handledAt(ctx, t.Box.Site), nil)
		addStanding(&box, t)
		answer.Boxes = append(answer.Boxes, box)
	}
	return openapi.ListBoxes200JSONResponse(answer), nil
}

// handledAt are the allergens that a site handles.
func handledAt(ctx context.Context, site string) []string {
	if def := momentOf(ctx).defs.Sites.Latest(site); def != nil {
		return def.Body.Handles
	}
	return nil
}

// boxOf shows boxes with these deviations of them, packed at a site that handles these allergens.
func boxOf(t projections.Thing, handles []string, deviations []openapi.Deviation) openapi.Box {
	b := t.Box
	return openapi.Box{
		Code: string(b.Code), Of: optional(string(b.Of)), Parted: partedOf(b.Parting), Frozen: b.Frozen, Name: optional(b.Name),
		Contents: boxContentsOf(b.Contents), Pieces: b.Pieces(), Packed: b.Packed, PackedAt: b.At, Place: b.Place, BoxG: b.BoxMass,
		PriceMinor: b.PriceMinor, Currency: optional(b.Currency), Held: b.Held(), Holds: b.Holds, UseBy: expiryOf(b.Expiry),
		Allergens: allergensAmong(handles, b.Allergens), Deviations: notNil(deviations),
	}
}

// addStanding tells where boxes stand.
func addStanding(box *openapi.Box, t projections.Thing) {
	box.Places, box.OnHand = standings(t.Lines), pointerTo(int(standing(t.Lines, t.PartLines)))
}

func boxContentsOf(contents []events.BoxContent) []openapi.BoxContent {
	shown := make([]openapi.BoxContent, 0, len(contents))
	for _, c := range contents {
		shown = append(shown, openapi.BoxContent{
			Run: string(c.Run), Design: c.Design, Grade: openapi.Grade(c.Grade), Pieces: c.Pieces, PieceG: c.PieceMass, How: openapi.How(c.How),
			UseBy: c.Date,
		})
	}
	return shown
}

// boxedDesigns sums what is in a box by design, in the order in which it was packed.
func boxedDesigns(contents []events.BoxContent) []openapi.BoxedDesign {
	var designs []openapi.BoxedDesign
	at := map[string]int{}
	for _, c := range contents {
		i, met := at[c.Design]
		if !met {
			i = len(designs)
			at[c.Design], designs = i, append(designs, openapi.BoxedDesign{Design: c.Design})
		}
		designs[i].Pieces += c.Pieces
	}
	return designs
}

// pieceOrBox tells a code as what it is: a run or a part of one, or a box.
func pieceOrBox(code events.Code) (run, box *string) {
	if code.Kind() == events.KindBox {
		return nil, pointerTo(string(code))
	}
	return pointerTo(string(code)), nil
}

// gradeOf is the grade of pieces; boxes have none.
func gradeOf(code events.Code, grade string) *openapi.Grade {
	if code.Kind() == events.KindBox {
		return nil
	}
	return optional(openapi.Grade(grade))
}
