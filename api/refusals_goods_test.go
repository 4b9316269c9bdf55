package api

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// The hours of the day on which things are refused. What is there was made early; a request says nothing of its time
// and happens at noon, or it happened a while ago, when what was made late was not there yet.
const (
	early   = "2026-11-25T08:30:00Z"
	ago     = "2026-11-25T10:00:00Z"
	late    = "2026-11-25T11:00:00Z"
	noon    = "2026-11-25T12:00:00Z"
	tooSoon = "2026-11-25T12:05:01Z" // 5 minutes ahead and more
	tooLate = "2026-10-25T11:59:59Z" // 31 days back and more
)

// A trait is what makes a thing other than ordinary.
type trait string

const (
	isLate      trait = "late"      // made after a while ago
	isHeld      trait = "held"      // on hold
	isPast      trait = "past"      // past its use-by
	isStarted   trait = "started"   // a run of which nothing is cast
	isCast      trait = "cast"      // a run that is cast and not filled
	isFilled    trait = "filled"    // a run that is filled and not capped
	isCapped    trait = "capped"    // a run that is capped and not turned out
	isReleased  trait = "released"  // a run with 20 of its 24 pieces released at the counter
	isWaiting   trait = "waiting"   // a run with 20 pieces at the counter that are not released
	isSuspect   trait = "suspect"   // with a deviation of safety that nobody has decided
	isUnknown   trait = "unknown"   // with a lot in it of which nobody knows the allergens
	isUnlabeled trait = "unlabeled" // with an allergen in it that its label does not have
	isUndated   trait = "undated"   // with a filling that has no date
	isChilled   trait = "chilled"   // with a filling that only keeps in the chill
	isMilk      trait = "milk"      // a tank for milk chocolate
	isEmpty     trait = "empty"     // a tank in which nothing was ever melted
	isFull      trait = "full"      // a tank that holds no more
	isSettled   trait = "settled"   // a hold that is lifted, a deviation that is decided
)

// A refusalShop is a shop in which whatever a refused request needs can be had. Things are made once and named again
// by every request that is refused, for a refusal changes nothing.
type refusalShop struct {
	*testBook
	maker   client
	made    map[string][]string // by what they are
	numbers *int                // of tanks, one for each charge, and designs
	upset   bool                // others change the book too: what cannot be had is a panic of errUpset

	store, storeLate           string // tanks that goods are made from, for each time one, so that no draw is typed late
	charge                     string
	filling, coldFilling, none string
}

func newRefusalShop(t *testing.T) *refusalShop {
	t.Helper()
	return refusalShopIn(newTestBook(t))
}

func refusalShopIn(b *testBook) *refusalShop {
	b.t.Helper()
	s := &refusalShop{testBook: b, made: map[string][]string{}, numbers: new(int)}
	s.maker = s.as(roleMaker)
	s.catalogue()
	s.define()
	s.at(noon)
	s.stockUp()
	return s
}

// define puts what the goods are made of into the catalogue, as it should be.
func (s *refusalShop) define() {
	s.t.Helper()
	for slug, body := range map[string]obj{
		"places/freezer": {"name": "Freezer", "site": "quay-lane", "storage": "frozen"},
		"places/stall":   {"name": "Stall", "site": "quay-lane", "storage": "cool", "sells": true},
		"ingredients/couverture-milk-35": {
			"name": "Milk couverture drops", "kind": "couverture", "chocolate": "milk", "storage": "dry", "allergens": []string{"milk"},
		},
		"ingredients/cream":          {"name": "Cream that keeps once opened", "kind": "dairy", "allergens": []string{"milk"}},
		"ingredients/biscuit-crumb":  {"name": "Biscuit crumb", "kind": "other"},
		"ingredients/hazelnut-paste": {"name": "Hazelnut paste", "kind": "nut", "allergens": []string{"nuts:hazelnut"}},
		"designs/dark-drop":          {"name": "Dark drop", "chocolate": "dark", "shell_g": 5, "price_minor": 90},
	} {
		s.put(slug, body)
	}
	days := obj{"cool": 14, "chilled": 21}
	for _, f := range []struct{ formula, design, storage string }{{"bay", "dome", "cool"}, {"cold", "cold-dome", "chilled"}, {"new", "new-dome", "cool"}} {
		formula := obj{"name": f.formula, "storage": f.storage, "inputs": []obj{{"ingredient": "cream", "quantity_g": 400, "heated": true}}}
		if f.storage == "chilled" {
			days = obj{"chilled": 21}
		}
		if f.formula != "new" {
			formula["measured"] = obj{"water_activity": 0.893, "ph": 4.7, "samples": 3, "document": "LAB-0533", "on": "2026-09-01", "valid_until": "2027-09-01"}
			formula["assessment"] = obj{
				"document": "LAB-0417", "by": "Example Food Lab", "on": "2026-09-01", "kind": "study", "date_kind": "use_by", "days": days,
				"releases": []string{"ingredient_use_by", "opened_ingredient"},
			}
		}
		s.put("formulas/"+f.formula, formula)
		s.put("designs/"+f.design, obj{
			"name": f.design, "chocolate": "dark", "shell_g": 4, "cap_g": 1.2, "fillings": []obj{{"formula": f.formula, "quantity_g": 6.5}}, "price_minor": 180,
		})
	}
}

