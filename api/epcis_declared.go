package api

import (
	"cmp"
	"slices"

	"github.com/google/uuid"

	"firstout/internal/epcis"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// declared takes the corrections out of what a trace is told with. What was corrected stays, whole, declared wrong; what
// counts in its place comes after it as events of their own, recorded when the correction was.
func declared(recorded []events.Recorded) (told []events.Recorded, wrong map[uuid.UUID]epcis.Declared) {
	written := slices.Clone(recorded)
	slices.SortFunc(written, func(a, b events.Recorded) int { return cmp.Compare(a.Position, b.Position) })
	corrections, by := workshop.CorrectionsIn(written), map[uuid.UUID]events.Recorded{}
	for _, r := range written {
		if _, is := r.Data.(events.CommandCorrected); is {
			by[r.ID] = r
		}
	}
	wrong = map[uuid.UUID]epcis.Declared{}
	right, met := map[uuid.UUID][]uuid.UUID{}, map[uuid.UUID]bool{}
	for _, r := range recorded {
		if _, is := by[r.ID]; is {
			continue
		}
		told = append(told, r)
		id, corrected := corrections.By(r.Command)
		if !corrected {
			continue
		}
		if !met[r.Command] {
			met[r.Command] = true
			for _, e := range inPlaceOf(r, by[id], corrections) {
				told, right[r.Command] = append(told, e), append(right[r.Command], e.ID)
			}
		}
		wrong[r.ID] = epcis.Declared{At: by[id].RecordedAt, Right: right[r.Command]}
	}
	slices.SortStableFunc(told, func(a, b events.Recorded) int {
		return cmp.Or(a.OccurredAt.Compare(b.OccurredAt), cmp.Compare(a.Position, b.Position))
	})
	return told, wrong
}

// inPlaceOf lists what counts in the place of an event's command. An event that takes another's place has that one's id in
// the book; here it has one of its own, the same in every document.
func inPlaceOf(r, by events.Recorded, corrections *workshop.Corrections) []events.Recorded {
	first := r
	first.ID = r.Command
	list := slices.Clone(corrections.InPlace(first))
	for i := range list {
		list[i].ID = uuid.NewSHA1(by.ID, list[i].ID[:])
		list[i].RecordedAt, list[i].Actor = by.RecordedAt, by.Actor
	}
	return list
}
