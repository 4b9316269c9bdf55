package api

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"
	verrors "github.com/pb33f/libopenapi-validator/errors"
	"github.com/stretchr/testify/require"

	"firstout"
	"firstout/internal/events/eventlog"
)

// A client calls a handler as a program would, and holds every answer against the document with another library
// than the one that the server checks requests with.
type client struct {
	handler http.Handler
	key     string // an API key; empty: none
}

// An answer is a response read whole.
type answer struct {
	t      *testing.T
	Status int
	Header http.Header
	Body   []byte
}

// keyNumber makes idempotency keys, so that a test need not.
var keyNumber atomic.Int64

// do sends a request; headers come in pairs of name and value, and an empty value leaves out one that would be sent
// by itself: Content-Type with a body, Idempotency-Key with a POST, Authorization.
func (c client) do(t *testing.T, method, target, body string, headers ...string) answer {
	t.Helper()
	r := c.request(t, method, target, body, headers...)
	recorder := httptest.NewRecorder()
	c.handler.ServeHTTP(recorder, r)
	a := answer{t: t, Status: recorder.Code, Header: recorder.Header(), Body: recorder.Body.Bytes()}
	again := c.request(t, method, target, body, headers...) // the first one's body is read
	again.Header.Set(headerIdempotencyKey, r.Header.Get(headerIdempotencyKey))
	checkAgainstDocument(t, again, a)
	return a
}

func (c client) request(t *testing.T, method, target, body string, headers ...string) *http.Request {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, target, strings.NewReader(body))
	if body == "" {
		r.Body = http.NoBody
	} else {
		r.Header.Set("Content-Type", "application/json")
	}
	if method == http.MethodPost {
		r.Header.Set(headerIdempotencyKey, "test-"+strconv.FormatInt(keyNumber.Add(1), 10))
	}
	if c.key != "" {
		r.Header.Set("Authorization", "Bearer "+c.key)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Del(headers[i])
		if headers[i+1] != "" {
			r.Header.Set(headers[i], headers[i+1])
		}
	}
	return r
}

func (c client) get(t *testing.T, target string, headers ...string) answer {
	t.Helper()
	return c.do(t, http.MethodGet, target, "", headers...)
}

func (c client) post(t *testing.T, target, body string, headers ...string) answer {
	t.Helper()
	return c.do(t, http.MethodPost, target, body, headers...)
}

// json gives the body as a tree; numbers stay as they are written.
func (a answer) json() any {
	a.t.Helper()
	decoder := json.NewDecoder(bytes.NewReader(a.Body))
	decoder.UseNumber()
	var tree any
	require.NoError(a.t, decoder.Decode(&tree), "%s", a.Body)
	return tree
}

// problem checks the shape of RFC 9457 (section 3.1: type, status, title, detail, instance; section 3: the media
// type) and gives its members.
func (a answer) problem(status int, slug string) map[string]any {
	a.t.Helper()
	require.Equal(a.t, status, a.Status, "%s", a.Body)
	require.Equal(a.t, "application/problem+json", a.Header.Get("Content-Type"))
	members, ok := a.json().(map[string]any)
	require.True(a.t, ok, "%s", a.Body)
	require.Equal(a.t, "/problems/"+slug, members["type"])
	require.Equal(a.t, json.Number(strconv.Itoa(status)), members["status"])
	require.NotEmpty(a.t, members["title"])
	require.NotEmpty(a.t, members["detail"])
	require.Equal(a.t, a.Header.Get("X-Request-Id"), members["request_id"])
	require.Equal(a.t, "urn:uuid:"+a.Header.Get("X-Request-Id"), members["instance"])
	return members
}

// misfits gives the errors of an invalid-request problem, as pointer → detail.
func (a answer) misfits() map[string]string {
	a.t.Helper()
	off := map[string]string{}
	for _, one := range a.problem(http.StatusBadRequest, "invalid-request")["errors"].([]any) {
		m := one.(map[string]any)
		off[m["pointer"].(string)] = m["detail"].(string)
	}
	return off
}

