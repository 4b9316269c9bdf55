package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// measurement is how long each sale took.
type measurement struct {
	took    []time.Duration
	elapsed time.Duration
}

func (m measurement) perSecond() float64 { return float64(len(m.took)) / m.elapsed.Seconds() }

// at is a percentile in milliseconds.
func (m measurement) at(percent int) float64 {
	return float64(m.took[(len(m.took)-1)*percent/100].Microseconds()) / 1000
}

// sell lets so many callers sell one piece after the other for a while. The client is a bare connection, so that on a
// small machine it is the book that is measured.
func sell(ctx context.Context, host, key string, callers int, each time.Duration) (measurement, error) {
	var wait sync.WaitGroup
	var mu sync.Mutex
	var all measurement
	var failed error
	began := time.Now()
	for n := range callers {
		wait.Go(func() {
			took, err := caller(ctx, host, key, fmt.Sprintf("%d-%d-%d", began.UnixNano(), callers, n), began.Add(each))
			mu.Lock()
			defer mu.Unlock()
			all.took = append(all.took, took...)
			failed = errors.Join(failed, err)
		})
	}
	wait.Wait()
	all.elapsed = time.Since(began)
	slices.Sort(all.took)
	if failed == nil && len(all.took) == 0 {
		failed = errors.New("nothing was sold")
	}
	return all, failed
}

const saleBody = `{"place":"bench-counter","lines":[{"design":"bench-solid","pieces":1}],"channel":"counter","reference":"till-000001"}`

func caller(ctx context.Context, host, key, name string, until time.Time) ([]time.Duration, error) {
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", host)
	if err != nil {
		return nil, fmt.Errorf("connect: %w", err)
	}
	defer func() { _ = conn.Close() }()
	in := bufio.NewReader(conn)
	var took []time.Duration
	for n := 0; time.Now().Before(until); n++ {
		request := fmt.Appendf(nil, "POST /v1/sales HTTP/1.1\r\nHost: %s\r\nAuthorization: Bearer %s\r\nContent-Type: application/json\r\nIdempotency-Key: %s-%d\r\nContent-Length: %d\r\n\r\n%s",
			host, key, name, n, len(saleBody), saleBody)
		sent := time.Now()
		if _, err := conn.Write(request); err != nil {
			return took, fmt.Errorf("sell: %w", err)
		}
		if err := answered(in); err != nil {
			return took, err
		}
		took = append(took, time.Since(sent))
	}
	return took, nil
}

// answered reads one answer and wants a 201.
func answered(in *bufio.Reader) error {
	status, err := in.ReadString('\n')
	if err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	length := 0
	for {
		line, err := in.ReadSlice('\n')
		if err != nil {
			return fmt.Errorf("read the answer: %w", err)
		}
		line = bytes.TrimSpace(line)
		if len(line) == 0 {
			break
		}
		if name, value, _ := strings.Cut(string(line), ":"); strings.EqualFold(name, "Content-Length") {
			if length, err = strconv.Atoi(strings.TrimSpace(value)); err != nil {
				return fmt.Errorf("read the answer: %w", err)
			}
		}
	}
	body := make([]byte, length)
	if _, err := io.ReadFull(in, body); err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	if !strings.Contains(status, " 201 ") {
		return fmt.Errorf("a sale was answered with %s: %s", strings.TrimSpace(status), body)
	}
	return nil
}
