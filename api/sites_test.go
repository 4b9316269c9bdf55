package api

import (
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// A siteCase is what a key of the pier may and may not ask of one route. Words in braces stand for codes and ids of the
// shop in twoHouses.
type siteCase struct {
	elsewhere []string // 403, or what names something hidden as if there were no such thing; nothing is written, whether or not it is done already
	own       []string // let through
	shared    bool     // alike for every site
}

// atThePier says for every route of the book how a key is held to its site. A request is its path under /v1, and its
// body after a space.
var atThePier = map[string]siteCase{
	"PUT /v1/sites/:slug": {
		elsewhere: []string{`sites/quay-lane {"name":"Mine","time_zone":"Asia/Tokyo","currency":"JPY"}`, `sites/third {"name":"Third","time_zone":"Asia/Tokyo","currency":"JPY"}`},
		own:       []string{`sites/pier {"name":"The pier","time_zone":"Asia/Tokyo","currency":"JPY"}`},
	},
	"PUT /v1/places/:slug": {
		elsewhere: []string{
			`places/counter {"name":"Counter","site":"quay-lane","storage":"cool","sells":true,"monitoring":"none"}`, // as it is
			`places/counter {"name":"Counter","site":"pier","storage":"cool","sells":true}`,                          // taken away
			`places/stall {"name":"Stall","site":"quay-lane","storage":"cool","sells":true}`,                         // given away
			`places/cellar {"name":"Cellar","site":"quay-lane","storage":"cool"}`,
		},
		own: []string{`places/stall {"name":"The stall","site":"pier","storage":"cool","sells":true}`},
	},
	"PUT /v1/vats/:slug": {
		elsewhere: []string{
			`vats/vat-dark {"name":"Dark tank","chocolate":"dark","site":"pier"}`, `vats/vat-pier {"name":"Tank","chocolate":"dark","site":"quay-lane"}`,
			`vats/vat-new {"name":"Tank","chocolate":"dark","site":"quay-lane"}`,
		},
		own: []string{`vats/vat-pier {"name":"Pier tank","chocolate":"dark","site":"pier","capacity_g":9000}`},
	},
	"PUT /v1/buyers/:slug": {shared: true}, "PUT /v1/suppliers/:slug": {shared: true}, "PUT /v1/ingredients/:slug": {shared: true},
	"PUT /v1/formulas/:slug": {shared: true}, "PUT /v1/moulds/:slug": {shared: true}, "PUT /v1/designs/:slug": {shared: true},
	"PUT /v1/life-scheme": {shared: true}, "GET /v1/life-scheme": {shared: true},
	"GET /v1/sites": {shared: true}, "GET /v1/sites/:slug": {shared: true}, "GET /v1/places": {shared: true}, "GET /v1/places/:slug": {shared: true},
	"GET /v1/designs": {shared: true}, "GET /v1/designs/:slug": {shared: true}, "GET /v1/buyers": {shared: true}, "GET /v1/buyers/:slug": {shared: true},
	"GET /v1/suppliers": {shared: true}, "GET /v1/suppliers/:slug": {shared: true}, "GET /v1/ingredients": {shared: true},
	"GET /v1/ingredients/:slug": {shared: true}, "GET /v1/formulas": {shared: true}, "GET /v1/formulas/:slug": {shared: true},
	"GET /v1/moulds": {shared: true}, "GET /v1/moulds/:slug": {shared: true}, "GET /v1/reference/ingredients": {shared: true},
	"POST /v1/expiry/estimates": {shared: true},
	"GET /v1/vats":              {own: []string{"vats"}},
	"GET /v1/vats/:slug":        {elsewhere: []string{"vats/vat-dark", "vats/vat-dark?version=1"}, own: []string{"vats/vat-pier"}},

	"POST /v1/lots": {
		elsewhere: []string{`lots {"ingredient":"cream-35","supplier":"example-dairy","supplier_lot":"X","quantity_g":1,"date_mark":{"kind":"none"},"place":"cold-room"}`},
		own:       []string{`lots {"ingredient":"cream-35","supplier":"example-dairy","supplier_lot":"X","quantity_g":1,"date_mark":{"kind":"none"},"place":"stall"}`},
	},
	"POST /v1/lots/:code/openings": {
		elsewhere: []string{`lots/{cream}/openings {"quantity_g":1}`, `lots/{cream}/openings {"quantity_g":1e6}`, `lots/{cream}/openings {"quantity_g":1,"place":"stall"}`, `lots/{mine}/openings {"quantity_g":1,"place":"cold-room"}`},
		own:       []string{`lots/{mine}/openings {"quantity_g":1}`},
	},
	"POST /v1/vats/:slug/melts": {
		elsewhere: []string{
			`vats/vat-dark/melts {"inputs":[{"source":"{mine-dark}","quantity_g":1}]}`, `vats/vat-pier/melts {"inputs":[{"source":"{dark}","quantity_g":1}]}`,
			`vats/vat-pier/melts {"inputs":[{"source":"{dark}","quantity_g":1e6}]}`, // not even how much there is
		},
		own: []string{`vats/vat-pier/melts {"inputs":[{"source":"{mine-dark}","quantity_g":1}]}`},
	},
	"POST /v1/vats/:slug/emptyings": {
		elsewhere: []string{`vats/vat-dark/emptyings {"cleaned":true,"rest":"discard"}`, `vats/vat-pier/emptyings {"cleaned":true,"rest":"block","place":"workshop"}`},
		own:       []string{`vats/vat-pier/emptyings {"cleaned":false,"rest":"block","place":"stall"}`},
	},
	"POST /v1/ganaches": {
		elsewhere: []string{
			`ganaches {"formula":"blackcurrant-bay","place":"cold-room","inputs":[{"source":"{mine}","quantity_g":1}]}`,
			`ganaches {"formula":"blackcurrant-bay","place":"stall","inputs":[{"source":"{cream}","quantity_g":1}]}`,
			`ganaches {"formula":"blackcurrant-bay","place":"stall","inputs":[{"source":"{charge}","quantity_g":1}]}`,
			`ganaches {"formula":"blackcurrant-bay","place":"stall","inputs":[{"source":"{mine}","quantity_g":1,"place":"cold-room"}]}`,
		},
		own: []string{`ganaches {"formula":"blackcurrant-bay","place":"stall","inputs":[{"source":"{mine}","quantity_g":1}]}`},
	},
	"POST /v1/runs": {
		elsewhere: []string{
			`runs {"design":"blackcurrant-dome","mould":"dome-24","moulds":1,"place":"workshop"}`,
			`runs {"design":"blackcurrant-dome","mould":"dome-24","moulds":1,"place":"stall","casting":{"vat":"vat-dark"}}`,
			`runs {"design":"blackcurrant-dome","mould":"dome-24","moulds":1,"place":"stall","casting":{"vat":"vat-pier"},"filling":[{"source":"{ganache}"}]}`,
			`runs {"design":"blackcurrant-dome","mould":"dome-24","moulds":1,"place":"stall","decorations":[{"stage":"before_casting","inputs":[{"source":"{violet}","quantity_g":1}]}]}`,
			`runs {"design":"blackcurrant-dome","mould":"dome-24","moulds":1,"place":"stall","casting":{"vat":"vat-pier"},"turned_out":{"good":0,"unfilled":24,"unfilled_to":{"vat":"vat-dark"}}}`,
		},
		own: []string{`runs {"design":"blackcurrant-dome","mould":"dome-24","moulds":1,"place":"stall"}`},
	},
	"POST /v1/runs/:code/castings":    {elsewhere: []string{`runs/{begun}/castings {"vat":"vat-pier"}`}, own: []string{`runs/{mine-run}/castings {"vat":"vat-pier"}`}},
	"POST /v1/runs/:code/fillings":    {elsewhere: []string{`runs/{begun}/fillings {"source":"{ganache}"}`, `runs/{mine-run}/fillings {"source":"{ganache}"}`}},
	"POST /v1/runs/:code/decorations": {elsewhere: []string{`runs/{begun}/decorations {"stage":"before_casting","inputs":[{"source":"{violet}","quantity_g":1}]}`, `runs/{mine-run}/decorations {"stage":"before_casting","inputs":[{"source":"{violet}","quantity_g":1}]}`}},
	"POST /v1/runs/:code/cappings":    {elsewhere: []string{`runs/{begun}/cappings {"vat":"vat-pier"}`, `runs/{mine-run}/cappings {"vat":"vat-dark"}`}},
	"POST /v1/runs/:code/turnouts":    {elsewhere: []string{`runs/{begun}/turnouts {"good":1}`}, own: []string{`runs/{mine-run}/turnouts {"good":1}`}},
	"POST /v1/runs/:code/releases": {
		elsewhere: []string{`runs/{waiting}/releases {"pieces":1,"place":"counter"}`, `runs/{waiting}/releases {"pieces":1,"place":"stall"}`},
		own:       []string{`runs/{mine-run}/releases {"pieces":1,"place":"stall"}`},
	},
	"GET /v1/lots":           {own: []string{"lots", "lots?on_hand=true"}},
	"GET /v1/lots/:code":     {elsewhere: []string{"lots/{cream}"}, own: []string{"lots/{mine}"}},
	"GET /v1/ganaches":       {own: []string{"ganaches"}},
	"GET /v1/ganaches/:code": {elsewhere: []string{"ganaches/{ganache}"}},
	"GET /v1/runs":           {own: []string{"runs", "runs?on_hand=true", "runs?awaiting_release=true"}},
	"GET /v1/runs/:code":     {elsewhere: []string{"runs/{waiting}"}, own: []string{"runs/{run}", "runs/{mine-run}"}},

	"POST /v1/boxes": {
		elsewhere: []string{`boxes {"place":"counter","contents":[{"run":"{run}","pieces":1}]}`, `boxes {"place":"counter","designs":[{"design":"blackcurrant-dome","pieces":1}],"pick":"fefo"}`, `boxes {"place":"stall","contents":[{"run":"{waiting}","pieces":1}]}`},
		own:       []string{`boxes {"place":"stall","contents":[{"run":"{run}","pieces":1}]}`},
	},
	"POST /v1/boxes/:code/openings": {
		elsewhere: []string{`boxes/{box}/openings {"count":1}`, `boxes/{mine-box}/openings {"count":1,"place":"counter"}`},
		own:       []string{`boxes/{mine-box}/openings {"count":1}`},
	},
	"GET /v1/boxes":       {own: []string{"boxes", "boxes?on_hand=true"}},
	"GET /v1/boxes/:code": {elsewhere: []string{"boxes/{box}"}, own: []string{"boxes/{mine-box}"}},

	"POST /v1/sales": {
		elsewhere: []string{`sales {"place":"counter","lines":[{"design":"blackcurrant-dome","pieces":1}],"channel":"counter"}`, `sales {"place":"counter","lines":[{"code":"{run}","pieces":1}],"channel":"counter"}`, `sales {"place":"stall","lines":[{"code":"{waiting}","pieces":1}],"channel":"counter"}`},
		own:       []string{`sales {"place":"stall","lines":[{"code":"{run}","pieces":1}],"channel":"counter"}`},
	},
	"POST /v1/tasters": {
		elsewhere: []string{`tasters {"place":"counter","lines":[{"design":"blackcurrant-dome","pieces":1}]}`, `tasters {"place":"workshop","release":true,"lines":[{"code":"{waiting}","pieces":1}]}`, `tasters {"place":"stall","release":true,"lines":[{"code":"{waiting}","pieces":1}]}`},
		own:       []string{`tasters {"place":"stall","lines":[{"code":"{run}","pieces":1}]}`},
	},
	"POST /v1/discards": {
		elsewhere: []string{`discards {"place":"counter","lines":[{"code":"{run}","pieces":1}],"reason":"damaged","destination":"refuse"}`, `discards {"lines":[{"code":"{charge}","quantity_g":1}],"reason":"damaged","destination":"refuse"}`, `discards {"place":"stall","lines":[{"code":"{run}","pieces":1},{"code":"{cream}","quantity_g":1}],"reason":"damaged","destination":"refuse"}`},
		own:       []string{`discards {"place":"stall","lines":[{"code":"{run}","pieces":1}],"reason":"damaged","destination":"refuse"}`},
	},
	"POST /v1/moves": {
		elsewhere: []string{`moves {"from":"counter","to":"stall","lines":[{"code":"{run}","pieces":1}]}`, `moves {"from":"stall","to":"counter","lines":[{"code":"{run}","pieces":1}]}`, `moves {"from":"counter","to":"workshop","lines":[{"code":"{run}","pieces":1}]}`, `moves {"from":"stall","to":"shed","lines":[{"code":"{ganache}","quantity_g":1}]}`, `moves {"from":"stall","to":"shed","into_bag":true,"lines":[{"code":"{charge}","quantity_g":1}]}`},
		own:       []string{`moves {"from":"stall","to":"shed","lines":[{"code":"{run}","pieces":1}]}`},
	},
	"POST /v1/counts": {
		elsewhere: []string{`counts {"place":"counter","lines":[{"code":"{run}","pieces":1}]}`, `counts {"place":"counter","lines":[],"complete":true}`, `counts {"place":"stall","lines":[{"code":"{box}","pieces":1}]}`},
		own:       []string{`counts {"place":"stall","lines":[{"code":"{run}","pieces":9}]}`},
	},
	"POST /v1/checks": {
		elsewhere: []string{`checks {"subject":"{cream}","kind":"visual","result":"pass"}`, `checks {"subject":"counter","kind":"temperature","value":17}`, `checks {"subject":"vat-dark","kind":"temperature","value":32}`},
		own:       []string{`checks {"subject":"{run}","kind":"visual","result":"pass"}`, `checks {"subject":"stall","kind":"temperature","value":17}`, `checks {"subject":"vat-pier","kind":"temperature","value":32}`},
	},
	"POST /v1/holds": {
		elsewhere: []string{`holds {"code":"{cream}","reason":"smell"}`, `holds {"code":"{waiting}","reason":"smell","downstream":true}`},
		own:       []string{`holds {"code":"{run}","reason":"smell"}`, `holds {"code":"{mine}","reason":"smell"}`},
	},
	"GET /v1/holds":                     {own: []string{"holds"}},
	"POST /v1/holds/:id/lifts":          {elsewhere: []string{`holds/{hold}/lifts {"reason":"cleared"}`}, own: []string{`holds/{mine-hold}/lifts {"reason":"cleared"}`}},
	"GET /v1/deviations":                {own: []string{"deviations"}},
	"POST /v1/deviations/:id/decisions": {elsewhere: []string{`deviations/{deviation}/decisions {"decision":"accept","reason":"short"}`}, own: []string{`deviations/{mine-deviation}/decisions {"decision":"accept","reason":"short"}`}},
	"POST /v1/redatings":                {elsewhere: []string{`redatings {"code":"{cream}","date":"2026-11-30","reason":"smell"}`}, own: []string{`redatings {"code":"{run}","date":"2026-11-30","reason":"smell"}`}},
	"POST /v1/recalls":                  {elsewhere: []string{`recalls {"code":"{mine}","reach":"contains","reason":"glass"}`}},
	"GET /v1/recalls":                   {elsewhere: []string{"recalls"}},
	"GET /v1/recalls/:id":               {elsewhere: []string{"recalls/{hold}"}},
	"GET /v1/recalls/:id/notice":        {elsewhere: []string{"recalls/{hold}/notice"}},
	"POST /v1/recalls/:id/narrowings":   {elsewhere: []string{`recalls/{hold}/narrowings {"reason":"glass"}`}},
	"POST /v1/recalls/:id/closings":     {elsewhere: []string{`recalls/{hold}/closings {"rest":"gone","reason":"glass"}`}},
	"POST /v1/corrections":              {elsewhere: []string{`corrections {"event":"{hold}","reason":"another lot"}`, `corrections {"event":"{hold}","reason":"another lot","replacement":{"pigeon":1}}`, `corrections {"event":"{mine-melt}","reason":"another lot","replacement":{"inputs":[{"source":"{later}","quantity_g":1}]}}`, `corrections {"event":"{recall}","reason":"another lot"}`}, own: []string{`corrections {"event":"{mine-hold}","reason":"another lot"}`}},
	"POST /v1/erasures":                 {elsewhere: []string{`erasures {"buyer":"harbour-cafe"}`}},
	"POST /v1/clock":                    {elsewhere: []string{`clock {"now":"2026-11-26T08:00:00Z"}`}},

	"GET /v1/board":        {elsewhere: []string{"board?place=counter", "board?place=counter&date=2026-11-26"}, own: []string{"board?place=stall"}},
	"GET /v1/board/stream": {elsewhere: []string{"board/stream?place=counter"}},
	"GET /v1/picks":        {elsewhere: []string{"picks?design=blackcurrant-dome&pieces=1&place=counter", "picks?ingredient=cream-35&quantity_g=1&place=cold-room"}, own: []string{"picks?design=blackcurrant-dome&pieces=1", "picks?design=blackcurrant-dome&pieces=1&place=stall"}},
	"GET /v1/stock":        {elsewhere: []string{"stock?place=counter", "stock?place=workshop&kind=lots"}, own: []string{"stock", "stock?place=stall"}},
	"GET /v1/trace/candidates": {
		elsewhere: []string{"trace/candidates?design=blackcurrant-dome&sold_from=2026-11-25T08:00:00Z&sold_to=2026-11-25T18:00:00Z&place=counter"},
		own:       []string{"trace/candidates?design=blackcurrant-dome&sold_from=2026-11-25T08:00:00Z&sold_to=2026-11-25T18:00:00Z&place=stall", "trace/candidates?design=blackcurrant-dome&sold_from=2026-11-25T08:00:00Z&sold_to=2026-11-25T18:00:00Z"},
	},
	"GET /v1/balances":            {own: []string{"balances?from=2026-11-25&to=2026-11-25"}},
	"GET /v1/trace/:code/back":    {elsewhere: []string{"trace/{cream}/back", "trace/{waiting}/back", "trace/{charge}/back", "trace/{ganache}/back"}, own: []string{"trace/{run}/back", "trace/{mine}/back"}},
	"GET /v1/trace/:code/forward": {elsewhere: []string{"trace/{cream}/forward", "trace/{waiting}/forward"}, own: []string{"trace/{run}/forward"}},
	"GET /v1/balances/:code":      {elsewhere: []string{"balances/{cream}", "balances/{charge}", "balances/{waiting}"}, own: []string{"balances/{run}", "balances/{mine}"}},
	"GET /v1/waste":               {own: []string{"waste?from=2026-11-25&to=2026-11-25"}},
	"GET /v1/labels/stale":        {own: []string{"labels/stale"}},
	"GET /v1/labels/:code":        {elsewhere: []string{"labels/{cream}", "labels/{ganache}", "labels/{waiting}"}, own: []string{"labels/{run}", "labels/{mine}", "labels/{mine-run}"}},
	"POST /v1/labels/:code/prints": {
		elsewhere: []string{`labels/{cream}/prints {"copies":1}`, `labels/{waiting}/prints {"copies":1}`},
		own:       []string{`labels/{run}/prints {"copies":1}`, `labels/{mine}/prints {"copies":1}`},
	},
	"GET /v1/events": {elsewhere: []string{"events", "events?code={mine}"}},
	"GET /v1/feed":   {elsewhere: []string{"feed"}},

	"GET /v1/log/checkpoint":         {elsewhere: []string{"log/checkpoint"}},
	"GET /v1/log/key":                {elsewhere: []string{"log/key"}},
	"GET /v1/log/proofs/inclusion":   {elsewhere: []string{"log/proofs/inclusion?position=1"}},
	"GET /v1/log/proofs/consistency": {elsewhere: []string{"log/proofs/consistency?from=1"}},
}

// A house is the shop and the stall at the pier, each with something of its own, under the words of atThePier.
type house struct {
	*testBook
	pier  client
	words map[string]string
}

// named puts codes and ids in place of their words.
func (h *house) named(text string) string {
	for word, is := range h.words {
		text = strings.ReplaceAll(text, "{"+word+"}", is)
	}
	return text
}

func twoHouses(t *testing.T) *house {
	t.Helper()
	b := newTestBook(t)
	s, run := b.twoSites() // 20 of the run's domes stand at the stall
	h := &house{testBook: b, words: map[string]string{"run": run, "cream": s.cream, "dark": s.dark, "violet": s.violet}}
	h.words["charge"] = b.owner.get(t, "/v1/vats/vat-dark").text("charge", "code")
	h.words["ganache"] = b.owner.get(t, "/v1/ganaches").text("ganaches", 0, "code")
	h.words["waiting"] = b.post("runs", obj{
		"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 1, "place": "workshop", "casting": obj{"vat": "vat-dark"},
		"filling": []obj{{"source": h.words["ganache"]}}, "capping": obj{"vat": "vat-dark"}, "turned_out": obj{"good": 24},
	}).text("code")
	require.Equal(t, http.StatusCreated, b.put("places/shed", obj{"name": "Shed", "site": "pier", "storage": "cool"}).Status)
	require.Equal(t, http.StatusCreated, b.put("vats/vat-pier", obj{"name": "Pier tank", "chocolate": "dark", "site": "pier"}).Status)
	begin := func(place string) string {
		return b.post("runs", obj{"design": "blackcurrant-dome", "mould": "dome-24", "moulds": 1, "place": place}).text("code")
	}
	h.words["begun"], h.words["mine-run"] = begin("workshop"), begin("stall")
	h.words["mine"] = b.post("lots", delivery("invert-sugar", "example-dairy", 500, useBy("2026-12-10"), "stall")).text("code")
	h.words["mine-dark"] = b.post("lots", delivery("couverture-dark-60", "example-cocoa", 5000, useBy("2027-06-10"), "shed")).text("code")
	h.words["mine-melt"] = b.post("vats/vat-pier/melts", obj{"inputs": []obj{{"source": h.words["mine-dark"], "quantity_g": 2000}}}).text("recorded", "events", 0, "id")
	for word, code := range map[string]string{"hold": s.puree, "mine-hold": h.words["mine-dark"]} {
		h.words[word] = b.post("holds", obj{"code": code, "reason": "label torn"}).text("id")
	}
	for word, place := range map[string]string{"deviation": "counter", "mine-deviation": "stall"} {
		h.words[word] = b.post("checks", obj{"subject": place, "kind": "temperature", "value": 25}).text("deviations", 0, "id")
	}
	b.post("discards", obj{"place": "counter", "lines": []obj{{"code": run, "pieces": 3}}, "reason": "damaged", "destination": "refuse"})
	b.post("discards", obj{"place": "stall", "lines": []obj{{"code": run, "pieces": 2}}, "reason": "damaged", "destination": "refuse"})
	for word, place := range map[string]string{"box": "counter", "mine-box": "stall"} {
		h.words[word] = b.post("boxes", obj{"place": place, "contents": []obj{{"run": run, "pieces": 1}}, "count": 2}).text("boxes", 0, "code")
	}
	h.pier = b.bound("pier", roleOwner, roleMaker)
	return h
}

// ask sends a request of atThePier; more stands for the body's first members.
func (h *house) ask(c client, method, request, more string) answer {
	h.t.Helper()
	target, body, _ := strings.Cut(h.named(request), " ")
	if body != "" && more != "" {
		body = "{" + more + "," + body[1:]
	}
	return c.do(h.t, method, "/v1/"+target, body)
}

func (h *house) position() int {
	h.t.Helper()
	var count int
	require.NoError(h.t, h.db.App.QueryRow(h.t.Context(), "SELECT position FROM head").Scan(&count))
	return count
}

// A key that is bound to a site does nothing at another, whatever it says, and learns nothing of it.
func TestAnotherSiteIsShut(t *testing.T) {
	t.Parallel()
	h := twoHouses(t)
	recalled := h.post("lots", delivery("cream-35", "example-dairy", 500, useBy("2026-12-10"), "stall")).text("code")
	h.words["later"] = h.post("lots", delivery("couverture-dark-60", "example-cocoa", 5000, useBy("2027-06-10"), "workshop")).text("code")
	h.words["recall"] = h.post("recalls", obj{"code": recalled, "reach": "contains", "reason": "glass"}).text("id")
	stood := h.position()
	for route, c := range atThePier {
		method, _, _ := strings.Cut(route, " ")
		for _, request := range c.elsewhere {
			mores := []string{""}
			if method == http.MethodPost && route != "POST /v1/clock" && route != "POST /v1/erasures" {
				mores = append(mores, `"already_done":true`, `"occurred_at":"2026-11-25T07:30:00Z"`)
			}
			for _, more := range mores {
				a := h.ask(h.pier, method, request, more)
				if h.namesHidden(request) {
					h.requireAsMissing(a, method, request, more)
					continue
				}
				require.Equal(t, http.StatusForbidden, a.Status, "%s %s %s: %s", method, request, more, a.Body)
				members := a.problem(http.StatusForbidden, "forbidden")
				require.Subset(t, []string{"type", "title", "status", "detail", "instance", "request_id"}, slices.Collect(maps.Keys(members)), "%s %s: no facts of another site", method, request)
			}
		}
	}
	require.Equal(t, stood, h.position(), "nothing was written")
}

// hidden are the words of what was neither made at the pier nor ever stood there.
var hidden = []string{"{cream}", "{dark}", "{violet}", "{charge}", "{ganache}", "{waiting}", "{begun}", "{box}", "{later}", "{hold}", "{deviation}"}

func (h *house) namesHidden(request string) bool {
	return slices.ContainsFunc(hidden, func(word string) bool { return strings.Contains(request, word) })
}

// requireAsMissing wants an answer about what is hidden to be, to the byte, what one is about a code of its kind, or an id,
// that names nothing. Only what a place or a tank of another site, or the whole book, stands in the way of is told to be so.
func (h *house) requireAsMissing(a answer, method, request, more string) {
	h.t.Helper()
	same := []string{}
	missing := house{testBook: h.testBook, pier: h.pier, words: maps.Clone(h.words)}
	for _, word := range hidden {
		if !strings.Contains(request, word) {
			continue
		}
		word = strings.Trim(word, "{}")
		nothing := uuid.NewString()
		if foreign, refusal := workshop.ParseCode(h.words[word]); refusal == nil {
			nothing = string(events.NewCode(foreign.Kind(), civil.Day{Year: 2026, Month: 11, Day: 25}, 987, 0))
		}
		missing.words[word] = nothing
		same = append(same, nothing, h.words[word])
	}
	other := missing.ask(h.pier, method, request, more)
	require.Contains(h.t, []int{http.StatusForbidden, http.StatusNotFound, http.StatusConflict, http.StatusUnprocessableEntity}, other.Status, "%s %s", method, request)
	same = append(same, other.Header.Get(headerRequestID), a.Header.Get(headerRequestID))
	require.Equal(h.t, strings.NewReplacer(same...).Replace(string(other.Body)), string(a.Body), "%s %s %s", method, request, more)
	require.Equal(h.t, other.Status, a.Status)
}

// At its own site, and in what all sites share, it may do what its roles may do.
func TestTheOwnSiteIsOpen(t *testing.T) {
	t.Parallel()
	h := twoHouses(t)
	for _, route := range slices.Sorted(maps.Keys(atThePier)) {
		method, path, _ := strings.Cut(route, " ")
		for _, request := range atThePier[route].own {
			a := h.ask(h.pier, method, request, "")
			require.NotContains(t, []int{http.StatusForbidden, http.StatusBadRequest}, a.Status, "%s %s: %s", method, request, a.Body)
			require.Less(t, a.Status, http.StatusInternalServerError)
		}
		if atThePier[route].shared {
			body := map[string]string{http.MethodPut: `{}`}[method]
			a := h.pier.do(t, method, strings.Replace(path, ":slug", "quay-lane", 1), body)
			require.NotEqual(t, http.StatusForbidden, a.Status, route)
		}
	}
}

// Every route of the book says how a key is held to its site.
func TestEveryRouteSaysHowAKeyIsHeldToItsSite(t *testing.T) {
	t.Parallel()
	for route, p := range permitLines(t) {
		if !strings.HasPrefix(p.path, "/v1/") {
			continue
		}
		c, told := atThePier[route]
		require.True(t, told, "say in atThePier how a key is held to its site by %s", route)
		require.NotEqual(t, c.shared, len(c.own)+len(c.elsewhere) > 0, route)
	}
}

// Lists and sums hold what is of the key's site, and nothing else.
func TestListsOfOneSite(t *testing.T) {
	t.Parallel()
	h := twoHouses(t)
	quay := h.bound("quay-lane", roleOwner)
	column := func(c client, target, list, member string) []string {
		found := []string{}
		for next := "/v1/" + target; ; {
			a := c.get(t, next)
			for i := range a.at(list).([]any) {
				found = append(found, a.text(list, i, member))
			}
			cursor, more := a.at("next_cursor").(string)
			if !more {
				return found
			}
			next = "/v1/" + target + "&cursor=" + cursor
		}
	}
	w := h.words
	for _, c := range []struct {
		target, list, member string
		pier, quay           []string
	}{
		{"vats?limit=1", "vats", "slug", []string{"vat-pier"}, []string{"vat-dark"}},
		{"lots?limit=1&ingredient=invert-sugar", "lots", "code", []string{w["mine"]}, nil},
		{"lots?limit=1&ingredient=cream-35", "lots", "code", []string{}, []string{w["cream"]}},
		{"ganaches?limit=1", "ganaches", "code", []string{}, []string{w["ganache"]}},
		{"runs?limit=1", "runs", "code", []string{w["run"], w["mine-run"]}, []string{w["run"], w["waiting"], w["begun"]}},
		{"runs?limit=1&awaiting_release=true", "runs", "code", []string{}, []string{w["waiting"]}},
		{"boxes?limit=1", "boxes", "code", []string{w["mine-box"]}, []string{w["box"]}},
		{"stock?limit=1&kind=boxes", "lines", "place", []string{"stall"}, []string{"counter"}},
		{"stock?limit=1&kind=pieces", "lines", "place", []string{"stall"}, []string{"counter", "workshop"}},
		{"stock?limit=1&kind=lots&place=shed", "lines", "code", []string{w["mine-dark"]}, nil},
		{"holds?limit=1", "holds", "id", []string{w["mine-hold"]}, []string{w["hold"]}},
		{"deviations?limit=1", "deviations", "id", []string{w["mine-deviation"]}, []string{w["deviation"]}},
	} {
		require.ElementsMatch(t, c.pier, column(h.pier, c.target, c.list, c.member), "%s at the pier", c.target)
		if c.quay != nil {
			require.ElementsMatch(t, c.quay, column(quay, c.target, c.list, c.member), "%s at the quay", c.target)
		}
	}
	pieces := func(c client) any {
		return c.get(t, "/v1/waste?from=2026-11-25&to=2026-11-26").at("lines", 0, "pieces")
	}
	require.Equal(t, []any{n("2"), n("7"), n("9")}, []any{pieces(h.pier), pieces(quay), pieces(h.owner)}, "4 broke at the workshop")

	hold := h.post("holds", obj{"code": w["run"], "reason": "smell"}).text("id")
	require.Contains(t, column(h.pier, "holds?limit=1", "holds", "id"), hold, "what stands at the stall is its too")
	h.post("holds/"+hold+"/lifts", obj{"reason": "cleared"})
	a := h.pier.get(t, "/v1/picks?design=blackcurrant-dome&pieces=60")
	require.Equal(t, "stall", a.text("lines", 0, "place"))
	require.Len(t, a.at("lines"), 1)
	require.Equal(t, n("44"), a.at("missing"), "16 stand loose at the stall")

	require.NotEqual(t, h.pier.get(t, "/v1/stock").Header.Get("ETag"), quay.get(t, "/v1/stock").Header.Get("ETag"))
	require.Equal(t, http.StatusForbidden, h.bound("nowhere", roleOwner).get(t, "/v1/board?place=stall").Status)
	require.JSONEq(t, `{"lines":[],"next_cursor":null}`, string(h.bound("nowhere", roleOwner).get(t, "/v1/stock").Body))
}