// referee is the second library's view of the document. It is not said to be safe for use by several at once.
var referee = sync.OnceValues(func() (validator.Validator, error) {
	doc, err := libopenapi.NewDocument(firstout.Document)
	if err != nil {
		return nil, err
	}
	v, errs := validator.NewValidator(doc, config.WithFormatAssertions(), config.WithoutSecurityValidation())
	if len(errs) > 0 {
		return nil, errs[0]
	}
	return v, nil
})

var refereeBusy sync.Mutex

// checkAgainstDocument wants the answer to be one that the document names, and a request that was taken to be one
// that the document allows.
func checkAgainstDocument(t *testing.T, r *http.Request, a answer) {
	t.Helper()
	require.NotEmpty(t, a.Header.Get("X-Request-Id"))
	require.Empty(t, offDocument(t, r, a))
}

// offDocument says what is off the document in an answer, or in a request that was taken; "" if nothing is. What echo
// answers for addresses and methods that are not there is in no document.
func offDocument(t *testing.T, r *http.Request, a answer) string {
	t.Helper()
	if bytes.Contains(a.Body, []byte(`"/problems/method-not-allowed"`)) || bytes.Contains(a.Body, []byte(`"/problems/not-found"`)) && !strings.HasPrefix(r.URL.Path, "/problems") {
		return ""
	}
	v, err := referee()
	require.NoError(t, err)
	refereeBusy.Lock()
	defer refereeBusy.Unlock()
	if a.Status < 300 {
		if ok, errs := v.ValidateHttpRequestSync(r); !ok {
			return fmt.Sprintf("request %s %s is off the document: %s", r.Method, r.URL, told(errs))
		}
	}
	response := &http.Response{StatusCode: a.Status, Header: a.Header, Body: io.NopCloser(bytes.NewReader(a.Body)), Request: r}
	if ok, errs := v.ValidateHttpResponse(r, response); !ok {
		return fmt.Sprintf("answer %d to %s %s is off the document: %s\n%s", a.Status, r.Method, r.URL, told(errs), a.Body)
	}
	return ""
}

func told(errs []*verrors.ValidationError) string {
	var text strings.Builder
	for _, e := range errs {
		text.WriteString("\n  " + e.Message + ": " + e.Reason)
		for _, s := range e.SchemaValidationErrors {
			text.WriteString("\n    " + s.FieldPath + " " + s.Reason)
		}
	}
	return text.String()
}

// stubKeys are keys as a store would know them.
type stubKeys struct {
	mu    sync.Mutex
	keys  map[[32]byte]Key
	asked int
	err   error
}

func (s *stubKeys) Find(_ context.Context, hash [32]byte) (Key, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked++
	if s.err != nil {
		return Key{}, s.err
	}
	key, ok := s.keys[hash]
	if !ok {
		return Key{}, ErrNoKey
	}
	return key, nil
}

func (s *stubKeys) FindByID(_ context.Context, id string) (Key, [32]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for hash, key := range s.keys {
		if key.ID == id {
			return key, hash, s.err
		}
	}
	return Key{}, [32]byte{}, ErrNoKey
}

// has says whether an id is taken; two keys never share one.
func (s *stubKeys) has(id string) bool {
	for _, key := range s.keys {
		if key.ID == id {
			return true
		}
	}
	return false
}

// add makes a key with these roles.
func (s *stubKeys) add(roles ...string) string {
	text := eventlog.KeyPrefix + rand.Text()
	hash := eventlog.HashKey(text)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.keys == nil {
		s.keys = map[[32]byte]Key{}
	}
	id := "key-" + strings.Join(roles, "-")
	for n := 2; s.has(id); n++ {
		id = fmt.Sprintf("key-%s-%d", strings.Join(roles, "-"), n)
	}
	s.keys[hash] = Key{ID: id, Roles: roles}
	return text
}

// serve sends a request as it is, and does not look at the document.
func serve(t *testing.T, c client, r *http.Request) answer {
	t.Helper()
	recorder := httptest.NewRecorder()
	c.handler.ServeHTTP(recorder, r)
	return answer{t: t, Status: recorder.Code, Header: recorder.Header(), Body: recorder.Body.Bytes()}
}
