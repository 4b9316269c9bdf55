package projections

import (
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/workshop"
)

var loadReadings = query("load_readings")

// readings loads the readings of subjects from an instant on; of a subject asked for several times, from the earliest.
func (l loading) readings(needs []workshop.Need) {
	from := map[string]time.Time{}
	for _, n := range needs {
		if at, asked := from[n.Subject]; !asked || n.At.Before(at) {
			from[n.Subject] = n.At
		}
	}
	if len(from) == 0 {
		return
	}
	var subjects []string
	var instants []time.Time
	for subject, at := range from {
		subjects, instants = append(subjects, subject), append(instants, at)
	}
	l.b.Queue(loadReadings, subjects, instants).Query(func(rows pgx.Rows) error {
		found := map[string][]workshop.Reading{}
		for rows.Next() {
			var r workshop.Reading
			if err := rows.Scan(&r.Position, &r.Subject, &r.From, &r.At, &r.TemperatureC, &r.Failed); err != nil {
				return fmt.Errorf("load readings: %w", err)
			}
			r.From, r.At = r.From.UTC(), r.At.UTC()
			found[r.Subject] = append(found[r.Subject], r)
		}
		for subject, at := range from {
			l.set.AddReadings(subject, at, found[subject])
		}
		return wrap(rows.Err(), "load readings")
	})
}

func readingRows(readings []workshop.Reading) rows {
	n := len(readings)
	positions, subjects := make(values[int64], n), texts(n)
	began, ended := make(values[time.Time], n), make(values[time.Time], n)
	temperatures, failed := make(values[float64], n), make(values[bool], n)
	for i, r := range readings {
		positions[i], subjects[i], began[i], ended[i] = r.Position, r.Subject, r.From, r.At
		temperatures[i], failed[i] = r.TemperatureC, r.Failed
	}
	return rows{table: "readings", save: saveReadings, columns: []column{
		{"position", positions},
		{"subject", subjects},
		{"began_at", began},
		{"ended_at", ended},
		{"temperature_c", temperatures},
		{"failed", failed},
	}}
}
