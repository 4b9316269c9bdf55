package book_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"context"
	"io"
	"time"

	"github.com/stretchr/testify/require"
	"firstout/internal/book"
	"firstout/internal/pgtest"
)

func BenchmarkHTTP(b *testing.B) {
	for _, callers := range []int{1, 2, 8, 32, 64} {
		b.Run(fmt.Sprintf("callers=%d", callers), func(b *testing.B) {
			db := pgtest.New(b)
			bench := open(b, db.App, book.Options{})
			cmd := prepare(b, bench, "check")
			var key atomic.Int64
			srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				a, err := bench.Do(r.Context(), request(fmt.Sprintf("b%d", key.Add(1)), cmd))
				if err != nil { w.WriteHeader(500); return }
				w.WriteHeader(a.Status)
				w.Write(a.Body)
			}))
			defer srv.Close()
			tr := &http.Transport{MaxIdleConnsPerHost: 100}
			cl := &http.Client{Transport: tr}
			do := func(ctx context.Context) error {
				resp, err := cl.Post(srv.URL, "application/json", nil)
				if err != nil { return err }
				io.Copy(io.Discard, resp.Body)
				resp.Body.Close()
				return nil
			}
			window(b, callers, callers*3, do)
			b.ResetTimer()
			book.Groups.Store(0); book.Commands.Store(0)
			t := window(b, callers, b.N, do)
			b.ReportMetric(float64(book.Commands.Load())/float64(book.Groups.Load()), "per_group")
			b.ReportMetric(float64(b.N)/t.Seconds(), "do/s")
			require.NoError(b, nil)
			_ = time.Now
		})
	}
}
