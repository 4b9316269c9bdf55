package expiry_test

import (
	"math/rand"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/civil"
	"firstout/internal/expiry"
)

// someZones have between them every hour's offset, quarters, negative summer time and clocks that change at midnight.
var someZones = []string{
	"Europe/Dublin", "UTC", "America/St_Johns", "Asia/Beirut", "America/Nuuk", "America/Havana", "Australia/Lord_Howe",
	"Asia/Kathmandu", "Pacific/Kiritimati", "Etc/GMT+12", "Africa/Casablanca", "Pacific/Chatham",
}

func maybe[T any](t *rapid.T, label string, draw func() T) *T {
	if rapid.Bool().Draw(t, "has "+label) {
		drawn := draw()
		return &drawn
	}
	return nil
}

func anyInput(t *rapid.T, made time.Time, loc *time.Location) expiry.Input {
	near := func(label string, least, most int) civil.Day {
		return civil.DayOf(made, loc).AddDays(rapid.IntRange(least, most).Draw(t, label))
	}
	in := expiry.Input{
		Code:   rapid.StringMatching(`L[1-9]`).Draw(t, "code"),
		Kind:   rapid.SampledFrom([]string{"couverture", "dairy", "fruit", "sugar", "syrup", "spirit", "nut", "fat", "colour", "other"}).Draw(t, "kind"),
		Heated: rapid.Bool().Draw(t, "heated"),
		Trace:  rapid.Bool().Draw(t, "trace"),
		Mark:   expiry.Mark{Kind: rapid.SampledFrom([]string{"use_by", "best_before", "best_before_end", "none"}).Draw(t, "mark")},
	}
	if in.Mark.Kind != "none" {
		in.Mark.Date = near("mark's date", -5, 60)
	}
	in.Opened = maybe(t, "opening", func() expiry.Opening {
		return expiry.Opening{On: near("opened on", -10, 0), LifeDays: rapid.IntRange(0, 21).Draw(t, "open life")}
	})
	if rapid.Bool().Draw(t, "used earlier") {
		in.UsedAt = made.Add(-time.Duration(rapid.IntRange(0, 100).Draw(t, "hours before")) * time.Hour)
	}
	return in
}

func anyFilling(t *rapid.T) expiry.Filling {
	loc := zone(rapid.SampledFrom(someZones).Draw(t, "zone"))
	made := time.Date(2026, 1, 1, 0, 0, rapid.IntRange(0, 365*24*60*60).Draw(t, "second"), 0, time.UTC)
	aw := func() float64 { return float64(rapid.IntRange(600, 1000).Draw(t, "aw")) / 1000 }
	ph := func() float64 { return float64(rapid.IntRange(30, 75).Draw(t, "pH")) / 10 }
	days := func() map[string]int {
		return map[string]int{rapid.SampledFrom([]string{"cool", "cool", "cool", "chilled"}).Draw(t, "class"): rapid.IntRange(0, 60).Draw(t, "days")}
	}
	f := expiry.Filling{
		MadeAt: made, Zone: loc, Storage: rapid.SampledFrom([]string{"cool", "chilled", "dry"}).Draw(t, "storage"),
		HeatStep:        expiry.HeatStep{Boiled: rapid.Bool().Draw(t, "boiled")},
		PH:              maybe(t, "pH", ph),
		WaterActivity:   maybe(t, "measured", func() expiry.Measured { return expiry.Measured{Value: aw()} }),
		WithinTolerance: rapid.Bool().Draw(t, "within tolerance"),
		FormulaMeasured: maybe(t, "measured on formula", func() expiry.FormulaMeasured {
			return expiry.FormulaMeasured{
				Document: "LAB-2", WaterActivity: maybe(t, "aw", aw), PH: maybe(t, "pH", ph), On: day("2025-10-01"), ValidUntil: day("2026-10-01"),
			}
		}),
	}
	for range rapid.IntRange(0, 6).Draw(t, "inputs") {
		f.Inputs = append(f.Inputs, anyInput(t, made, loc))
	}
	if rapid.Bool().Draw(t, "has shop limit") {
		f.ShopLimitDays = days()
	}
	if rapid.IntRange(0, 3).Draw(t, "assessment") > 0 {
		f.Assessment = &expiry.Assessment{
			Document: "LAB-1", Days: days(), DateKind: rapid.SampledFrom([]string{"", "use_by", "best_before"}).Draw(t, "date kind"),
			WaterActivityMax: maybe(t, "aw max", aw), PHMax: maybe(t, "pH max", ph),
			Releases: rapid.SliceOfN(rapid.SampledFrom([]string{"ingredient_use_by", "opened_ingredient"}), 0, 2).Draw(t, "releases"),
			Requires: maybe(t, "requires", func() expiry.HeatStep { return expiry.HeatStep{Boiled: true} }),
		}
	}
	return f
}

