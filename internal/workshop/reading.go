package workshop

import (
	"cmp"
	"slices"
	"time"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// A Reading is a temperature in °C that was read at a place or on a thing, or the word that a failure was declared of a
// place where none was.
type Reading struct {
	Position     int64  // of the check that it is
	Subject      string // a place's slug, or a code
	From, At     time.Time
	TemperatureC float64
	Failed       bool
}

// readingOf is the reading that a check is; is says whether it is one. A check that stands for a time is a reading of all
// of it. While a boiled filling cools, what is read of it says how it cools and not where it stood.
func (s *Set) readingOf(r events.Recorded, e events.Checked) (reading Reading, is bool) {
	reading = Reading{Position: r.Position, Subject: cmp.Or(string(e.Code), e.Place), From: r.OccurredAt, At: r.OccurredAt}
	if e.To != nil {
		reading.From, reading.At = *e.To, *e.To
	}
	if e.From != nil {
		reading.From = *e.From
	}
	switch {
	case e.Kind != checkTemperature || reading.Subject == "" || s.isCooling(e.Code, r.OccurredAt):
		return reading, false
	case e.Value != nil:
		reading.TemperatureC = *e.Value
	case e.Place != "" && e.Result == checkFailed:
		reading.Failed = true
	default:
		return reading, false
	}
	return reading, true
}

// NeedReadings asks for the readings of a place or a thing that end at an instant or after it, with the last temperature
// that was read by then.
func NeedReadings(subject string, at time.Time) Need {
	return Need{Kind: NeedsReadings, Subject: subject, At: at}
}

// loadedReadings is what was loaded of a subject: its readings from an instant on.
type loadedReadings struct {
	from time.Time
	rows []Reading
}

// AddReadings puts the readings of a subject from an instant on into the set, as the book has them.
func (s *Set) AddReadings(subject string, from time.Time, rows []Reading) {
	s.readings[subject] = loadedReadings{from: from, rows: rows}
}

// ReadingsOf lists the readings of a place or thing in the order of time: the last temperature by an instant, and whatever
// was read or declared since. Those of what is being decided, and is not in the book yet, are among them.
func (s *Set) ReadingsOf(subject string, at time.Time) []Reading {
	s.want(NeedReadings(subject, at))
	all := slices.Clone(s.readings[subject].rows)
	if s.then { // what was read by then: the book has it
		all = slices.DeleteFunc(all, func(r Reading) bool { return r.Position >= s.partial.at })
		s = &Set{Readings: s.Readings}
	}
	for set := s; set != nil; set = set.parent {
		for _, r := range set.Readings {
			if r.Subject == subject {
				all = append(all, r)
			}
		}
	}
	slices.SortFunc(all, func(a, b Reading) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Position, b.Position))
	})
	first := 0
	for i, r := range all {
		if !r.At.After(at) && !r.Failed {
			first = i
		}
	}
	return all[first:]
}

// asRead gives readings as expiry takes them.
func asRead(readings []Reading) []expiry.Reading {
	read := make([]expiry.Reading, 0, len(readings))
	for _, r := range readings {
		e := expiry.Reading{At: r.At, TemperatureC: r.TemperatureC, Failed: r.Failed}
		if r.From.Before(r.At) {
			e.From = r.From
		}
		read = append(read, e)
	}
	return read
}
