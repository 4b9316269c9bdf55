package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/uuid"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// CreateCorrection voids a command, or replaces it by what was the case. A replacement is the body that the command's
// own address takes.
func (h *handlers) CreateCorrection(ctx context.Context, r openapi.CreateCorrectionRequestObject) (openapi.CreateCorrectionResponseObject, error) {
	b := r.Body
	correct := workshop.Correct{Done: done(b.OccurredAt, b.AlreadyDone), Event: b.Event, Reason: b.Reason}
	if len(b.Replacement) > 0 {
		var err error
		if correct.Replacement, err = h.replacement(ctx, b.Event, b.Replacement); err != nil {
			return nil, err
		}
	}
	sees := sightOf(actorOf(ctx))
	return do(ctx, h, correct, func(corrected workshop.Corrected, recorded []events.Recorded) any {
		return correctionOf(corrected, recorded, sees)
	})
}

func correctionOf(c workshop.Corrected, recorded []events.Recorded, sees sight) openapi.Correction {
	correction := openapi.Correction{
		ID: recorded[0].ID, Corrected: c.Correction.Corrected, Type: c.Correction.Type, Reason: c.Correction.Reason,
		Voided: len(c.Correction.Events) == 0, Events: []openapi.CorrectedEvent{}, Gone: []openapi.SoldBefore{},
		Redated: redatingsIn(recorded), Deviations: deviationsIn(recorded), Recorded: recordedOf(recorded),
	}
	for _, e := range c.Correction.Events {
		data, err := json.Marshal(sees.of(e.Data))
		if err != nil {
			panic(fmt.Errorf("show %s: %w", e.Data.EventType(), err)) // it is about to be written in this very form
		}
		correction.Events = append(correction.Events, openapi.CorrectedEvent{
			ID: e.ID, Type: e.Data.EventType(), OccurredAt: e.OccurredAt, Data: data,
		})
	}
	correction.Gone = append(correction.Gone, soldBeforeOf(c.Gone)...)
	for _, hold := range c.Holds {
		correction.Holds = append(correction.Holds, holdOf(*hold))
	}
	return correction
}

// replacement reads the body that a command should have had, as its own address would have.
func (h *handlers) replacement(ctx context.Context, event uuid.UUID, body json.RawMessage) (workshop.Command, error) {
	root, err := projections.CommandOf(ctx, h.pool, event)
	if err != nil {
		return nil, err
	}
	if len(root) == 0 {
		return nil, nil // the book says so
	}
	if site, bound := root[0].Site, actorOf(ctx).Site; bound != "" && site != "" && site != bound {
		return nil, nil // the book refuses it, whatever would be in its place
	}
	way := wayOf(root)
	if way == nil {
		return nil, nil // a definition
	}
	body, err = onTheDocument(way.route, body)
	if err != nil {
		return nil, err
	}
	read := *callOf(ctx)
	read.capture = new(workshop.Command)
	if err := way.read(h, context.WithValue(ctx, callKey{}, &read), body); !errors.Is(err, errCaptured) {
		return nil, err
	}
	return *read.capture, nil
}

// errCaptured says that a command was read and not carried out.
var errCaptured = errors.New("the command was only to be read")

// onTheDocument holds a replacement against the schema of a route's body. What happened is done already, whatever it
// broke.
func onTheDocument(route string, body json.RawMessage) (json.RawMessage, error) {
	operations, err := document()
	if err != nil {
		return nil, err
	}
	schema := operations[route].route.Operation.RequestBody.Value.Content.Get("application/json").Schema.Value
	var value map[string]any
	if err := json.Unmarshal(body, &value); err != nil {
		return nil, impossibleReplacement(misfit{Pointer: "/replacement", Detail: "expected an object: the body that " + route + " takes"})
	}
	options := append([]openapi3.SchemaValidationOption{openapi3.VisitAsRequest(), openapi3.MultiErrors()}, schemaOptions...)
	off := misfitsOf(schema.VisitJSON(value, options...))
	for i := range off {
		off[i].Pointer = "/replacement" + off[i].Pointer
	}
	if len(off) > 0 {
		return nil, impossibleReplacement(off...)
	}
	if schema.Properties["already_done"] != nil {
		value["already_done"] = true
	}
	return json.Marshal(value)
}

// impossibleReplacement is the problem of a replacement that its own address would not take. It is on the document of
// corrections, which leaves it open.
func impossibleReplacement(off ...misfit) *problem {
	p := invalid(off...)
	p.status = http.StatusUnprocessableEntity
	return p
}

// A way is the address that a command came by: how to read a body that it takes.
type way struct {
	route string
	read  func(h *handlers, ctx context.Context, body json.RawMessage) error
}

// wayBy makes a way of a handler's method and of what makes its request of a body.
func wayBy[Body, Request, Response any](route string, handle func(*handlers, context.Context, Request) (Response, error), request func(*Body) Request) *way {
	return &way{route: route, read: func(h *handlers, ctx context.Context, body json.RawMessage) error {
		read := new(Body)
		decoder := json.NewDecoder(bytes.NewReader(body))
		if err := decoder.Decode(read); err != nil {
			return impossibleReplacement(misfit{Pointer: "/replacement", Detail: "this could not be read: send what the document says"})
		}
		_, err := handle(h, ctx, request(read))
		return err
	}}
}