// lastDays works out, by the words of the rules and with no limit of the package's making, the last day that the
// filling may be dated, and the last for use; nil where there is none.
func lastDays(f expiry.Filling, kind string) (date, use *civil.Day) {
	madeOn := civil.DayOf(f.MadeAt, f.Zone)
	storage := map[string]string{"cool": "cool", "dry": "cool", "chilled": "chilled"}[f.Storage]
	bind := func(last civil.Day, isUse bool) {
		if date == nil || last.Before(*date) {
			date = &last
		}
		if isUse && (use == nil || last.Before(*use)) {
			use = &last
		}
	}
	if n, stated := f.ShopLimitDays[storage]; stated {
		bind(madeOn.AddDays(n-1), kind == "use_by")
	}
	bind(madeOn.AddDays(f.Assessment.Days[storage]-1), kind == "use_by")
	heatFits := f.Assessment.Requires == nil || f.HeatStep.Boiled
	for _, in := range f.Inputs {
		usedOn := madeOn
		if !in.UsedAt.IsZero() {
			usedOn = civil.DayOf(in.UsedAt, f.Zone)
		}
		useBy, opened := in.Mark.Date, civil.Day{}
		if in.Mark.Kind != "use_by" {
			useBy = civil.Day{}
		}
		if in.Opened != nil {
			opened = in.Opened.On.AddDays(in.Opened.LifeDays)
		}
		past := (!useBy.IsZero() && usedOn.After(useBy)) || (!opened.IsZero() && usedOn.After(opened))
		releasable := in.Heated && heatFits && !past
		if !useBy.IsZero() && !(releasable && slices.Contains(f.Assessment.Releases, "ingredient_use_by")) {
			bind(useBy, true)
		}
		if !opened.IsZero() && !(releasable && slices.Contains(f.Assessment.Releases, "opened_ingredient")) {
			bind(opened, true)
		}
		binding := slices.Contains([]string{"couverture", "dairy", "fruit", "nut"}, in.Kind) && !in.Trace
		switch {
		case !binding:
		case in.Mark.Kind == "best_before":
			bind(in.Mark.Date, false)
		case in.Mark.Kind == "best_before_end":
			bind(in.Mark.Date.EndOfMonth(), false)
		}
	}
	return date, use
}

func TestFillingAgainstTheWordsOfTheRules(t *testing.T) {
	t.Parallel()
	assessed := 0
	rapid.Check(t, func(t *rapid.T) {
		f := anyFilling(t)
		got := expiry.DateFilling(f)
		if got.Status != "assessed" {
			require.Nil(t, got.Date)
			return
		}
		assessed++
		date, use := lastDays(f, got.Kind)
		madeOn := civil.DayOf(f.MadeAt, f.Zone)
		if date.Before(madeOn) && got.Date == nil {
			require.Equal(t, f.MadeAt.Unix(), got.EndsBy.Unix(), "no days at all: over when it was made")
			return
		}
		require.Equal(t, date, got.Date)
		if use != nil && (got.UseBy != nil || !use.Before(madeOn)) {
			require.Equal(t, use, got.UseBy)
		}
		require.Equal(t, use == nil, got.DiscardBy == nil)
	})
	require.Positive(t, assessed)
}

