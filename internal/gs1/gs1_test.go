package gs1_test

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/gs1"
)

// rows reads a table of published cases, each row by the names of its columns.
func rows(t *testing.T, name string, count int) []map[string]string {
	t.Helper()
	file, err := os.Open("../../testdata/standards/" + name)
	require.NoError(t, err)
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	read, err := reader.ReadAll()
	require.NoError(t, err)
	require.Len(t, read, 1+count)
	var rows []map[string]string
	for _, fields := range read[1:] {
		row := map[string]string{}
		for i, name := range read[0] {
			row[name] = fields[i]
		}
		rows = append(rows, row)
	}
	return rows
}

func TestProductNumbers(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "gs1_gtin_cases.csv", 29) {
		number, err := gs1.ParseGTIN(row["input"])
		require.Equal(t, row["valid"], strconv.FormatBool(err == nil), "%q: %s", row["input"], row["why"])
		require.Equal(t, gs1.GTIN{Digits: row["gtin14"], Kind: row["kind"]}, number, row["input"])
		require.Equal(t, strings.Contains(row["why"], "restricted"), number.Restricted(), row["input"])
		require.Equal(t, strings.HasPrefix(row["why"], "indicator 9"), number.VariableMeasure(), row["input"])
		if err != nil {
			require.ErrorIs(t, err, gs1.ErrInvalid)
		}
	}
}

func TestLots(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "gs1_lot_cases.csv", 16) {
		err := gs1.Check([]gs1.Element{{AI: gs1.AIProduct, Value: "09520000000004"}, {AI: gs1.AILot, Value: row["lot"]}})
		require.Equal(t, row["valid"], strconv.FormatBool(err == nil), "%q: %s", row["lot"], row["why"])
	}
}

func TestDates(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "gs1_date_cases.csv", 33) {
		year, err := strconv.Atoi(row["current_year"])
		require.NoError(t, err)
		day, err := gs1.ParseDate(row["value"], year)
		require.Equal(t, row["valid"], strconv.FormatBool(err == nil), "%s in %d: %s", row["value"], year, row["why"])
		if err != nil {
			require.ErrorIs(t, err, gs1.ErrInvalid)
			continue
		}
		require.Equal(t, row["date"], day.String(), "%s in %d: %s", row["value"], year, row["why"])
		if !strings.HasSuffix(row["value"], "00") {
			require.Equal(t, row["value"], gs1.FormatDate(day))
		}
	}
}

// Links are read; what was read is written as the same link, as the element string and as the text beside a symbol; and
// both of these are read as the same again.
func TestLinks(t *testing.T) {
	t.Parallel()
	written := 0
	for _, row := range rows(t, "gs1_digital_link_cases.csv", 23) {
		elements, err := gs1.ParseLink(row["uri"])
		require.Equal(t, row["valid"], strconv.FormatBool(err == nil), "%s: %s", row["uri"], row["note"])
		if err != nil {
			require.ErrorIs(t, err, gs1.ErrInvalid)
			continue
		}
		wanted, read := map[string]string{}, map[string]string{}
		require.NoError(t, json.Unmarshal([]byte(row["ai_json"]), &wanted))
		for _, e := range elements {
			read[e.AI] = e.Value
		}
		require.Equal(t, wanted, read, row["uri"])
		text := strings.ReplaceAll(row["element_string"], "<GS>", "\x1d")
		require.Equal(t, text, gs1.ElementString(elements), row["uri"])
		require.Equal(t, row["hri"], gs1.Text(elements), row["uri"])
		for _, again := range []func() ([]gs1.Element, error){
			func() ([]gs1.Element, error) { return gs1.ParseElementString(text) },
			func() ([]gs1.Element, error) { return gs1.ParseText(row["hri"]) },
		} {
			same, err := again()
			require.NoError(t, err, row["uri"])
			require.ElementsMatch(t, elements, same, row["uri"])
		}
		if row["note"] == "" { // the others are written in ways that are read and never written
			link, err := gs1.Link("https://example.com", elements)
			require.NoError(t, err)
			require.Equal(t, row["uri"], link)
			written++
		}
	}
	require.Equal(t, 10, written)
}

