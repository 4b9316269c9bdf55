package api

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// A correctable is a command that a test writes, and what it turns out to have been.
type correctable struct {
	path   string              // with names of what the shop has in braces
	body   func(s *mended) obj // as it was written
	truth  func(s *mended) obj // as it was
	main   string              // the type of the event in which the truth is looked for
	member string              // of that event's data
	is     any
}

// A mended is a shop in which everything that can be written down was written down once, and can be corrected.
type mended struct {
	*testBook
	codes map[string]string
}

func (s *mended) with(path string) string {
	for name, code := range s.codes {
		path = strings.ReplaceAll(path, "{"+name+"}", code)
	}
	return path
}

func (s *mended) lot(name, ingredient, supplier string, grams float64, mark obj, place string) {
	s.codes[name] = s.post("lots", delivery(ingredient, supplier, grams, mark, place)).text("code")
}

func newMended(t *testing.T) *mended {
	t.Helper()
	b := openTestBook(t, pgtest.NewBook(t), true)
	b.catalogue()
	s := &mended{testBook: b, codes: map[string]string{}}
	s.lot("dark", "couverture-dark-60", "example-cocoa", 20000, obj{"kind": "best_before", "date": "2027-05-31"}, "workshop")
	s.lot("dark2", "couverture-dark-60", "example-cocoa", 9000, obj{"kind": "best_before", "date": "2027-03-31"}, "workshop")
	s.lot("cream", "cream-35", "example-dairy", 6000, useBy("2026-12-04"), "cold-room")
	s.lot("cream2", "cream-35", "example-dairy", 4000, useBy("2026-12-02"), "cold-room")
	s.lot("puree", "blackcurrant-puree", "example-dairy", 3000, obj{"kind": "best_before", "date": "2027-02-10"}, "cold-room")
	s.lot("sugar", "invert-sugar", "example-cocoa", 2000, obj{"kind": "best_before", "date": "2027-11-01"}, "workshop")
	s.codes["charge"] = s.post("vats/vat-dark/melts", obj{"inputs": []obj{{"source": s.codes["dark"], "quantity_g": 8000}}}).text("charge")
	s.codes["batch"] = s.batch("cream")
	s.codes["batch2"] = s.batch("cream2")
	s.codes["domes"] = s.post("runs", obj{
		"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 2, "place": "workshop", "casting": obj{"vat": "vat-dark"},
		"filling": []obj{{"source": s.codes["batch"]}}, "capping": obj{"vat": "vat-dark"}, "turned_out": obj{"good": 48},
	}).text("code")
	s.post("runs/"+s.codes["domes"]+"/releases", obj{"pieces": 40, "place": "counter"})
	s.codes["empty"] = s.post("runs", obj{"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 1, "place": "workshop"}).text("code")
	return s
}

func (s *mended) batch(cream string) string {
	return s.post("ganaches", obj{"formula": "blackcurrant-bay", "inputs": s.inputs(cream), "heat_step": obj{"boiled": true}, "place": "workshop"}).text("code")
}

func (s *mended) inputs(cream string) []obj {
	return []obj{
		{"source": s.codes[cream], "quantity_g": 400},
		{"source": s.codes["charge"], "quantity_g": 520},
		{"source": s.codes["puree"], "quantity_g": 220},
		{"source": s.codes["sugar"], "quantity_g": 60},
	}
}

func lines(s *mended, name, unit string, amount int) []obj {
	return []obj{{"code": s.codes[name], unit: amount}}
}

// correctables is a command by every address that records something.
var correctables = map[string]correctable{
	"POST /v1/lots": {
		path: "lots",
		body: func(*mended) obj {
			return delivery("cream-35", "example-dairy", 1000, useBy("2026-12-04"), "cold-room")
		},
		truth: func(*mended) obj {
			return delivery("cream-35", "example-dairy", 900, useBy("2026-12-03"), "cold-room")
		},
		main: "ingredient_received", member: "quantity_g", is: n("900"),
	},
	"POST /v1/lots/:code/openings": {
		path: "lots/{cream}/openings", main: "portion_opened", member: "quantity_g", is: n("450"),
		body:  func(*mended) obj { return obj{"quantity_g": 500} },
		truth: func(*mended) obj { return obj{"quantity_g": 450} },
	},
	"POST /v1/vats/:slug/melts": {
		path: "vats/vat-dark/melts", main: "chocolate_melted", member: "vat", is: "vat-dark",
		body:  func(s *mended) obj { return obj{"inputs": []obj{{"source": s.codes["dark"], "quantity_g": 1000}}} },
		truth: func(s *mended) obj { return obj{"inputs": []obj{{"source": s.codes["dark2"], "quantity_g": 1500}}} },
	},
	"POST /v1/vats/:slug/emptyings": {
		path: "vats/vat-dark/emptyings", main: "vat_emptied", member: "cleaned", is: false,
		body:  func(*mended) obj { return obj{"cleaned": true, "rest": "discard"} },
		truth: func(*mended) obj { return obj{"cleaned": false, "rest": "block", "place": "workshop"} },
	},
	"POST /v1/ganaches": {
		path: "ganaches", main: "ganache_made", member: "yield_g", is: n("1100"),
		body: func(s *mended) obj {
			return obj{"formula": "blackcurrant-bay", "inputs": s.inputs("cream"), "heat_step": obj{"boiled": true}, "place": "workshop"}
		},
		truth: func(s *mended) obj {
			return obj{"formula": "blackcurrant-bay", "inputs": s.inputs("cream2"), "yield_g": 1100, "heat_step": obj{"boiled": true}, "place": "workshop"}
		},
	},
	"POST /v1/runs": {
		path: "runs", main: "shells_cast", member: "run", is: "{made}",
		body: func(*mended) obj {
			return obj{"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 1, "place": "workshop", "casting": obj{"vat": "vat-dark"}}
		},
		truth: func(s *mended) obj {
			return obj{
				"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 2, "place": "workshop", "casting": obj{"vat": "vat-dark"},
				"filling": []obj{{"source": s.codes["batch2"]}},
			}
		},
	},
	"POST /v1/runs/:code/castings": {
		path: "runs/{empty}/castings", main: "shells_cast", member: "temperature_c", is: n("32"),
		body: func(*mended) obj { return obj{"vat": "vat-dark", "temperature_c": 31.5} },
		truth: func(*mended) obj {
			return obj{"vat": "vat-dark", "drawn_g": 210, "returned_g": 100, "temperature_c": 32}
		},
	},
	"POST /v1/runs/:code/fillings": {
		path: "runs/{empty}/fillings", main: "moulds_filled", member: "run", is: "{empty}",
		body:  func(s *mended) obj { return obj{"source": s.codes["batch"]} },
		truth: func(s *mended) obj { return obj{"source": s.codes["batch2"], "quantity_g": 150} },
	},
	"POST /v1/runs/:code/decorations": {
		path: "runs/{empty}/decorations", main: "pieces_decorated", member: "stage", is: "after_filling",
		body: func(s *mended) obj {
			return obj{"stage": "after_casting", "inputs": []obj{{"source": s.codes["sugar"], "quantity_g": 5}}}
		},
		truth: func(s *mended) obj {
			return obj{"stage": "after_filling", "inputs": []obj{{"source": s.codes["sugar"], "quantity_g": 7}}}
		},
	},
	"POST /v1/runs/:code/cappings": {
		path: "runs/{empty}/cappings", main: "moulds_capped", member: "temperature_c", is: n("31"),
		body:  func(*mended) obj { return obj{"vat": "vat-dark"} },
		truth: func(*mended) obj { return obj{"vat": "vat-dark", "drawn_g": 60, "returned_g": 20, "temperature_c": 31} },
	},
	"POST /v1/runs/:code/turnouts": {
		path: "runs/{empty}/turnouts", main: "pieces_turned_out", member: "good", is: n("22"),
		body:  func(*mended) obj { return obj{"good": 24} },
		truth: func(*mended) obj { return obj{"good": 22, "broken": 1} },
	},
	"POST /v1/runs/:code/releases": {
		path: "runs/{empty}/releases", main: "pieces_released", member: "pieces", is: n("20"),
		body:  func(*mended) obj { return obj{"pieces": 22, "place": "counter"} },
		truth: func(*mended) obj { return obj{"pieces": 20, "place": "workshop"} },
	},
	"POST /v1/sales": {
		path: "sales", main: "pieces_sold", member: "reference", is: "slip-2",
		body: func(*mended) obj {
			return obj{"place": "counter", "channel": "counter", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 10}}}
		},
		truth: func(*mended) obj {
			return obj{"place": "counter", "channel": "counter", "reference": "slip-2", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 1}}}
		},
	},
	"POST /v1/tasters": {
		path: "tasters", main: "pieces_given", member: "occasion", is: "the harbour fair",
		body: func(s *mended) obj { return obj{"place": "counter", "lines": lines(s, "domes", "pieces", 2)} },
		truth: func(s *mended) obj {
			return obj{"place": "counter", "occasion": "the harbour fair", "lines": lines(s, "domes", "pieces", 3)}
		},
	},
	"POST /v1/discards": {
		path: "discards", main: "stock_discarded", member: "reason", is: "process_loss",
		body: func(s *mended) obj {
			return obj{"place": "workshop", "lines": lines(s, "batch", "quantity_g", 40), "reason": "damaged", "destination": "refuse"}
		},
		truth: func(s *mended) obj {
			return obj{"place": "workshop", "lines": lines(s, "batch2", "quantity_g", 30), "reason": "process_loss", "destination": "refuse"}
		},
	},
	"POST /v1/moves": { // into the freezer, where histories part
		path: "moves", main: "stock_moved", member: "sealed", is: true,
		body: func(s *mended) obj {
			return obj{"from": "counter", "to": "freezer", "lines": lines(s, "domes", "pieces", 6)}
		},
		truth: func(s *mended) obj {
			return obj{"from": "counter", "to": "freezer", "sealed": true, "lines": lines(s, "domes", "pieces", 5)}
		},
	},
	"POST /v1/counts": {
		path: "counts", main: "stock_counted", member: "reason", is: "again",
		body: func(s *mended) obj { return obj{"place": "counter", "lines": lines(s, "domes", "pieces", 20)} },
		truth: func(s *mended) obj {
			return obj{"place": "counter", "reason": "again", "lines": lines(s, "domes", "pieces", 28)}
		},
	},
	"POST /v1/holds": {
		path: "holds", main: "hold_placed", member: "code", is: "{cream2}",
		body: func(s *mended) obj {
			return obj{"code": s.codes["cream"], "downstream": true, "reason": "supplier called"}
		},
		truth: func(s *mended) obj {
			return obj{"code": s.codes["cream2"], "downstream": true, "reason": "supplier called"}
		},
	},
	"POST /v1/holds/:id/lifts": {
		path: "holds/{hold}/lifts", main: "hold_lifted", member: "reason", is: "the dairy called",
		body:  func(*mended) obj { return obj{"reason": "cleared"} },
		truth: func(*mended) obj { return obj{"reason": "the dairy called"} },
	},
	"POST /v1/checks": {
		path: "checks", main: "checked", member: "value", is: n("4.8"),
		body:  func(s *mended) obj { return obj{"subject": s.codes["batch"], "kind": "ph", "value": 5.6} },
		truth: func(s *mended) obj { return obj{"subject": s.codes["batch"], "kind": "ph", "value": 4.8} },
	},
	"POST /v1/deviations/:id/decisions": {
		path: "deviations/{deviation}/decisions", main: "deviation_decided", member: "decision", is: "accept",
		body:  func(*mended) obj { return obj{"decision": "discard", "reason": "too warm"} },
		truth: func(*mended) obj { return obj{"decision": "accept", "reason": "the probe was off"} },
	},
	"POST /v1/boxes": {
		path: "boxes", main: "boxes_packed", member: "boxes", is: n("3"),
		body: func(s *mended) obj {
			return obj{"place": "counter", "count": 2, "contents": []obj{{"run": s.codes["domes"], "pieces": 4}}}
		},
		truth: func(s *mended) obj {
			return obj{"place": "counter", "count": 3, "contents": []obj{{"run": s.codes["domes"], "pieces": 6}}}
		},
	},
	"POST /v1/boxes/:code/openings": {
		path: "boxes/{box}/openings", main: "boxes_opened", member: "boxes", is: n("1"),
		body:  func(*mended) obj { return obj{"count": 2} },
		truth: func(*mended) obj { return obj{"count": 1} },
	},
	"POST /v1/recalls": {
		path: "recalls", main: "recall_opened", member: "code", is: "{cream2}",
		body: func(s *mended) obj {
			return obj{"code": s.codes["cream"], "reach": "may_contain", "reason": "the dairy called"}
		},
		truth: func(s *mended) obj {
			return obj{"code": s.codes["cream2"], "reach": "contains", "reason": "the dairy called"}
		},
	},
	"POST /v1/recalls/:id/narrowings": {
		path: "recalls/{recall}/narrowings", main: "recall_narrowed", member: "reason", is: "measured",
		body:  func(*mended) obj { return obj{"reason": "reckoned"} },
		truth: func(*mended) obj { return obj{"reason": "measured"} },
	},
	"POST /v1/recalls/:id/closings": {
		path: "recalls/{recall}/closings", main: "recall_closed", member: "reason", is: "the laboratory found nothing",
		body:  func(*mended) obj { return obj{"rest": "kept_on_hold", "reason": "waiting"} },
		truth: func(*mended) obj { return obj{"rest": "released", "reason": "the laboratory found nothing"} },
	},
	"POST /v1/labels/:code/prints": {
		path: "labels/{domes}/prints", main: "label_printed", member: "copies", is: n("12"),
		body:  func(*mended) obj { return obj{"copies": 20} },
		truth: func(*mended) obj { return obj{"copies": 12} },
	},
	"POST /v1/redatings": {
		path: "redatings", main: "redated", member: "cause", is: "decided",
		body:  func(s *mended) obj { return obj{"code": s.codes["batch"], "date": "2026-11-30", "reason": "smell"} },
		truth: func(s *mended) obj { return obj{"code": s.codes["batch"], "date": "2026-12-02", "reason": "smell"} },
	},
}

