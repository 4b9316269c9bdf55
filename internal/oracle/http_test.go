package oracle_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/api"
	"firstout/internal/book"
	"firstout/internal/events/eventlog"
	"firstout/internal/oracle"
	"firstout/internal/pgtest"
)

// served is the product as its users have it: the HTTP interface over a book in a database of its own, on the manual
// clock. It sees nothing but answers.
type served struct {
	t          *testing.T
	handler    http.Handler
	now        time.Time
	requests   int
	holds      []string
	deviations []string
	m          *oracle.Model
}

// The keys of the two who write. Their text is what a key looks like and opens nothing anywhere.
var keyTexts = map[string]string{"owner": eventlog.KeyPrefix + strings.Repeat("O", 26), "maker": eventlog.KeyPrefix + strings.Repeat("M", 26)}

type keys struct{}

func (keys) Find(_ context.Context, hash [32]byte) (api.Key, error) {
	for role, text := range keyTexts {
		if eventlog.HashKey(text) == hash {
			return api.Key{ID: role, Roles: []string{role}}, nil
		}
	}
	return api.Key{}, api.ErrNoKey
}

func (keys) FindByID(_ context.Context, id string) (api.Key, [32]byte, error) {
	text, known := keyTexts[id]
	if !known {
		return api.Key{}, [32]byte{}, api.ErrNoKey
	}
	return api.Key{ID: id, Roles: []string{id}}, eventlog.HashKey(text), nil
}

// serve begins a book that is empty but for the catalogue. m is the model that it is compared with: which things to ask
// about it says.
func serve(t *testing.T, m *oracle.Model) *served {
	t.Helper()
	db := pgtest.NewBook(t)
	require.NoError(t, eventlog.MarkBook(t.Context(), db.App, eventlog.BookTest))
	wall := func() time.Time { return start.Add(-time.Hour) }
	log := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError}))
	b, err := book.Open(t.Context(), db.App, book.Options{Clock: wall, Manual: true, Log: log})
	require.NoError(t, err)
	t.Cleanup(b.Close)
	s := &served{t: t, m: m, now: start}
	s.handler = api.New(api.Config{
		Book: b, Pool: db.App, Keys: keys{}, Clock: api.Clock{Wall: wall, Manual: true}, Log: log, Rate: api.Rate{PerSecond: 1e6, Burst: 1e6},
	})
	s.define()
	s.clock()
	return s
}

type obj = map[string]any

func (s *served) call(method, path string, body any, key string) (int, http.Header, []byte) {
	return s.callAs("owner", method, path, body, key)
}

func (s *served) callAs(role, method, path string, body any, key string) (int, http.Header, []byte) {
	s.t.Helper()
	text := []byte{}
	if body != nil {
		var err error
		text, err = json.Marshal(body)
		require.NoError(s.t, err)
	}
	r := httptest.NewRequestWithContext(s.t.Context(), method, "/v1/"+path, bytes.NewReader(text))
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if key != "" {
		r.Header.Set("Idempotency-Key", key)
	}
	r.Header.Set("Authorization", "Bearer "+keyTexts[role])
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	require.Less(s.t, w.Code, 500, "%s %s %s: %s", method, path, text, w.Body)
	return w.Code, w.Header(), w.Body.Bytes()
}

// get asks a question and gives its answer as a tree.
func (s *served) get(path string) tree {
	s.t.Helper()
	status, _, body := s.call(http.MethodGet, path, nil, "")
	require.Equal(s.t, http.StatusOK, status, "GET %s: %s", path, body)
	return parse(s.t, body)
}

func (s *served) clock() {
	s.t.Helper()
	status, _, body := s.call(http.MethodPost, "clock", obj{"now": s.now.Format(time.RFC3339)}, "")
	require.Equal(s.t, http.StatusOK, status, "%s", body)
}

// define puts the catalogue.
func (s *served) define() {
	s.t.Helper()
	for _, d := range defines() {
		_, kind, _ := strings.Cut(fmt.Sprintf("%T", d.Body), ".")
		path := strings.ToLower(kind) + "s/" + d.Slug
		status, _, body := s.call(http.MethodPut, path, d.Body, "")
		require.Equal(s.t, http.StatusCreated, status, "PUT %s: %s", path, body)
	}
}

// A tree is an answer, to be walked by names.
type tree struct {
	t *testing.T
	v any
}