// checkAnswer holds what is true of every answer.
func checkAnswer(t *rapid.T, got expiry.Answer, loc *time.Location) {
	for _, l := range got.Limits {
		require.True(t, l.Date != nil || l.At != nil, "a limit is a day or an instant")
		if l.Date != nil && l.At != nil {
			require.False(t, l.Date.EndIn(loc).After(*l.At), "a day is over when its instant comes")
		}
		if l.ReleasedBy != "" {
			continue
		}
		if l.Date != nil {
			require.False(t, got.EndsBy.After(l.Date.EndIn(loc)), "never later than %s", l.Name)
		} else {
			require.False(t, got.EndsBy.After(*l.At), "never later than %s", l.Name)
		}
	}
	if binding, bound := got.Binding(); bound {
		require.Empty(t, binding.ReleasedBy)
		require.Equal(t, binding.Name, got.Binds)
		require.Equal(t, binding.Date, got.Date)
	} else {
		require.Nil(t, got.Date)
	}
	require.Equal(t, got.UseBy != nil || got.DiscardBy != nil, got.DiscardBy != nil)
	if got.DiscardBy != nil {
		require.False(t, got.DiscardBy.Before(got.EndsBy), "use ends no earlier than the date")
	}
	require.NotNil(t, got.WaterActivity)
	require.Contains(t, got.Cautions, expiry.CautionLaw)
	require.Equal(t, []string{"1", "1"}, []string{got.Method, got.Tables})
}

func shuffled[T any](t *rapid.T, list []T) []T {
	list = slices.Clone(list)
	rand.New(rand.NewSource(rapid.Int64().Draw(t, "shuffle"))).Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	return list
}

func TestFillingProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFilling(t)
		got := expiry.DateFilling(f)
		checkAnswer(t, got, f.Zone)

		other := f
		other.Inputs = shuffled(t, f.Inputs)
		require.Equal(t, got, expiry.DateFilling(other), "the order of inputs does not matter")

		other = f
		other.Inputs = append(slices.Clone(f.Inputs), anyInput(t, f.MadeAt, f.Zone))
		require.False(t, got.Binds != "" && expiry.DateFilling(other).EndsBy.After(got.EndsBy), "one more input never lengthens a life")

		other.Inputs = append(slices.Clone(f.Inputs), expiry.Input{Code: "G1", Rework: &got})
		rework := expiry.DateFilling(other)
		checkAnswer(t, rework, f.Zone)
		require.False(t, got.Binds != "" && rework.EndsBy.After(got.EndsBy), "nor does rework")

		shorter := expiry.Shorten(got, civil.DayOf(f.MadeAt, f.Zone).AddDays(rapid.IntRange(-2, 90).Draw(t, "shorten")), "tasted", f.Zone)
		checkAnswer(t, shorter, f.Zone)
		bag := expiry.DateBagged(got, f.MadeAt.Add(time.Hour), f.Zone)
		checkAnswer(t, bag, f.Zone)
		if got.Binds != "" {
			require.False(t, shorter.EndsBy.After(got.EndsBy))
			require.False(t, bag.EndsBy.After(got.EndsBy))
		}
	})
}

func TestPieceProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFilling(t)
		p := expiry.Piece{MadeAt: f.MadeAt, Zone: f.Zone}
		for i := range rapid.IntRange(0, 3).Draw(t, "fillings") {
			filling := anyFilling(t)
			filling.Zone = f.Zone
			p.Fillings = append(p.Fillings, expiry.PieceFilling{Code: "G" + string(rune('1'+i)), Answer: expiry.DateFilling(filling)})
		}
		for range rapid.IntRange(0, 4).Draw(t, "inputs") {
			p.Inputs = append(p.Inputs, anyInput(t, p.MadeAt, p.Zone))
		}
		got := expiry.DatePiece(p)
		checkAnswer(t, got, p.Zone)
		for _, filling := range p.Fillings {
			require.False(t, got.EndsBy.After(filling.Answer.EndsBy) && filling.Answer.Binds != "", "never later than a filling")
			require.False(t, got.Date != nil && filling.Answer.Binds == "", "no date while a filling has none")
			if filling.Answer.DiscardBy != nil {
				require.False(t, got.DiscardBy.After(*filling.Answer.DiscardBy), "nor of use for longer")
			}
		}
		other := p
		other.Fillings, other.Inputs = shuffled(t, p.Fillings), shuffled(t, p.Inputs)
		require.Equal(t, got, expiry.DatePiece(other))

		frozen := p.MadeAt.Add(time.Duration(rapid.IntRange(0, 500).Draw(t, "hours to the freezer")) * time.Hour)
		freezing := expiry.Freezing{
			At: frozen, Sealed: rapid.Bool().Draw(t, "sealed"), Again: rapid.Bool().Draw(t, "again"), Zone: p.Zone,
		}
		thawedAt := frozen.Add(time.Duration(rapid.IntRange(0, 5000).Draw(t, "hours in it")) * time.Hour)
		inside := expiry.DateFrozen(got, freezing)
		thawed := expiry.DateThawed(inside, freezing, thawedAt)
		checkAnswer(t, inside, p.Zone)
		checkAnswer(t, thawed, p.Zone)
		checkThawed(t, got, thawed, freezing, thawedAt)
		require.Equal(t, expiry.DatePiece(p), got, "the answer before is left as it was")
	})
}

// checkThawed holds that no more days are left after thawing than before freezing, and none of an ingredient's date
// more than it says.
func checkThawed(t *rapid.T, before, after expiry.Answer, f expiry.Freezing, thawedAt time.Time) {
	frozenOn, thawedOn := civil.DayOf(f.At, f.Zone), civil.DayOf(thawedAt, f.Zone)
	if after.Date == nil || before.Date == nil {
		return
	}
	require.LessOrEqual(t, after.Date.Sub(thawedOn), 21)
	require.LessOrEqual(t, after.Date.Sub(thawedOn), before.Date.Sub(frozenOn))
	if !f.Sealed || f.Again {
		require.False(t, after.Date.After(*before.Date))
	}
	for _, l := range before.Limits {
		if l.At == nil && l.ReleasedBy == "" {
			require.False(t, after.Date.After(*l.Date), "%s stands", l.Name)
		}
	}
}

func TestMakingEveryDayOf2026InEveryZone(t *testing.T) {
	t.Parallel()
	for i, row := range rows(t, "zones.csv") {
		loc := zone(row["zone"])
		ends := dayEnds(loc)
		for n := range 365 {
			made := time.Date(2026, 1, 1+n, (5*i+n)%24, (17*n)%60, (3*n)%60, 0, time.UTC)
			got := expiry.DateFilling(expiry.Filling{
				MadeAt: made, Zone: loc, Storage: "cool",
				Assessment: &expiry.Assessment{Document: "LAB-1", Days: map[string]int{"cool": 14}},
			})
			want := civil.DayOf(made, loc).AddDays(13)
			if got.Date == nil || *got.Date != want || !got.EndsBy.Equal(ends[want]) || !got.DiscardBy.Equal(ends[want]) {
				require.Failf(t, "wrong date", "%s: made %s, dated %v, not %s; ends by %s, not %s", row["zone"], made, got.Date, want, got.EndsBy, ends[want])
			}
		}
	}
}

// dayEnds finds the end of each day from 2026 into 2027 by reading the local date every quarter of an hour, back from
// the far end; every clock changes on a quarter then.
func dayEnds(loc *time.Location) map[civil.Day]time.Time {
	const step = 15 * time.Minute
	ends := map[civil.Day]time.Time{}
	d := day("2027-01-31")
	for at := time.Date(2027, 2, 2, 12, 0, 0, 0, time.UTC); !d.Before(day("2025-12-31")); at = at.Add(-step) {
		for shown := civil.DayOf(at, loc); !shown.After(d); d = d.AddDays(-1) {
			ends[d] = at.Add(step)
		}
	}
	return ends
}

func BenchmarkDateFilling(b *testing.B) {
	f := blackcurrantBay()
	for b.Loop() {
		expiry.DateFilling(f)
	}
}