// notCorrected are the addresses that record something and are not corrected so, each with the reason.
var notCorrected = map[string]string{
	"POST /v1/corrections": "it is corrected with the body of what it corrects: TestCommandsAreCorrected does so with each",
}

// steps of a run that must have been done before another.
var correctableOrder = []string{
	"POST /v1/runs/:code/castings", "POST /v1/runs/:code/fillings", "POST /v1/runs/:code/decorations", "POST /v1/runs/:code/cappings",
	"POST /v1/runs/:code/turnouts", "POST /v1/runs/:code/releases",
}

// Every command that the document has is in the table of corrections.
func TestEveryCommandHasItsCorrection(t *testing.T) {
	t.Parallel()
	operations, err := document()
	require.NoError(t, err)
	for at, op := range operations {
		if op.needsKey {
			_, corrected := correctables[at]
			_, not := notCorrected[at]
			require.NotEqual(t, corrected, not, "%s: give its correction, or say why there is none", at)
		}
	}
}

// Every command is replaced by what was the case, that correction is voided, and then the command itself. After each
// the derived tables are what the log gives, row for row: the book is checked at the test's end, and between.
func TestCommandsAreCorrected(t *testing.T) {
	t.Parallel()
	for at, c := range correctables {
		t.Run(strings.TrimPrefix(at, "POST /v1/"), func(t *testing.T) {
			t.Parallel()
			s := newMended(t)
			s.before(at)
			s.at("2026-11-25T10:00:00Z")
			wrote := s.post(s.with(c.path), c.body(s))
			event := s.eventOf(wrote, c.main)
			if made, is := wrote.json().(map[string]any)["code"].(string); is {
				s.codes["made"] = made
			}
			s.at("2026-11-25T11:00:00Z")
			replaced := s.post("corrections", obj{"event": event, "reason": "typed wrong", "replacement": c.truth(s)})
			s.counts(replaced, c)
			pgtest.CheckBook(t, s.db)
			s.refused(http.StatusConflict, "already-corrected", "corrections", obj{"event": event, "reason": "again"})

			voided := s.post("corrections", obj{"event": replaced.text("id"), "reason": "it was so after all"})
			voided.has(map[string]any{"voided": true})
			pgtest.CheckBook(t, s.db)

			s.post("corrections", obj{"event": event, "reason": "never happened"}).has(map[string]any{"voided": true})
			pgtest.CheckBook(t, s.db)
			back := s.post("corrections", obj{"event": s.lastCorrection(), "reason": "it did happen", "replacement": c.truth(s)})
			s.counts(back, c)
		})
	}
}

