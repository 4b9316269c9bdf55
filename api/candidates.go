package api

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"firstout/api/openapi"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// maxSoldSpan bounds the time in which a loose piece was sold: over a longer one everything is a candidate.
const maxSoldSpan = 31 * 24 * time.Hour

// candidateCautions stand beside the candidates.
var candidateCautions = []string{
	"Likelihoods follow from what the book says stood there; where the runs cannot be told apart, treat the piece as of each of them.",
	boardCautions[0],
}

// TraceCandidates answers which runs a piece with no code may have come from.
func (h *handlers) TraceCandidates(ctx context.Context, r openapi.TraceCandidatesRequestObject) (openapi.TraceCandidatesResponseObject, error) {
	p := r.Params
	switch {
	case p.SoldTo.Before(p.SoldFrom):
		return nil, impossible(misfit{Pointer: "/query/sold_to", Detail: "expected an instant not before sold_from"})
	case p.SoldTo.Sub(p.SoldFrom) > maxSoldSpan:
		return nil, impossible(misfit{Pointer: "/query/sold_to", Detail: "expected an instant at most 31 days after sold_from: ask in several parts"})
	}
	if momentOf(ctx).defs.Designs.Latest(p.Design) == nil {
		return nil, &problem{slug: slugNotFound, detail: fmt.Sprintf("There is no design %q in the book.", p.Design)}
	}
	if err := checkPlaceIfAny(ctx, p.Place); err != nil {
		return nil, err
	}
	places := whereSold(ctx)
	if p.Place != nil {
		places = []string{*p.Place}
	}
	found, err := projections.Candidates(ctx, h.pool, p.Design, p.SoldFrom, p.SoldTo, places)
	if err != nil {
		return nil, err
	}
	answer := openapi.TraceCandidates{
		Design: p.Design, SoldFrom: p.SoldFrom.UTC(), SoldTo: p.SoldTo.UTC(), Runs: likeliestFirst(found, p.SoldFrom.Equal(p.SoldTo)), Cautions: candidateCautions,
	}
	if callOf(ctx).accepts == mediaCSV {
		return candidatesSheet(answer).answer(), nil
	}
	return openapi.TraceCandidates200JSONResponse(answer), nil
}

// whereSold lists the places that sell, or sold under an earlier definition, as far as the caller may look.
func whereSold(ctx context.Context) []string {
	own, selling := ownPlaces(ctx), []string{}
	for slug, versions := range momentOf(ctx).defs.Places {
		for _, v := range versions {
			if v.Body.Sells && (own == nil || slices.Contains(own, slug)) {
				selling = append(selling, slug)
				break
			}
		}
	}
	return selling
}

// likeliestFirst tells how likely each candidate is. One that neither stood there nor was sold is none.
func likeliestFirst(found []projections.Candidate, instant bool) []openapi.TraceCandidate {
	found = slices.DeleteFunc(found, func(c projections.Candidate) bool { return c.Weight == 0 && c.Sold == 0 })
	weights := make([]int64, len(found))
	for i, c := range found {
		weights[i] = c.Weight
	}
	likely := workshop.Likelihoods(weights)
	runs := make([]openapi.TraceCandidate, len(found))
	for i, c := range found {
		stood := float64(c.Weight)
		if !instant {
			stood = roundTo(stood/float64(time.Hour/time.Microsecond), 3)
		}
		runs[i] = openapi.TraceCandidate{
			Run: string(c.Code), Of: optional(string(c.Of)), Place: c.Place, Grade: pointerTo(openapi.Grade(c.Grade)),
			Likelihood: float64(likely[i]) / workshop.Millionth, PieceHours: &stood, Sold: int(c.Sold), Presumed: pointerTo(int(c.Presumed)),
			UseBy: c.Date, DateKind: optional(openapi.TraceCandidateDateKind(c.DateKind)), Held: &c.Held,
		}
	}
	slices.SortStableFunc(runs, func(a, b openapi.TraceCandidate) int { return cmp.Compare(b.Likelihood, a.Likelihood) })
	return runs
}

func candidatesSheet(a openapi.TraceCandidates) *sheet {
	s := newSheet("run", "of", "place", "grade", "likelihood", "piece_hours", "sold", "presumed", "use_by", "date_kind", "held")
	for _, c := range a.Runs {
		s.row(c.Run, c.Of, c.Place, valueOf(c.Grade), c.Likelihood, c.PieceHours, c.Sold, valueOf(c.Presumed), c.UseBy, valueOf(c.DateKind), valueOf(c.Held))
	}
	return s
}
