package workshop_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// watched is a bench in a workshop whose temperature is read by hand; the first reading, at ten, is in order.
func watched(t *testing.T) bench {
	t.Helper()
	s := open(t)
	s.watch("workshop")
	b := s.bench()
	b.read("workshop", 17)
	return b
}

// watch says that the temperature of a place is read by hand.
func (s *shop) watch(place string) {
	s.t.Helper()
	body := s.set.Defs.Places.Latest(place).Body
	body.Monitoring = "by_hand"
	s.do(workshop.Define{Slug: place, Body: body})
}

// read writes down a temperature of a place, or of a thing.
func (s *shop) read(subject string, temperature float64) workshop.CheckAnswer {
	s.t.Helper()
	return s.readAt(workshop.Done{}, subject, temperature)
}

func (s *shop) readAt(done workshop.Done, subject string, temperature float64) workshop.CheckAnswer {
	s.t.Helper()
	check := workshop.Check{Done: done, Slug: subject, Kind: "temperature", Value: &temperature}
	if code, err := events.ParseCode(subject); err == nil {
		check.Slug, check.Code = "", code
	}
	return s.do(check).(workshop.CheckAnswer)
}

// redated gives what the last command redated.
func (s *shop) redated() map[events.Code]events.Redated {
	redated := map[events.Code]events.Redated{}
	for _, r := range s.recorded() {
		if e, is := r.Data.(events.Redated); is {
			redated[e.Code] = e
		}
	}
	return redated
}

// ends is when the assessment's life of what is filled with the batch ends.
func (b *bench) ends(e events.Expiry, subject events.Code) time.Time {
	return *limit(b.t.(*testing.T), e, "assessment", subject).At
}

// An ordinary reading looks at the reading before it, and at nothing that stands there.
func TestAnOrdinaryReadingLoadsNoStock(t *testing.T) {
	t.Parallel()
	b := watched(t)
	b.wait(10 * time.Hour)
	p := b.partial()
	cmd := workshop.Check{Slug: "workshop", Kind: "temperature", Value: ptr(18.0)}
	require.Empty(t, cmd.Needs())
	require.False(t, cmd.Alone(), "it is carried out with others")
	clock := workshop.Clock{Now: b.now, Next: int64(len(b.log)) + 1, NewID: b.newID}
	outcome, err := workshop.Carry(p.set, cmd, owner, "key", clock)
	require.NoError(t, err)
	require.Len(t, outcome.Missing, 1)
	require.Equal(t, workshop.NeedsReadings, outcome.Missing[0].Kind)
	p.load(outcome.Missing[0])
	outcome, err = workshop.Carry(p.set, cmd, owner, "key", clock)
	require.NoError(t, err)
	require.Empty(t, outcome.Missing)
	require.Len(t, outcome.Recorded, 1)
	cmd.Value = ptr(24.0)
	require.True(t, cmd.Alone(), "one that is too warm is not")
}

// Whatever is known first, the same readings lead to the same dates: four temperatures of a night. Where a warm one is known
// before a cooler one beside it, it has counted for more time by then, and no date moves later by itself.
func TestTheOrderInWhichReadingsAreWrittenDownDoesNotMatter(t *testing.T) {
	t.Parallel()
	readings := []struct {
		at string
		c  float64
	}{{"2026-11-25T16:00:00Z", 17}, {"2026-11-25T20:00:00Z", 24}, {"2026-11-26T02:00:00Z", 28}, {"2026-11-26T05:00:00Z", 17}}
	var first events.Expiry
	for i, order := range [][]int{{0, 1, 2, 3}, {0, 3, 1, 2}, {0, 1, 3, 2}, {3, 1, 2, 0}, {0, 2, 3, 1}} {
		b := watched(t)
		b.now = at("2026-11-26T08:00:00Z")
		for _, n := range order {
			b.readAt(done(readings[n].at), "workshop", readings[n].c)
		}
		got := b.set.Run(b.domes).Expiry
		// 16:00 to 20:00 at 24 °C, 20:00 to 05:00 at 28 °C: 4 × (3^0.6 − 1) + 9 × 2 hours less.
		whole := at("2026-12-09T10:00:00Z").Add(-time.Duration((4*0.933182 + 9*2) * float64(time.Hour)))
		switch {
		case i == 0:
			first = got
			require.WithinDuration(t, whole, b.ends(got, b.batch), time.Second)
		case i < 3:
			require.Equal(t, first, got, order)
		default:
			require.True(t, b.ends(got, b.batch).Before(whole), order)
		}
	}
}