// before writes what must be there before a command.
func (s *mended) before(at string) {
	s.t.Helper()
	for _, step := range correctableOrder {
		if step == at || !slices.Contains(correctableOrder, at) {
			break
		}
		c := correctables[step]
		s.post(s.with(c.path), c.body(s))
	}
	switch at {
	case "POST /v1/holds/:id/lifts":
		s.codes["hold"] = s.post("holds", obj{"code": s.codes["cream"], "downstream": true, "reason": "supplier called"}).text("id")
	case "POST /v1/boxes/:code/openings":
		s.codes["box"] = s.box(2)
	case "POST /v1/recalls/:id/narrowings", "POST /v1/recalls/:id/closings":
		s.codes["recall"] = s.post("recalls", obj{"code": s.codes["cream"], "reach": "may_contain", "reason": "the dairy called"}).text("id")
	case "POST /v1/deviations/:id/decisions":
		warm := delivery("cream-35", "example-dairy", 1000, useBy("2026-12-04"), "cold-room")
		warm["received_temperature_c"] = 11
		s.codes["deviation"] = s.deviationOf(s.post("lots", warm).text("code"))
	}
}

// box packs boxes of four domes.
func (s *mended) box(boxes int) string {
	s.t.Helper()
	return s.post("boxes", obj{
		"place": "counter", "count": boxes, "contents": []obj{{"run": s.codes["domes"], "pieces": 4}},
	}).text("boxes", 0, "code")
}