// stockUp makes what goods are made from.
func (s *refusalShop) stockUp() {
	s.t.Helper()
	clear(s.made)
	cream := s.lot("cream", 9)
	batch := func(formula, place string) string {
		return s.record("ganaches", obj{"formula": formula, "place": place, "inputs": []obj{{"source": cream, "quantity_g": 150000}}, "occurred_at": early}).text("code")
	}
	s.filling, s.coldFilling, s.none = batch("bay", "workshop"), batch("cold", "cold-room"), batch("new", "workshop")
	s.store, s.charge = s.tank(0)
	s.storeLate, _ = s.tank(0, isLate)
}

var errUpset = errors.New("this book is not as it was left")

// record writes something down that is not what the test is about.
func (s *refusalShop) record(path string, body obj) answer {
	s.t.Helper()
	a := serve(s.t, s.owner, s.owner.request(s.t, http.MethodPost, "/v1/"+path, text(s.t, body)))
	if s.upset && a.Status != http.StatusCreated {
		panic(errUpset)
	}
	require.Equal(s.t, http.StatusCreated, a.Status, "%s %v: %s", path, body, a.Body)
	return a
}

// once gives the n-th thing that is so, and makes it if there are not so many yet.
func (s *refusalShop) once(what string, n int, with []trait, fresh func() string) string {
	s.t.Helper()
	slices.Sort(with)
	key := fmt.Sprint(what, with)
	for len(s.made[key]) <= n {
		s.made[key] = append(s.made[key], fresh())
	}
	return s.made[key][n]
}

// forget has things made anew: what was recorded changed those there are.
func (s *refusalShop) forget(what string) {
	for key := range s.made {
		if strings.HasPrefix(key, what+"[") {
			delete(s.made, key)
		}
	}
}

func madeAt(with []trait) string {
	if slices.Contains(with, isLate) {
		return late
	}
	return early
}

// mark brings about what can come over any thing.
func (s *refusalShop) mark(code string, with []trait) {
	s.t.Helper()
	if slices.Contains(with, isPast) && code[0] != 'L' { // a lot is past by its own mark
		s.record("redatings", obj{"code": code, "date": "2026-11-24", "reason": "smells"})
	}
	if slices.Contains(with, isSuspect) {
		s.record("checks", obj{"subject": code, "kind": "metal", "result": "fail"})
	}
	if slices.Contains(with, isHeld) {
		s.record("holds", obj{"code": code, "reason": "the supplier called"})
	}
}

// lot is 500 kg of an ingredient in the workshop.
func (s *refusalShop) lot(ingredient string, n int, with ...trait) string {
	s.t.Helper()
	return s.once("lot "+ingredient, n, with, func() string {
		body := delivery(ingredient, "example-dairy", 500000, useBy("2027-05-31"), "workshop")
		if slices.Contains(with, isPast) {
			body["date_mark"] = useBy("2026-11-24")
		}
		body["occurred_at"] = madeAt(with)
		code := s.record("lots", body).text("code")
		s.mark(code, with)
		return code
	})
}

