// Command bench measures a served book from outside: sales over HTTP at a number of callers, each waiting for its
// answer before it sends the next. It writes into the book that it measures: use a test book. bench generate writes such
// books, of any size; bench reads holds the hot questions of some of them against each other and against bare SQL, and bench
// drills opens recall drills.
package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := run(ctx, os.Args[1:], os.Stdout)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, out io.Writer) error {
	if len(args) > 0 && args[0] == "generate" {
		return written(ctx, args[1:], out)
	}
	if len(args) > 0 && args[0] == "reads" {
		return reads(ctx, args[1:], out)
	}
	if len(args) > 0 && args[0] == "drills" {
		return drills(ctx, args[1:], out)
	}
	flags := flag.NewFlagSet("bench", flag.ContinueOnError)
	base := flags.String("url", "http://127.0.0.1:8080", "where the book is served; on loopback only")
	key := flags.String("key", "", "an owner's key")
	each := flags.Duration("each", 3*time.Second, "how long each number of callers sells")
	callers := flags.String("callers", "1,8,32,64", "how many callers, one after the other")
	if err := flags.Parse(args); err != nil {
		return err
	}
	at, err := url.Parse(*base)
	if err != nil {
		return fmt.Errorf("the book's address: %w", err)
	}
	if host := at.Hostname(); host != "127.0.0.1" && host != "localhost" && host != "::1" {
		return fmt.Errorf("%s is not on loopback: only a book of this machine is measured", host)
	}
	run, err := stockUp(ctx, *base, *key)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "selling from %s\n", run)
	for n := range strings.SplitSeq(*callers, ",") {
		count, err := strconv.Atoi(n)
		if err != nil || count < 1 || count > 256 {
			return fmt.Errorf("%q is not a number of callers from 1 to 256", n)
		}
		measured, err := sell(ctx, at.Host, *key, count, *each)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "sales callers=%d per_s=%.0f p50_ms=%.2f p99_ms=%.2f\n", count, measured.perSecond(), measured.at(50), measured.at(99))
	}
	return nil
}

// stockUp defines what is sold and puts plenty of it on a counter: one run, so that every sale is of one hot product.
func stockUp(ctx context.Context, base, key string) (string, error) {
	soon := time.Now().AddDate(0, 0, 200).Format(time.DateOnly)
	steps := []struct{ method, path, body string }{
		{"PUT", "sites/bench", `{"name":"Bench","time_zone":"UTC","currency":"EUR"}`},
		{"PUT", "places/bench-counter", `{"name":"Counter","site":"bench","storage":"cool","sells":true}`},
		{"PUT", "suppliers/bench-supplier", `{"name":"Example supplier"}`},
		{"PUT", "ingredients/bench-dark", `{"name":"Dark couverture drops","kind":"couverture","chocolate":"dark","storage":"dry","allergens":[]}`},
		{"PUT", "vats/bench-vat", `{"name":"Tank","chocolate":"dark","site":"bench"}`},
		{"PUT", "moulds/bench-mould", `{"name":"Mould","cavities":1000}`},
		{"PUT", "designs/bench-solid", `{"name":"Solid","chocolate":"dark","shell_g":1,"price_minor":100}`},
		{"POST", "lots", `{"ingredient":"bench-dark","supplier":"bench-supplier","supplier_lot":"B-1","quantity_g":20000000,"date_mark":{"kind":"best_before","date":"` + soon + `"},"place":"bench-counter"}`},
		{"POST", "vats/bench-vat/melts", `{"inputs":[{"source":"$code","quantity_g":10000000}]}`},
		{"POST", "runs", `{"design":"bench-solid","mould":"bench-mould","moulds":1000,"place":"bench-counter","casting":{"vat":"bench-vat"},"turned_out":{"good":1000000}}`},
		{"POST", "runs/$code/releases", `{"pieces":1000000,"place":"bench-counter"}`},
	}
	code, run := "", ""
	for i, s := range steps {
		request, err := http.NewRequestWithContext(ctx, s.method, base+"/v1/"+strings.ReplaceAll(s.path, "$code", code), strings.NewReader(strings.ReplaceAll(s.body, "$code", code)))
		if err != nil {
			return "", fmt.Errorf("stock up: %w", err)
		}
		request.Header.Set("Authorization", "Bearer "+key)
		request.Header.Set("Content-Type", "application/json")
		request.Header.Set("Idempotency-Key", fmt.Sprintf("stock-%d-%d", time.Now().UnixNano(), i))
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			return "", fmt.Errorf("stock up: %w", err)
		}
		text, err := io.ReadAll(response.Body)
		if err = firstError(err, response.Body.Close()); err != nil {
			return "", fmt.Errorf("stock up: %w", err)
		}
		if response.StatusCode >= http.StatusBadRequest {
			return "", fmt.Errorf("stock up: %s %s: %s", s.method, s.path, text)
		}
		var answer struct {
			Code string `json:"code"`
		}
		if json.Unmarshal(text, &answer) == nil && answer.Code != "" {
			code = answer.Code
		}
		if s.path == "runs" {
			run = code
		}
	}
	return run, nil
}

func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