func (s *mended) deviationOf(code string) string {
	return s.owner.get(s.t, "/v1/deviations?code="+code).text("deviations", 0, "id")
}

// eventOf finds the event of a type that a command became.
func (s *mended) eventOf(wrote answer, kind string) string {
	s.t.Helper()
	for _, e := range wrote.at("recorded", "events").([]any) {
		if event := e.(map[string]any); event["type"] == kind {
			return event["id"].(string)
		}
	}
	require.Fail(s.t, "no "+kind, "%s", wrote.Body)
	return ""
}

// counts looks for the truth in what counts now.
func (s *mended) counts(corrected answer, c correctable) {
	s.t.Helper()
	corrected.has(map[string]any{"voided": false})
	want := c.is
	if text, is := want.(string); is {
		want = s.with(text)
	}
	var kinds []string
	for _, e := range corrected.at("events").([]any) {
		event := e.(map[string]any)
		kinds = append(kinds, event["type"].(string))
		if event["type"] == c.main {
			require.Equal(s.t, want, event["data"].(map[string]any)[c.member], "%s", corrected.Body)
			return
		}
	}
	require.Contains(s.t, kinds, c.main)
}

func (s *mended) lastCorrection() string {
	events := s.owner.get(s.t, "/v1/events?type=command_corrected").at("events").([]any)
	return events[len(events)-1].(map[string]any)["id"].(string)
}

