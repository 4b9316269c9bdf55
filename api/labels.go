package api

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"firstout/api/openapi"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// GetLabel answers what belongs on a thing's label.
func (h *handlers) GetLabel(ctx context.Context, r openapi.GetLabelRequestObject) (openapi.GetLabelResponseObject, error) {
	label, err := h.label(ctx, r.Code, valueOf(r.Params.Pieces))
	if err != nil {
		return nil, err
	}
	return answered(http.StatusOK, label)
}

// label works out the label of a thing named in a URL.
func (h *handlers) label(ctx context.Context, typed string, pieces int) (workshop.Label, error) {
	code, refusal := workshop.ParseCode(typed)
	if refusal == nil && !workshop.HasLabel(code) {
		refusal = workshop.NoLabel(code)
	}
	if refusal != nil {
		return workshop.Label{}, refusal
	}
	if pieces > 0 && code.Kind() != events.KindRun {
		return workshop.Label{}, impossible(misfit{Pointer: "/query/pieces", Detail: "expected with the code of a run only: nothing else is packed in pieces"})
	}
	code, thing, err := h.find(ctx, typed)
	if err != nil {
		return workshop.Label{}, err
	}
	needs := []workshop.Need{workshop.NeedThing(code)}
	if thing.Run != nil {
		for _, ganache := range thing.Run.Ganaches {
			needs = append(needs, workshop.NeedThing(ganache))
		}
	}
	return projections.Read(ctx, h.pool, momentOf(ctx).defs, needs, func(set *workshop.Set) workshop.Label {
		return set.Label(code, pieces)
	})
}

// printedLabel is the answer to a print.
type printedLabel struct {
	Code     events.Code      `json:"code"`
	Copies   int              `json:"copies"`
	Name     string           `json:"name"`
	DateKind string           `json:"date_kind"`
	Date     *civil.Day       `json:"date"`
	Content  string           `json:"content"`
	Recorded openapi.Recorded `json:"recorded"`
}

// PrintLabel records that labels were printed.
func (h *handlers) PrintLabel(ctx context.Context, r openapi.PrintLabelRequestObject) (openapi.PrintLabelResponseObject, error) {
	var codes typed
	b := r.Body
	command := workshop.PrintLabel{Done: done(b.OccurredAt, b.AlreadyDone), Code: codes.code(r.Code), Copies: b.Copies}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, command, func(is workshop.LabelPrinted, recorded []events.Recorded) any {
		p := is.Printed
		return printedLabel{
			Code: p.Code, Copies: p.Copies, Name: p.Name, DateKind: p.DateKind, Date: p.Date, Content: p.Content,
			Recorded: recordedOf(recorded),
		}
	})
}

// staleLabel is a label to be printed anew.
type staleLabel struct {
	Code    events.Code            `json:"code"`
	Kind    string                 `json:"kind"`
	Name    string                 `json:"name"`
	Date    *civil.Day             `json:"date"`
	Printed *workshop.LabelPrint   `json:"printed"`
	Changes []workshop.LabelChange `json:"changes"`
	Why     string                 `json:"why"`
	Places  []openapi.Standing     `json:"places"`
}

// ListStaleLabels answers which labels are to be printed anew, with what changes on them and where the things stand.
func (h *handlers) ListStaleLabels(ctx context.Context, _ openapi.ListStaleLabelsRequestObject) (openapi.ListStaleLabelsResponseObject, error) {
	own := ownPlaces(ctx)
	codes, err := projections.LabelledCodes(ctx, h.pool, own)
	if err != nil {
		return nil, err
	}
	needs := make([]workshop.Need, len(codes))
	for i, code := range codes {
		needs[i] = workshop.NeedThing(code)
	}
	found, err := projections.Read(ctx, h.pool, momentOf(ctx).defs, needs, func(set *workshop.Set) []workshop.StaleLabel {
		return set.StaleLabels(codes)
	})
	if err != nil {
		return nil, err
	}
	labels := []staleLabel{}
	for _, l := range found {
		if own != nil {
			l.Lines = slices.DeleteFunc(l.Lines, func(line workshop.StockLine) bool { return !slices.Contains(own, line.Place) })
		}
		labels = append(labels, staleLabel{
			Code: l.Code, Kind: l.Kind, Name: l.Name, Date: l.Date, Printed: l.Printed, Changes: notNil(l.Changes), Why: whyStale(l), Places: standings(l.Lines),
		})
	}
	return answered(http.StatusOK, map[string]any{"labels": labels, "cautions": boardCautions})
}

// changedWords says what changed, in the order in which labels are looked at.
var changedWords = map[string]string{
	"name": "the name", "date": "the date", "contains": "what it contains", "may_contain": "what it may contain",
}

func whyStale(l workshop.StaleLabel) string {
	if l.Printed == nil {
		return "It has a code and a date of its own, and no label was printed for it yet."
	}
	var changed []string
	for _, c := range l.Changes {
		changed = append(changed, changedWords[c.What])
	}
	return "Changed since it was printed: " + strings.Join(changed, ", ") + "."
}
