package api

import (
	"encoding/json"
	"net/http"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
)

// board is a message of a board's stream: a position and codes, and nothing else.
func (b block) board(t *testing.T) []string {
	t.Helper()
	require.Equal(t, "board", b.name, b.data)
	var members map[string]json.RawMessage
	require.NoError(t, json.Unmarshal([]byte(b.data), &members))
	require.Len(t, members, 2)
	_, position, err := splitID(b.id)
	require.NoError(t, err)
	require.Equal(t, strconv.FormatInt(position, 10), string(members["position"]))
	var codes []string
	require.NoError(t, json.Unmarshal(members["codes"], &codes))
	return codes
}

// twoSites is the shop with a stall at a site in another zone, to which 20 of the 140 domes went.
func (b *testBook) twoSites() (s stockroom, run string) {
	b.t.Helper()
	s, _, run = b.onCounter()
	b.put("sites/pier", obj{"name": "Pier", "time_zone": "Asia/Tokyo", "currency": "JPY"})
	b.put("places/stall", obj{"name": "Stall", "site": "pier", "storage": "cool", "sells": true})
	b.post("moves", obj{"from": "counter", "to": "stall", "lines": []obj{{"code": run, "pieces": 20}}})
	return s, run
}

// bound is a key that is bound to a site.
func (b *testBook) bound(site string, roles ...string) client {
	c := b.as(roles...)
	b.keys.change(c.key, &Key{ID: "key-" + site, Roles: roles, Site: site})
	return c
}

func TestBoardStreamTellsWhatConcernsAPlace(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	s, run := b.twoSites()
	address := b.listen()
	till := b.as(roleTill)
	counter := till.hear(t, address+"/v1/board/stream?place=counter")
	stall := till.hear(t, address+"/v1/board/stream?place=stall")
	anywhere := till.hear(t, address+"/v1/board/stream")
	pier := b.bound("pier", roleCounter).hear(t, address+"/v1/board/stream")
	all := []*listener{counter, stall, anywhere, pier}
	for _, l := range all {
		l.opened()
	}
	sell := func(place string) func() {
		return func() {
			b.post("sales", obj{"place": place, "lines": []obj{{"code": run, "pieces": 1}}, "channel": "counter"})
		}
	}
	redefine := func(path string, body obj) func() {
		return func() { require.Equal(t, http.StatusCreated, b.put(path, body).Status) }
	}
	hold := ""
	for _, step := range []struct {
		what  string
		do    func()
		codes []string
		told  []*listener
	}{
		{"pieces sold at the counter", sell("counter"), []string{run}, []*listener{counter, anywhere}},
		{"pieces sold at the stall", sell("stall"), []string{run}, []*listener{stall, anywhere, pier}},
		{"a lot that stands elsewhere", func() { b.post("lots/"+s.cream+"/openings", obj{"quantity_g": 100}) }, nil, []*listener{anywhere}},
		{"a hold on what stands at both", func() { hold = b.post("holds", obj{"code": run, "reason": "smell"}).text("id") }, []string{run}, all},
		{"and lifted", func() { b.post("holds/"+hold+"/lifts", obj{"reason": "cleared"}) }, []string{run}, all},
		{"a check on the run", func() { b.post("checks", obj{"subject": run, "kind": "visual", "result": "pass"}) }, []string{run}, all},
		{"a supplier, which no board shows", func() { b.supplier("Example Dairy & Daughter") }, nil, nil},
		{"a design, which every board shows", redefine("designs/bar", obj{"name": "Bar", "chocolate": "dark", "shell_g": 10, "price_minor": 100}), []string{}, all},
		{"a site", redefine("sites/pier", obj{"name": "Pier", "time_zone": "Asia/Tokyo", "currency": "JPY", "handles": []string{"milk"}}), []string{}, []*listener{stall, anywhere, pier}},
		{"a place", redefine("places/counter", obj{"name": "Long counter", "site": "quay-lane", "storage": "cool", "sells": true}), []string{}, []*listener{counter, anywhere}},
	} {
		step.do()
		for _, l := range step.told {
			codes := l.next().board(t)
			if step.codes != nil {
				require.Equal(t, step.codes, codes, step.what)
			} else {
				require.NotEmpty(t, codes, step.what)
			}
		}
	}
	again := till.hear(t, address+"/v1/board/stream?place=stall&after=0", "Last-Event-ID", stall.lastID)
	sell("stall")()
	require.Equal(t, stall.next(), again.next())
	first := till.hear(t, address+"/v1/board/stream?place=stall&after=0")
	require.Equal(t, []string{}, first.next().board(t), "the book's first design")
}