// A counter voids its own for a quarter of an hour, a maker corrects its own on the same day, the owner always.
func TestWhoMayCorrect(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	counter, maker := s.as(roleCounter), s.as(roleMaker)
	sale := obj{"place": "counter", "channel": "counter", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 1}}}
	sell := func(c client) string {
		a := c.post(t, "/v1/sales", text(t, sale))
		require.Equal(t, http.StatusCreated, a.Status, "%s", a.Body)
		return a.text("id")
	}
	void := func(c client, event string) answer {
		return c.post(t, "/v1/corrections", text(t, obj{"event": event, "reason": "typed wrong"}))
	}
	replace := func(c client, event string) answer {
		return c.post(t, "/v1/corrections", text(t, obj{"event": event, "reason": "typed wrong", "replacement": sale}))
	}
	s.at("2026-11-25T10:00:00Z")
	first, second, makers, owners := sell(counter), sell(counter), sell(maker), sell(s.owner)
	s.at("2026-11-25T10:15:00Z")
	replace(counter, first).problem(http.StatusForbidden, "forbidden")
	void(counter, makers).problem(http.StatusForbidden, "forbidden")
	require.Equal(t, http.StatusCreated, void(counter, first).Status)
	s.at("2026-11-25T10:15:01Z")
	void(counter, second).problem(http.StatusForbidden, "forbidden")
	void(maker, second).problem(http.StatusForbidden, "forbidden")
	void(maker, owners).problem(http.StatusForbidden, "forbidden")
	require.Equal(t, http.StatusCreated, void(s.owner, second).Status)
	other := sell(maker)
	s.at("2026-11-25T23:59:00Z")
	require.Equal(t, http.StatusCreated, replace(maker, makers).Status)
	s.at("2026-11-26T00:01:00Z")
	replace(maker, other).problem(http.StatusForbidden, "forbidden")
	require.Equal(t, http.StatusCreated, replace(s.owner, other).Status)
}

