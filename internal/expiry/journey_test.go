package expiry_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/expiry"
)

// stood is a stay of so many hours, from so many hours after the making.
func stood(from, length, temperatureC float64) expiry.Stay {
	return expiry.Stay{From: made.Add(hours(from)), To: made.Add(hours(from + length)), TemperatureC: &temperatureC, Sealed: true}
}

// Shares of a life of 14 days in the cool and 28 chilled, worked out by hand: hours / 24 × rate / days. The classes are
// bounded at −18, 5 and 18 °C; the rates are common practice.
func TestSharesOfALife(t *testing.T) {
	t.Parallel()
	life := expiry.Life{Cool: hours(14 * 24), Chilled: hours(28 * 24)}
	for _, c := range []struct {
		name string
		path []expiry.Stay
		used float64
	}{
		{"nothing yet", nil, 0},
		{"a day in the cool", []expiry.Stay{stood(0, 24, 16)}, 1.0 / 14},
		{"no credit for colder", []expiry.Stay{stood(0, 24, 5.001)}, 1.0 / 14},
		{"18 °C is cool", []expiry.Stay{stood(0, 24, 18)}, 1.0 / 14},
		{"a day chilled", []expiry.Stay{stood(0, 24, 5)}, 1.0 / 28},
		{"just below zero counts as chilled", []expiry.Stay{stood(0, 24, -17.9)}, 1.0 / 28},
		{"a day at 28 °C is three", []expiry.Stay{stood(0, 24, 28)}, 3.0 / 14},
		{"a day at 38 °C is nine", []expiry.Stay{stood(0, 24, 38)}, 9.0 / 14},
		{"the freezer stops it", []expiry.Stay{stood(0, 24, -18)}, 0},
		{"but once only", []expiry.Stay{stood(0, 24, -20), stood(24, 24, 4), stood(48, 48, -20)}, (1.0 + 2.0) / 28},
		{"for 180 days at most", []expiry.Stay{stood(0, 182*24, -20)}, 2.0 / 28},
		{"sealed", []expiry.Stay{{From: made, To: made.Add(hours(24)), Storage: "frozen"}}, 1.0 / 28},
		{"not measured: the class's upper limit", []expiry.Stay{{From: made, To: made.Add(hours(48)), Storage: "cool"}}, 2.0 / 14},
		{"not measured: dry counts as cool", []expiry.Stay{{From: made, To: made.Add(hours(48)), Storage: "dry"}}, 2.0 / 14},
		{"not measured in the cold room", []expiry.Stay{{From: made, To: made.Add(hours(48)), Storage: "chilled"}}, 2.0 / 28},
		{"a hole counts as the warmer side", []expiry.Stay{stood(0, 24, 4), stood(48, 24, 28)}, 1.0/28 + 3.0/14 + 3.0/14},
		{"and before the first as the class planned", []expiry.Stay{stood(24, 24, 4)}, 1.0/14 + 1.0/28},
		{"in any order", []expiry.Stay{stood(24, 24, 28), stood(0, 24, 4)}, 1.0/28 + 3.0/14},
		{"a stay of no length is none", []expiry.Stay{stood(0, 24, 4), stood(24, 0, 28)}, 1.0 / 28},
		{"nor what was before the making", []expiry.Stay{stood(-24, 24, 28), stood(0, 24, 4)}, 1.0 / 28},
	} {
		used, ends := life.Spent(made, c.path, "cool")
		require.InDelta(t, c.used, used, 1e-9, c.name)
		left := ends.Sub(made.Add(hours(0)))
		if n := len(c.path); n > 0 {
			last := slices.MaxFunc(c.path, func(a, b expiry.Stay) int { return a.To.Compare(b.To) })
			left = ends.Sub(last.To)
		}
		require.InDelta(t, (1-c.used)*14, left.Hours()/24, 1e-6, c.name)
	}

	_, ends := life.Spent(made, []expiry.Stay{stood(0, 20*24, 16)}, "cool")
	require.Equal(t, made.Add(hours(14*24)), ends.Round(time.Millisecond), "a life that is over ended when its share was spent")
	byHours := expiry.Life{Cool: hours(4), Chilled: hours(96), ByHours: true}
	used, _ := byHours.Spent(made, []expiry.Stay{stood(0, 2, 30)}, "chilled")
	require.InDelta(t, 0.5, used, 1e-9, "hours out of control are hours, whatever the warmth: US Food Code 3-501.19, from memory")
}

