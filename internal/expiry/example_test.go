package expiry_test

import (
	"fmt"
	"time"

	"firstout/internal/civil"
	"firstout/internal/expiry"
)

// A ganache of unheated cream keeps no longer than the opened cream does.
func ExampleDateFilling() {
	dublin, _ := time.LoadLocation("Europe/Dublin")
	opened := civil.Day{Year: 2026, Month: time.November, Day: 25}
	answer := expiry.DateFilling(expiry.Filling{
		MadeAt: time.Date(2026, time.November, 25, 10, 30, 0, 0, dublin), Zone: dublin, Storage: "cool",
		Inputs: []expiry.Input{{
			Code: "L261125-01.1-F", Lot: "L261125-01-A", Kind: "dairy",
			Mark:   expiry.Mark{Kind: expiry.MarkUseBy, Date: opened.AddDays(9)},
			Opened: &expiry.Opening{On: opened, LifeDays: 3},
		}},
		Assessment: &expiry.Assessment{Document: "LAB-0417", Days: map[string]int{"cool": 14}},
	})
	fmt.Println(answer.Kind, answer.Date, answer.DiscardBy.Format(time.RFC3339))
	for _, limit := range answer.Limits {
		fmt.Println("-", limit.Date, limit.Name, limit.Source)
	}
	// Output:
	// use_by 2026-11-28 2026-11-29T00:00:00Z
	// - 2026-11-28 opened_ingredient opened 2026-11-25, keeps 3 days
	// - 2026-12-04 ingredient_use_by the supplier's use by
	// - 2026-12-08 assessment LAB-0417
}