// What cannot be is refused with what stands in its way, and nothing is written.
func TestRefusedCorrections(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	correct := func(event string, replacement obj) obj {
		body := obj{"event": event, "reason": "typed wrong"}
		if replacement != nil {
			body["replacement"] = replacement
		}
		return body
	}
	received := s.owner.get(t, "/v1/lots/"+s.codes["cream"]).text("history", 0, "id")
	s.refused(http.StatusUnprocessableEntity, "unknown-code", "corrections", correct(someID.String(), nil))

	// More was used than is said to have come.
	less := delivery("cream-35", "example-dairy", 300, useBy("2026-12-04"), "cold-room")
	refusal := s.refused(http.StatusConflict, "still-used", "corrections", correct(received, less))
	require.Equal(t, []any{s.codes["cream"]}, refusal["in_the_way"])
	require.Equal(t, "portion_opened", refusal["event_type"])
	s.refused(http.StatusConflict, "still-used", "corrections", correct(received, nil))

	// The tank that was filled is drawn from.
	melted := s.owner.get(t, "/v1/events?type=chocolate_melted").text("events", 0, "id")
	s.refused(http.StatusConflict, "still-used", "corrections", correct(melted, nil))

	// A replacement is refused as its own address would refuse it.
	strange := delivery("no-such-thing", "example-dairy", 6000, useBy("2026-12-04"), "cold-room")
	s.refused(http.StatusUnprocessableEntity, "unknown-code", "corrections", correct(received, strange))
	late := delivery("cream-35", "example-dairy", 6000, useBy("2026-12-04"), "cold-room")
	late["occurred_at"] = "2026-11-27T09:00:00Z"
	s.refused(http.StatusUnprocessableEntity, "in-the-future", "corrections", correct(received, late))
	off := s.refused(http.StatusUnprocessableEntity, "invalid-request", "corrections", correct(received, obj{"ingredient": "cream-35", "quantity_g": -1}))
	require.Contains(t, off["errors"].([]any)[0].(map[string]any)["pointer"], "/replacement/")

	// The mistake was found after it was made, and not tomorrow.
	early, ahead := correct(received, nil), correct(received, nil)
	early["occurred_at"], ahead["occurred_at"] = "2026-11-20T09:00:00Z", "2026-11-27T09:00:00Z"
	s.refused(http.StatusConflict, "before-it-existed", "corrections", early)
	s.refused(http.StatusUnprocessableEntity, "in-the-future", "corrections", ahead)

	// A definition has versions.
	defined := s.owner.get(t, "/v1/events?type=site_defined").text("events", 0, "id")
	s.refused(http.StatusUnprocessableEntity, "wrong-kind-of-thing", "corrections", correct(defined, nil))
	s.refused(http.StatusUnprocessableEntity, "wrong-kind-of-thing", "corrections", correct(defined, less))
}

