package expiry_test

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/expiry"
)

// anyScheme is a table that Check finds nothing wrong with.
func anyScheme(t *rapid.T) expiry.Scheme {
	edges := rapid.SliceOfNDistinct(rapid.IntRange(50, 99), 0, 8, func(i int) int { return i }).Draw(t, "edges")
	slices.Sort(edges)
	s := expiry.Scheme{Version: "quay-lane-2"}
	cool, chilled := rapid.IntRange(1, 200).Draw(t, "cool"), 0
	chilled = cool + rapid.IntRange(0, 100).Draw(t, "chilled")
	for _, edge := range append(edges, 100) {
		s.Bands = append(s.Bands, expiry.Band{
			Max: float64(edge) / 100, MaxIncluded: edge == 100 || rapid.Bool().Draw(t, "included"),
			Cool: expiry.Keeps{Days: cool}, Chilled: expiry.Keeps{Days: chilled},
		})
		cool = rapid.IntRange(1, cool).Draw(t, "cool")
		chilled = rapid.IntRange(cool, chilled).Draw(t, "chilled")
	}
	return s
}

// Whatever table a shop has: a date is no later than the table says, names it, and says where it is later than the
// shipped one would have it. What is said of a table as a whole is what is found by looking at every thousandth.
func TestSchemeProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := anyScheme(t)
		require.NoError(t, s.Check())
		f := anyFilling(t)
		f.Parts, f.Scheme = anyRecipe(t), &s
		got := expiry.DateFilling(f)
		require.Equal(t, "1+quay-lane-2", got.Tables)
		asShipped := got
		asShipped.Tables = "1"
		checkAnswer(t, asShipped, f.Zone)

		shipped := f
		shipped.Scheme = nil
		before := expiry.DateFilling(shipped)
		if got.Binds != "" && got.EndsBy.After(before.EndsBy) {
			require.Contains(t, got.Cautions, expiry.CautionLonger)
		}

		longer := false
		for thousandths := 1; thousandths <= 1000; thousandths++ {
			own, theirs := s.Caps(expiry.TableB, float64(thousandths)/1000, nil), expiry.DefaultScheme().Caps(expiry.TableB, float64(thousandths)/1000, nil)
			longer = longer || own.Band.Cool.InDays() > theirs.Band.Cool.InDays() || own.Chilled().InDays() > theirs.Chilled().InDays()
		}
		require.Equal(t, longer, len(s.LongerThanShipped()) > 0)
	})
}

func TestWhatASchemeSaysOfBestBefores(t *testing.T) {
	t.Parallel()
	s := expiry.DefaultScheme()
	require.Empty(t, s.LongerThanShipped())
	require.Nil(t, s.Binds("syrup"), "no rule of its own")
	s.BestBeforeBinds = []string{"couverture", "dairy", "nut", "syrup"}
	require.True(t, *s.Binds("syrup"))
	require.False(t, *s.Binds("fruit"))
	require.Equal(t, []string{"The best-before of fruit no longer dates what is made of it, as it does by default."}, s.LongerThanShipped())
}

// A piece names every table that its fillings and its own shell were dated by.
func TestAPieceNamesAllItsTables(t *testing.T) {
	t.Parallel()
	first, second := expiry.DefaultScheme(), expiry.DefaultScheme()
	first.Version, second.Version = "life-scheme-1", "life-scheme-2"
	filling := func(s *expiry.Scheme) expiry.PieceFilling {
		return expiry.PieceFilling{Code: "G1", Answer: expiry.DateFilling(saltedCaramelCove(func(f *expiry.Filling) { f.Scheme = s }))}
	}
	tables := func(s *expiry.Scheme, fillings ...expiry.PieceFilling) string {
		return expiry.DatePiece(expiry.Piece{MadeAt: made, Zone: dublin, Scheme: s, Fillings: fillings}).Tables
	}
	require.Equal(t, "1", tables(nil))
	require.Equal(t, "1", tables(nil, filling(nil)))
	require.Equal(t, "1+life-scheme-2", tables(&second, filling(nil)))
	require.Equal(t, "1+life-scheme-1+life-scheme-2", tables(&second, filling(&first), filling(&second), filling(nil)))
}