func parse(t *testing.T, body []byte) tree {
	t.Helper()
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.UseNumber()
	var v any
	require.NoError(t, decoder.Decode(&v), "%s", body)
	return tree{t: t, v: v}
}

func (n tree) at(names ...string) tree {
	for _, name := range names {
		members, _ := n.v.(map[string]any)
		n.v = members[name]
	}
	return n
}

func (n tree) all(names ...string) (entries []tree) {
	list, _ := n.at(names...).v.([]any)
	for _, v := range list {
		entries = append(entries, tree{t: n.t, v: v})
	}
	return entries
}

func (n tree) text(names ...string) string {
	switch v := n.at(names...).v.(type) {
	case string:
		return v
	case nil:
		return ""
	default:
		return fmt.Sprint(v)
	}
}

// day is a text, or none.
func (n tree) day(names ...string) string {
	if day := n.text(names...); day != "" {
		return day
	}
	return "none"
}

func (n tree) is(names ...string) bool {
	v, _ := n.at(names...).v.(bool)
	return v
}

func (n tree) number(names ...string) float64 {
	v, is := n.at(names...).v.(json.Number)
	if !is {
		return 0
	}
	f, err := v.Float64()
	require.NoError(n.t, err)
	return f
}

func (n tree) whole(names ...string) int64 { return int64(n.number(names...)) }

// mg is grams in milligrams.
func (n tree) mg(names ...string) int64 {
	grams := n.number(names...) * oracle.Gram
	if grams < 0 {
		return int64(grams - 0.5)
	}
	return int64(grams + 0.5)
}

func (n tree) texts(names ...string) (all []string) {
	for _, v := range n.all(names...) {
		all = append(all, v.text())
	}
	return all
}

// dates writes an expiry object as it is compared.
func (n tree) dates() string {
	discard := "never"
	if at := n.text("discard_by"); at != "" {
		when, err := time.Parse(time.RFC3339, at)
		require.NoError(n.t, err)
		discard = when.UTC().Format(time.RFC3339)
	}
	return fmt.Sprintf("%s %s by %s, use by %s, discard by %s", n.text("kind"), n.day("date"), n.text("binds"), n.day("use_by"), discard)
}

func gramsOf(mg int64) json.Number {
	return json.Number(fmt.Sprintf("%d.%03d", mg/oracle.Gram, mg%oracle.Gram))
}

func (o fields) set(name string, value any, unless bool) {
	if !unless {
		o[name] = value
	}
}

type fields map[string]any

// retryEvery is how many commands lie between two that are sent twice under the same key.
const retryEvery = 7

func (s *served) Do(c oracle.Command) (string, oracle.Facts) {
	s.t.Helper()
	if c.Kind == oracle.Clock {
		s.now = s.now.Add(c.Wait)
		s.clock()
		return "", nil
	}
	path, body := s.request(c)
	body.set("occurred_at", c.At.Format(time.RFC3339), c.At.IsZero())
	body.set("already_done", true, !c.Done)
	role := "owner"
	if c.Maker {
		role = "maker"
	}
	s.requests++
	key := fmt.Sprintf("history-%d", s.requests)
	status, _, answer := s.callAs(role, http.MethodPost, path, body, key)
	said := parse(s.t, answer)
	if status != http.StatusCreated {
		return strings.TrimPrefix(said.text("type"), "/problems/"), nil
	}
	if s.requests%retryEvery == 0 {
		s.again(role, path, body, key, answer)
	}
	s.opened()
	return "", s.said(c, said)
}

// again sends a command once more under its key, which changes nothing, and something else under it, which is refused.
func (s *served) again(role, path string, body fields, key string, first []byte) {
	s.t.Helper()
	status, header, answer := s.callAs(role, http.MethodPost, path, body, key)
	require.Equal(s.t, http.StatusCreated, status)
	require.Equal(s.t, "true", header.Get("Idempotency-Replayed"))
	require.Equal(s.t, string(first), string(answer))
	body.set("occurred_at", s.now.Add(-61*time.Second).Format(time.RFC3339), false) // no command is dated to the second
	status, _, answer = s.callAs(role, http.MethodPost, path, body, key)
	require.Equal(s.t, http.StatusUnprocessableEntity, status, "%s", answer)
}