// wayOf tells by a command's events which address it came by; nil of a definition. What a command brings with it (an
// opening, a release, what was found) is looked at last.
func wayOf(recorded []events.Recorded) *way {
	for _, find := range []func(events.Event) *way{wayOfMaking, wayOfStep, wayOfStock, wayOfCare, wayOfRecall, wayOfCompanion} {
		for _, r := range recorded {
			if found := find(r.Data); found != nil {
				return found
			}
		}
	}
	return nil
}

func wayOfMaking(data events.Event) *way {
	start := func() *way {
		return wayBy("POST /v1/runs", (*handlers).StartRun, func(b *openapi.StartRunJSONRequestBody) openapi.StartRunRequestObject {
			return openapi.StartRunRequestObject{Body: b}
		})
	}
	switch e := data.(type) {
	case events.RunStarted:
		return start()
	case events.ShellsCast:
		if e.Start != nil {
			return start()
		}
	case events.PiecesDecorated:
		if e.Start != nil {
			return start()
		}
	case events.GanacheMade:
		return wayBy("POST /v1/ganaches", (*handlers).MakeGanache, func(b *openapi.MakeGanacheJSONRequestBody) openapi.MakeGanacheRequestObject {
			return openapi.MakeGanacheRequestObject{Body: b}
		})
	case events.ChocolateMelted:
		return wayBy("POST /v1/vats/:slug/melts", (*handlers).MeltChocolate, func(b *openapi.MeltChocolateJSONRequestBody) openapi.MeltChocolateRequestObject {
			return openapi.MeltChocolateRequestObject{Slug: e.Vat, Body: b}
		})
	case events.VatEmptied:
		return wayBy("POST /v1/vats/:slug/emptyings", (*handlers).EmptyVat, func(b *openapi.EmptyVatJSONRequestBody) openapi.EmptyVatRequestObject {
			return openapi.EmptyVatRequestObject{Slug: e.Vat, Body: b}
		})
	case events.IngredientReceived:
		return wayBy("POST /v1/lots", (*handlers).CreateLot, func(b *openapi.CreateLotJSONRequestBody) openapi.CreateLotRequestObject {
			return openapi.CreateLotRequestObject{Body: b}
		})
	}
	return nil
}

func wayOfStep(data events.Event) *way {
	switch e := data.(type) {
	case events.ShellsCast:
		return wayBy("POST /v1/runs/:code/castings", (*handlers).CastShells, func(b *openapi.CastShellsJSONRequestBody) openapi.CastShellsRequestObject {
			return openapi.CastShellsRequestObject{Code: string(e.Run), Body: b}
		})
	case events.MouldsFilled:
		return wayBy("POST /v1/runs/:code/fillings", (*handlers).FillMoulds, func(b *openapi.FillMouldsJSONRequestBody) openapi.FillMouldsRequestObject {
			return openapi.FillMouldsRequestObject{Code: string(e.Run), Body: b}
		})
	case events.PiecesDecorated:
		return wayBy("POST /v1/runs/:code/decorations", (*handlers).DecoratePieces, func(b *openapi.DecoratePiecesJSONRequestBody) openapi.DecoratePiecesRequestObject {
			return openapi.DecoratePiecesRequestObject{Code: string(e.Run), Body: b}
		})
	case events.MouldsCapped:
		return wayBy("POST /v1/runs/:code/cappings", (*handlers).CapMoulds, func(b *openapi.CapMouldsJSONRequestBody) openapi.CapMouldsRequestObject {
			return openapi.CapMouldsRequestObject{Code: string(e.Run), Body: b}
		})
	case events.PiecesTurnedOut:
		return wayBy("POST /v1/runs/:code/turnouts", (*handlers).TurnOutPieces, func(b *openapi.TurnOutPiecesJSONRequestBody) openapi.TurnOutPiecesRequestObject {
			return openapi.TurnOutPiecesRequestObject{Code: string(e.Run), Body: b}
		})
	}
	return nil
}

