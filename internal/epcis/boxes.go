package epcis

import "firstout/internal/events"

// This file tells of boxes: what is packed into them and comes out of them again. Boxes of one code are told as one
// container, by the lot that they are sold by.

// packed is pieces that are in boxes from then on: all the pieces of all the boxes.
func (t *telling) packed(e events.BoxesPacked) {
	t.dates[e.Box] = e.Expiry
	taken := make([]events.Allocation, 0, len(e.Contents))
	for _, c := range e.Contents {
		taken = append(taken, events.Allocation{Code: c.Run, Pieces: c.Pieces * e.Boxes})
	}
	told := t.contained("ADD", "packing", "container_closed", e.Box, t.allocated(taken), e.Place)
	own(told, "boxes", e.Boxes)
	if e.Expiry.Date != nil {
		own(told, "keepsUntil", e.Expiry.Date.String())
	}
}

// unpacked is pieces that are in their boxes no more. Those that go on under a code of their own are a lot of their own.
func (t *telling) unpacked(e events.BoxesOpened) {
	taken := make([]events.Allocation, 0, len(e.Lines))
	for _, l := range e.Lines {
		taken = append(taken, events.Allocation{Code: l.Code, Pieces: l.Pieces})
	}
	told := t.contained("DELETE", "unpacking", "container_open", e.Box, t.allocated(taken), e.Place)
	own(told, "boxes", e.Boxes)
	for _, l := range e.Lines {
		if l.NewCode != "" {
			t.parted(e.Place, events.MovedLine{StockOf: l.StockOf, Amount: events.Amount{Pieces: l.Pieces}, NewCode: l.NewCode, Expiry: l.Expiry})
		}
	}
}

// contained begins an AggregationEvent.
func (t *telling) contained(action, step, disposition string, box events.Code, what []object, place string) object {
	e := t.common("AggregationEvent")
	e["action"], e["bizStep"], e["disposition"] = action, step, disposition
	e["parentID"], e["childQuantityList"] = t.class(box), what
	t.at(e, place)
	return e
}
