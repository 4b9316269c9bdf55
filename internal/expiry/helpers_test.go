package expiry_test

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"
	"time"
	_ "time/tzdata" // the zones of the Go release that builds the test, whatever the machine has

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/expiry"
)

// rows reads a table of testdata/expiry, by the names in its head; each row says where its facts are from.
func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	file, err := os.Open("../../testdata/expiry/" + name)
	require.NoError(t, err)
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(records), 1)
	var table []map[string]string
	for _, record := range records[1:] {
		row := map[string]string{}
		for i, column := range records[0] {
			row[column] = record[i]
		}
		require.NotEmpty(t, row["source"], "%s: every row has a source", name)
		table = append(table, row)
	}
	return table
}

// value reads a decimal number; an empty one is unknown.
func value(t *testing.T, text string) *float64 {
	t.Helper()
	if text == "" {
		return nil
	}
	number, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return &number
}

func whole(t *testing.T, text string) int {
	t.Helper()
	number, err := strconv.Atoi(text)
	require.NoError(t, err)
	return number
}

func day(text string) civil.Day {
	d, err := civil.ParseDay(text)
	if err != nil {
		panic(err)
	}
	return d
}

func dayPointer(text string) *civil.Day {
	d := day(text)
	return &d
}

func at(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t
}

func pointer[T any](v T) *T { return &v }

func zone(name string) *time.Location {
	loc, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return loc
}

var dublin = zone("Europe/Dublin")

// tb is a test or a property's round.
type tb interface {
	require.TestingT
	Helper()
}

// limit finds the one limit of that name and subject.
func limit(t tb, a expiry.Answer, name, subject string) expiry.Limit {
	t.Helper()
	var found []expiry.Limit
	for _, l := range a.Limits {
		if l.Name == name && l.Subject == subject {
			found = append(found, l)
		}
	}
	require.Len(t, found, 1, "%s of %q in %v", name, subject, a.Limits)
	return found[0]
}

// blackcurrantBay is a filling of the invented shop: cream opened and boiled on the day, measured on its formula and
// assessed for 14 days in the cool.
func blackcurrantBay() expiry.Filling {
	return expiry.Filling{
		MadeAt:  at("2026-11-25T10:30:00Z"),
		Zone:    dublin,
		Storage: "cool",
		Inputs: []expiry.Input{
			{
				Code: "L261125-01.1-F", Lot: "L261125-01-A", Kind: "dairy", Heated: true,
				Mark:   expiry.Mark{Kind: expiry.MarkUseBy, Date: day("2026-12-04")},
				Opened: &expiry.Opening{On: day("2026-11-25"), LifeDays: 3},
			},
			{Code: "L261120-02-B", Kind: "couverture", Mark: expiry.Mark{Kind: expiry.MarkBestBefore, Date: day("2027-05-31")}},
			{Code: "L261101-04-C", Kind: "syrup", Mark: expiry.Mark{Kind: expiry.MarkBestBefore, Date: day("2026-11-30")}},
		},
		HeatStep: expiry.HeatStep{Boiled: true},
		FormulaMeasured: &expiry.FormulaMeasured{
			WaterActivity: pointer(0.893), Uncertainty: pointer(0.005), PH: pointer(4.7),
			Document: "LAB-0533", On: day("2026-09-01"), ValidUntil: day("2027-09-01"),
		},
		WithinTolerance: true,
		Assessment: &expiry.Assessment{
			Document: "LAB-0417", DateKind: expiry.KindUseBy,
			WaterActivityMax: pointer(0.93), PHMax: pointer(5.2), Days: map[string]int{"cool": 14, "chilled": 21},
			Releases: []string{expiry.LimitIngredientUseBy, expiry.LimitOpenedIngredient},
			Requires: &expiry.HeatStep{Boiled: true},
		},
	}
}

// changed gives the shop's filling with something different about it.
func changed(change func(*expiry.Filling)) expiry.Filling {
	f := blackcurrantBay()
	change(&f)
	return f
}