// A lot that is not the one in the tank changes what everything is made of that was drawn since; an earlier date mark
// dates it earlier at once; a nut that nobody wrote down holds what was released.
func TestACorrectionIsFollowedDownstream(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	melted := s.owner.get(t, "/v1/events?type=chocolate_melted").text("events", 0, "id")
	s.post("corrections", obj{"event": melted, "reason": "the other box", "replacement": obj{"inputs": []obj{{"source": s.codes["dark2"], "quantity_g": 8000}}}})
	back := s.owner.get(t, "/v1/trace/"+s.codes["domes"]+"/back")
	require.Contains(t, string(back.Body), s.codes["dark2"])
	require.NotContains(t, string(back.Body), s.codes["dark"])
	s.owner.get(t, "/v1/lots/"+s.codes["dark"]).has(map[string]any{"on_hand_g": n("20000")})

	sold := s.post("sales", obj{"place": "counter", "channel": "counter", "lines": []obj{{"design": "blackcurrant-dome", "pieces": 4}}})
	received := s.owner.get(t, "/v1/lots/"+s.codes["sugar"]).text("history", 0, "id")
	nutty := delivery("invert-sugar", "example-cocoa", 2000, obj{"kind": "use_by", "date": "2026-11-30"}, "workshop")
	nutty["allergens"] = []string{"nuts:hazelnut"}
	corrected := s.post("corrections", obj{"event": received, "reason": "read the label again", "replacement": nutty})
	corrected.has(map[string]any{"holds.0.code": s.codes["domes"], "deviations.0.rule": "allergen-not-on-label"})
	s.owner.get(t, "/v1/ganaches/"+s.codes["batch"]).has(map[string]any{"use_by.date": "2026-11-30"})
	run := s.owner.get(t, "/v1/runs/"+s.codes["domes"])
	run.has(map[string]any{"use_by.date": "2026-11-30", "held": true})
	require.Contains(t, string(corrected.Body), sold.text("id"))

	// Later only by an owner's redating.
	s.post("corrections", obj{"event": corrected.text("id"), "reason": "it was right", "replacement": delivery("invert-sugar", "example-cocoa", 2000, obj{"kind": "best_before", "date": "2027-11-01"}, "workshop")})
	s.owner.get(t, "/v1/lots/"+s.codes["sugar"]).has(map[string]any{"use_by.date": "2027-11-01"})
}

// Boxes may stand in the book from before their pieces were cast, once the casting was corrected. What comes into the tank is
// in them all the same: by the shares, by the trace and by what a hold takes in.
func TestBoxesFromBeforeTheirPieces(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	cast := s.owner.get(t, "/v1/events?type=shells_cast").text("events", 0, "id")
	s.at("2026-11-25T10:00:00Z")
	box := s.box(2)
	s.at("2026-11-25T13:00:00Z")
	s.post("corrections", obj{"event": cast, "reason": "it was at noon", "replacement": obj{
		"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 2, "place": "workshop", "casting": obj{"vat": "vat-dark"},
		"filling": []obj{{"source": s.codes["batch"]}}, "capping": obj{"vat": "vat-dark"}, "turned_out": obj{"good": 48},
		"occurred_at": "2026-11-25T12:00:00Z",
	}})
	melted := s.post("vats/vat-dark/melts", obj{"inputs": []obj{{"source": s.codes["dark2"], "quantity_g": 1000}}, "occurred_at": "2026-11-25T11:30:00Z"})
	pgtest.CheckBook(t, s.db)
	s.post("corrections", obj{
		"event": s.eventOf(melted, "chocolate_melted"), "reason": "weighed again",
		"replacement": obj{"inputs": []obj{{"source": s.codes["dark2"], "quantity_g": 3000}}, "occurred_at": "2026-11-25T11:30:00Z"},
	})
	pgtest.CheckBook(t, s.db)
	require.Contains(t, string(s.owner.get(t, "/v1/trace/"+box+"/back").Body), s.codes["dark2"])
	require.Contains(t, string(s.owner.get(t, "/v1/trace/"+s.codes["dark2"]+"/forward").Body), box)
	s.post("holds", obj{"code": s.codes["dark2"], "downstream": true, "reason": "supplier called"})
	s.owner.get(t, "/v1/boxes/"+box).has(map[string]any{"held": true})
	then := s.owner.get(t, "/v1/trace/"+s.codes["dark2"]+"/forward?known_at="+strconv.Itoa(int(s.head())))
	require.Contains(t, string(then.Body), box, "and by what was known at the end")
}

