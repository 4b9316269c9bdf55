package projections

import (
	"context"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// This file loads what was written: the events themselves, for what folds them anew.

var (
	loadCommand = query("load_command")
	loadHistory = query("load_history")

	loadDecisions = query("load_decisions")
)

// commands loads what the log has of the commands of events.
func (l loading) commands(needs []workshop.Need) {
	for _, n := range needs {
		l.b.Queue(loadCommand, uuidOf(n.ID)).Query(func(rows pgx.Rows) error {
			told, err := scanTold(rows)
			l.set.AddCommand(n.ID, told)
			return err
		})
	}
}

func scanTold(rows pgx.Rows) (told workshop.Told, err error) {
	for rows.Next() {
		var text []byte
		var position int64
		var named, root, corrects bool
		if err := rows.Scan(&text, &position, &named, &root, &corrects); err != nil {
			return told, fmt.Errorf("load a command: %w", err)
		}
		r, err := events.ParseCanonical(text)
		if err != nil {
			return told, fmt.Errorf("load a command: %w", err)
		}
		if named {
			told.Named = append(told.Named, r)
		}
		if root {
			told.Root = append(told.Root, r)
		}
		if corrects {
			told.Corrections = append(told.Corrections, r)
		}
	}
	return told, wrap(rows.Err(), "load a command")
}

// CommandOf gives the events of the command that an event belongs to; of a correction, those of the command in whose
// place it counts. There are none if there is no such event.
func CommandOf(ctx context.Context, q Querier, event uuid.UUID) ([]events.Recorded, error) {
	rows, err := q.Query(ctx, loadCommand, uuidOf(event))
	if err != nil {
		return nil, fmt.Errorf("find a command: %w", err)
	}
	defer rows.Close()
	told, err := scanTold(rows)
	return told.Root, err
}

// histories loads every event that concerns some things or their parts.
func (l loading) histories(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	low := eachOf(needs, func(n workshop.Need) string { return stem(n.Code) + "-" })
	high := eachOf(needs, func(n workshop.Need) string { return stem(n.Code) + "/" }) // a part has a dot, which is between the two
	l.b.Queue(loadHistory, eachOf(needs, codeOf), low, high).Query(func(rows pgx.Rows) error {
		found := map[events.Code][]events.Recorded{}
		parsed := map[int64]events.Recorded{}
		for rows.Next() {
			var whole events.Code
			var position int64
			var text []byte
			if err := rows.Scan(&whole, &position, &text); err != nil {
				return fmt.Errorf("load histories: %w", err)
			}
			r, before := parsed[position]
			if !before {
				var err error
				if r, err = events.ParseCanonical(text); err != nil {
					return fmt.Errorf("load histories: %w", err)
				}
				parsed[position] = r
			}
			found[whole] = append(found[whole], r)
		}
		for _, n := range needs {
			l.set.AddHistory(n.Code, found[n.Code])
		}
		return wrap(rows.Err(), "load histories")
	})
}

// decisions loads every decision about deviations.
func (l loading) decisions(needs []workshop.Need) {
	if len(needs) == 0 {
		return
	}
	l.b.Queue(loadDecisions, eachOf(needs, idOf)).Query(func(rows pgx.Rows) error {
		found := map[uuid.UUID][]events.Recorded{}
		for rows.Next() {
			var text []byte
			if err := rows.Scan(&text); err != nil {
				return fmt.Errorf("load decisions: %w", err)
			}
			r, err := events.ParseCanonical(text)
			if err != nil {
				return fmt.Errorf("load decisions: %w", err)
			}
			if decided, is := r.Data.(events.DeviationDecided); is {
				found[decided.Deviation] = append(found[decided.Deviation], r)
			}
		}
		for _, n := range needs {
			l.set.AddDecisions(n.ID, found[n.ID])
		}
		return wrap(rows.Err(), "load decisions")
	})
}

// stem is a whole's code without its check character.
func stem(whole events.Code) string {
	return string(whole[:strings.LastIndexByte(string(whole), '-')])
}