// What has left the place since it was too warm has been there all the same: it is redated when the reading comes, with
// what parted from it.
func TestALateReadingReachesWhatHasLeft(t *testing.T) {
	t.Parallel()
	b := watched(t)
	b.now = at("2026-11-25T22:00:00Z")
	b.release(b.domes, 20)
	frozen := b.carried(intoFreezer("counter"), b.domes, 8).NewCode
	b.now = at("2026-11-26T08:00:00Z")
	b.read("workshop", 17)
	require.Empty(t, b.redated())
	b.readAt(done("2026-11-25T20:00:00Z"), "workshop", 28)
	redated := b.redated()
	// 10:00 to 20:00, and from then to 22:00 for what left; the rest stayed until the morning.
	require.Equal(t, 24*time.Hour, at("2026-12-09T10:00:00Z").Sub(b.ends(redated[frozen].Expiry, b.batch)), "12 h at 28 °C")
	require.Equal(t, "freezer", limit(t, redated[frozen].Expiry, "assessment", b.batch).ReleasedBy)
	require.Equal(t, 44*time.Hour, at("2026-12-09T10:00:00Z").Sub(b.ends(redated[b.domes].Expiry, b.batch)), "22 h, for four of them stood there until eight")
	require.Equal(t, "storage_reading", redated[b.domes].Cause)
	require.Len(t, redated, 3, "the batch too")
	out := b.carried(outOfFreezer("counter"), frozen, 8)
	require.Equal(t, 24*time.Hour, at("2026-12-10T10:00:00Z").Sub(b.ends(*out.Expiry, b.batch)), "thawed a day later, with what it had lost")
}

// What went into pieces before it became too warm keeps its date, and what goes into them after does not: also where they
// were filled before the reading came.
func TestAWarmBatchPassesOnWhatItHasLostByThen(t *testing.T) {
	t.Parallel()
	b := watched(t)
	b.carried(workshop.Move{From: "workshop", To: "counter"}, b.domes, 24)
	b.now = at("2026-11-25T18:00:00Z")
	b.read("workshop", 17)
	b.now = at("2026-11-26T06:00:00Z")
	filled := b.run(changed(moulding("blackcurrant-dome", b.batch), func(r *workshop.MakeRun) { r.Place = "counter" })).Code
	b.now = at("2026-11-26T08:00:00Z")
	b.read("workshop", 28)
	redated := b.redated()
	require.Len(t, redated, 2)
	require.Equal(t, 28*time.Hour, at("2026-12-09T10:00:00Z").Sub(b.ends(redated[b.batch].Expiry, "")), "14 h at 28 °C")
	require.Equal(t, "LAB-0417, less 28 h for 14 h at 28 °C in the Workshop", limit(t, redated[b.batch].Expiry, "assessment", "").Source)
	require.Equal(t, 24*time.Hour, at("2026-12-09T10:00:00Z").Sub(b.ends(redated[filled].Expiry, b.batch)), "filled two hours before its end")
	require.Equal(t, day("2026-12-08"), *b.set.Run(b.domes).Expiry.Date)
	after := b.run(moulding("blackcurrant-dome", b.batch))
	require.Equal(t, 28*time.Hour, at("2026-12-09T10:00:00Z").Sub(b.ends(after.Expiry, b.batch)))

	b.now = at("2026-11-26T10:00:00Z")
	b.read("workshop", 28)
	require.Equal(t, 32*time.Hour, at("2026-12-09T10:00:00Z").Sub(b.ends(b.set.Run(after.Code).Expiry, b.batch)), "what stands there itself goes on losing, from where it began")
	require.Equal(t, "LAB-0417, less 28 h for 14 h at 28 °C in the Workshop, less 4 h for 2 h at 28 °C in the Workshop",
		limit(t, b.set.Run(after.Code).Expiry, "assessment", b.batch).Source)
}