// A tank that turns out not to have been cleaned passes its hold on to what is in it next. A lift since did not look at that:
// the hold is lifted once more.
func TestAHoldPassedOnByACorrectionIsLiftedAgain(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	s.at("2026-11-25T10:00:00Z")
	hold := s.post("holds", obj{"code": s.codes["charge"], "reason": "supplier called"}).text("id")
	emptied := s.post("vats/vat-dark/emptyings", obj{"cleaned": true, "rest": "discard"})
	s.post("holds/"+hold+"/lifts", obj{"reason": "cleared"})
	s.refused(http.StatusConflict, "wrong-state", "holds/"+hold+"/lifts", obj{"reason": "again"})
	s.post("corrections", obj{"event": s.eventOf(emptied, "vat_emptied"), "reason": "wiped only", "replacement": obj{"cleaned": false, "rest": "discard"}})
	pgtest.CheckBook(t, s.db)
	next := s.owner.get(t, "/v1/vats/vat-dark")
	next.has(map[string]any{"charge.held": true})
	melt := func(grams int) obj {
		return obj{"inputs": []obj{{"source": s.codes["dark2"], "quantity_g": grams}}, "already_done": true}
	}
	melted := s.post("vats/vat-dark/melts", melt(1000))
	s.post("corrections", obj{"event": s.eventOf(melted, "chocolate_melted"), "reason": "weighed again", "replacement": melt(1100)})
	pgtest.CheckBook(t, s.db)
	s.owner.get(t, "/v1/vats/vat-dark").has(map[string]any{"charge.code": next.text("charge", "code"), "charge.held": true})
	s.post("holds/"+hold+"/lifts", obj{"reason": "cleared too"})
	s.owner.get(t, "/v1/vats/vat-dark").has(map[string]any{"charge.held": false})
	s.refused(http.StatusConflict, "wrong-state", "holds/"+hold+"/lifts", obj{"reason": "again"})
}

// What turns out not to have come out of a held tank is not among what the hold took in, also where the hold was lifted since
// and no longer stands on anything that is left as it was.
func TestALiftedHoldForgetsWhatWasNeverInIt(t *testing.T) {
	t.Parallel()
	s := newMended(t)
	s.at("2026-11-25T10:00:00Z")
	hold := s.post("holds", obj{"code": s.codes["charge"], "reason": "supplier called"}).text("id")
	s.post("vats/vat-dark/emptyings", obj{"cleaned": false, "rest": "discard"})
	s.at("2026-11-25T11:00:00Z")
	again := s.post("vats/vat-dark/emptyings", obj{"cleaned": false, "rest": "discard"})
	require.Contains(t, s.post("holds/"+hold+"/lifts", obj{"reason": "cleared"}).at("codes"), again.text("next_charge"))
	s.post("corrections", obj{"event": s.eventOf(again, "vat_emptied"), "reason": "it was washed", "replacement": obj{"cleaned": true, "rest": "discard"}})
	pgtest.CheckBook(t, s.db)
}
