package generate

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// open is how long the shop sells on a day.
const open = 8*time.Hour + 30*time.Minute

// sell sells all day: by design mostly, by the code now and then, to the café by the dozen; and gives a taster.
func (s *shop) sell() error {
	began := s.now
	for n := range s.SalesPerDay {
		if at := began.Add(open / time.Duration(s.SalesPerDay) * time.Duration(n)); at.After(s.now) {
			s.now = at
		}
		sale := workshop.Sell{Place: shelf, Channel: "counter", Reference: fmt.Sprintf("till-%06d", s.rng.IntN(1000000))}
		if s.chance(300) {
			sale.Place, sale.Channel = stall, "market"
		}
		if s.chance(5) {
			sale.Channel, sale.Buyer = "trade", "harbour-cafe"
		}
		for range 1 + s.rng.IntN(10)/9 {
			sale.Lines = append(sale.Lines, s.line(sale.Place))
		}
		// What is not there is not sold.
		if _, _, err := s.try(counter, sale); err != nil {
			return err
		}
		if s.chance(4) {
			give := workshop.Give{Place: shelf, Lines: []workshop.PieceLine{{Design: s.asked().slug, Pieces: 1 + s.rng.IntN(3)}}}
			if _, _, err := s.try(counter, give); err != nil {
				return err
			}
		}
	}
	return nil
}

// line is what one customer asks for.
func (s *shop) line(place string) workshop.PieceLine {
	line := workshop.PieceLine{Design: s.asked().slug, Pieces: 1 + s.rng.IntN(4)}
	if !s.chance(20) {
		return line
	}
	for _, stands := range s.book.Set().OpenAt(place, line.Design) {
		if !stands.Held && !stands.Unreleased && stands.Grade == workshop.GradeFirst && stands.Amount >= int64(line.Pieces) {
			return workshop.PieceLine{Code: stands.Code, Pieces: line.Pieces}
		}
	}
	return line
}

// asked is a piece, by how often it is asked for.
func (s *shop) asked() piece {
	all := 0
	for _, p := range pieces {
		all += p.weight
	}
	at := s.rng.IntN(all)
	for _, p := range pieces {
		if at -= p.weight; at < 0 {
			return p
		}
	}
	return pieces[0]
}

// thermometers reads the temperature of the places, morning and evening: a longer gap would hold what stands there.
func (s *shop) thermometers() error {
	for _, place := range []string{shelf, stall, coldRoom, bench} {
		value := s.degrees(15, 17.5)
		if place == coldRoom {
			value = s.degrees(2, 4.5)
		}
		if _, err := s.do(counter, workshop.Check{Slug: place, Kind: "temperature", Value: value}); err != nil {
			return err
		}
	}
	return nil
}

// evening reads the thermometers, counts a few lines, takes some pieces to the stall, throws away what is left of the
// fillings, and holds something now and then until the next evening.
func (s *shop) evening(n int) error {
	for _, part := range []func() error{s.thermometers, s.dropped, s.count, s.carry, s.leftOver, s.lift} {
		if err := part(); err != nil {
			return err
		}
	}
	if n%11 == 7 {
		return s.hold()
	}
	return nil
}

// pieceLines are the released pieces of first grade that stand on the counter and are not on hold.
func (s *shop) pieceLines() []*workshop.StockLine {
	return slices.DeleteFunc(s.book.Set().StandingAt(shelf), func(l *workshop.StockLine) bool {
		return l.Code.Kind() != events.KindRun || l.Unreleased || l.Held || l.Grade != workshop.GradeFirst
	})
}

func (s *shop) count() error {
	lines := s.pieceLines()
	if len(lines) == 0 {
		return nil
	}
	var found []workshop.HandledLine
	for range 3 {
		line := lines[s.rng.IntN(len(lines))]
		if slices.ContainsFunc(found, func(l workshop.HandledLine) bool { return l.Code == line.Code }) {
			continue
		}
		pieces := line.Amount
		if s.chance(200) {
			pieces = max(0, pieces+int64(s.rng.IntN(3))-1)
		}
		found = append(found, handled(line, pieces))
	}
	_, err := s.do(counter, workshop.Count{Place: shelf, Lines: found, Reason: "evening count"})
	return err
}

// dropped throws a few pieces away that fell.
func (s *shop) dropped() error {
	lines := s.pieceLines()
	if len(lines) == 0 {
		return nil
	}
	line := lines[s.rng.IntN(len(lines))]
	return s.discard(shelf, "damaged", []workshop.HandledLine{handled(line, min(line.Amount, 1+int64(s.rng.IntN(4))))})
}

// carry takes half of one line to the stall.
func (s *shop) carry() error {
	lines := s.pieceLines()
	if len(lines) == 0 {
		return nil
	}
	line := lines[s.rng.IntN(len(lines))]
	if line.Amount < 2 || !s.now.Before(line.Dates.EndsBy) {
		return nil
	}
	_, err := s.do(counter, workshop.Move{From: shelf, To: stall, Lines: []workshop.HandledLine{handled(line, line.Amount/2)}})
	return err
}

// leftOver throws away fillings, seconds and blocks that nobody will use.
func (s *shop) leftOver() error {
	var lines []workshop.HandledLine
	for _, line := range s.book.Set().StandingAt(bench) {
		old := line.LastAt.Before(s.now.Add(-20 * time.Hour))
		if !line.Held && (line.Code.Kind() == events.KindGanache || old) {
			lines = append(lines, handled(line, line.Amount))
		}
	}
	return s.discard(bench, "process_loss", lines)
}

// hold puts a line of pieces on hold; lift gives back what was held the evening before.
func (s *shop) hold() error {
	lines := s.pieceLines()
	if len(lines) == 0 {
		return nil
	}
	answer, err := s.do(counter, workshop.PlaceHold{Code: lines[s.rng.IntN(len(lines))].Code, Reason: "a customer found a hard shell"})
	if err == nil {
		s.holds = append(s.holds, answer.(workshop.HoldAnswer).Hold.ID)
	}
	return err
}

func (s *shop) lift() error {
	for _, id := range s.holds {
		if _, err := s.do(owner, workshop.LiftHold{Hold: id, Reason: "nothing was found"}); err != nil {
			return err
		}
	}
	s.holds = []uuid.UUID{}
	return nil
}
