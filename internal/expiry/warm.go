package expiry

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"firstout/internal/civil"
)

// A Kept is a life that dates a filling in a thing, by the days that it gives from the making: in the class that it is
// dated for, and in the cool. Code is empty where the filling is the thing itself.
type Kept struct {
	Code    string
	Limit   string // the limit that it ends with: LimitAssessment, which is meant where it is empty, or a cap
	Planned int
	Cool    int // 0: it has no day in the cool
}

func (k Kept) limit() string { return cmp.Or(k.Limit, LimitAssessment) }

// Lives gives the lives that date a batch: that of its assessment or, where none holds, those of its caps. What has only
// hours where it is kept is left out: they are hours, whatever the warmth.
func (f Filling) Lives() []Kept {
	found := f.findings()
	caps := f.caps(found)
	cool := class(f.keptIn()) == "cool"
	var lives []Kept
	add := func(limit string, inCool, chilled int) {
		k := Kept{Limit: limit, Planned: chilled, Cool: inCool}
		if cool {
			k.Planned = inCool
		}
		if k.Planned > 0 {
			lives = append(lives, k)
		}
	}
	switch {
	case f.judged(found, caps).status == StatusAssessed:
		days := f.Assessment.Days
		chilled, stated := days["chilled"]
		if !stated {
			chilled = days["cool"]
		}
		add(LimitAssessment, days["cool"], chilled)
	case caps != nil:
		if caps.Outcome == OutcomePA {
			add(LimitFoodSafetyCap, 0, caps.Chilled().Days)
		}
		add(LimitWaterActivityCap, caps.Band.Cool.Days, caps.Chilled().Days)
	}
	return lives
}

// DateKept adds the life that an assessment gives a filling in the cool, for what was dated for the chill and comes to
// stand warmer. One that was never assessed for the cool has four hours in all, from the instant at which it comes to
// stand there; chilling it again gives none of them back. It never makes a date later. What the thing lost out of its
// class before is taken from it by DateWarmed.
func DateKept(before Answer, filling Kept, at time.Time, zone *time.Location) Answer {
	if filling.Cool == 0 {
		return unchilled(before, filling.Code, sourceUnchilled, at, zone)
	}
	planned, found := before.planned(filling)
	if !found {
		return before
	}
	a := before
	made := civil.AddCivil(*planned.At, -filling.Planned, zone)
	a.Limits = append(slices.Clone(before.Limits), until(civil.AddCivil(made, filling.Cool, zone), civil.DayOf(made, zone), zone, Limit{
		Name: LimitAssessment, Subject: filling.Code, Source: planned.Source, Basis: basisAssessment,
	}))
	return settle(a, before.Binds != "", zone, before.EndsBy)
}

// planned finds the limit that ends a life in the class that it was dated for, as it is without losses: the latest of
// its limits, for that of the cool ends earlier.
func (a Answer) planned(life Kept) (latest Limit, found bool) {
	for _, l := range a.Limits {
		if !l.ends(life) {
			continue
		}
		if l = l.whole(); !found || l.At.After(*latest.At) {
			latest, found = l, true
		}
	}
	return latest, found
}

// ends tells whether a limit is an end of a life.
func (l Limit) ends(life Kept) bool {
	return l.Name == life.limit() && l.Subject == life.Code && l.At != nil && !strings.HasPrefix(l.Source, sourceUnchilled)
}

// IsLess tells whether times out of its class have taken from a limit, or set it.
func (l Limit) IsLess() bool { return l.LostH > 0 || strings.HasPrefix(l.Source, sourceUnchilled+": ") }

// whole is a limit as it was before anything was taken from it; its date is not worked out.
func (l Limit) whole() Limit {
	if l.LostH > 0 {
		at := l.At.Add(time.Duration(math.Round(l.LostH*3600)) * time.Second)
		l.At, l.Source = &at, l.WholeSource
		l.LostH, l.WholeSource = 0, ""
	}
	return l
}

