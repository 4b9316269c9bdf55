package genealogy_test

import (
	"fmt"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// chance draws a number below another.
type chance func(below int) int

// A storyteller tells a random genealogy to a book, and to the model the same in numbers.
type storyteller struct {
	chance chance
	carry  func(cmd workshop.Command) (any, *workshop.Refusal)
	now    time.Time
	*model

	lots, ganaches []events.Code
	cream          map[events.Code]bool
	left           map[events.Code]events.Mass
	runs           map[events.Code]int // by code, the variable that it is made of
	told           int
}

var maker = workshop.Actor{ID: "owner", Roles: []string{"owner"}}

func tell(chance chance, carry func(cmd workshop.Command) (any, *workshop.Refusal)) *storyteller {
	return &storyteller{
		chance: chance, carry: carry, model: newModel(), left: map[events.Code]events.Mass{}, cream: map[events.Code]bool{},
		runs: map[events.Code]int{}, now: time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC),
	}
}

// catalogue is an invented shop with two tanks of one kind of chocolate.
func catalogue() []workshop.Define {
	contains := func(codes ...string) *[]string { all := append([]string{}, codes...); return &all }
	formula := events.Formula{
		Name: "Plain", Storage: "cool", Inputs: []events.FormulaInput{{Ingredient: "cream-35", Quantity: 400 * events.Gram, Heated: true}, {Ingredient: "dark-60", Quantity: 600 * events.Gram}},
		HeatStep: &events.HeatStep{Boiled: true},
	}
	return []workshop.Define{
		{Slug: "quay-lane", Body: events.Site{Name: "Quay Lane", TimeZone: "Europe/Dublin", Currency: "EUR"}},
		{Slug: "workshop", Body: events.Place{Name: "Workshop", Site: "quay-lane", Storage: "cool"}},
		{Slug: "example-cocoa", Body: workshop.Supplier{Name: "Example Cocoa"}},
		{Slug: "cream-35", Body: events.Ingredient{Name: "Cream 35 %", Kind: "dairy", Storage: "cool", OpenLifeDays: new(5), Allergens: contains("milk")}},
		{Slug: "dark-60", Body: events.Ingredient{Name: "Dark couverture drops", Kind: "couverture", Chocolate: "dark", Storage: "cool", Allergens: contains("soybeans")}},
		{Slug: "water", Body: events.Ingredient{Name: "Tap water", Kind: "other", Allergens: contains(), Untracked: true}},
		{Slug: "plain", Body: formula},
		{Slug: "vat-one", Body: events.Vat{Name: "Tank one", Chocolate: "dark", Site: "quay-lane"}},
		{Slug: "vat-two", Body: events.Vat{Name: "Tank two", Chocolate: "dark", Site: "quay-lane"}},
		{Slug: "dome-24", Body: events.Mould{Name: "Dome 24", Cavities: 24}},
		{Slug: "dome", Body: events.Design{Name: "Dome", Chocolate: "dark", Shell: 4 * events.Gram, Cap: events.Gram, Fillings: []events.DesignFilling{{Formula: "plain", Quantity: 6 * events.Gram}}}},
	}
}

// mass draws a quantity from one milligram to a limit: mostly of ordinary size, now and then a trace.
func (s *storyteller) mass(limit events.Mass) events.Mass {
	if limit < 1 {
		return 0
	}
	most := min(limit, events.Mass(1)<<(4+s.chance(20)))
	return 1 + events.Mass(s.chance(int(most)))
}

func pick[T any](s *storyteller, from []T) T { return from[s.chance(len(from))] }

// tellAll begins with something to work with, and tells so many steps.
func (s *storyteller) tellAll(steps int) {
	s.delivery("dark-60")
	s.delivery("cream-35")
	s.melt()
	for range steps {
		s.step()
	}
}

// step tells one thing that happens, if it can.
func (s *storyteller) step() {
	s.now = s.now.Add(time.Duration(1+s.chance(20)) * time.Minute)
	switch s.chance(10) {
	case 0:
		s.delivery(pick(s, []string{"dark-60", "dark-60", "cream-35"}))
	case 1, 2, 3:
		s.melt()
	case 4, 5:
		s.filling()
	case 6, 7:
		s.moulding()
	case 8:
		s.shells()
	case 9:
		s.emptying()
	}
}

func (s *storyteller) try(cmd workshop.Command) (any, bool) {
	answer, refusal := s.carry(cmd)
	if refusal == nil {
		s.told++
	}
	return answer, refusal == nil
}

func (s *storyteller) delivery(ingredient string) {
	until := civil.Day{Year: 2027, Month: 5, Day: 31}
	quantity := events.Mass(1+s.chance(20_000)) * events.Gram
	answer, ok := s.try(workshop.Receive{
		Ingredient: ingredient, Supplier: "example-cocoa", SupplierLot: fmt.Sprintf("S-%d", s.chance(100)), Quantity: quantity,
		DateMark: events.DateMark{Kind: "best_before", Date: &until}, Place: "workshop",
	})
	if ok {
		lot := answer.(*workshop.Lot).Code
		s.lots, s.left[lot], s.cream[lot] = append(s.lots, lot), quantity, ingredient == "cream-35"
		s.receive(lot)
	}
}

// of lists the lots of a kind that something is left of; blocks are couverture.
func (s *storyteller) of(cream bool) []events.Code {
	var found []events.Code
	for _, lot := range s.lots {
		if s.left[lot] > 0 && s.cream[lot] == cream {
			found = append(found, lot)
		}
	}
	return found
}