// What was packed hot and is opened keeps no longer than it did, nor than the same filling that was never packed: US Food
// Code 2022, 1-201.10, tables A and B.
func TestUnpack(t *testing.T) {
	t.Parallel()
	closed := saltedCaramelCove(wet, func(f *expiry.Filling) { f.PackedHot = true })
	open := closed
	open.PackedHot = false
	packed, never := expiry.DateFilling(closed), expiry.DateFilling(open)
	require.Equal(t, []string{"safe_by_table", "water_activity_cap"}, []string{packed.Status, packed.Binds})
	require.Equal(t, []string{"assessment_needed", "food_safety_cap"}, []string{never.Status, never.Binds})
	got := expiry.Unpack(packed, never, dublin)
	require.Equal(t, []string{"assessment_needed", "food_safety_cap", "use_by"}, []string{got.Status, got.Binds, got.Kind})
	require.Equal(t, never.EndsBy, got.EndsBy)
	rapid.Check(t, func(t *rapid.T) {
		f := anyFilling(t)
		f.Parts, f.PackedHot, f.HeatStep = anyRecipe(t), true, expiry.HeatStep{Boiled: true}
		packed := expiry.DateFilling(f)
		f.PackedHot = false
		never := expiry.DateFilling(f)
		got := expiry.Unpack(packed, never, f.Zone)
		checkAnswer(t, got, f.Zone)
		if packed.Binds != "" {
			require.False(t, got.EndsBy.After(packed.EndsBy), "opening it lengthens nothing")
			require.False(t, got.EndsBy.After(never.EndsBy), "nor does having been packed")
		}
	})
}

// Readings alone say that something is late; one of the next day, when it is warmed again, says nothing of how it cooled
// (common practice, no source).
func TestReadCooling(t *testing.T) {
	t.Parallel()
	read := func(minutes int, c float64) expiry.Reading {
		return expiry.Reading{At: made.Add(time.Duration(minutes) * time.Minute), TemperatureC: c}
	}
	for _, c := range []struct {
		name     string
		readings []expiry.Reading
		read     bool
		late     int // minutes from the making; 0: it is not
		due      int // 0: nothing is
	}{
		{"nobody looked", nil, false, 0, 120},
		{"still warm in time", []expiry.Reading{read(45, 38)}, true, 0, 120},
		{"21 °C reached, 5 °C due", []expiry.Reading{read(119, 21)}, true, 0, 360},
		{"at the bounds", []expiry.Reading{read(120, 21), read(360, 5)}, true, 0, 0},
		{"warm too long", []expiry.Reading{read(45, 38), read(121, 21.5)}, true, 120, 0},
		{"cool, and not cold in time", []expiry.Reading{read(90, 20), read(400, 8)}, true, 360, 0},
		{"piped warm the next day", []expiry.Reading{read(720, 31)}, false, 0, 120},
		{"cold in time, warmed the next day", []expiry.Reading{read(110, 15), read(300, 4), read(1400, 31)}, true, 0, 0},
		{"cold when somebody looked first", []expiry.Reading{read(300, 4)}, false, 0, 0},
		{"cool when somebody looked first, and due", []expiry.Reading{read(200, 14)}, false, 0, 360},
		{"not cold when somebody looked first", []expiry.Reading{read(420, 12)}, false, 360, 0},
		{"cold when somebody looked the evening", []expiry.Reading{read(420, 5)}, false, 0, 0},
		{"21 °C after the time, looked at before", []expiry.Reading{read(45, 57), read(200, 21)}, true, 165, 0},
		{"boiled up again: the clock starts anew", []expiry.Reading{read(100, 40), read(110, 95)}, true, 0, 230},
	} {
		got, found := expiry.ReadCooling(made, c.readings)
		require.Equal(t, c.read, found, c.name)
		require.Equal(t, c.late > 0, got.Late, c.name)
		if c.late > 0 {
			require.Equal(t, made.Add(time.Duration(c.late)*time.Minute), *got.LateAt, c.name)
		}
		if c.due == 0 {
			require.Nil(t, got.DueBy, c.name)
		} else {
			require.Equal(t, made.Add(time.Duration(c.due)*time.Minute), *got.DueBy, c.name)
		}
	}
	require.True(t, expiry.HeatStep{Boiled: true}.Cools())
	require.True(t, expiry.HeatStep{TemperatureC: pointer(70.0), Minutes: pointer(2.0)}.Cools())
	require.False(t, expiry.HeatStep{TemperatureC: pointer(69.9), Minutes: pointer(2.0)}.Cools())
	require.False(t, expiry.HeatStep{}.Cools())
}

// BenchmarkReadRecipe decodes the recipe of BenchmarkDateEstimatedFilling, its compositions with it, from JSON: what the
// dating is measured against.
func BenchmarkReadRecipe(b *testing.B) {
	type part struct {
		Name      string             `json:"ingredient"`
		QuantityG float64            `json:"quantity_g"`
		Grams     map[string]float64 `json:"composition"`
	}
	var recipe []part
	for _, p := range saltedCaramelCove(wet).Parts {
		recipe = append(recipe, part{p.Name, p.QuantityG, p.Composition.Grams()})
	}
	text, err := json.Marshal(recipe)
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		var read []part
		require.NoError(b, json.Unmarshal(text, &read))
	}
}