// opened learns which holds and deviations there are, in the order in which they were opened.
func (s *served) opened() {
	s.holds, s.deviations = nil, nil
	for _, h := range s.get("holds?limit=500").all("holds") {
		s.holds = append(s.holds, h.text("id"))
	}
	for _, d := range s.get("deviations?limit=500").all("deviations") {
		s.deviations = append(s.deviations, d.text("id"))
	}
}

// request puts a command into a request.
func (s *served) request(c oracle.Command) (path string, body fields) {
	code := url.PathEscape(c.Code)
	switch c.Kind {
	case oracle.Receive:
		mark := obj{"kind": c.MarkKind}
		if c.Mark != oracle.NoDay {
			mark["date"] = c.Mark.String()
		}
		body = fields{
			"ingredient": c.Name, "supplier": oracle.Suppliers[0], "quantity_g": gramsOf(c.Amount), "date_mark": mark, "place": c.Place,
		}
		body.set("supplier_lot", c.SupplierLot, c.SupplierLot == "")
		body.set("allergens", c.Allergens, c.Allergens == nil)
		return "lots", body
	case oracle.Open:
		return "lots/" + code + "/openings", fields{"quantity_g": gramsOf(c.Amount), "place": c.Place}
	case oracle.Melt:
		return "vats/" + c.Vat + "/melts", fields{"inputs": draws(c.Draws)}
	case oracle.Empty:
		return "vats/" + c.Vat + "/emptyings", fields{"cleaned": c.Flag, "rest": "discard"}
	case oracle.Ganache:
		body = fields{"formula": c.Name, "inputs": draws(c.Draws), "place": c.Place}
		body.set("heat_step", obj{"boiled": true}, !c.Boiled)
		body.set("yield_g", gramsOf(c.Amount), c.Amount == 0)
		return "ganaches", body
	case oracle.Run:
		body = fields{"design": c.Name, "mould": oracle.Mould, "moulds": c.Moulds, "place": c.Place}
		steps(c, body)
		return "runs", body
	case oracle.Work:
		return work(c, "runs/"+code)
	case oracle.Release:
		return "runs/" + code + "/releases", fields{"pieces": c.Pieces, "place": c.Place}
	case oracle.Sell:
		return "sales", fields{"place": c.Place, "lines": lines(c.Lines), "channel": c.Channel}
	case oracle.Give:
		return "tasters", fields{"place": c.Place, "lines": lines(c.Lines)}
	case oracle.Discard:
		body = fields{"lines": lines(c.Lines), "reason": "damaged", "destination": "refuse"}
		body.set("place", c.Place, c.Place == "")
		return "discards", body
	case oracle.Move:
		return "moves", fields{"from": c.Place, "to": c.To, "lines": lines(c.Lines)}
	case oracle.Count:
		return "counts", fields{"place": c.Place, "lines": lines(c.Lines), "complete": c.Flag, "reason": "evening count"}
	case oracle.Hold:
		return "holds", fields{"code": c.Code, "downstream": c.Flag, "reason": "supplier called"}
	case oracle.Lift:
		return "holds/" + s.holds[c.Nth-1] + "/lifts", fields{"reason": "cleared"}
	case oracle.Check:
		result := "pass"
		if c.Flag {
			result = "fail"
		}
		return "checks", fields{"subject": c.Code, "kind": c.Word, "result": result}
	case oracle.Decide:
		return "deviations/" + s.deviations[c.Nth-1] + "/decisions", fields{"decision": c.Word, "reason": "looked at"}
	}
	panic(c.Kind)
}

func draws(all []oracle.Draw) (inputs []fields) {
	for _, d := range all {
		input := fields{"source": d.Source, "quantity_g": gramsOf(d.Mass)}
		input.set("place", d.Place, d.Place == "")
		inputs = append(inputs, input)
	}
	return inputs
}

func lines(all []oracle.Line) (bodies []fields) {
	for _, l := range all {
		body := fields{}
		body.set("design", l.Design, l.Design == "")
		body.set("code", l.Code, l.Code == "")
		counted := l.Pieces > 0 || l.Mass == 0 && (l.Code == "" || l.Code[0] == 'R')
		body.set("pieces", l.Pieces, !counted)
		body.set("quantity_g", gramsOf(l.Mass), counted)
		bodies = append(bodies, body)
	}
	return bodies
}

