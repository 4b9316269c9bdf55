package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/api"
	"firstout/internal/book"
	"firstout/internal/civil"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

type object = map[string]any

// A shop is a served book with a counter, on the manual clock. It is spoken to over HTTP only.
type shop struct {
	t       *testing.T
	db      *pgtest.DB
	handler http.Handler
	server  *http.Server
	address string // host and port, the same after a pause
	owner   string // a key
	sent    int
	now     time.Time
	lots    int
}

func openShop(t *testing.T) *shop {
	t.Helper()
	s := &shop{t: t, db: pgtest.NewBook(t), now: time.Now().Truncate(time.Second)}
	require.NoError(t, eventlog.MarkBook(t.Context(), s.db.App, eventlog.BookTest))
	log := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError}))
	theBook, err := book.Open(t.Context(), s.db.App, book.Options{Clock: time.Now, Manual: true, Log: log})
	require.NoError(t, err)
	t.Cleanup(theBook.Close)
	s.handler = api.New(api.Config{
		Book: theBook, Pool: s.db.App, Keys: keyStore{s.db}, Clock: api.Clock{Wall: time.Now, Manual: true}, Log: log,
		Rate: api.Rate{PerSecond: 1e6, Burst: 1e6},
	})
	s.address = "127.0.0.1:0"
	s.serve()
	t.Cleanup(s.pause)
	s.owner = s.key("owner", "owner", "")
	s.define()
	return s
}

// serve answers at the shop's address; pause lets nobody reach it any more.
func (s *shop) serve() {
	s.t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(s.t.Context(), "tcp", s.address)
	require.NoError(s.t, err)
	s.address = listener.Addr().String()
	server := api.HTTPServer(s.handler, slog.New(slog.DiscardHandler))
	s.server = server
	go func() {
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			s.t.Error(err)
		}
	}()
}

func (s *shop) pause() { _ = s.server.Close() }

func (s *shop) at(path string) string { return "http://" + s.address + path }

// key makes a key with a role, bound to a site if one is given.
func (s *shop) key(name, role, site string) string {
	s.t.Helper()
	secret, _, err := eventlog.CreateKey(s.t.Context(), s.db.App, name, []string{role}, site, nil, time.Now())
	require.NoError(s.t, err)
	return secret
}

// keyStore finds the keys as the process does.
type keyStore struct{ db *pgtest.DB }

func (k keyStore) Find(ctx context.Context, hash [32]byte) (api.Key, error) {
	key, err := eventlog.FindKey(ctx, k.db.App, hash, time.Now())
	return shown(key), known(err)
}

func (k keyStore) FindByID(ctx context.Context, id string) (api.Key, [32]byte, error) {
	parsed, err := uuid.Parse(id)
	if err != nil {
		return api.Key{}, [32]byte{}, api.ErrNoKey
	}
	key, hash, err := eventlog.FindKeyByID(ctx, k.db.App, parsed, time.Now())
	return shown(key), hash, known(err)
}

func shown(key eventlog.Key) api.Key {
	return api.Key{ID: key.ID.String(), Roles: key.Roles, Site: key.Site, Expires: key.ExpiresAt}
}

func known(err error) error {
	if errors.Is(err, eventlog.ErrNoKey) {
		return api.ErrNoKey
	}
	return err
}

// call sends a body as the owner and gives the answer, which must be a good one.
func (s *shop) call(method, path string, body object) object {
	s.t.Helper()
	var sent bytes.Buffer
	if body != nil {
		require.NoError(s.t, json.NewEncoder(&sent).Encode(body))
	}
	r, err := http.NewRequestWithContext(s.t.Context(), method, s.at(path), &sent)
	require.NoError(s.t, err)
	r.Header.Set("Authorization", "Bearer "+s.owner)
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if method == http.MethodPost && path != "/v1/clock" {
		s.sent++
		r.Header.Set("Idempotency-Key", fmt.Sprintf("shop-%d", s.sent))
	}
	response, err := http.DefaultClient.Do(r)
	require.NoError(s.t, err)
	defer func() { require.NoError(s.t, response.Body.Close()) }()
	var answer object
	require.NoError(s.t, json.NewDecoder(response.Body).Decode(&answer))
	require.Less(s.t, response.StatusCode, 300, "%s %s %v: %v", method, path, body, answer)
	return answer
}

func (s *shop) post(path string, body object) object {
	s.t.Helper()
	return s.call(http.MethodPost, "/v1/"+path, body)
}

// today is the day at the counter.
func (s *shop) today() civil.Day {
	s.t.Helper()
	day, err := civil.ParseDay(s.call(http.MethodGet, "/v1/board?place=counter", nil)["date"].(string))
	require.NoError(s.t, err)
	return day
}

