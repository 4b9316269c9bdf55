package api

import (
	"bytes"
	"crypto/sha256"
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

// takeBody leaves the body's canonical form in the request, so that 6, 6.0 and 6e0 are one number to the handler as
// they are to the key, and notes by what the key's request is known again. What has no canonical form is no object
// either, and stays as it is for the document to refuse. The body must have passed checkJSON: of two numbers that
// round to one, the canonical form would make one.
func takeBody(r *http.Request, op *operation, body []byte) {
	canonical, err := events.Canonicalize(body)
	if err != nil {
		canonical = body
	}
	if op.needsKey {
		callOf(r.Context()).hash = requestHash(r.Method, r.URL.EscapedPath(), canonical)
	}
	r.ContentLength = int64(len(canonical))
	r.GetBody = func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(canonical)), nil }
	r.Body, _ = r.GetBody()
}

// requestHash is the SHA-256 over method, path as sent and the body's RFC 8785 form, a line each. Spaces, the order
// of keys and the way a number is written do not count.
func requestHash(method, path string, canonical []byte) [32]byte {
	return sha256.Sum256(bytes.Join([][]byte{[]byte(method), []byte(path), canonical}, []byte("\n")))
}
