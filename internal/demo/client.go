package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"time"
)

// object is a JSON object as it comes and goes.
type object = map[string]any

// client speaks to the book as any program would: over HTTP, with a key.
type client struct {
	base string
	key  string
	http *http.Client
	sent int // requests that carry an idempotency key: its number makes the key
}

// problem is a refusal, kept so that the play can tell one from a mistake of its own.
type problem struct {
	Status int
	Type   string `json:"type"`
	Detail string `json:"detail"`
	what   string
}

func (p *problem) Error() string {
	return fmt.Sprintf("%s: %d %s: %s", p.what, p.Status, p.Type, p.Detail)
}

func (c *client) call(ctx context.Context, method, path string, body any, answer any) error {
	var reader io.Reader
	if body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return fmt.Errorf("%s %s: %w", method, path, err)
		}
		reader = bytes.NewReader(text)
	}
	request, err := http.NewRequestWithContext(ctx, method, c.base+path, reader)
	if err != nil {
		return fmt.Errorf("%s %s: %w", method, path, err)
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	request.Header.Set("Content-Type", "application/json")
	if method == http.MethodPost {
		c.sent++
		request.Header.Set("Idempotency-Key", fmt.Sprintf("demo-%06d", c.sent))
	}
	response, err := c.http.Do(request)
	if err != nil {
		return fmt.Errorf("%s %s: %w", method, path, err)
	}
	defer response.Body.Close() //nolint:errcheck // read to its end or given up; nothing is left to be lost
	if response.StatusCode >= http.StatusBadRequest {
		p := &problem{Status: response.StatusCode, what: method + " " + path}
		if err := json.NewDecoder(response.Body).Decode(p); err != nil {
			return fmt.Errorf("%s %s: status %d without a problem: %w", method, path, response.StatusCode, err)
		}
		return p
	}
	if answer == nil {
		_, err = io.Copy(io.Discard, response.Body)
	} else {
		err = json.NewDecoder(response.Body).Decode(answer)
	}
	if err != nil {
		return fmt.Errorf("%s %s: read the answer: %w", method, path, err)
	}
	return nil
}

func (c *client) post(ctx context.Context, path string, body any, answer any) error {
	return c.call(ctx, http.MethodPost, path, body, answer)
}

func (c *client) get(ctx context.Context, path string, answer any) error {
	return c.call(ctx, http.MethodGet, path, nil, answer)
}

func (c *client) clock(ctx context.Context, now time.Time) error {
	return c.post(ctx, "/v1/clock", object{"now": now.Format(time.RFC3339)}, nil)
}