// nextDay moves the clock on.
func (s *shop) nextDay() {
	s.t.Helper()
	s.now = s.now.AddDate(0, 0, 1)
	s.post("clock", object{"now": s.now.Format(time.RFC3339)})
}

const longName = "Blackcurrant & bay dome with a violet cocoa butter shell"

// define writes the catalogue: what is needed to mould a filled piece whose date is its filling's.
func (s *shop) define() {
	s.t.Helper()
	for path, body := range map[string]object{
		"sites/shingle-lane":    {"name": "Shingle Lane", "time_zone": "Europe/Dublin", "currency": "EUR", "operator": "Example Shingle Chocolate Ltd", "address": "3 Shingle Lane", "country": "IE", "handles": []string{"nuts:almond", "gluten:wheat"}},
		"suppliers/cocoa-quay":  {"name": "Example Cocoa Quay"},
		"suppliers/orchard-row": {"name": "Example Orchard Row"},
		"ingredients/dark":      {"name": "Dark couverture drops 60 %", "kind": "couverture", "chocolate": "dark", "storage": "dry", "allergens": []string{"soybeans"}, "may_contain": []string{"milk"}},
		"ingredients/praline":   {"name": "Hazelnut praline", "kind": "nut", "storage": "dry", "allergens": []string{"nuts:hazelnut"}},
		"moulds/dome-24":        {"name": "Dome 24", "cavities": 24},
	} {
		s.call(http.MethodPut, "/v1/"+path, body)
	}
	place := func(slug, name string, sells bool) {
		s.call(http.MethodPut, "/v1/places/"+slug, object{"name": name, "site": "shingle-lane", "storage": "cool", "sells": sells})
	}
	place("counter", "Counter", true)
	place("workroom", "Workroom", false)
	s.call(http.MethodPut, "/v1/vats/vat-dark", object{"name": "Dark tank", "chocolate": "dark", "capacity_g": 24000, "site": "shingle-lane"})
	for slug, name := range map[string]string{"dome": longName, "square": "Hazelnut square", "leaf": "Praline leaf"} {
		s.call(http.MethodPut, "/v1/designs/"+slug, object{
			"name": name, "chocolate": "dark", "shell_g": 4, "cap_g": 1.2, "price_minor": 180, "days_for_customer": 2,
			"fillings": []object{{"ingredient": "praline", "quantity_g": 6.5}},
		})
	}
}

// fillTank melts enough for a day.
func (s *shop) fillTank() {
	s.t.Helper()
	lot := s.lot("dark", "cocoa-quay", object{"kind": "best_before", "date": s.today().AddDays(300).String()})
	s.post("vats/vat-dark/melts", object{"inputs": []object{{"source": lot, "quantity_g": 9000, "purpose": "melt"}}})
}

func (s *shop) lot(ingredient, supplier string, mark object) string {
	s.t.Helper()
	s.lots++
	return s.post("lots", object{
		"ingredient": ingredient, "supplier": supplier, "supplier_lot": fmt.Sprintf("EX-%03d", s.lots), "quantity_g": 10000,
		"date_mark": mark, "price_minor": 1000, "place": "workroom",
	})["code"].(string)
}

// make moulds pieces whose filling's date is so many days away, and puts them on the counter.
func (s *shop) make(design string, pieces int, kind string, days int) (run string) {
	s.t.Helper()
	filling := s.lot("praline", "orchard-row", object{"kind": kind, "date": s.today().AddDays(days).String()})
	run = s.post("runs", object{
		"design": design, "mould": "dome-24", "moulds": (pieces + 23) / 24, "place": "workroom",
		"casting": object{"vat": "vat-dark"}, "filling": []object{{"source": filling}}, "capping": object{"vat": "vat-dark"},
		"turned_out": object{"good": pieces},
	})["code"].(string)
	s.post("runs/"+run+"/releases", object{"pieces": pieces, "place": "counter"})
	return run
}

func (s *shop) sell(run string, pieces int) {
	s.t.Helper()
	s.post("sales", object{"place": "counter", "channel": "counter", "lines": []object{{"code": run, "pieces": pieces}}})
}

// stock is a counter with something in each group.
type stock struct{ past, held, tonight, old, tomorrow, keeps string }

func (s *shop) fill() stock {
	s.t.Helper()
	var has stock
	s.fillTank()
	has.past = s.make("square", 9, "use_by", 0)
	has.old = s.make("leaf", 4, "best_before", 0)
	s.nextDay()
	has.tonight = s.make("dome", 28, "use_by", 0)
	has.held = s.make("square", 12, "use_by", 9)
	has.tomorrow = s.make("leaf", 31, "use_by", 1)
	has.keeps = s.make("dome", 120, "use_by", 20)
	s.post("holds", object{"code": has.held, "reason": "the supplier called"})
	return has
}
