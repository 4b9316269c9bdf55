package expiry

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"firstout/internal/civil"
)

// A Keeps is how long something keeps from its making: civil days, or hours where it has not a day.
type Keeps struct {
	Days  int
	Hours int // counted only where Days is 0
}

// String is as it is said: 14 days, 4 hours in all.
func (k Keeps) String() string {
	switch {
	case k.Days == 1:
		return "1 day"
	case k.Days > 1:
		return fmt.Sprintf("%d days", k.Days)
	default:
		return fmt.Sprintf("%d hours in all", k.Hours)
	}
}

// InDays gives the length in days of 24 hours.
func (k Keeps) InDays() float64 {
	if k.Days > 0 {
		return float64(k.Days)
	}
	return float64(k.Hours) / 24
}

// from gives the length from an instant: civil days end at the same local time, so that one may last an hour more or less.
func (k Keeps) from(made time.Time, zone *time.Location) time.Duration {
	if k.Days > 0 {
		return civil.AddCivil(made, k.Days, zone).Sub(made)
	}
	return time.Duration(k.Hours) * time.Hour
}

// A Band is how long a filling keeps whose decision water activity is above that of the band before and no higher than Max.
type Band struct {
	Max         float64 // water activity, 0 to 1
	MaxIncluded bool
	Cool        Keeps // up to 18 °C
	Chilled     Keeps // up to 5 °C
	Source      string
	Basis       string
}

// A Scheme is the shop's own table of lives by water activity, with its version. Its bands follow one another from the
// driest on; the last holds all that is left, up to 1.
type Scheme struct {
	Version string
	Bands   []Band
	// BestBeforeBinds are the kinds of ingredient whose best-before dates what is made of them. Nil: those of
	// DateBindingKinds; empty: none does.
	BestBeforeBinds []string
}

var shippedScheme = sync.OnceValue(func() *Scheme {
	scheme := &Scheme{Version: Tables}
	for _, row := range readTable("life_caps.csv") {
		scheme.Bands = append(scheme.Bands, Band{
			Max: row.number("aw_max"), MaxIncluded: row.bound("aw_max").included, Source: row["source"], Basis: row["basis"],
			Cool:    Keeps{Days: int(row.number("cool_days")), Hours: int(row.number("cool_hours"))},
			Chilled: Keeps{Days: int(row.number("chilled_days"))},
		})
	}
	return scheme
})

// DefaultScheme is the table that is shipped. The days are a conservative rule of the trade (common practice, from memory);
// those in the cool are held at or below the mould-free life of cake at the band's upper edge, by Seiler 1988:
// log10 days at 21 °C = 7.91 − 0.081 · 100 aw, valid from 0.74 to 0.90, moved to 18 °C with a Q10 of 3.
func DefaultScheme() Scheme {
	scheme := *shippedScheme()
	scheme.Bands = slices.Clone(scheme.Bands)
	return scheme
}

// Check says what is wrong with a scheme; nil if nothing is.
func (s Scheme) Check() error {
	if s.Version == "" {
		return errors.New("version: give the table a version, so that old dates can be explained by it")
	}
	if len(s.Bands) == 0 {
		return errors.New("bands: give at least one band, up to water activity 1")
	}
	for i, b := range s.Bands {
		field := fmt.Sprintf("bands.%d", i)
		switch {
		case b.Max <= 0 || b.Max > 1:
			return fmt.Errorf("%s.water_activity_max: %g is no water activity: give one above 0 and up to 1", field, b.Max)
		case b.Cool.InDays() <= 0 || b.Chilled.InDays() <= 0:
			return fmt.Errorf("%s: give days, or hours, for the cool and for the chill", field)
		case b.Cool.InDays() > b.Chilled.InDays():
			return fmt.Errorf("%s: it keeps %s in the cool and %s chilled: chilled must be no shorter", field, b.Cool, b.Chilled)
		case i > 0 && b.Max <= s.Bands[i-1].Max:
			return fmt.Errorf("%s.water_activity_max: %g is not above the band before: bands follow one another, driest first", field, b.Max)
		case i > 0 && (b.Cool.InDays() > s.Bands[i-1].Cool.InDays() || b.Chilled.InDays() > s.Bands[i-1].Chilled.InDays()):
			return fmt.Errorf("%s: a wetter filling must keep no longer than a drier one", field)
		}
	}
	if last := s.Bands[len(s.Bands)-1]; last.Max != 1 || !last.MaxIncluded {
		return errors.New("bands: the last band must hold water activity 1")
	}
	return nil
}

