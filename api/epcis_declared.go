package api

import (
	"github.com/google/uuid"

	"firstout/internal/epcis"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// declared takes the corrections out of what a trace is told with. What was corrected stays, whole, declared wrong; what
// counts in its place comes after it as events of their own, recorded when the correction was. An event that takes another's
// place has that one's id in the book; here it has one of its own, the same in every document.
func declared(corrected []workshop.PutRight) (told []events.Recorded, wrong map[uuid.UUID]epcis.Declared) {
	right := map[uuid.UUID][]uuid.UUID{}
	for i, c := range corrected {
		if c.By != nil {
			corrected[i].ID = uuid.NewSHA1(c.By.ID, c.ID[:])
			right[c.Command] = append(right[c.Command], corrected[i].ID)
		}
	}
	wrong = map[uuid.UUID]epcis.Declared{}
	for _, c := range corrected {
		told = append(told, c.Recorded)
		if c.Wrong != nil {
			wrong[c.ID] = epcis.Declared{At: c.Wrong.RecordedAt, Right: right[c.Command]}
		}
	}
	return told, wrong
}
