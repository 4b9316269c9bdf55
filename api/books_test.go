package api

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"firstout/internal/backup"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
)

// update writes the golden books that are missing, and what they answer. It never writes over one.
var update = flag.Bool("update", false, "write the golden books that are missing")

// goldenBooks is where whole books lie as backup wrote them, each with what it must answer for ever.
const goldenBooks = "../testdata/books"

// goldenDays are the days that the golden books were written from, by the program of that time.
var goldenDays = []string{"a-day-at-quay-lane", "boxes", "corrections", "a-recall", "parts"}

// bookKey signs the checkpoints of golden books. It is made from a seed that anyone can read: never use it for anything.
func bookKey(t *testing.T) seal.Key {
	t.Helper()
	text, err := seal.NewKey(strings.NewReader(strings.Repeat("golden", 10)), "shop.example/golden-book")
	require.NoError(t, err)
	key, err := seal.ParseKey(text)
	require.NoError(t, err)
	return key
}

// TestBooksOfBeforeAreReadForEver restores each golden book, which folds its log anew, checks it whole and compares what it
// answers with what it answered when it was written.
func TestBooksOfBeforeAreReadForEver(t *testing.T) {
	t.Parallel()
	if *update {
		for _, day := range goldenDays {
			writeGoldenBook(t, day)
		}
	}
	files, err := filepath.Glob(filepath.Join(goldenBooks, "*.export"))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), len(goldenDays))
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			file, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Less(t, len(file), 100_000, "it is to be small")
			answers, err := os.ReadFile(strings.TrimSuffix(path, ".export") + ".txt")
			require.NoError(t, err)
			require.Equal(t, string(answers), keyAnswers(t, restored(t, file)))
		})
	}
}

// restored is the book of a file, in a database of its own that is checked at the end.
func restored(t *testing.T, file []byte) *testBook {
	t.Helper()
	db := pgtest.NewBook(t)
	verifier, err := seal.ParseVerifier(bookKey(t).Verifier())
	require.NoError(t, err)
	_, err = backup.Restore(t.Context(), db.Owner, bytes.NewReader(file), backup.Evidence{Keys: []note.Verifier{verifier}})
	require.NoError(t, err)
	return openTestBook(t, db, true)
}

func writeGoldenBook(t *testing.T, day string) {
	t.Helper()
	path := filepath.Join(goldenBooks, day+".export")
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return
	}
	script, err := os.ReadFile(filepath.Join(days, day+".txt"))
	require.NoError(t, err)
	b := newTestBook(t)
	playDay(t, string(script), b.as, b.at)
	require.NoError(t, os.MkdirAll(goldenBooks, 0o755))
	require.NoError(t, os.WriteFile(path, exported(t, b), 0o644))
	require.NoError(t, os.WriteFile(strings.TrimSuffix(path, ".export")+".txt", []byte(keyAnswers(t, b)), 0o644))
}

// exported seals a book and carries it away.
func exported(t *testing.T, b *testBook) []byte {
	t.Helper()
	require.NoError(t, sealer.New(b.db.App, sealer.Options{Key: bookKey(t)}).SealAll(t.Context()))
	var file bytes.Buffer
	_, err := backup.Write(t.Context(), b.db.App, &file)
	require.NoError(t, err)
	return file.Bytes()
}

