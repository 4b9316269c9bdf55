package api

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"net/http"
	"strings"

	"firstout/internal/events"
)

const (
	headerIdempotencyKey = "Idempotency-Key"
	maxKey               = 128 // characters, quotes not counted
)

// takeKey reads the idempotency key of a write that needs one, with or without its quotes (the draft standard's form
// is a structured field string, many callers send it bare), and leaves it bare in the request.
func takeKey(r *http.Request, op *operation) error {
	if !op.needsKey {
		return nil
	}
	values := r.Header.Values(headerIdempotencyKey)
	if len(values) == 0 || strings.Trim(values[0], `" `) == "" {
		return &problem{
			slug:   slugKeyMissing,
			detail: "This write needs the header Idempotency-Key: send 1 to 128 visible characters, a new key for each thing that happened.",
		}
	}
	key := unquoted(values[0])
	if len(values) > 1 || len(key) > maxKey || !visible(key) {
		return invalid(misfit{
			Pointer: "/header/" + headerIdempotencyKey,
			Detail:  "expected one key of 1 to 128 visible ASCII characters, in double quotes or not",
		})
	}
	r.Header.Set(headerIdempotencyKey, key)
	callOf(r.Context()).key = key
	return nil
}

// unquoted gives the text of a structured field string (RFC 8941, section 3.3.3), and any other text as it is.
func unquoted(text string) string {
	if len(text) < 3 || !strings.HasPrefix(text, `"`) || !strings.HasSuffix(text, `"`) {
		return text
	}
	return strings.NewReplacer(`\"`, `"`, `\\`, `\`).Replace(text[1 : len(text)-1])
}

func visible(text string) bool {
	for _, c := range []byte(text) {
		if c <= ' ' || c > '~' {
			return false
		}
	}
	return text != ""
}

// takeHash works out by what a key's request is known again.
func takeHash(r *http.Request, op *operation, body []byte) error {
	if !op.needsKey {
		return nil
	}
	hash, err := requestHash(r.Method, r.URL.EscapedPath(), body)
	if err != nil {
		return err
	}
	callOf(r.Context()).hash = hash
	return nil
}

// requestHash is the SHA-256 over method, path as sent and the body's RFC 8785 form, a line each. Spaces, the order
// of keys and the way a number is written do not count. The body must have passed checkJSON: beyond ±(2^53 − 1) the
// canonical form would take different numbers for the same one.
func requestHash(method, path string, body []byte) ([32]byte, error) {
	canonical, err := events.Canonicalize(body)
	if err != nil {
		return [32]byte{}, fmt.Errorf("hash request: %w", err)
	}
	return sha256.Sum256(bytes.Join([][]byte{[]byte(method), []byte(path), canonical}, []byte("\n"))), nil
}

// setBody puts a body that was read back into its request, to be read as often as need be.
func setBody(r *http.Request, body []byte) {
	r.ContentLength = int64(len(body))
	r.GetBody = func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(body)), nil }
	r.Body, _ = r.GetBody()
}
