package expiry

import (
	"embed"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// The tables that are shipped, each row with its source and what that is worth: published, common practice, from memory.
// Tables is their version.
//
//go:embed tables/*.csv
var tableFiles embed.FS

// A tableRow is a row by the names in its table's head.
type tableRow map[string]string

func readTable(name string) []tableRow {
	file, err := tableFiles.Open("tables/" + name)
	if err != nil {
		panic("expiry: " + err.Error())
	}
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	if err != nil {
		panic(fmt.Sprintf("expiry: %s: %s", name, err))
	}
	table := make([]tableRow, 0, len(records))
	for _, record := range records[1:] {
		row := tableRow{}
		for i, column := range records[0] {
			row[column] = record[i]
		}
		table = append(table, row)
	}
	return table
}

// number reads a decimal; an empty one is 0.
func (r tableRow) number(column string) float64 {
	if r[column] == "" {
		return 0
	}
	value, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		panic(fmt.Sprintf("expiry: %s: %s", column, err))
	}
	return value
}

// A bound is the upper edge of a range; that of the last range has no edge.
type bound struct {
	most     float64
	included bool
	open     bool
}

func (r tableRow) bound(column string) bound {
	return bound{most: r.number(column), included: r[column+"_included"] == "yes", open: r[column] == ""}
}

// holds tells whether a value is within the bound. An unknown one is within the open range alone.
func (b bound) holds(value *float64) bool {
	return b.open || (value != nil && (*value < b.most || (b.included && *value == b.most)))
}

// A ReferenceIngredient is a composition that a shop may start from where it has no label of its own.
type ReferenceIngredient struct {
	Name        string
	Composition Composition
	Source      string
	Basis       string // published, common practice or from memory
}

var referenceIngredients = sync.OnceValue(func() map[string]ReferenceIngredient {
	byName := map[string]ReferenceIngredient{}
	for _, row := range readTable("ingredients.csv") {
		grams := map[string]float64{}
		for _, key := range CompositionKeys() {
			grams[key] = row.number(key)
		}
		composition, err := NewComposition(grams)
		if err != nil {
			panic(fmt.Sprintf("expiry: ingredients.csv: %s: %s", row["ingredient"], err))
		}
		byName[row["ingredient"]] = ReferenceIngredient{
			Name: row["ingredient"], Composition: composition, Source: row["source"], Basis: row["basis"],
		}
	}
	return byName
})

// ReferenceIngredients gives the reference ingredients by name, in the order of their names.
func ReferenceIngredients() []ReferenceIngredient {
	all := make([]ReferenceIngredient, 0, len(referenceIngredients()))
	for _, ingredient := range referenceIngredients() {
		all = append(all, ingredient)
	}
	slices.SortFunc(all, func(a, b ReferenceIngredient) int { return strings.Compare(a.Name, b.Name) })
	return all
}

// Reference gives one reference ingredient.
func Reference(name string) (ReferenceIngredient, bool) {
	ingredient, found := referenceIngredients()[name]
	return ingredient, found
}