// A board changes at midnight at its site, and when a date of what stands there ends.
func TestBoardStreamTicks(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	_, run := b.twoSites()
	address := b.listen()
	till := b.as(roleTill)
	counter := till.hear(t, address+"/v1/board/stream?place=counter")
	stall := till.hear(t, address+"/v1/board/stream?place=stall")
	counter.opened()
	stall.opened()
	b.at("2026-11-26T00:00:00Z")
	require.Equal(t, []string{"quay-lane"}, counter.next().tick(t).Midnight)
	require.Equal(t, toldTickText{At: "2026-11-25T15:00:00Z", EndsBy: []string{}, DiscardBy: []string{}, Midnight: []string{"pier"}}, stall.next().tick(t))

	endsBy := b.owner.get(t, "/v1/runs/"+run).text("use_by", "ends_by")
	b.at(endsBy)
	require.Equal(t, endsBy, counter.untilDue(run).At)
	require.Equal(t, endsBy, stall.untilDue(run).At)
}

// untilDue waits for the tick of a code's end.
func (l *listener) untilDue(code string) toldTickText {
	l.t.Helper()
	for {
		tick := l.next().tick(l.t)
		for _, ended := range tick.EndsBy {
			require.Equal(l.t, code, ended, "nothing else stands there")
			return tick
		}
	}
}

func TestBoardStreamOfPlacesThatAreNotOnes(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.twoSites()
	b.owner.get(t, "/v1/board/stream?place=pier-end").problem(http.StatusNotFound, "not-found")
	detail := b.bound("pier", roleCounter).get(t, "/v1/board/stream?place=counter").problem(http.StatusForbidden, "forbidden")["detail"]
	require.Equal(t, "This key is for pier only: use one for quay-lane.", detail)
}

// A stream that passes over much that does not concern it says where it is now and then, so that it need not read that
// again when it goes on.
func TestStreamsSayWhereTheyAre(t *testing.T) {
	t.Parallel()
	s := stream{mark: Mark{Epoch: "e1"}, view: boardChanges{place: "counter", site: "quay-lane"}}
	render := func(m *message) string {
		require.NoError(t, s.render(m))
		return string(s.frame)
	}
	elsewhere := []touch{{place: "stall", site: "pier", code: events.Code("R261125-01-7")}}
	for position := range int64(2 * quietMost) {
		id := ""
		if position%quietMost == quietMost-1 {
			id = "id: e1-" + strconv.FormatInt(position+1, 10) + "\n\n"
		}
		require.Equal(t, id, render(&message{position: position + 1, touches: elsewhere}))
	}
	here := []touch{{place: "counter", site: "quay-lane", code: events.Code("R261125-01-7")}}
	require.Equal(t, "id: e1-2001\nevent: board\ndata: {\"position\":2001,\"codes\":[\"R261125-01-7\"]}\n\n", render(&message{position: 2001, touches: here}))
	require.Empty(t, render(&message{position: 2002, touches: elsewhere}))
	require.Empty(t, render(&message{tick: &tick{at: morning, midnight: []string{"pier"}}}))
	require.NotEmpty(t, render(&message{tick: &tick{at: morning, midnight: []string{"quay-lane"}}}))
}