func unchilled(before Answer, filling, source string, at time.Time, zone *time.Location) Answer {
	a := before
	a.Limits = append(slices.Clone(before.Limits), until(at.Add(hoursOutOfControl), civil.DayOf(at, zone), zone, Limit{
		Name: LimitFoodSafetyCap, Subject: filling, Source: source, Basis: basisPractice,
	}))
	return settle(a, before.Binds != "", zone, before.EndsBy)
}

// A Spell is a time at a temperature in °C. Where the thing stood is said in the reason for what it took; it may be left
// empty. Paused says that a freezer had stopped the thing's clock, which ran on for that time.
type Spell struct {
	From, To     time.Time
	TemperatureC float64
	Place        string
	Paused       bool
}

func (s Spell) length() time.Duration { return max(0, s.To.Sub(s.From)) }

// The bounds of the storage classes in °C, and how the cool life goes above them: three times as fast for each 10 °C
// (common practice; published growth data give two to four times, from memory).
const (
	chilledMaxC = 5.0
	coolMaxC    = 18.0
	warmerC     = 10.0
	fasterBy    = 3.0
)

// CoolRate is how fast the cool life goes at a temperature in °C: 1 up to 18 °C, with no credit for less.
func CoolRate(temperatureC float64) float64 {
	return math.Pow(fasterBy, max(0, temperatureC-coolMaxC)/warmerC)
}

// DateWarmed takes from the lives that date a thing what all the times took that it stood out of its class: each its
// share, which is its length by the rate over the life in the cool. What has no day in the cool has four hours in all, from
// the first time above 5 °C. What an earlier answer had lost is worked out anew, so that spells may come to be known in any
// order, and those that were counted may be given again.
func DateWarmed(before Answer, lives []Kept, spells []Spell, zone *time.Location) Answer {
	ordered := slices.SortedFunc(slices.Values(spells), func(a, b Spell) int {
		return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To), cmp.Compare(a.TemperatureC, b.TemperatureC))
	})
	ordered = slices.DeleteFunc(ordered, func(s Spell) bool { return s.length() == 0 })
	a := before
	a.Limits = slices.DeleteFunc(slices.Clone(before.Limits), func(l Limit) bool {
		return strings.HasPrefix(l.Source, sourceUnchilled+": ") && slices.ContainsFunc(lives, func(k Kept) bool { return k.Code == l.Subject })
	})
	for _, life := range lives {
		if life.Cool > 0 {
			a = a.warmed(life, ordered, zone)
			continue
		}
		if first := slices.IndexFunc(ordered, func(s Spell) bool { return s.TemperatureC > chilledMaxC }); first >= 0 {
			source := sourceUnchilled + ": " + outOfClass(ordered[first:first+1])
			a = unchilled(a, life.Code, source, ordered[first].From, zone)
		}
	}
	return settle(a, before.Binds != "", zone, before.EndsBy)
}

// warmed takes from one life's limits what spells took. Limits is the answer's own already.
func (a Answer) warmed(life Kept, spells []Spell, zone *time.Location) Answer {
	planned, found := a.planned(life)
	if !found {
		return a
	}
	made := civil.AddCivil(*planned.At, -life.Planned, zone)
	for i, l := range a.Limits {
		if !l.ends(life) {
			continue
		}
		whole, ratio := l.whole(), 1.0
		if whole.At.Equal(*planned.At) {
			ratio = float64(life.Planned) / float64(life.Cool)
		}
		lost, took := lostTo(spells, ratio)
		if lost == l.lost() {
			continue
		}
		a.Limits[i] = whole.less(lost, took, made, zone)
	}
	exact, _ := lostExactly(spells, float64(life.Planned)/float64(life.Cool))
	if exact > 0 && planned.ReleasedBy == "" {
		elapsed := lastOf(spells).Sub(made).Hours()
		a.UsedShare = max(a.UsedShare, (elapsed+exact)/planned.At.Sub(made).Hours())
	}
	return a
}

