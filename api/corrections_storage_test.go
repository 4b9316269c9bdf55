package api

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// A reading that was typed wrong takes with it what it led to: dates, times out of the class, what parted in its place,
// and the deviation, with what was decided about it where it was deviating all the same.
func TestAReadingIsCorrected(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	box := s.box(2)
	reads := func(at string, value float64) answer {
		s.at(at)
		return s.post("checks", obj{"subject": "counter", "kind": "temperature", "value": value})
	}
	before := s.owner.get(t, "/v1/boxes/"+box).text("use_by", "date")
	reads("2026-11-25T10:00:00Z", 17)
	warm := reads("2026-11-26T10:00:00Z", 31)
	reading := s.eventOf(warm, "checked")
	require.Contains(t, string(warm.Body), "stock_moved", "domes stand elsewhere too")
	require.Less(t, s.owner.get(t, "/v1/boxes/"+box).text("use_by", "date"), before)
	reads("2026-11-26T11:00:00Z", 30)
	pgtest.CheckBook(t, s.db)

	deviation := s.eventOf(warm, "deviation_opened")
	decided := s.post("deviations/"+deviation+"/decisions", obj{"decision": "accept", "reason": "nobody was there"})
	pgtest.CheckBook(t, s.db)

	// It was a little less warm: what was decided about it stays.
	s.at("2026-11-26T12:00:00Z")
	other := s.post("corrections", obj{"event": reading, "reason": "misread", "replacement": obj{"subject": "counter", "kind": "temperature", "value": 29}})
	s.owner.get(t, "/v1/deviations?open=false").has(map[string]any{"deviations.0.value": n("29"), "deviations.0.decision.decision": "accept"})
	pgtest.CheckBook(t, s.db)

	// It was not warm at all: what was decided about that is in the way.
	cool := obj{"event": other.text("id"), "reason": "misread", "replacement": obj{"subject": "counter", "kind": "temperature", "value": 18}}
	blocked := s.refused(http.StatusConflict, "still-used", "corrections", cool)
	require.Equal(t, "deviation_decided", blocked["event_type"])
	s.post("corrections", obj{"event": s.eventOf(decided, "deviation_decided"), "reason": "not so"}).has(map[string]any{"voided": true})
	s.owner.get(t, "/v1/deviations?open=true").has(map[string]any{"deviations.0.value": n("29")})
	pgtest.CheckBook(t, s.db)
	s.post("corrections", cool)
	pgtest.CheckBook(t, s.db)

	// Nor was the one after it.
	later := s.owner.get(t, "/v1/events?type=checked").at("events").([]any)
	last := later[len(later)-1].(map[string]any)["id"]
	s.post("corrections", obj{"event": last, "reason": "another thermometer"})
	s.owner.get(t, "/v1/boxes/"+box).has(map[string]any{"use_by.date": before})
}

// Boxes follow what is said anew of their pieces, and pieces in boxes must have been made.
func TestBoxesFollowACorrection(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	box := s.box(5)
	turnedOut := s.owner.get(t, "/v1/events?type=pieces_turned_out").text("events", 0, "id")
	run := func(good int) obj {
		return obj{
			"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 2, "place": "workshop", "casting": obj{"vat": "vat-dark"},
			"filling": []obj{{"source": s.codes["batch"]}}, "capping": obj{"vat": "vat-dark"}, "turned_out": obj{"good": good},
		}
	}
	s.refused(http.StatusConflict, "still-used", "corrections", obj{"event": turnedOut, "reason": "counted again", "replacement": run(16)})
	s.post("corrections", obj{"event": turnedOut, "reason": "counted again", "replacement": run(45)})
	pgtest.CheckBook(t, s.db)

	opened := s.post("boxes/"+box+"/openings", obj{"count": 1})
	received := s.owner.get(t, "/v1/lots/"+s.codes["sugar"]).text("history", 0, "id")
	nutty := delivery("invert-sugar", "example-cocoa", 2000, obj{"kind": "use_by", "date": "2026-11-30"}, "workshop")
	nutty["allergens"] = []string{"nuts:hazelnut"}
	s.post("corrections", obj{"event": received, "reason": "read the label again", "replacement": nutty})
	boxes := s.owner.get(t, "/v1/boxes/"+box)
	boxes.has(map[string]any{"use_by.date": "2026-11-30", "held": true})
	require.Contains(t, string(boxes.Body), "nuts:hazelnut")
	pgtest.CheckBook(t, s.db)

	s.refused(http.StatusConflict, "still-used", "corrections", obj{
		"event": s.owner.get(t, "/v1/events?type=boxes_packed").text("events", 0, "id"), "reason": "never packed",
	})
	s.post("corrections", obj{"event": s.eventOf(opened, "boxes_opened"), "reason": "never opened"})
	s.post("corrections", obj{
		"event": s.owner.get(t, "/v1/events?type=boxes_packed").text("events", 0, "id"), "reason": "never packed",
	})
	require.Equal(t, http.StatusNotFound, s.owner.get(t, "/v1/boxes/"+box).Status)
}

// What is in a recall may turn out never to have been; what is recalled not.
func TestACorrectionUnderARecall(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	third := s.batch("cream")
	made := s.owner.get(t, "/v1/ganaches/"+third).text("history", 0, "id")
	recall := s.post("recalls", obj{"code": s.codes["cream"], "reach": "may_contain", "reason": "the dairy called"})
	require.Contains(t, string(recall.Body), third)
	s.post("corrections", obj{"event": made, "reason": "never made"})
	pgtest.CheckBook(t, s.db)
	lines := s.owner.get(t, "/v1/recalls/"+recall.text("id")).at("account", "lines")
	require.NotEmpty(t, lines)
	require.NotContains(t, fmt.Sprint(lines), third)
	s.post("recalls/"+recall.text("id")+"/closings", obj{"rest": "released", "reason": "nothing was found"})
	pgtest.CheckBook(t, s.db)
	s.refused(http.StatusConflict, "still-used", "corrections", obj{"event": s.eventOf(recall, "recall_opened"), "reason": "a drill"})
}
