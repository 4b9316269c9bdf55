package expiry

import (
	"fmt"

	"firstout/internal/civil"
)

// How much of a best-before date must be printed: Regulation (EU) 1169/2011, Annex X 1(c).
const (
	FormDayMonth  = "day month"  // keeps no longer than 3 months
	FormMonthYear = "month year" // no longer than 18: "best before end"
	FormYear      = "year"       // longer: "best before end"
)

// A Printed is the least that a best-before may be printed as. Through is the last day that the printed form promises: a
// month or a year that is not over by the date must not be printed, so it is the one before.
type Printed struct {
	Form    string
	Through civil.Day
}

// PrintedForm gives the least form of a best-before from the day of the making; the whole date may always be printed. A
// use-by has its day in any case. Months are those of the calendar, and end at the month's end where it is shorter.
func PrintedForm(made, bestBefore civil.Day) Printed {
	switch {
	case !bestBefore.After(monthsLater(made, 3)):
		return Printed{Form: FormDayMonth, Through: bestBefore}
	case !bestBefore.After(monthsLater(made, 18)):
		return Printed{Form: FormMonthYear, Through: lastWhole(bestBefore, bestBefore.EndOfMonth(), civil.Day{Year: bestBefore.Year, Month: bestBefore.Month, Day: 1})}
	default:
		return Printed{Form: FormYear, Through: lastWhole(bestBefore, civil.Day{Year: bestBefore.Year, Month: 12, Day: 31}, civil.Day{Year: bestBefore.Year, Month: 1, Day: 1})}
	}
}

// lastWhole is the end of a period if the date is its last day, else the day before its first.
func lastWhole(date, end, first civil.Day) civil.Day {
	if date == end {
		return end
	}
	return first.AddDays(-1)
}

func monthsLater(d civil.Day, months int) civil.Day {
	first := civil.Day{Year: d.Year, Month: d.Month, Day: 1}
	for range months {
		first = first.EndOfMonth().AddDays(1)
	}
	last := first.EndOfMonth()
	if d.Day < last.Day {
		last.Day = d.Day
	}
	return last
}

// leastChocolate is the least share of chocolate in the total weight, decorations counted in the total, of what is sold as
// a filled chocolate, a chocolate or a praline (Directive 2000/36/EC, Annex I A 7 and 10).
const leastChocolate = 0.25

// ChocolateShare gives the share of chocolate in a piece, 0 to 1, from grams, and a warning where it is too little for the
// name; empty where it is not. The total must be more than 0.
func ChocolateShare(chocolateG, totalG float64) (share float64, warning string) {
	share = chocolateG / totalG
	if share >= leastChocolate {
		return share, ""
	}
	return share, fmt.Sprintf("Chocolate is %.1f %% of the weight, less than the %g %% that a filled chocolate or a praline must have (Directive 2000/36/EC).",
		100*share, 100*leastChocolate)
}