// LongerThanShipped says in sentences where a scheme lets a filling keep longer than the shipped one does. It forbids
// nothing: the shop answers for its own table. The scheme must be one that Check finds nothing wrong with.
func (s Scheme) LongerThanShipped() []string {
	shipped := shippedScheme()
	var said []string
	for i, b := range s.Bands {
		for _, place := range []struct {
			name string
			of   func(Band) Keeps
		}{{"in the cool", func(b Band) Keeps { return b.Cool }}, {"chilled", func(b Band) Keeps { return b.Chilled }}} {
			if least, longer := s.least(i, place.of, shipped); longer {
				said = append(said, fmt.Sprintf("Up to water activity %s it gives %s %s; the shipped table gives %s.",
					number(b.Max), place.of(b), place.name, least))
			}
		}
	}
	for _, kind := range DateBindingKinds() {
		if binds := s.Binds(kind); binds != nil && !*binds {
			said = append(said, fmt.Sprintf("The best-before of %s no longer dates what is made of it, as it does by default.", kind))
		}
	}
	return said
}

// least finds the shortest that the shipped scheme gives anywhere in a band of s, and whether the band gives longer.
func (s Scheme) least(i int, of func(Band) Keeps, shipped *Scheme) (least Keeps, longer bool) {
	own := s.Bands[i]
	wettest := own.Max
	if !own.MaxIncluded {
		wettest = math.Nextafter(own.Max, 0) // bands are the shorter the wetter, so its wet end decides
	}
	there, _ := shipped.band(wettest)
	least = of(there)
	return least, of(own).InDays() > least.InDays()
}

// Binds tells whether the best-before of a kind of ingredient dates what is made of it, as an Input takes it; nil where the
// scheme has no rule of its own.
func (s Scheme) Binds(kind string) *bool {
	if s.BestBeforeBinds == nil {
		return nil
	}
	binds := slices.Contains(s.BestBeforeBinds, kind)
	return &binds
}

// tables is Tables of a scheme or, of none, of the shipped one.
func (s *Scheme) tables() string {
	if s == nil {
		return Tables
	}
	return s.Tables()
}

// Tables is what an answer by the scheme says of the tables that it rests on: the version of the shipped ones, and the
// scheme's own.
func (s Scheme) Tables() string {
	if s.Version == Tables {
		return Tables
	}
	return Tables + tablesJoin + s.Version
}

// tablesJoin stands between the version of the shipped tables and those of the shop's own.
const tablesJoin = "+"

// allTables joins the versions that several answers rest on, each once and in order.
func allTables(of ...string) string {
	var all []string
	for _, tables := range of {
		all = append(all, strings.Split(cmp.Or(tables, Tables), tablesJoin)...)
	}
	slices.Sort(all)
	return strings.Join(slices.Compact(all), tablesJoin)
}

// band finds the band of a water activity, and what it lies above.
func (s Scheme) band(waterActivity float64) (band Band, above string) {
	for i, b := range s.Bands {
		if (bound{most: b.Max, included: b.MaxIncluded}).holds(&waterActivity) {
			if i > 0 {
				above = s.Bands[i-1].edge()
			}
			return b, above
		}
	}
	panic(fmt.Sprintf("expiry: scheme %q has no band for water activity %g", s.Version, waterActivity))
}

// edge says where the next band begins.
func (b Band) edge() string {
	if b.MaxIncluded {
		return "above " + number(b.Max)
	}
	return "at least " + number(b.Max)
}

// A Caps is how long a filling keeps that no assessment dates: by its band, and shorter where a product assessment is
// required and there is none.
type Caps struct {
	Table        string // TableA or TableB
	Outcome      string // OutcomeNonTCS or OutcomePA
	Band         Band
	source       string // of the outcome
	above        string // what the band begins at
	decision     float64
	ph           *float64
	unassessable Keeps // in the cool, where an assessment is required
}

// Caps gives what the decision table and the band say of a filling with that water activity, 0 to 1, and pH.
func (s Scheme) Caps(table string, waterActivity float64, ph *float64) Caps {
	c := Caps{Table: table, decision: waterActivity, ph: ph, unassessable: Keeps{Hours: int(hoursOutOfControl / time.Hour)}}
	c.Outcome, c.source = Decide(table, waterActivity, ph)
	c.Band, c.above = s.band(waterActivity)
	return c
}

// Cool is how long it keeps up to 18 °C. assessed: an assessment is on record that lifts the four hours.
func (c Caps) Cool(assessed bool) Keeps {
	if c.Outcome == OutcomePA && !assessed {
		return c.unassessable
	}
	return c.Band.Cool
}

// Chilled is how long it keeps up to 5 °C.
func (c Caps) Chilled() Keeps { return c.Band.Chilled }
