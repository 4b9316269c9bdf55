package events_test

import (
	"encoding/csv"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// TestCheckCharacterIsThatOfTheStandard holds ISO/IEC 7064 MOD 37,36 against values that others published.
func TestCheckCharacterIsThatOfTheStandard(t *testing.T) {
	t.Parallel()
	published := []struct{ body, check, source string }{
		{"A12425GABC1234002", "M", "GRid (Global Release Identifier) Standard 2.1: A1-2425G-ABC1234002-M, as quoted by the library soundways/iso7064"},
		{"DADPIDA3897722461", "J", "worked example at www.lobster-world.com/online/_data/docs/46/en/BasicISO7064Mod3736Checksum.html"},
		{"123AB", "X", "the same page"},
	}
	for _, p := range published {
		require.Equal(t, p.check, string(events.CheckCharacter(p.body)), p.source)
	}
}

func TestCodesAsTheyStandOnLabels(t *testing.T) {
	t.Parallel()
	day := civil.Day{Year: 2026, Month: 11, Day: 25}
	run := events.NewCode(events.KindRun, day, 3, 0)
	require.Equal(t, events.Code("R261125-03-3"), run)
	require.Equal(t, events.Code("R261125-03.2-F"), run.Part(2))
	require.Equal(t, run, run.Part(2).Whole())
	require.Equal(t, day, run.Part(2).Day())
	require.Equal(t, events.KindRun, run.Kind())
	require.True(t, run.Part(2).IsPart())
	require.False(t, run.IsPart())
}

func TestParseCodeForgivesHyphensSpacesAndCase(t *testing.T) {
	t.Parallel()
	for typed, code := range map[string]events.Code{
		"R261125-03-3":     "R261125-03-3",
		"r261125033":       "R261125-03-3",
		" R 261125 03 3 ":  "R261125-03-3",
		"R26-11-25-03-3":   "R261125-03-3",
		"R261125-03.2-F":   "R261125-03.2-F",
		"r26112503.2f":     "R261125-03.2-F",
		"R261125 - 03.2 F": "R261125-03.2-F",
	} {
		parsed, err := events.ParseCode(typed)
		require.NoError(t, err, typed)
		require.Equal(t, code, parsed, typed)
	}
}

func TestParseCodeRefusesWhatIsNoCode(t *testing.T) {
	t.Parallel()
	checked := func(body, shown string) string { // a text with a good check character, so that something else must be wrong
		return shown + "-" + string(events.CheckCharacter(body))
	}
	for why, typed := range map[string]string{
		"empty":                         "",
		"check character wrong":         "R261125-03-4",
		"check character missing":       "R261125-03",
		"part taken for a sequence":     "R261125-032-F",
		"no such kind":                  checked("X26112503", "X261125-03"),
		"no such day":                   checked("R26023003", "R260230-03"),
		"sequence of one digit":         checked("R2611253", "R261125-3"),
		"sequence with a leading zero":  checked("R261125003", "R261125-003"),
		"sequence of nothing":           checked("R26112500", "R261125-00"),
		"part of nothing":               checked("R26112503P0", "R261125-03.0"),
		"part with a leading zero":      checked("R26112503P02", "R261125-03.02"),
		"two parts":                     "R261125-03.2.2-F",
		"a letter beyond the alphabet":  "Ř261125-03-3",
		"an underscore":                 "R261125_03_3",
		"far too long":                  strings.Repeat("R261125-03-3", 9),
		"a dot in place of the letter":  "R261125-03.-F",
		"a letter in the date":          checked("R2611A503", "R2611A5-03"),
		"a line feed behind a good one": "R261125-03-3\n",
	} {
		_, err := events.ParseCode(typed)
		require.ErrorIs(t, err, events.ErrMistyped, why)
	}
}

// TestEveryWrongCharacterIsNoticed holds what ISO/IEC 7064 promises of all its systems (clause 1): every single
// substitution is detected.
func TestEveryWrongCharacterIsNoticed(t *testing.T) {
	t.Parallel()
	const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	for _, good := range []string{"R261125033", "R26112503.2F"} {
		for i := range good {
			for _, c := range []byte(alphabet) {
				if good[i] == c || good[i] == '.' {
					continue
				}
				typed := good[:i] + string(c) + good[i+1:]
				_, err := events.ParseCode(typed)
				require.ErrorIs(t, err, events.ErrMistyped, typed)
			}
		}
	}
}

func TestCodesSortByDateSequenceAndPartAsNumbers(t *testing.T) {
	t.Parallel()
	day := civil.Day{Year: 2026, Month: 9, Day: 30}
	ordered := []events.Code{
		events.NewCode(events.KindRun, day, 2, 0),
		events.NewCode(events.KindRun, day, 2, 2),
		events.NewCode(events.KindRun, day, 2, 10),
		events.NewCode(events.KindRun, day, 99, 0),
		events.NewCode(events.KindRun, day, 100, 0),
		events.NewCode(events.KindRun, day.AddDays(1), 1, 0),
	}
	for i := range ordered {
		for j := range ordered {
			require.Equal(t, i < j, ordered[i].Compare(ordered[j]) < 0, "%s and %s", ordered[i], ordered[j])
		}
	}
}

func TestAnyCodeIsReadBackAndIsALotNumber(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom([]events.Kind{'L', 'C', 'G', 'R', 'B'}).Draw(t, "kind")
		day := civil.Day{Year: 2000, Month: 1, Day: 1}.AddDays(rapid.IntRange(0, 36523).Draw(t, "day"))
		sequence := rapid.IntRange(1, 99999).Draw(t, "sequence")
		part := rapid.IntRange(0, 9999).Draw(t, "part")
		code := events.NewCode(kind, day, sequence, part)
		parsed, err := events.ParseCode(strings.ToLower(strings.ReplaceAll(string(code), "-", "")))
		require.NoError(t, err)
		require.Equal(t, code, parsed)
		yymmdd, s, p := code.Numbers()
		require.Equal(t, []int{day.Year%100*10000 + int(day.Month)*100 + day.Day, sequence, part}, []int{yymmdd, s, p})
		require.Equal(t, day, code.Day())
		require.True(t, isLotNumber(string(code)), "%s is no GS1 lot number", code)
	})
}

// isLotNumber says whether a text can be the value of GS1's Application Identifier 10.
func isLotNumber(text string) bool {
	const set82 = `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`
	for _, c := range text {
		if !strings.ContainsRune(set82, c) {
			return false
		}
	}
	return len(text) >= 1 && len(text) <= 20
}

// TestLotNumberRuleIsThatOfGS1 holds the rule by which our codes are judged against published cases.
func TestLotNumberRuleIsThatOfGS1(t *testing.T) {
	t.Parallel()
	file, err := os.Open("../../testdata/standards/gs1_lot_cases.csv")
	require.NoError(t, err)
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 17)
	for _, row := range rows[1:] {
		require.Equal(t, row[1], fmt.Sprint(isLotNumber(row[0])), "%q: %s", row[0], row[2])
	}
}

func FuzzParseCode(f *testing.F) {
	f.Add("R261125-03-3")
	f.Add("r26112503.2f")
	f.Add("R2.0000000000000") // a dot in the date
	f.Fuzz(func(t *testing.T, typed string) {
		code, err := events.ParseCode(typed)
		if err != nil {
			require.ErrorIs(t, err, events.ErrMistyped)
			return
		}
		again, err := events.ParseCode(string(code))
		require.NoError(t, err)
		require.Equal(t, code, again)
	})
}