// Nobody read for more than a day: what stood there all that time is held, but for what was read itself meanwhile. The
// owner's decision gives it back.
func TestAGapHoldsWhatStoodThere(t *testing.T) {
	t.Parallel()
	b := watched(t)
	b.now = at("2026-11-26T04:00:00Z")
	b.read(string(b.domes), 17)
	require.Equal(t, []string{"checked"}, b.types())
	b.now = at("2026-11-26T09:00:00Z")
	fresh := b.run(moulding("dark-drop")).Code
	b.now = at("2026-11-26T10:00:00Z")
	b.read("workshop", 17)
	require.Equal(t, []string{"checked"}, b.types(), "a day is not too long yet")
	b.now = at("2026-11-26T20:00:00Z")
	b.read(string(b.domes), 17)
	b.now = at("2026-11-27T11:00:00Z")
	b.read("workshop", 16)
	require.Equal(t, []string{"checked", "deviation_opened", "hold_placed"}, b.types())
	hold := last[events.HoldPlaced](b.shop)
	require.Equal(t, "workshop", hold.Place)
	require.Contains(t, hold.Codes, b.batch)
	require.Contains(t, hold.Codes, fresh)
	require.NotContains(t, hold.Codes, b.domes, "its own temperature was read in between")
	require.EqualValues(t, "on-hold", b.refuse(moulding("blackcurrant-dome", b.batch)).Slug)

	b.as = maker
	deviation := *hold.Deviation
	decide := workshop.DecideDeviation{Deviation: deviation, Decision: "accept", Reason: "the logger was only not read"}
	require.EqualValues(t, "forbidden", b.refuse(decide).Slug)
	b.as = owner
	b.do(decide)
	require.False(t, b.set.Ganache(b.batch).Held())
	b.run(moulding("blackcurrant-dome", b.batch))
}

// A declared failure: the time that nobody could read counts at 25 °C, also where what was read after it is in order.
func TestADeclaredFailure(t *testing.T) {
	t.Parallel()
	b := watched(t)
	b.now = at("2026-11-25T14:00:00Z")
	failed := b.do(workshop.Check{Slug: "workshop", Kind: "temperature", Result: "fail"}).(workshop.CheckAnswer)
	require.Equal(t, "safety", failed.Deviations[0].Concern)
	require.Equal(t, "LAB-0417, less 4.6 h for 4 h at 25 °C in the Workshop", limit(t, b.redated()[b.domes].Expiry, "assessment", b.batch).Source)
	require.Equal(t, "storage_gap", b.redated()[b.domes].Cause)
	b.now = at("2026-11-25T16:00:00Z")
	b.read("workshop", 17)
	require.Equal(t, "LAB-0417, less 6.9 h for 6 h at 25 °C in the Workshop", limit(t, b.redated()[b.domes].Expiry, "assessment", b.batch).Source)
	require.Len(t, b.redated(), 2)
}

// A thing that was read itself is as warm as it is, whatever the place.
func TestAWarmThing(t *testing.T) {
	t.Parallel()
	b := watched(t)
	b.now = at("2026-11-25T14:00:00Z")
	b.read("workshop", 17)
	b.now = at("2026-11-25T15:00:00Z")
	b.read(string(b.domes), 28)
	require.Equal(t, []string{"checked", "redated"}, b.types())
	require.Equal(t, 2*time.Hour, at("2026-12-09T10:00:00Z").Sub(b.ends(b.redated()[b.domes].Expiry, b.batch)), "since the place was read")
	b.read(string(b.cream), 9)
	require.Equal(t, []string{"checked"}, b.types(), "a lot keeps by its own mark")
}

