package workshop

import "firstout/internal/events"

// CouldBe gives what each of some sales could be of, by what stood where when.
func CouldBe(stood []Stood, sales []RecalledSale, subjects []string) [][]events.Code {
	all := standingsOf(stood)
	could := make([][]events.Code, 0, len(sales))
	for i, sale := range sales {
		could = append(could, all.couldBe(&sale, subjects[i]))
	}
	return could
}
