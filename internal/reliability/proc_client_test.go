package reliability_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

// A client calls one of several processes, and goes on calling until it has an answer that is one: a connection that breaks or is
// refused, and a 503, are asked again with the same key, as a careful till would.
type client struct {
	key       string
	processes []*process
	turn      int // which process is asked next
	web       *http.Client
	patience  func() time.Duration // how long one try may take before the client gives it up and asks again; nil: for ever
	tag       string               // of the answer that the client has, if it asks whether there is another
	tries     int                  // over all calls
	asked     time.Time            // when the last of them began
}

func newClient(key string, first int, processes ...*process) *client {
	return &client{
		key: key, processes: processes, turn: first,
		web: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 2, DisableCompression: true}},
	}
}

// close gives the client's connections back.
func (c *client) close() { c.web.CloseIdleConnections() }

// answer is what one request came to in the end.
type answer struct {
	status   int
	body     []byte
	replayed bool
	header   http.Header
}

// into reads the body.
func (a answer) into(to any) error {
	if err := json.Unmarshal(a.body, to); err != nil {
		return fmt.Errorf("%d %s: %w", a.status, a.body, err)
	}
	return nil
}

// pause lies between two tries. It is no wait for anything: it keeps a client whose server is away from spinning.
const pause = 5 * time.Millisecond

// do asks until it is answered. The error says that this took too long.
func (c *client) do(ctx context.Context, method, path, idempotency, body string) (answer, error) {
	ctx, cancel := context.WithTimeout(ctx, hangs)
	defer cancel()
	for {
		c.tries++
		c.asked = time.Now()
		a, err := c.try(ctx, method, path, idempotency, body)
		if err == nil && a.status != http.StatusServiceUnavailable {
			return a, nil
		}
		c.turn++ // perhaps another process is better off
		select {
		case <-ctx.Done():
			return a, fmt.Errorf("%s %s was not answered in time: %d %s: %w", method, path, a.status, a.body, errors.Join(err, ctx.Err()))
		case <-time.After(pause):
		}
	}
}

// try asks once.
func (c *client) try(ctx context.Context, method, path, idempotency, body string) (answer, error) {
	if c.patience != nil {
		if most := c.patience(); most > 0 {
			limited, cancel := context.WithTimeout(ctx, most)
			defer cancel()
			ctx = limited
		}
	}
	p := c.processes[c.turn%len(c.processes)]
	request, err := http.NewRequestWithContext(ctx, method, *p.base.Load()+path, strings.NewReader(body))
	if err != nil {
		return answer{}, err
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	if body != "" {
		request.Header.Set("Content-Type", "application/json")
	}
	if idempotency != "" {
		request.Header.Set("Idempotency-Key", idempotency)
	}
	if c.tag != "" {
		request.Header.Set("If-None-Match", c.tag)
	}
	response, err := c.web.Do(request)
	if err != nil {
		return answer{}, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	return answer{status: response.StatusCode, body: text, replayed: response.Header.Get("Idempotency-Replayed") == "true", header: response.Header}, err
}

// must asks and wants a success.
func (c *client) must(ctx context.Context, method, path, idempotency, body string) (answer, error) {
	a, err := c.do(ctx, method, path, idempotency, body)
	if err == nil && a.status >= http.StatusMultipleChoices {
		err = fmt.Errorf("%s %s %s: %d %s", method, path, body, a.status, a.body)
	}
	return a, err
}