func anyPath(t *rapid.T) []expiry.Stay {
	var path []expiry.Stay
	now := 0.0
	for range rapid.IntRange(0, 8).Draw(t, "stays") {
		now += float64(rapid.SampledFrom([]int{0, 0, 0, 90}).Draw(t, "hole")) / 60
		length := float64(rapid.IntRange(1, 6000).Draw(t, "minutes")) / 60
		s := stood(now, length, rapid.SampledFrom([]float64{-20, -18, -5, 2, 5, 8, 18, 19, 24, 28, 33}).Draw(t, "°C"))
		s.Sealed = rapid.Bool().Draw(t, "sealed")
		path = append(path, s)
		now += length
	}
	return path
}

func anyLife(t *rapid.T) expiry.Life {
	cool := hours(float64(rapid.IntRange(1, 2000).Draw(t, "hours in the cool")))
	return expiry.Life{
		Cool: cool, Chilled: cool + hours(float64(rapid.IntRange(0, 2000).Draw(t, "more when chilled"))), ByHours: rapid.Bool().Draw(t, "by hours"),
	}
}

func TestJourneyProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		life, path := anyLife(t), anyPath(t)
		planned := rapid.SampledFrom([]string{"cool", "chilled", "frozen", "dry"}).Draw(t, "planned")
		used, ends := life.Spent(made, path, planned)
		sameEnd := func(other time.Time, what string) {
			require.InDelta(t, ends.Sub(made).Hours(), other.Sub(made).Hours(), 1e-6, what)
		}

		again, sameEnds := life.Spent(made, shuffled(t, path), planned)
		require.Equal(t, used, again, "the order of stays does not matter")
		require.Equal(t, ends, sameEnds)
		if len(path) == 0 {
			return
		}

		at := rapid.IntRange(0, len(path)-1).Draw(t, "which")
		split := slices.Clone(path)
		first, second := split[at], split[at]
		first.To = first.From.Add(time.Duration(float64(first.To.Sub(first.From)) * rapid.Float64Range(0.01, 0.99).Draw(t, "where")))
		second.From = first.To
		split = append(slices.Delete(split, at, at+1), first, second)
		again, sameEnds = life.Spent(made, split, planned)
		require.InDelta(t, used, again, 1e-9, "splitting a stay changes nothing")
		sameEnd(sameEnds, "splitting a stay changes no end")

		if warmer := 30.0; path[at].TemperatureC != nil && *path[at].TemperatureC > 5 {
			warmed := slices.Clone(path)
			warmed[at].TemperatureC = &warmer
			more, sooner := life.Spent(made, warmed, planned)
			if *path[at].TemperatureC <= warmer {
				require.GreaterOrEqual(t, more, used-1e-12, "warmth takes no less")
				require.False(t, sooner.After(ends.Add(time.Microsecond)), "more warm hours never lengthen a life")
			}
		}
		last := path[len(path)-1].To
		longer := append(slices.Clone(path), expiry.Stay{From: last, To: last.Add(hours(5)), TemperatureC: pointer(24.0)})
		_, sooner := life.Spent(made, longer, planned)
		require.False(t, sooner.After(ends.Add(time.Microsecond)), "nor do warm hours at the end")
	})
}

func TestLook(t *testing.T) {
	t.Parallel()
	unread := stood(0, 24.5, 12)
	unread.Unread = true
	got := expiry.Look([]expiry.Stay{unread, stood(25, 3, 25.1), stood(28, 3, 25), {From: made, To: made.Add(hours(1)), Storage: "cool"}})
	require.Equal(t, expiry.Journey{NotMeasured: true, LongestGap: hours(24.5), Hold: true, Above25C: hours(3)}, got)
	unread = stood(0, 24, 12)
	unread.Unread = true
	nothing := stood(3, 0, 40)
	require.Equal(t, expiry.Journey{}, expiry.Look([]expiry.Stay{nothing}))
	require.Equal(t, expiry.Journey{LongestGap: hours(24)}, expiry.Look([]expiry.Stay{unread}), "24 hours are not too long yet")
}