// tank is a tank with 100 kg of chocolate in it, and the code of its charge.
func (s *refusalShop) tank(n int, with ...trait) (slug, charge string) {
	s.t.Helper()
	both := s.once("tank", n, with, func() string {
		*s.numbers++
		slug, chocolate := fmt.Sprintf("tank-%d", *s.numbers), "dark"
		if slices.Contains(with, isMilk) {
			chocolate = "milk"
		}
		vat := obj{"name": "Tank", "chocolate": chocolate, "site": "quay-lane"}
		if slices.Contains(with, isFull) {
			vat["capacity_g"] = 100000
		}
		s.put("vats/"+slug, vat)
		if slices.Contains(with, isEmpty) {
			return slug + " "
		}
		drops := delivery("couverture-"+map[string]string{"dark": "dark-60", "milk": "milk-35"}[chocolate], "example-cocoa", 100000, useBy("2027-05-31"), "workshop")
		drops["occurred_at"] = madeAt(with)
		source := s.record("lots", drops).text("code")
		code := s.record("vats/"+slug+"/melts", obj{"inputs": []obj{{"source": source, "quantity_g": 100000}}, "occurred_at": madeAt(with)}).text("charge")
		s.mark(code, with)
		return slug + " " + code
	})
	slug, charge, _ = strings.Cut(both, " ")
	return slug, charge
}

// ganache is a batch of 10 kg in the workshop.
func (s *refusalShop) ganache(n int, with ...trait) string {
	s.t.Helper()
	return s.once("ganache", n, with, func() string {
		code := s.record("ganaches", obj{
			"formula": "bay", "place": "workshop", "inputs": []obj{{"source": s.lot("cream", 8), "quantity_g": 10000}}, "occurred_at": madeAt(with),
		}).text("code")
		s.mark(code, with)
		return code
	})
}

// run is a run of 24 filled pieces: turned out, unless it was not so far yet.
func (s *refusalShop) run(n int, with ...trait) string {
	s.t.Helper()
	return s.once("run", n, with, func() string {
		code := s.mould("", with)
		s.carry(code, 20, with)
		s.mark(code, with)
		return code
	})
}

// box is five boxes of two pieces at the counter, of a run of their own.
func (s *refusalShop) box(n int, with ...trait) string {
	s.t.Helper()
	return s.once("box", n, with, func() string {
		run := s.mould("", nil)
		s.record("runs/"+run+"/releases", obj{"pieces": 10, "place": "counter", "occurred_at": early})
		code := s.record("boxes", obj{
			"place": "counter", "contents": []obj{{"run": run, "pieces": 2}}, "count": 5, "occurred_at": madeAt(with),
		}).text("boxes", 0, "code")
		s.mark(code, with)
		return code
	})
}

// shelf is a design of its own: of two runs five pieces each are at the counter, the second's with a trait.
func (s *refusalShop) shelf(n int, with trait) string {
	s.t.Helper()
	return s.once("shelf", n, []trait{with}, func() string {
		*s.numbers++
		design := fmt.Sprintf("shelf-%d", *s.numbers)
		s.put("designs/"+design, obj{
			"name": "Of the shelf", "chocolate": "dark", "shell_g": 4, "cap_g": 1.2, "fillings": []obj{{"formula": "bay", "quantity_g": 6.5}},
		})
		s.carry(s.mould(design, nil), 5, []trait{isReleased})
		other := s.mould(design, nil)
		if with == isWaiting {
			s.carry(other, 5, []trait{isWaiting})
			return design
		}
		s.carry(other, 5, []trait{isReleased})
		s.mark(other, []trait{with})
		return design
	})
}

// mould makes a run as far as its traits say, of a design or of the one that they ask for.
func (s *refusalShop) mould(design string, with []trait) string {
	s.t.Helper()
	is := func(t trait) bool { return slices.Contains(with, t) }
	tank, filling := s.store, s.filling
	if is(isLate) {
		tank = s.storeLate
	}
	switch {
	case is(isChilled):
		filling, design = s.coldFilling, "cold-dome"
	case is(isUndated):
		filling, design = s.none, "new-dome"
	case design == "":
		design = "dome"
	}
	body := obj{"design": design, "mould": "dome-24", "moulds": 1, "place": "workshop", "occurred_at": madeAt(with)}
	for _, step := range []struct {
		not  trait // where it went no further than before this
		name string
		step any
	}{
		{isStarted, "casting", obj{"vat": tank}},
		{isCast, "filling", []obj{{"source": filling}}},
		{isFilled, "capping", obj{"vat": tank}},
		{isCapped, "turned_out", obj{"good": 24}},
	} {
		if is(step.not) {
			break
		}
		body[step.name] = step.step
	}
	var toppings []obj
	for topping, put := range map[string]bool{"biscuit-crumb": is(isUnknown), "hazelnut-paste": is(isUnlabeled)} {
		if put {
			toppings = append(toppings, obj{"source": s.lot(topping, 9), "quantity_g": 1})
		}
	}
	if len(toppings) > 0 {
		body["decorations"] = []obj{{"stage": "after_capping", "inputs": toppings}}
	}
	return s.record("runs", body).text("code")
}

