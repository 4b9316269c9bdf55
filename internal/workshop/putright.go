package workshop

import (
	"cmp"
	"slices"

	"github.com/google/uuid"

	"firstout/internal/events"
)

// PutRight is an event as it is told where corrections are told too: what was written stays, and what counts in its place
// stands beside it.
type PutRight struct {
	events.Recorded
	Wrong *events.Recorded // the correction of its command that is in force; nil if the event counts
	By    *events.Recorded // the correction that brought it; when it was recorded, and by whom, is that one's. nil: it was written
}

// AsCorrected takes the corrections out of some events, and puts what they brought in the places of what they corrected, in
// the order of time. What was brought in the place of a command of which no event is given is told too where alone.
func AsCorrected(recorded []events.Recorded, alone bool) []PutRight {
	written := slices.SortedFunc(slices.Values(recorded), func(a, b events.Recorded) int { return cmp.Compare(a.Position, b.Position) })
	corrections := CorrectionsIn(written)
	var told []PutRight
	met := map[uuid.UUID]bool{}
	for _, r := range recorded {
		if _, is := r.Data.(events.CommandCorrected); is {
			continue
		}
		by := corrections.on(r.Command)
		if by == nil {
			told = append(told, PutRight{Recorded: r})
			continue
		}
		told = append(told, PutRight{Recorded: r, Wrong: &by.recorded})
		if !met[r.Command] {
			met[r.Command] = true
			told = append(told, corrections.brought(by, r.Command)...)
		}
	}
	for _, one := range corrections.all {
		by := corrections.on(one.root)
		if !alone || met[one.root] || by == nil {
			continue
		}
		met[one.root] = true
		told = append(told, corrections.brought(by, one.root)...)
	}
	slices.SortStableFunc(told, func(a, b PutRight) int {
		return cmp.Or(a.OccurredAt.Compare(b.OccurredAt), cmp.Compare(a.Position, b.Position))
	})
	return told
}

// brought lists what a correction in force has count in the place of a command.
func (c *Corrections) brought(by *correction, command uuid.UUID) []PutRight {
	for over := c.on(by.recorded.Command); over != nil; over = c.on(by.recorded.Command) {
		by = over
	}
	var told []PutRight
	for _, e := range by.said.Events {
		r := e.Recorded(by.recorded)
		r.Command = command
		told = append(told, PutRight{Recorded: r, By: &by.recorded})
	}
	return told
}
