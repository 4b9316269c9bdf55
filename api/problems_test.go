package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/labstack/echo/v4"
	"github.com/stretchr/testify/require"

	"firstout/api/openapi"
	"firstout/internal/workshop"
)

// failing is a bench whose board answers with an error.
func failing(t *testing.T, err error) (*bench, client) {
	t.Helper()
	b := newBench(t, stub{board: func(context.Context) error { return err }})
	return b, b.as(roleOwner)
}

func TestRefusalsBecomeProblems(t *testing.T) {
	t.Parallel()
	for _, slug := range workshop.Slugs {
		refusal := &workshop.Refusal{Slug: slug, Detail: "Only 3 are there.", Facts: workshop.Facts{"available": 3, "status": "not this one"}}
		sell := func(context.Context, openapi.SellPieces) (openapi.CreateSaleResponseObject, error) {
			return nil, fmt.Errorf("sell: %w", refusal)
		}
		b := newBench(t, stub{sell: sell})
		members := b.as(roleTill).post(t, "/v1/sales", aSale).problem(kinds[slug].Status, string(slug))
		require.Equal(t, "Only 3 are there.", members["detail"])
		require.EqualValues(t, "3", members["available"])
		require.NotContains(t, b.log.String(), `"fault"`)
	}
}

func TestUnknownInTheURL(t *testing.T) {
	t.Parallel()
	newBench(t, stub{}).as(roleMaker).get(t, "/v1/moulds/dome-24").problem(http.StatusNotFound, "unknown-code")
}

// A fault tells the caller nothing of its inside, and the log everything, once.
func TestFaults(t *testing.T) {
	t.Parallel()
	for name, err := range map[string]error{
		"an error":   errors.New(`relation "stock" does not exist`),
		"from echo":  echo.NewHTTPError(http.StatusTeapot, `relation "stock" does not exist`),
		"in a panic": nil,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, stub{board: func(context.Context) error {
				if err == nil {
					panic(`relation "stock" does not exist`)
				}
				return err
			}})
			a := b.as(roleOwner).get(t, "/v1/board?place=counter")
			a.problem(http.StatusInternalServerError, "fault")
			require.NotContains(t, string(a.Body), "stock")
			require.Empty(t, a.Header.Get("ETag"))
			require.Equal(t, 1, strings.Count(b.log.String(), `"msg":"fault"`))
			require.Contains(t, b.log.String(), "does not exist")
			require.Contains(t, b.log.String(), a.Header.Get("X-Request-Id"))
		})
	}
}

func TestADatabaseThatIsAway(t *testing.T) {
	t.Parallel()
	for name, err := range map[string]error{
		"told":         fmt.Errorf("board: %w", notReady{errors.New("connection refused")}),
		"a connection": fmt.Errorf("board: %w", &net.OpError{Op: "dial", Net: "unix", Err: errors.New("no such file")}),
		"killed":       fmt.Errorf("find key: %w", io.ErrUnexpectedEOF),
		"starting up":  fmt.Errorf("find key: %w", &pgconn.PgError{Code: "57P03"}),
		"too late":     fmt.Errorf("board: %w", context.DeadlineExceeded),
		"hung up":      fmt.Errorf("board: %w", context.Canceled),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, owner := failing(t, err)
			a := owner.get(t, "/v1/board?place=counter")
			a.problem(http.StatusServiceUnavailable, "unavailable")
			require.Equal(t, "2", a.Header.Get("Retry-After"))
			require.NotContains(t, b.log.String(), `"msg":"fault"`)
		})
	}
}

func TestAddressesAndMethods(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	b.nobody().get(t, "/v1/nothing").problem(http.StatusNotFound, "not-found")
	b.nobody().get(t, "/v1").problem(http.StatusNotFound, "not-found")
	a := b.nobody().do(t, http.MethodDelete, "/v1/sales", "")
	a.problem(http.StatusMethodNotAllowed, "method-not-allowed")
	require.Contains(t, a.Header.Get("Allow"), "POST")
}

func TestRequestID(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	seen := map[string]bool{}
	for _, a := range []answer{
		b.nobody().get(t, "/healthz", "X-Request-Id", "mine"), b.nobody().get(t, "/nothing"),
		b.nobody().get(t, "/v1/board"), b.as(roleOwner).get(t, "/v1/board?place=counter"),
	} {
		id := a.Header.Get("X-Request-Id")
		_, err := uuid.Parse(id)
		require.NoError(t, err)
		require.False(t, seen[id])
		seen[id] = true
	}
}

// One line a request, with no secret, no path, no text of the caller's.
func TestAccessLog(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	owner := b.as(roleOwner)
	owner.get(t, "/v1/moulds/dome-24")
	line := b.log.String()
	require.Equal(t, 1, strings.Count(line, "\n"))
	for _, part := range []string{`"route":"/v1/moulds/:slug"`, `"status":404`, `"roles":["owner"]`, `"method":"GET"`} {
		require.Contains(t, line, part)
	}
	require.NotContains(t, line, "dome-24")
	require.NotContains(t, line, owner.key)
}

func TestServicePages(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	require.Equal(t, `{"status":"ok"}`, strings.TrimSpace(string(b.nobody().get(t, "/healthz").Body)))
	require.Equal(t, http.StatusOK, b.nobody().get(t, "/readyz").Status)
	require.Contains(t, string(b.nobody().get(t, "/openapi.yaml").Body), "openapi: 3.1.0")
	list := string(b.nobody().get(t, "/problems").Body)
	for _, slug := range allSlugs() {
		a := b.nobody().get(t, "/problems/"+string(slug))
		require.Equal(t, http.StatusOK, a.Status, slug)
		require.Contains(t, string(a.Body), "<h1>"+kinds[slug].Title+"</h1>")
		require.Contains(t, list, `"/problems/`+string(slug)+`"`)
	}
	b.nobody().get(t, "/problems/no-such-thing").problem(http.StatusNotFound, "not-found")

	down := newBench(t, stub{service: service{ready: func(context.Context) error { return errors.New("no database") }}})
	down.nobody().get(t, "/readyz").problem(http.StatusServiceUnavailable, "unavailable")
	require.Equal(t, http.StatusOK, down.nobody().get(t, "/healthz").Status)
}