func TestWatch(t *testing.T) {
	t.Parallel()
	read := func(h, c float64) expiry.Reading { return expiry.Reading{At: made.Add(hours(h)), TemperatureC: c} }
	type span struct{ hours, c float64 } // c is what the stay counts at; −1: not measured
	for _, c := range []struct {
		name  string
		watch expiry.Watch
		want  []span
	}{
		{"nobody measures", expiry.Watch{Storage: "cool"}, []span{{10, -1}}},
		{"nobody measures, but somebody read warmth", expiry.Watch{Storage: "cool", Readings: []expiry.Reading{read(4, 24)}}, []span{{4, 24}, {6, 24}}},
		{"the warmer of both ends", expiry.Watch{Storage: "cool", Monitored: true, Readings: []expiry.Reading{read(8, 20), read(0, 15), read(4, 17), read(12, 16)}}, []span{{4, 17}, {4, 20}, {2, 20}}},
		{"before the first and since the last: no cooler than the class", expiry.Watch{Storage: "chilled", Monitored: true, Readings: []expiry.Reading{read(4, 2)}}, []span{{4, 5}, {6, 5}}},
		{"a declared failure", expiry.Watch{Storage: "chilled", Monitored: true, Readings: []expiry.Reading{read(-1, 4), {At: made.Add(hours(3)), Failed: true}, read(11, 9)}}, []span{{10, 25}}},
		{"a reading speaks for a day where nobody monitors", expiry.Watch{Storage: "cool", Readings: []expiry.Reading{read(-30, 28), read(40, 24)}}, []span{{10, -1}}},
		{"and for its own time where it has one", expiry.Watch{Storage: "cool", Readings: []expiry.Reading{{From: made.Add(hours(2)), At: made.Add(hours(5)), TemperatureC: 24}, read(-1, 17)}}, []span{{2, -1}, {3, 24}, {5, -1}}},
		{"before anybody read, a day", expiry.Watch{Storage: "cool", Monitored: true, Readings: []expiry.Reading{read(30, 24)}}, []span{{6, -1}, {4, 24}}},
		{"a gap counts at the warmer end, however long", expiry.Watch{Storage: "cool", Monitored: true, Readings: []expiry.Reading{read(-40, 17), read(40, 24)}}, []span{{10, 24}}},
		{"times that follow on one another", expiry.Watch{Storage: "cool", Monitored: true, Readings: []expiry.Reading{
			{From: made.Add(-hours(1)), At: made.Add(hours(4)), TemperatureC: 17}, {From: made.Add(hours(4)), At: made.Add(hours(11)), TemperatureC: 24},
		}}, []span{{4, 17}, {6, 24}}},
		{"a warm moment in a time that was said to be cool", expiry.Watch{Storage: "cool", Monitored: true, Readings: []expiry.Reading{
			{From: made.Add(-hours(1)), At: made.Add(hours(11)), TemperatureC: 17}, read(4, 22),
		}}, []span{{4, 22}, {6, 22}}},
		{"a failure where nobody monitors: a day on both sides", expiry.Watch{Storage: "frozen", Readings: []expiry.Reading{{At: made.Add(hours(2)), Failed: true}}}, []span{{2, 25}, {8, 25}}},
		{"a failure before anybody read", expiry.Watch{Storage: "chilled", Monitored: true, Readings: []expiry.Reading{{At: made.Add(hours(26)), Failed: true}}}, []span{{2, -1}, {8, 25}}},
		{"within tolerance", expiry.Watch{Storage: "chilled", Monitored: true, ToleranceC: 3, ToleranceFor: hours(1), Readings: []expiry.Reading{read(0, 4), read(4, 4), read(4.5, 8), read(5, 4), read(10, 4)}}, []span{{4, 4}, {0.5, 5}, {0.5, 5}, {5, 4}}},
		{"a limit of its own", expiry.Watch{Storage: "cool", LimitC: pointer(16.0), Monitored: true, ToleranceC: 3, ToleranceFor: hours(20), Readings: []expiry.Reading{read(0, 18.5), read(10, 19.5)}}, []span{{10, 19.5}}},
		{"too warm for the tolerance", expiry.Watch{Storage: "chilled", Monitored: true, ToleranceC: 3, ToleranceFor: hours(1), Readings: []expiry.Reading{read(0, 4), read(4, 4), read(4.5, 8.1), read(5, 4), read(10, 4)}}, []span{{4, 4}, {0.5, 8.1}, {0.5, 8.1}, {5, 4}}},
		{"too long for the tolerance", expiry.Watch{Storage: "chilled", Monitored: true, ToleranceC: 3, ToleranceFor: hours(1), Readings: []expiry.Reading{read(0, 4), read(4, 4), read(5, 7), read(6, 4), read(10, 4)}}, []span{{4, 4}, {1, 7}, {1, 7}, {4, 4}}},
	} {
		var got []span
		for _, s := range c.watch.Stays(made, made.Add(hours(10))) {
			counted := -1.0
			if s.TemperatureC != nil {
				counted = *s.TemperatureC
			}
			got = append(got, span{s.To.Sub(s.From).Hours(), counted})
		}
		require.Equal(t, c.want, got, c.name)
	}
}