func chocolate(st *oracle.Step) fields {
	body := fields{"vat": st.Vat}
	body.set("drawn_g", gramsOf(st.Drawn), st.Drawn < 0)
	body.set("returned_g", gramsOf(st.Returned), st.Returned < 0)
	body.set("occurred_at", st.At.Format(time.RFC3339), st.At.IsZero())
	return body
}

func filling(f oracle.Fill) fields {
	body := fields{"source": f.Source}
	body.set("quantity_g", gramsOf(f.Mass), f.Mass < 0)
	body.set("place", f.Place, f.Place == "")
	body.set("occurred_at", f.At.Format(time.RFC3339), f.At.IsZero())
	return body
}

func turnedOut(o *oracle.TurnOut) fields {
	body := fields{"good": o.Good, "broken": o.Broken, "left_in_mould": o.Left}
	body.set("occurred_at", o.At.Format(time.RFC3339), o.At.IsZero())
	return body
}

func steps(c oracle.Command, body fields) {
	if c.Cast != nil {
		body["casting"] = chocolate(c.Cast)
	}
	if c.Cap != nil {
		body["capping"] = chocolate(c.Cap)
	}
	if c.Out != nil {
		body["turned_out"] = turnedOut(c.Out)
	}
	var fills []fields
	for _, f := range c.Fills {
		fills = append(fills, filling(f))
	}
	body.set("filling", fills, fills == nil)
}

// work is one step of a run that was begun before.
func work(c oracle.Command, run string) (string, fields) {
	switch {
	case c.Cast != nil:
		return run + "/castings", chocolate(c.Cast)
	case c.Fills != nil:
		return run + "/fillings", filling(c.Fills[0])
	case c.Cap != nil:
		return run + "/cappings", chocolate(c.Cap)
	}
	return run + "/turnouts", turnedOut(c.Out)
}

// said picks the main facts out of an answer.
func (s *served) said(c oracle.Command, a tree) (f oracle.Facts) {
	switch c.Kind {
	case oracle.Receive:
		f.Say("code", "%s", a.text("code"))
	case oracle.Open:
		f.Say("code", "%s", a.text("code"))
		f.Say("date", "%s", a.day("use_by", "date"))
	case oracle.Melt:
		f.Say("charge", "%s", a.text("charge"))
		f.Measure("quantity", float64(a.mg("quantity_g")), 0)
	case oracle.Empty:
		f.Say("charge", "%s", a.text("charge"))
		if next := a.text("next_charge"); next != "" {
			f.Say("next", "%s", next)
		}
	case oracle.Ganache:
		f.Say("code", "%s", a.text("code"))
		f.Say("date", "%s", a.at("use_by").dates())
		off := 0
		for _, d := range a.all("deviations") {
			if d.text("rule") == "off_formula" {
				off++
			}
		}
		f.Measure("deviations", float64(off), 0)
	case oracle.Run, oracle.Work:
		f.Say("code", "%s", a.text("code"))
		f.Say("state", "%s", a.text("state"))
		f.Say("date", "%s", a.at("use_by").dates())
	case oracle.Release:
		f.Measure("released", a.number("released"), 0)
		f.Say("date", "%s", a.at("use_by").dates())
	case oracle.Sell, oracle.Give:
		n := 0
		for i, l := range a.all("lines") {
			for _, al := range l.all("allocations") {
				f.Say(fmt.Sprintf("line %02d.%02d", i, n), "%s %d %s", al.text("run"), al.whole("pieces"), al.text("how"))
				n++
			}
		}
	case oracle.Hold:
		f.Say("held", "%v", a.texts("held"))
	}
	return f
}

func (s *served) Look() (f oracle.Facts) {
	s.t.Helper()
	for _, l := range s.get("stock?limit=500").all("lines") {
		code, released, amount := l.text("code"), true, l.mg("quantity_g")
		if code[0] == 'R' {
			released, amount = l.is("released"), l.whole("pieces")
		}
		oracle.SayStock(&f, code, l.text("place"), released, amount, l.is("held"), l.day("use_by"))
	}
	for _, v := range oracle.Vats {
		if charge := s.get("vats/" + v.Slug).at("charge"); charge.v != nil && charge.mg("quantity_g") > 0 {
			oracle.SayStock(&f, charge.text("code"), v.Slug, true, charge.mg("quantity_g"), charge.is("held"), "none")
		}
	}
	for _, code := range s.m.Order {
		s.sayThing(&f, code)
	}
	s.sayCare(&f)
	for _, p := range oracle.Places {
		if p.Sells {
			s.sayBoard(&f, p.Slug)
			for _, d := range oracle.Designs {
				s.sayPick(&f, p.Slug, d.Slug, 0)
				s.sayPick(&f, p.Slug, d.Slug, 3)
			}
		}
	}
	return f
}

