package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"firstout/api/openapi"
	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// handlers has one method for each operation of the document.
type handlers struct {
	service
	book    *book.Book
	pool    projections.Batcher // questions are read from it
	state   *State
	streams *streams
	metrics *Metrics

	identifiers string // URI under which things have theirs in what other systems read
	verifierKey string // of the key that this process seals with; "": it does not seal
}

var _ openapi.StrictServerInterface = (*handlers)(nil)

// do has a command carried out, once for its key, and gives what came of it. show turns what was decided into the
// body of the answer. It runs while others wait for the book, and what it gives is what the key gets for ever: it
// does no I/O, and shows what the first caller may see.
func do[Decided any](ctx context.Context, h *handlers, command workshop.Command, show func(Decided, []events.Recorded) any) (stored, error) {
	if captured := callOf(ctx).capture; captured != nil {
		*captured = command
		return stored{}, errCaptured
	}
	key, hash := keyOf(ctx)
	answer, err := h.book.Do(ctx, book.Request{
		Command: command, Key: key, RequestHash: hash, Actor: actorOf(ctx),
		Render: func(decided any, recorded []events.Recorded) (int, []byte, error) {
			is, expected := decided.(Decided)
			if !expected {
				return 0, nil, fmt.Errorf("%T was decided with a %T", command, decided)
			}
			body, err := json.Marshal(show(is, recorded))
			return http.StatusCreated, body, err
		},
	})
	h.metrics.decided(command, answer, err)
	if err != nil {
		return stored{}, bookError(err)
	}
	if answer.Replayed {
		replayed(ctx)
	}
	return stored{status: answer.Status, body: answer.Body}, nil
}

// bookError puts the book's own errors into the shell's words; refusals are told as they are.
func bookError(err error) error {
	switch {
	case errors.Is(err, book.ErrKeyReused):
		return &problem{
			slug:   slugKeyReused,
			detail: "This Idempotency-Key was used for another request: send a new key with a new thing, and the same request with a key sent again.",
		}
	case errors.Is(err, book.ErrUnavailable):
		return notReady{err}
	}
	return err
}

// stored is an answer in its bytes. That to a write goes out as the book keeps it, the first time and every time.
type stored struct {
	status int
	body   []byte
}

func (s stored) write(w http.ResponseWriter) error {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(s.status)
	_, err := w.Write(s.body)
	return err
}

// Every write answers with what is stored, and so do the questions about definitions, whose empty lists say something
// that the generated types would lose. These methods are how the generated code asks for it.

func (s stored) VisitPutSiteResponse(w http.ResponseWriter) error         { return s.write(w) }
func (s stored) VisitPutPlaceResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitPutSupplierResponse(w http.ResponseWriter) error     { return s.write(w) }
func (s stored) VisitPutBuyerResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitPutIngredientResponse(w http.ResponseWriter) error   { return s.write(w) }
func (s stored) VisitPutFormulaResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitPutVatResponse(w http.ResponseWriter) error          { return s.write(w) }
func (s stored) VisitGetVatResponse(w http.ResponseWriter) error          { return s.write(w) }
func (s stored) VisitListVatsResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitPutMouldResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitPutDesignResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitCreateLotResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitOpenLotResponse(w http.ResponseWriter) error         { return s.write(w) }
func (s stored) VisitMeltChocolateResponse(w http.ResponseWriter) error   { return s.write(w) }
func (s stored) VisitEmptyVatResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitMakeGanacheResponse(w http.ResponseWriter) error     { return s.write(w) }
func (s stored) VisitStartRunResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitCastShellsResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitFillMouldsResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitDecoratePiecesResponse(w http.ResponseWriter) error  { return s.write(w) }
func (s stored) VisitCapMouldsResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitTurnOutPiecesResponse(w http.ResponseWriter) error   { return s.write(w) }
func (s stored) VisitReleasePiecesResponse(w http.ResponseWriter) error   { return s.write(w) }
func (s stored) VisitPackBoxesResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitOpenBoxesResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitMoveStockResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitCreateSaleResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitGiveTastersResponse(w http.ResponseWriter) error     { return s.write(w) }
func (s stored) VisitDiscardStockResponse(w http.ResponseWriter) error    { return s.write(w) }
func (s stored) VisitCountStockResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitPlaceHoldResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitLiftHoldResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitRecordCheckResponse(w http.ResponseWriter) error     { return s.write(w) }
func (s stored) VisitDecideDeviationResponse(w http.ResponseWriter) error { return s.write(w) }
func (s stored) VisitCreateRedatingResponse(w http.ResponseWriter) error  { return s.write(w) }
func (s stored) VisitCreateCorrectionResponse(w http.ResponseWriter) error {
	return s.write(w)
}
func (s stored) VisitGetSiteResponse(w http.ResponseWriter) error         { return s.write(w) }
func (s stored) VisitListSitesResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitGetPlaceResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitListPlacesResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitGetSupplierResponse(w http.ResponseWriter) error     { return s.write(w) }
func (s stored) VisitListSuppliersResponse(w http.ResponseWriter) error   { return s.write(w) }
func (s stored) VisitGetBuyerResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitListBuyersResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitGetIngredientResponse(w http.ResponseWriter) error   { return s.write(w) }
func (s stored) VisitListIngredientsResponse(w http.ResponseWriter) error { return s.write(w) }
func (s stored) VisitGetFormulaResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitListFormulasResponse(w http.ResponseWriter) error    { return s.write(w) }
func (s stored) VisitGetMouldResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitListMouldsResponse(w http.ResponseWriter) error      { return s.write(w) }
func (s stored) VisitGetDesignResponse(w http.ResponseWriter) error       { return s.write(w) }
func (s stored) VisitListDesignsResponse(w http.ResponseWriter) error     { return s.write(w) }

func (s stored) VisitListReferenceIngredientsResponse(w http.ResponseWriter) error { return s.write(w) }

func (s stored) VisitPutLifeSchemeResponse(w http.ResponseWriter) error { return s.write(w) }
func (s stored) VisitGetLifeSchemeResponse(w http.ResponseWriter) error { return s.write(w) }

func (s stored) VisitGetLabelResponse(w http.ResponseWriter) error        { return s.write(w) }
func (s stored) VisitListStaleLabelsResponse(w http.ResponseWriter) error { return s.write(w) }
func (s stored) VisitPrintLabelResponse(w http.ResponseWriter) error      { return s.write(w) }

func (s stored) VisitEstimateExpiryResponse(w http.ResponseWriter) error { return s.write(w) }