// The AIs known here are as the dictionary says: by the length that it gives, by whether it marks them as needing no
// separator (*), and by the partners that it requires and forbids.
func TestIdentifiersAreThoseOfTheDictionary(t *testing.T) {
	t.Parallel()
	file, err := os.Open("../../testdata/standards/gs1_syntax_dictionary_excerpt.txt")
	require.NoError(t, err)
	defer file.Close()
	const number = "09521234543213"
	samples := map[string]string{
		"N14,csum,gcppos2": number, "X..20": "A/-1", "N6,yymmd0": "270301", "N..8": "40", "N6": "001250",
	}
	entries := 0
	for lines := bufio.NewScanner(file); lines.Scan(); {
		fields := strings.Fields(lines.Text())
		if fields[0] == "#" {
			continue
		}
		entries++
		ai, last, _ := strings.Cut(fields[0], "-")
		predefined := strings.HasPrefix(fields[1], "*")
		format := fields[1]
		if _, is := samples[format]; !is {
			format = fields[2]
		}
		sample, is := samples[format]
		require.True(t, is, lines.Text())
		for _, ai := range []string{ai, last} {
			if ai == "" {
				continue
			}
			elements := []gs1.Element{{AI: "01", Value: number}, {AI: ai, Value: sample}}
			if ai == "37" { // req=00+02
				require.ErrorIs(t, gs1.Check(elements), gs1.ErrInvalid)
				continue
			}
			require.NoError(t, gs1.Check(elements), ai)
			if ai != "01" {
				require.ErrorIs(t, gs1.Check(elements[1:]), gs1.ErrInvalid, "%s needs 01", ai)
			}
			for _, wrong := range wrongLengths(format, sample) {
				require.ErrorIs(t, gs1.Check([]gs1.Element{elements[0], {AI: ai, Value: wrong}}), gs1.ErrInvalid, "%s %q", ai, wrong)
			}
			other := "10"
			if ai == "10" {
				other = "21"
			}
			text := gs1.ElementString([]gs1.Element{elements[0], {AI: ai, Value: sample}, {AI: other, Value: "Z"}})
			require.Equal(t, predefined, !strings.Contains(text, "\x1d"), ai)
		}
	}
	require.Equal(t, 12, entries)
}

func wrongLengths(format, sample string) []string {
	if most, is := strings.CutPrefix(format[1:], ".."); is {
		n, _ := strconv.Atoi(most)
		return []string{"", strings.Repeat("1", n+1)}
	}
	return []string{"", sample[1:], sample + "0"}
}

// What a reader sends of our own symbols leads to the lot, whatever form it has; what people type is none of these.
func TestLotIn(t *testing.T) {
	t.Parallel()
	for scanned, lot := range map[string]string{
		"https://example.com/01/09521234543213/10/R261125-03-3?17=261208": "R261125-03-3",
		"(01)09521234543213(17)261208(10)R261125-03.2-F":                  "R261125-03.2-F",
		"]C101095212345432131726120810R261125-03-3":                       "R261125-03-3",
		"]d201095212345432131726120810R261125-03-3\x1d3024":               "R261125-03-3",
		"01095212345432131726120810R261125-03-3":                          "R261125-03-3",
		"R261125-03-3":                                                    "",
		"r261125033":                                                      "",
		"":                                                                "",
		"01":                                                              "",
		"https://example.com/R261125-03-3":                                "",
		"(10)R261125-03-3":                                                "", // without its product
		"(01)09521234543213":                                              "",
		"(99)x":                                                           "",
		"https://example.com/01/0952%2/10/A":                              "",
	} {
		found, is := gs1.LotIn(scanned)
		require.Equal(t, lot, found, "%q", scanned)
		require.Equal(t, lot != "", is, "%q", scanned)
	}
}

// Whatever is read can be written and read again; nothing makes the readers stumble.
func FuzzReaders(f *testing.F) {
	f.Add("https://example.com/01/09521234543213/10/A%2F1?17=261208&30=4")
	f.Add("(01)09521234543213(10)A(21)B")
	f.Add("010952123454321310A\x1d3024")
	f.Fuzz(func(t *testing.T, text string) {
		for _, read := range []func(string) ([]gs1.Element, error){gs1.ParseLink, gs1.ParseText, gs1.ParseElementString} {
			elements, err := read(text)
			if err != nil {
				require.ErrorIs(t, err, gs1.ErrInvalid)
				continue
			}
			again, err := gs1.ParseElementString(gs1.ElementString(elements))
			require.NoError(t, err)
			require.Equal(t, gs1.ElementString(elements), gs1.ElementString(again))
		}
	})
}
