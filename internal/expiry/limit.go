package expiry

import (
	"cmp"
	"slices"
	"time"

	"firstout/internal/civil"
)

// The names of the limits.
const (
	LimitIngredientUseBy      = "ingredient_use_by"
	LimitOpenedIngredient     = "opened_ingredient"
	LimitPipingBag            = "piping_bag"
	LimitShop                 = "shop_limit"
	LimitFoodSafetyCap        = "food_safety_cap"
	LimitAssessment           = "assessment"
	LimitWaterActivityCap     = "water_activity_cap"
	LimitIngredientBestBefore = "ingredient_best_before"
	LimitFreezer              = "freezer_limit"
)

// tieOrder is the order in which the reason is named when several limits end together.
var tieOrder = []string{
	LimitIngredientUseBy, LimitOpenedIngredient, LimitPipingBag, LimitShop, LimitFoodSafetyCap, LimitAssessment,
	LimitWaterActivityCap, LimitIngredientBestBefore, LimitFreezer,
}

// What releases a limit, where it is not an assessment's document.
const (
	// ReleasedByKind: the best-before of an ingredient that is neither dairy, fruit, nut nor couverture is about its
	// quality alone and does not date what is made of it.
	ReleasedByKind = "kind_of_ingredient"
	// ReleasedByTrace: the best-before of a lot that is less than 0.1 % of its charge.
	ReleasedByTrace = "below_trace"
	// ReleasedByFilling: the piping bag's limit, once the filling has left the bag in time.
	ReleasedByFilling = "filled_in_time"
	// ReleasedByFreezer: a clock that stands still while the thing is frozen.
	ReleasedByFreezer = "freezer"
)

// A Limit is one of the ends that a date is the earliest of. One with ReleasedBy is listed but binds nothing.
type Limit struct {
	Name       string
	Date       *civil.Day // the last whole day within the limit; nil if it has none, and then At is set
	At         *time.Time // of a limit that is an instant
	Subject    string     // code of the lot, portion or ganache it belongs to; empty: the thing dated itself
	Source     string     // what says so: a document, a date mark, a rule
	Basis      string     // what sort of reason that is
	ReleasedBy string
	// LostH is what times out of its class took of it, in hours, to the second; WholeSource what its source says without them.
	LostH       float64
	WholeSource string
}

// What sort of reason a limit's source is.
const (
	basisDateMark   = "date_mark"
	basisOpenLife   = "open_life"
	basisShop       = "shop"
	basisAssessment = "assessment"
	basisPractice   = "common practice"
)

// through makes a limit that holds through a civil day.
func through(d civil.Day, l Limit) Limit {
	l.Date = &d
	return l
}

// until makes a limit of a clock that began on the day from and ends at an instant.
func until(at time.Time, from civil.Day, zone *time.Location, l Limit) Limit {
	at = at.Round(0).In(zone)
	l.At, l.Date = &at, nil
	if whole := civil.LastWholeDay(at, zone); !whole.Before(from) {
		l.Date = &whole
	}
	return l
}

// isUseBy tells whether the limit is one after which the thing may not be used or sold, in an answer of that kind.
func (l Limit) isUseBy(kind string) bool {
	switch l.Name {
	case LimitIngredientUseBy, LimitOpenedIngredient, LimitFoodSafetyCap, LimitPipingBag:
		return true
	case LimitAssessment, LimitWaterActivityCap, LimitShop, LimitFreezer:
		return kind == KindUseBy
	default:
		return false
	}
}

// end is the instant at which the limit is over: that of its last whole day, or its own if it has none.
func (l Limit) end(zone *time.Location) time.Time {
	if l.Date != nil {
		return l.Date.EndIn(zone)
	}
	return *l.At
}

// An ending is a limit with its end, worked out once.
type ending struct {
	Limit
	end time.Time
}

// inOrder sorts limits by their ends, those that end together by tieOrder and then by the rest of what they say, so
// that the order in which they were found never shows. Of equal ones it keeps one.
func inOrder(limits []Limit, zone *time.Location) []ending {
	endings := make([]ending, 0, len(limits))
	for _, l := range limits {
		endings = append(endings, ending{Limit: l, end: l.end(zone)})
	}
	compare := func(a, b ending) int {
		return cmp.Or(
			a.end.Compare(b.end),
			cmp.Compare(slices.Index(tieOrder, a.Name), slices.Index(tieOrder, b.Name)),
			cmp.Compare(a.Subject, b.Subject), cmp.Compare(a.Source, b.Source), cmp.Compare(a.ReleasedBy, b.ReleasedBy),
			cmp.Compare(a.Basis, b.Basis), compareInstants(a.At, b.At),
		)
	}
	slices.SortFunc(endings, compare)
	return slices.CompactFunc(endings, func(a, b ending) bool { return compare(a, b) == 0 })
}

func compareInstants(a, b *time.Time) int {
	switch {
	case a == nil && b == nil:
		return 0
	case a == nil:
		return -1
	case b == nil:
		return 1
	default:
		return a.Compare(*b)
	}
}

// earliest finds the first limit of those in order that counts and is not released.
func earliest(ordered []ending, counts func(Limit) bool) (int, bool) {
	i := slices.IndexFunc(ordered, func(e ending) bool { return e.ReleasedBy == "" && counts(e.Limit) })
	return i, i >= 0
}

func toFront(ordered []ending, i int) []ending {
	first := ordered[i]
	return slices.Insert(slices.Delete(ordered, i, i+1), 0, first)
}
