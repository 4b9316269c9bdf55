package demo

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"time"
)

// Report asks the book what it is kept for, as the owner whose key is given, and prints the answers: what must sell
// today, one pick list, what one piece is made of and by whom, and what was thrown away in the last seven days.
func Report(ctx context.Context, base, key string, out io.Writer) error {
	p := &play{client: &client{base: base, key: key, http: &http.Client{Timeout: time.Minute}}}
	b, err := p.board(ctx, counter)
	if err != nil {
		return err
	}
	printBoard(out, b)
	if err := p.printPick(ctx, out); err != nil {
		return err
	}
	if lines := b.onOffer(); len(lines) > 0 {
		if err := p.printTrace(ctx, out, lines[0].Run); err != nil {
			return err
		}
	}
	return p.printWaste(ctx, out, b.Date)
}

func printBoard(out io.Writer, b board) {
	fmt.Fprintf(out, "\nWhat must sell today at the counter (%s)\n", b.Date)
	for _, group := range []struct {
		title string
		lines []boardLine
	}{{"take off now", b.Groups.WithdrawNow}, {"sell today", b.Groups.SellToday}, {"sell next", b.Groups.SellNext}, {"in good time", b.Groups.InGoodTime}} {
		fmt.Fprintf(out, "  %s\n", group.title)
		if len(group.lines) == 0 {
			fmt.Fprintln(out, "    nothing")
		}
		for _, l := range group.lines {
			fmt.Fprintf(out, "    %-18s %-20s %3d pieces, %3d must go today, until %s: %s\n", l.Run, l.Design, l.Pieces, l.MustGoToday, l.UseBy.Date, l.Why)
		}
	}
}

func (p *play) printPick(ctx context.Context, out io.Writer) error {
	var pick struct {
		Lines []struct {
			Run    string `json:"run"`
			Pieces int    `json:"pieces"`
			UseBy  string `json:"use_by"`
		} `json:"lines"`
		Missing int `json:"missing"`
	}
	if err := p.get(ctx, "/v1/picks?design=caramel-square&pieces=60&place="+counter+"&min_days_left=3", &pick); err != nil {
		return err
	}
	fmt.Fprintln(out, "\nPick list: 60 sea salt caramel squares with three days left, first expiring first")
	for _, l := range pick.Lines {
		fmt.Fprintf(out, "    %-18s %3d pieces until %s\n", l.Run, l.Pieces, l.UseBy)
	}
	if pick.Missing > 0 {
		fmt.Fprintf(out, "    %d are missing\n", pick.Missing)
	}
	return nil
}

func (p *play) printTrace(ctx context.Context, out io.Writer, run string) error {
	var trace struct {
		Lots []struct {
			Lot         string  `json:"lot"`
			Ingredient  string  `json:"ingredient"`
			Supplier    string  `json:"supplier"`
			SupplierLot string  `json:"supplier_lot"`
			Certainty   string  `json:"certainty"`
			Share       float64 `json:"share"`
			PerPiece    float64 `json:"per_piece_g"`
		} `json:"lots"`
	}
	if err := p.get(ctx, "/v1/trace/"+run+"/back", &trace); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nWhat a piece of %s is made of\n", run)
	for _, l := range trace.Lots {
		fmt.Fprintf(out, "    %-18s %-20s %-14s lot %-8s %6.2f %% %7.3f g a piece  %s\n", l.Lot, l.Ingredient, l.Supplier, l.SupplierLot, 100*l.Share, l.PerPiece, l.Certainty)
	}
	return nil
}

func (p *play) printWaste(ctx context.Context, out io.Writer, date string) error {
	today, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return fmt.Errorf("the board's date: %w", err)
	}
	var waste struct {
		Lines []struct {
			Reason string  `json:"reason"`
			Pieces int     `json:"pieces"`
			Grams  float64 `json:"weight_g"`
		} `json:"lines"`
	}
	from := today.AddDate(0, 0, -6).Format(time.DateOnly)
	if err := p.get(ctx, "/v1/waste?by=reason&from="+from+"&to="+date, &waste); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nThrown away from %s to %s\n", from, date)
	for _, l := range waste.Lines {
		fmt.Fprintf(out, "    %-18s %3d pieces %9.1f g\n", l.Reason, l.Pieces, l.Grams)
	}
	fmt.Fprintln(out, "\nDates here are worked out from invented data. Local food law and a qualified person decide what may be sold.")
	return nil
}