func (l Limit) lost() time.Duration { return time.Duration(math.Round(l.LostH*3600)) * time.Second }

// less is a whole limit of a life that began at made with something taken from it.
func (l Limit) less(lost time.Duration, took []Spell, made time.Time, zone *time.Location) Limit {
	from := l.dayFrom(took, made, zone)
	if lost > 0 {
		l.WholeSource, l.LostH = l.Source, lost.Hours()
		l.Source = fmt.Sprintf("%s, less %s h for %s", l.Source, inTenths(lost.Hours()), outOfClass(took))
	}
	return until(l.At.Add(-lost), from, zone, l)
}

// lostTo is what spells took of a life, to the second, and those of them that took something.
func lostTo(spells []Spell, ratio float64) (lost time.Duration, took []Spell) {
	hours, took := lostExactly(spells, ratio)
	return time.Duration(math.Round(hours*3600)) * time.Second, took
}

// lostExactly is the same in hours. A clock that stood still loses the whole of a spell's share, any other what that is
// over the spell's own length, which has gone by anyway. Chilled time is no more than its length.
func lostExactly(spells []Spell, ratio float64) (hours float64, took []Spell) {
	for _, s := range spells {
		share := 1.0
		if s.TemperatureC > chilledMaxC {
			share = CoolRate(s.TemperatureC) * ratio
		}
		if !s.Paused {
			share--
		}
		if share > 0 {
			hours += share * s.length().Hours()
			took = append(took, s)
		}
	}
	return hours, took
}

// dayFrom is the day from which a whole limit may have a whole day once something was taken from it: that on which the last of it
// was, but not one after the day that it had anyway. Without that one it would be over at its instant, which is later than the
// day's end.
func (l Limit) dayFrom(took []Spell, made time.Time, zone *time.Location) civil.Day {
	from := civil.DayOf(made, zone)
	if len(took) == 0 {
		return from
	}
	last, had := civil.DayOf(lastOf(took), zone), civil.LastWholeDay(*l.At, zone)
	if had.Before(last) {
		last = had
	}
	if from.Before(last) {
		from = last
	}
	return from
}

func lastOf(spells []Spell) time.Time {
	last := spells[0].To
	for _, s := range spells {
		if s.To.After(last) {
			last = s.To
		}
	}
	return last
}

// mostSpelled is how many times out of class are told one by one.
const mostSpelled = 3

// outOfClass says times out of class in words: 14.5 h at 24 °C in the Counter. Times alike are told as one.
func outOfClass(spells []Spell) string {
	var alike []Spell // From and To say a length
	total, warmest := time.Duration(0), spells[0]
	for _, s := range spells {
		total += s.length()
		if s.TemperatureC > warmest.TemperatureC {
			warmest = s
		}
		same := func(o Spell) bool { return o.TemperatureC == s.TemperatureC && o.Place == s.Place }
		if i := slices.IndexFunc(alike, same); i >= 0 {
			alike[i].To = alike[i].To.Add(s.length())
			continue
		}
		alike = append(alike, s)
	}
	if len(alike) > mostSpelled {
		return fmt.Sprintf("%s h at up to %s °C%s", inTenths(total.Hours()), inTenths(warmest.TemperatureC), warmest.where())
	}
	var said []string
	for _, s := range alike {
		said = append(said, fmt.Sprintf("%s h at %s °C%s", inTenths(s.length().Hours()), inTenths(s.TemperatureC), s.where()))
	}
	return strings.Join(said, ", and ")
}

func (s Spell) where() string {
	if s.Place == "" {
		return ""
	}
	return " in the " + s.Place
}

// inTenths writes a number as it is said, to one decimal.
func inTenths(value float64) string { return strconv.FormatFloat(math.Round(value*10)/10, 'f', -1, 64) }