func (s *served) sayThing(f *oracle.Facts, code string) {
	switch code[0] {
	case 'L':
		lot := s.get("lots/" + code)
		for _, portion := range lot.all("portions") {
			if portion.text("code") == code {
				lot = portion
			}
		}
		f.Say("date "+code, "%s", lot.at("use_by").dates())
		return
	case 'G':
		f.Say("date "+code, "%s", s.get("ganaches/"+code).at("use_by").dates())
	case 'R':
		run := s.get("runs/" + code)
		f.Say("date "+code, "%s", run.at("use_by").dates())
		f.Say("run "+code, "%s, good %d, released %d", run.text("state"), run.whole("pieces", "good"), run.whole("pieces", "released"))
		a := run.at("allergens")
		oracle.SayAllergens(f, code, a.texts("contains"), a.texts("may_contain"), a.is("unknown"))
	}
	for _, l := range s.get("trace/" + code + "/back").all("lots") {
		lot := l.text("lot")
		if lot == "" {
			lot = "?"
		}
		*f = append(*f, oracle.Fact{Name: "mix " + code + " " + lot, Text: l.text("certainty"), Number: l.number("share")})
	}
}

func (s *served) sayCare(f *oracle.Facts) {
	for i, h := range s.get("holds?limit=500").all("holds") {
		f.Say(fmt.Sprintf("hold %03d", i+1), "of %s, lifted %t, takes in %v", h.text("code"), !h.is("open"), oracle.SortedCodes(h.texts("held")))
	}
	for i, d := range s.get("deviations?limit=500").all("deviations") {
		f.Say(fmt.Sprintf("deviation %03d", i+1), "of %s, %s, %s, decided %q", d.text("code"), d.text("concern"), d.text("rule"), d.text("decision", "decision"))
	}
}

func (s *served) sayBoard(f *oracle.Facts, place string) {
	board := s.get("board?place=" + place)
	var lines []oracle.BoardLine
	for _, group := range oracle.Groups {
		for _, l := range board.all("groups", group) {
			lines = append(lines, oracle.BoardLine{
				Group: group, Code: l.text("run"), Pieces: l.whole("pieces"), MustGo: l.whole("must_go_today"),
				DaysLeft: int(l.number("days_left")), Date: l.day("use_by", "date"),
			})
		}
	}
	oracle.SayBoard(f, place, lines)
}

func (s *served) sayPick(f *oracle.Facts, place, design string, daysLeft int) {
	picks := s.get(fmt.Sprintf("picks?place=%s&design=%s&pieces=%d&min_days_left=%d", place, design, oracle.PickWanted, daysLeft))
	var lines []string
	for _, l := range picks.all("lines") {
		lines = append(lines, fmt.Sprintf("%s %d", l.text("run"), l.whole("pieces")))
	}
	oracle.SayPick(f, place, design, daysLeft, lines, picks.whole("missing"))
}

// Account asks where everything went.
func (s *served) Account() (f oracle.Facts) {
	s.t.Helper()
	for _, code := range s.m.Order {
		if strings.Contains(code, ".") {
			continue
		}
		if code[0] == 'L' || code[0] == 'G' {
			for _, r := range s.get("trace/" + code + "/forward").all("runs") {
				run, p := r.text("run"), r.at("pieces")
				f.Say("forward "+code+" "+run, "%s", r.text("certainty"))
				oracle.SayPieces(&f, code, run, p.whole("released"), p.whole("on_hand"), p.whole("sold"), p.whole("given"), p.whole("discarded"), p.whole("difference"))
			}
		}
		b := s.get("balances/" + code)
		var out []string
		for _, o := range b.all("out") {
			if mass := o.mg("quantity_g"); mass != 0 { // a film has none
				out = append(out, oracle.SayOut(o.text("to"), mass))
			}
		}
		oracle.SayBalance(&f, code, b.mg("in_g"), out, b.mg("discarded_g"), b.mg("on_hand_g"), b.mg("process_loss_g"), b.mg("difference_g"))
	}
	return f
}