// The rows that look at how gaps are marked: those that are read are none, and a declared failure does not end one.
func TestUnreadTimeIsMarked(t *testing.T) {
	t.Parallel()
	w := expiry.Watch{Storage: "chilled", Monitored: true, Readings: []expiry.Reading{
		{At: made, TemperatureC: 4},
		{At: made.Add(hours(20)), Failed: true},
		{At: made.Add(hours(30)), TemperatureC: 4},
		{From: made.Add(hours(31)), At: made.Add(hours(60)), TemperatureC: 4},
	}}
	got := expiry.Look(w.Stays(made, made.Add(hours(60))))
	require.Equal(t, expiry.Journey{LongestGap: hours(30), Hold: true}, got)
	require.Equal(t, []expiry.Spell{{From: made, To: made.Add(hours(30)), TemperatureC: 25}}, expiry.OutOfClass(w.Stays(made, made.Add(hours(60)))))
	w.Readings = w.Readings[3:]
	require.False(t, expiry.Look(w.Stays(made, made.Add(hours(60)))).Hold, "what was there before anybody read is no gap")
}

// The order in which readings come to be known does not matter, and warmer readings never make a stay cooler.
func TestWatchProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		w := expiry.Watch{
			Storage: rapid.SampledFrom([]string{"cool", "chilled", "frozen"}).Draw(t, "class"), Monitored: rapid.Bool().Draw(t, "monitored"),
			ToleranceC: 3, ToleranceFor: hours(1),
		}
		for range rapid.IntRange(1, 8).Draw(t, "readings") {
			r := expiry.Reading{
				At: made.Add(hours(float64(rapid.IntRange(-60, 120).Draw(t, "hour")))), TemperatureC: float64(rapid.IntRange(-20, 30).Draw(t, "°C")),
				Failed: rapid.IntRange(0, 9).Draw(t, "failed") == 0,
			}
			if rapid.Bool().Draw(t, "spans") {
				r.From = r.At.Add(-hours(float64(rapid.IntRange(1, 20).Draw(t, "for"))))
			}
			w.Readings = append(w.Readings, r)
		}
		end := made.Add(hours(72))
		stays := w.Stays(made, end)
		require.Equal(t, made, stays[0].From)
		require.Equal(t, end, stays[len(stays)-1].To)
		for i := 1; i < len(stays); i++ {
			require.Equal(t, stays[i-1].To, stays[i].From, "the stays leave nothing out")
		}
		other := w
		other.Readings = shuffled(t, w.Readings)
		require.Equal(t, stays, other.Stays(made, end))

		life := expiry.Life{Cool: hours(14 * 24), Chilled: hours(28 * 24)}
		used, _ := life.Spent(made, stays, "cool")
		other.Readings = slices.Clone(w.Readings)
		which := rapid.IntRange(0, len(w.Readings)-1).Draw(t, "which")
		other.Readings[which].TemperatureC += 5
		more, _ := life.Spent(made, other.Stays(made, end), "cool")
		if w.Storage == "cool" {
			require.GreaterOrEqual(t, more, used-1e-12)
		}
	})
}
