package workshop_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

func boxes(count int, lines ...workshop.PieceLine) workshop.PackBoxes {
	return workshop.PackBoxes{Place: "counter", Boxes: count, Lines: lines}
}

func (s *shop) pack(cmd workshop.PackBoxes) []*workshop.Box {
	s.t.Helper()
	return s.do(cmd).(workshop.PackedBoxes).Boxes
}

// First expiring first, one box after the other: boxes with the same contents have one code, and no other has it.
func TestBoxesOfOneCodeHaveTheSameContents(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	first := b.domesOf("2026-11-25T12:00:00Z", 10)
	second := b.domesOf("2026-11-26T12:00:00Z", 20)
	packed := b.pack(boxes(5, byDesign("blackcurrant-dome", 4)))
	require.Len(t, packed, 3)
	kinds := []struct {
		boxes    int
		contents map[events.Code]int
	}{
		{2, map[events.Code]int{first: 4}},
		{1, map[events.Code]int{first: 2, second: 2}}, // the last two of the first run
		{2, map[events.Code]int{second: 4}},
	}
	for i, kind := range kinds {
		require.Equal(t, kind.boxes, packed[i].Packed)
		require.EqualValues(t, kind.boxes, b.onHand(packed[i].Code, "counter"))
		contents := map[events.Code]int{}
		for _, c := range packed[i].Contents {
			contents[c.Run] += c.Pieces
		}
		require.Equal(t, kind.contents, contents)
		require.Equal(t, packed[i].BoxMass, packed[i].Mix.Total(), "every milligram is of some lot")
	}
	for i, from := range []events.Code{first, first, second} {
		require.Equal(t, b.set.Run(from).Expiry.Date, packed[i].Expiry.Date, "the earliest of its pieces")
	}
	require.Zero(t, b.onHand(first, "counter"))
	require.EqualValues(t, 10, b.onHand(second, "counter"))
	require.Equal(t, []string{"boxes_packed", "boxes_packed", "boxes_packed"}, b.types())
}

// What goes into boxes and comes out again leaves nothing between a run and its boxes.
func TestOpenedBoxesGiveBackWhatTheyTook(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 24)
	box := b.pack(boxes(3, byCode(b.domes, 4)))[0]
	require.EqualValues(t, 12, b.onHand(b.domes, "counter"))
	b.do(workshop.OpenBoxes{Box: box.Code, Boxes: 3})
	require.EqualValues(t, 24, b.onHand(b.domes, "counter"))
	require.Zero(t, b.onHand(box.Code, "counter"))
	between := events.Mass(0)
	for _, e := range b.edges {
		if e.To == box.Code {
			between += e.Mass
		}
	}
	require.Zero(t, between)
	require.EqualValues(t, "not-enough", b.refuse(workshop.OpenBoxes{Box: box.Code, Boxes: 1}).Slug)
}

// A hold on pieces that are in a box already is the box's too, and lifting it frees both; the hold that came with the
// broken rule stays until its deviation is decided.
func TestABoxOfHeldPiecesIsHeld(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.release(b.domes, 24)
	hold := b.do(workshop.PlaceHold{Code: b.domes, Reason: "a hair"}).(workshop.HoldAnswer).Hold
	require.EqualValues(t, "on-hold", b.refuse(boxes(1, byCode(b.domes, 4))).Slug)
	cmd := boxes(1, byCode(b.domes, 4))
	cmd.AlreadyDone = true
	box := b.pack(cmd)[0].Code
	require.Len(t, b.set.Box(box).Holds, 2)
	require.Equal(t, []events.Code{box, b.domes}, b.set.Hold(hold.ID).Codes)
	require.EqualValues(t, "on-hold", b.refuse(sale(byCode(box, 1))).Slug)
	b.do(workshop.LiftHold{Hold: hold.ID, Reason: "a thread"})
	require.Len(t, b.set.Box(box).Holds, 1)
	require.True(t, b.lines(box, "counter")[0].Held)
}