// A look is due once, as long as it stays too warm.
func TestALookIsDueAbove25(t *testing.T) {
	t.Parallel()
	b := watched(t)
	looks := func() (n int) {
		for _, r := range b.recorded() {
			if e, is := r.Data.(events.DeviationOpened); is && e.Rule == "above_25" {
				require.Equal(t, "quality", e.Concern)
				n++
			}
		}
		return n
	}
	for _, c := range []struct {
		temperature float64
		looks       int
	}{{25, 0}, {25.1, 1}, {26, 0}, {25, 0}, {27, 1}} {
		b.wait(time.Hour)
		b.read("workshop", c.temperature)
		require.Equal(t, c.looks, looks(), c.temperature)
	}
	b.wait(time.Hour)
	b.read("stall", 30)
	require.Zero(t, looks(), "nothing stands there")
}

// A freezer that was too warm: the clock that stood still there loses the time. Whether it may be used is decided about
// the place's deviation.
func TestAFreezerFoundTooWarm(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	b.watch("freezer")
	b.release(b.domes, 20)
	b.read("freezer", -19)
	frozen := b.carried(intoFreezer("counter"), b.domes, 8).NewCode
	whole := b.ends(b.set.Run(frozen).Expiry, b.batch)
	b.wait(10 * time.Hour)
	answer := b.read("freezer", -10)
	require.Equal(t, "safety", answer.Deviations[0].Concern)
	redated := b.redated()[frozen]
	require.Equal(t, 10*time.Hour, whole.Sub(b.ends(redated.Expiry, b.batch)))
	require.Equal(t, "freezer", limit(t, redated.Expiry, "assessment", b.batch).ReleasedBy)
	b.wait(2 * time.Hour)
	b.read("freezer", -19)
	require.Equal(t, 12*time.Hour, whole.Sub(b.ends(b.redated()[frozen].Expiry, b.batch)))
	b.wait(12 * time.Hour)
	out := b.carried(outOfFreezer("counter"), frozen, 8)
	require.Equal(t, 12*time.Hour, whole.AddDate(0, 0, 1).Sub(b.ends(*out.Expiry, b.batch)))
	require.Equal(t, "out_of_class", last[events.DeviationOpened](b.shop).Rule)
}

// A chilled filling that was never assessed for the cool has four hours in all, from the first time above 5 °C; an open
// door, within the place's tolerance, is none.
func TestAChilledFillingFoundWarm(t *testing.T) {
	t.Parallel()
	b := dated(t, func(f *events.Formula) {
		f.Storage, f.ShopLimitDays = "chilled", nil
		f.Assessment.Days = map[string]int{"chilled": 21}
	})
	b.carried(workshop.Move{From: "workshop", To: "cold-room"}, b.batch, 500)
	b.read("cold-room", 4)
	start := b.now
	door := workshop.Check{Slug: "cold-room", Kind: "temperature", Value: ptr(7.5), From: ptr(start.Add(time.Hour)), To: ptr(start.Add(90 * time.Minute))}
	b.now = start.Add(90 * time.Minute)
	b.do(door)
	require.Len(t, b.recorded(), 3, "an hour and a half above, with the time before it: longer than the tolerance")
	require.Empty(t, b.read("cold-room", 4).Deviations)
	e := b.set.Ganache(b.batch.Part(1)).Expiry
	require.Equal(t, "food_safety_cap", e.Binds)
	require.Equal(t, start.Add(4*time.Hour), *e.DiscardBy)
	require.Equal(t, day("2026-12-15"), *b.set.Ganache(b.batch).Expiry.Date, "what stands in the workshop parted from it")
}

func TestATimeThatACheckCannotStandFor(t *testing.T) {
	t.Parallel()
	b := watched(t)
	for field, cmd := range map[string]workshop.Check{
		"/to":   {To: ptr(b.now.Add(time.Hour))},
		"/from": {From: ptr(b.now.Add(time.Minute))},
	} {
		cmd.Slug, cmd.Kind, cmd.Value = "workshop", "temperature", ptr(17.0)
		require.Equal(t, field, b.refuse(cmd).Facts["errors"].([]map[string]string)[0]["pointer"], field)
	}
}