// carry brings pieces of a run to the counter, through the gate or past it.
func (s *refusalShop) carry(run string, pieces int, with []trait) {
	s.t.Helper()
	if slices.Contains(with, isReleased) {
		s.record("runs/"+run+"/releases", obj{"pieces": pieces, "place": "counter", "occurred_at": madeAt(with)})
	}
	if slices.Contains(with, isWaiting) {
		s.record("moves", obj{"from": "workshop", "to": "counter", "lines": []obj{{"code": run, "pieces": pieces}}, "occurred_at": madeAt(with)})
	}
}

// hold is a hold on a lot of its own.
func (s *refusalShop) hold(with ...trait) string {
	s.t.Helper()
	return s.once("hold", 0, with, func() string {
		id := s.record("holds", obj{"code": s.lot("cream", 7), "reason": "?", "occurred_at": madeAt(with)}).text("id")
		if slices.Contains(with, isSettled) {
			s.record("holds/"+id+"/lifts", obj{"reason": "?"})
		}
		return id
	})
}

// recall is a drill, from a lot of its own that is in a batch.
func (s *refusalShop) recall(with ...trait) string {
	s.t.Helper()
	return s.once("recall", 0, with, func() string {
		lot := s.lot("cream", 7)
		s.once("ganache of the recalled", 0, nil, func() string {
			return s.record("ganaches", obj{"formula": "bay", "place": "workshop", "inputs": []obj{{"source": lot, "quantity_g": 100}}, "occurred_at": early}).text("code")
		})
		id := s.record("recalls", obj{"code": lot, "reach": "may_contain", "drill": true, "reason": "?", "occurred_at": madeAt(with)}).text("id")
		if slices.Contains(with, isSettled) {
			s.record("recalls/"+id+"/closings", obj{"rest": "gone", "reason": "?"})
		}
		return id
	})
}

// deviation is one of quality, on a filling.
func (s *refusalShop) deviation(with ...trait) string {
	s.t.Helper()
	return s.once("deviation", 0, with, func() string {
		id := s.record("checks", obj{
			"subject": s.filling, "kind": "visual", "result": "fail", "occurred_at": madeAt(with),
		}).text("deviations", 0, "id")
		if slices.Contains(with, isSettled) {
			s.record("deviations/"+id+"/decisions", obj{"decision": "accept", "reason": "?"})
		}
		return id
	})
}

// strange is a code that checks and names nothing in any book.
func strange(kind events.Kind, n int) string {
	return string(events.NewCode(kind, civil.Day{Year: 2020, Month: 1, Day: 2}, 70+n, 0))
}

// mistyped is a code with its last character wrong.
func mistyped(kind events.Kind, n int) string {
	code := []byte(strange(kind, n))
	if code[len(code)-1] == '0' {
		code[len(code)-1] = '1'
	} else {
		code[len(code)-1] = '0'
	}
	return string(code)
}

// stands is how much of a thing stands at a place by the book: pieces, or grams.
func (s *refusalShop) stands(code, place string) any {
	s.t.Helper()
	var amount int64
	err := s.db.App.QueryRow(s.t.Context(), "SELECT coalesce(sum(amount), 0) FROM stock WHERE code = $1 AND place = $2", code, place).Scan(&amount)
	require.NoError(s.t, err)
	if code[0] == 'R' || code[0] == 'B' {
		return amount
	}
	return events.Mass(amount)
}

// holds is how much is in a tank.
func (s *refusalShop) holds(tank string) any {
	s.t.Helper()
	return s.owner.get(s.t, "/v1/vats/"+tank).at("charge", "quantity_g")
}

// position is that of the book's last event.
func (s *refusalShop) position() (at int64) {
	s.t.Helper()
	require.NoError(s.t, s.db.App.QueryRow(s.t.Context(), "SELECT position FROM head").Scan(&at))
	return at
}