func wayOfStock(data events.Event) *way {
	switch e := data.(type) {
	case events.PiecesSold:
		return wayBy("POST /v1/sales", (*handlers).CreateSale, func(b *openapi.CreateSaleJSONRequestBody) openapi.CreateSaleRequestObject {
			return openapi.CreateSaleRequestObject{Body: b}
		})
	case events.PiecesGiven:
		return wayBy("POST /v1/tasters", (*handlers).GiveTasters, func(b *openapi.GiveTastersJSONRequestBody) openapi.GiveTastersRequestObject {
			return openapi.GiveTastersRequestObject{Body: b}
		})
	case events.StockMoved:
		if e.From == e.To && !e.IntoBag { // what a reading parted in its place
			return nil
		}
		return wayBy("POST /v1/moves", (*handlers).MoveStock, func(b *openapi.MoveStockJSONRequestBody) openapi.MoveStockRequestObject {
			return openapi.MoveStockRequestObject{Body: b}
		})
	case events.StockDiscarded:
		return wayBy("POST /v1/discards", (*handlers).DiscardStock, func(b *openapi.DiscardStockJSONRequestBody) openapi.DiscardStockRequestObject {
			return openapi.DiscardStockRequestObject{Body: b}
		})
	case events.BoxesPacked:
		return wayBy("POST /v1/boxes", (*handlers).PackBoxes, func(b *openapi.PackBoxesJSONRequestBody) openapi.PackBoxesRequestObject {
			return openapi.PackBoxesRequestObject{Body: b}
		})
	case events.BoxesOpened:
		return wayBy("POST /v1/boxes/:code/openings", (*handlers).OpenBoxes, func(b *openapi.OpenBoxesJSONRequestBody) openapi.OpenBoxesRequestObject {
			return openapi.OpenBoxesRequestObject{Code: string(e.Box), Body: b}
		})
	case events.StockCounted:
		if e.Reason == workshop.CauseBookShort {
			return nil
		}
		return wayBy("POST /v1/counts", (*handlers).CountStock, func(b *openapi.CountStockJSONRequestBody) openapi.CountStockRequestObject {
			return openapi.CountStockRequestObject{Body: b}
		})
	}
	return nil
}

func wayOfCare(data events.Event) *way {
	switch e := data.(type) {
	case events.Checked:
		return wayBy("POST /v1/checks", (*handlers).RecordCheck, func(b *openapi.RecordCheckJSONRequestBody) openapi.RecordCheckRequestObject {
			return openapi.RecordCheckRequestObject{Body: b}
		})
	case events.DeviationDecided:
		return wayBy("POST /v1/deviations/:id/decisions", (*handlers).DecideDeviation, func(b *openapi.DecideDeviationJSONRequestBody) openapi.DecideDeviationRequestObject {
			return openapi.DecideDeviationRequestObject{ID: e.Deviation, Body: b}
		})
	case events.PiecesReleased:
		return wayBy("POST /v1/runs/:code/releases", (*handlers).ReleasePieces, func(b *openapi.ReleasePiecesJSONRequestBody) openapi.ReleasePiecesRequestObject {
			return openapi.ReleasePiecesRequestObject{Code: string(e.Run), Body: b}
		})
	}
	return nil
}

func wayOfRecall(data events.Event) *way {
	switch e := data.(type) {
	case events.RecallOpened:
		return wayBy("POST /v1/recalls", (*handlers).OpenRecall, func(b *openapi.OpenRecallJSONRequestBody) openapi.OpenRecallRequestObject {
			return openapi.OpenRecallRequestObject{Body: b}
		})
	case events.RecallNarrowed:
		return wayBy("POST /v1/recalls/:id/narrowings", (*handlers).NarrowRecall, func(b *openapi.NarrowRecallJSONRequestBody) openapi.NarrowRecallRequestObject {
			return openapi.NarrowRecallRequestObject{ID: e.Recall, Body: b}
		})
	case events.RecallClosed:
		return wayBy("POST /v1/recalls/:id/closings", (*handlers).CloseRecall, func(b *openapi.CloseRecallJSONRequestBody) openapi.CloseRecallRequestObject {
			return openapi.CloseRecallRequestObject{ID: e.Recall, Body: b}
		})
	case events.LabelPrinted:
		return wayBy("POST /v1/labels/:code/prints", (*handlers).PrintLabel, func(b *openapi.PrintLabelJSONRequestBody) openapi.PrintLabelRequestObject {
			return openapi.PrintLabelRequestObject{Code: string(e.Code), Body: b}
		})
	}
	return nil
}

func wayOfCompanion(data events.Event) *way {
	switch e := data.(type) {
	case events.PortionOpened:
		return wayBy("POST /v1/lots/:code/openings", (*handlers).OpenLot, func(b *openapi.OpenLotJSONRequestBody) openapi.OpenLotRequestObject {
			return openapi.OpenLotRequestObject{Code: string(e.Lot), Body: b}
		})
	case events.HoldLifted:
		return wayBy("POST /v1/holds/:id/lifts", (*handlers).LiftHold, func(b *openapi.LiftHoldJSONRequestBody) openapi.LiftHoldRequestObject {
			return openapi.LiftHoldRequestObject{ID: e.Hold, Body: b}
		})
	case events.HoldPlaced:
		return wayBy("POST /v1/holds", (*handlers).PlaceHold, func(b *openapi.PlaceHoldJSONRequestBody) openapi.PlaceHoldRequestObject {
			return openapi.PlaceHoldRequestObject{Body: b}
		})
	case events.Redated:
		return wayBy("POST /v1/redatings", (*handlers).CreateRedating, func(b *openapi.CreateRedatingJSONRequestBody) openapi.CreateRedatingRequestObject {
			return openapi.CreateRedatingRequestObject{Body: b}
		})
	}
	return nil
}
