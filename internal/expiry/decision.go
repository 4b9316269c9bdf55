package expiry

import "sync"

// The outcomes of the decision tables, in the words of the US Food Code.
const (
	OutcomeNonTCS = "non-TCS" // needs no control of time and temperature for safety
	OutcomePA     = "PA"      // a product assessment is required: until then it counts as food that needs control
)

// The two tables of the US Food Code 2022, 1-201.10, definition of time/temperature control for safety food.
const (
	TableA = "A" // heated so that vegetative cells are destroyed, and packed while hot
	TableB = "B" // not heated, or heated and not packed then: a ganache that is piped
)

type tableCell struct {
	table   string
	aw, ph  bound
	outcome string
	source  string
}

var foodCode = sync.OnceValue(func() []tableCell {
	var cells []tableCell
	for _, row := range readTable("food_code.csv") {
		cells = append(cells, tableCell{
			table: row["table"], aw: row.bound("aw_max"), ph: row.bound("ph_max"), outcome: row["outcome"], source: row["source"],
		})
	}
	return cells
})

// Decide gives what a decision table says of a food with that water activity, 0 to 1, and pH; an unknown pH is read in
// the rightmost column. Nothing is rounded first.
func Decide(table string, waterActivity float64, ph *float64) (outcome, source string) {
	for _, cell := range foodCode() {
		if cell.table == table && cell.aw.holds(&waterActivity) && cell.ph.holds(ph) {
			return cell.outcome, cell.source
		}
	}
	panic("expiry: food_code.csv: no cell in table " + table)
}

// killStep is the heat step that the tables count as heating: 70 °C for 2 minutes in the coldest part, or a
// full boil (European Commission guidance on Listeria: six decimal reductions).
func killStep() HeatStep {
	temperature, minutes := boilCountsAsC, boilCountsAsMinutes
	return HeatStep{TemperatureC: &temperature, Minutes: &minutes}
}

// tableOf gives the table that a filling is read in.
func tableOf(done HeatStep, packedHot bool) string {
	if packedHot && done.meets(killStep()) {
		return TableA
	}
	return TableB
}

// The categories of ready-to-eat food in Regulation (EC) 2073/2005, Annex I chapter 1.
const (
	ListeriaSupports    = "1.2" // can support the growth of Listeria monocytogenes
	ListeriaCannotCarry = "1.3" // cannot
)

// shortLife is the shelf life in days below which a food counts as one in which Listeria cannot grow (the footnote to
// criterion 1.3, from memory).
const shortLife = 5

// ListeriaCategory gives a food's category by its water activity and pH, where known, by its shelf life in days, where
// there is one, or by another justification on record: Regulation (EC) 2073/2005, Annex I chapter 1, footnote to
// criterion 1.3. It is about sampling: whether a date is a use-by is decided without the shelf life.
func ListeriaCategory(waterActivity, ph *float64, shelfLifeDays *float64, justified bool) string {
	if stopsListeria(waterActivity, ph) || (shelfLifeDays != nil && *shelfLifeDays < shortLife) || justified {
		return ListeriaCannotCarry
	}
	return ListeriaSupports
}