// keyAnswers is what must not change of a book, however its answers are dressed one day: what stands where until when, what
// each thing is made of, and what became of each lot.
func keyAnswers(t *testing.T, b *testBook) string {
	t.Helper()
	var text strings.Builder
	list := func(target, member string) (entries []map[string]any) {
		all, is := b.owner.get(t, target).json().(map[string]any)[member].([]any)
		require.True(t, is, target)
		for _, e := range all {
			entries = append(entries, e.(map[string]any))
		}
		return entries
	}
	line := func(first string, entry map[string]any, members ...string) {
		fmt.Fprint(&text, first)
		for _, m := range members {
			value := any(entry)
			for _, step := range strings.Split(m, ".") {
				inner, _ := value.(map[string]any)
				value = inner[step]
			}
			if value != nil {
				fmt.Fprintf(&text, " %s=%v", m, value)
			}
		}
		text.WriteString("\n")
	}
	for _, l := range list("/v1/stock?limit=500", "lines") {
		line("stock", l, "code", "place", "grade", "released", "pieces", "quantity_g", "use_by", "held")
	}
	for _, kind := range []string{"ganaches", "runs", "boxes"} {
		for _, thing := range list("/v1/"+kind+"?limit=500", kind) {
			code := thing["code"].(string)
			line(strings.TrimSuffix(kind, "s"), thing, "code", "on_hand", "use_by.kind", "use_by.date", "held")
			for _, lot := range list("/v1/trace/"+code+"/back", "lots") {
				line("  of", lot, "lot", "ingredient", "supplier", "supplier_lot", "certainty", "share")
			}
		}
	}
	for _, lot := range list("/v1/lots?limit=500", "lots") {
		code := lot["code"].(string)
		line("lot", lot, "code", "on_hand_g", "held")
		for _, run := range list("/v1/trace/"+code+"/forward", "runs") {
			line("  in", run, "run", "certainty", "pieces.released", "pieces.on_hand", "pieces.sold", "pieces.given", "pieces.discarded", "pieces.boxed")
		}
	}
	return text.String()
}

// TestARestoredBookGoesOn: what was answered is answered again, what was handed out of the book as it was is gone, and what
// is new goes on where it ended.
func TestARestoredBookGoesOn(t *testing.T) {
	t.Parallel()
	before := newTestBook(t)
	script, err := os.ReadFile(filepath.Join(days, "setup/quay-lane.txt"))
	require.NoError(t, err)
	playDay(t, string(script), before.as, before.at)
	sale := `{"place":"counter","lines":[{"design":"blackcurrant-dome","pieces":2}],"channel":"counter"}`
	sold := before.owner.post(t, "/v1/sales", sale, headerIdempotencyKey, "till-1")
	require.Equal(t, http.StatusCreated, sold.Status)
	file := exported(t, before)

	// What happens after the file was made is lost. A page and a stream have been handed out that know of it.
	require.Equal(t, http.StatusCreated, before.owner.post(t, "/v1/sales", sale, headerIdempotencyKey, "till-2").Status)
	cursor := before.owner.get(t, "/v1/events?limit=1").text("next_cursor")
	mark, err := projections.ReadMark(t.Context(), before.db.App, morning, true)
	require.NoError(t, err)

	after := restored(t, file)
	requireGone := func(b *testBook, target string, headers ...string) {
		t.Helper()
		b.owner.get(t, target, headers...).problem(http.StatusGone, string(slugCursorGone))
	}
	requireGone(after, "/v1/events?limit=1&cursor="+cursor)
	requireGone(after, "/v1/feed", "Last-Event-ID", messageID(mark.Epoch, mark.Position))
	requireGone(after, "/v1/feed", "Last-Event-ID", messageID(mark.Epoch, 1))
	requireGone(after, fmt.Sprintf("/v1/feed?after=%d", mark.Position))

	again := after.owner.post(t, "/v1/sales", sale, headerIdempotencyKey, "till-1")
	require.Equal(t, sold.Body, again.Body)
	require.Equal(t, "true", again.Header.Get("Idempotency-Replayed"))
	anew := after.owner.post(t, "/v1/sales", sale, headerIdempotencyKey, "till-2")
	require.Equal(t, http.StatusCreated, anew.Status)
	require.Empty(t, anew.Header.Get("Idempotency-Replayed"))
	head, err := eventlog.ReadHead(t.Context(), after.db.App)
	require.NoError(t, err)
	require.Equal(t, mark.Position, head.Position, "the lost position is given again")
	requireGone(after, "/v1/feed", "Last-Event-ID", messageID(mark.Epoch, mark.Position))

	// A book that PostgreSQL itself has put back gets its new epoch by hand.
	cursor = after.owner.get(t, "/v1/events?limit=1").text("next_cursor")
	_, err = eventlog.NewEpoch(t.Context(), after.db.Owner)
	require.NoError(t, err)
	requireGone(after, "/v1/events?limit=1&cursor="+cursor)
	requireGone(after, "/v1/feed", "Last-Event-ID", messageID(head.Epoch, 1))
}
