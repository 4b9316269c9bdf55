package backup_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"firstout/internal/backup"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/export"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/generate"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

var noon = time.Date(2026, 11, 25, 12, 0, 0, 123_000, time.UTC)

// written is a book of a few days, with keys, and answers to commands that needed no event.
func written(t testing.TB, days int, seed uint64) *pgtest.DB {
	t.Helper()
	db := pgtest.NewBook(t)
	require.NoError(t, eventlog.MarkBook(t.Context(), db.Owner, eventlog.BookTest))
	size := generate.Size{Days: days, RunsPerDay: 4, SalesPerDay: 120, Seed: seed, Until: civil.Day{Year: 2026, Month: 11, Day: 24}}
	require.NoError(t, projections.WriteBulk(t.Context(), db.Owner, func(b *projections.Bulk) error {
		return generate.Play(t.Context(), b, size, func(int) {})
	}))
	_, _, err := eventlog.CreateKey(t.Context(), db.App, "till", []string{"till", "counter"}, "quay-lane", nil, noon)
	require.NoError(t, err)
	expires := noon.Add(time.Hour)
	_, _, err = eventlog.CreateKey(t.Context(), db.App, "old <till>", []string{"till"}, "", &expires, noon)
	require.NoError(t, err)
	require.NoError(t, eventlog.RevokeKey(t.Context(), db.App, "old <till>", noon))
	_, err = db.App.Exec(t.Context(), `INSERT INTO commands VALUES ('k"needed none', $1, 200, '{"name":"Café <b>"}', NULL, NULL, $2), ('k2', $1, 204, '', NULL, NULL, $2)`,
		bytes.Repeat([]byte{7}, 32), noon)
	require.NoError(t, err)
	_, err = db.App.Exec(t.Context(), "UPDATE head SET manual_now = $1", noon)
	require.NoError(t, err)
	return db
}

// sealed seals all that is in a book with a key of its own.
func sealed(t testing.TB, db *pgtest.DB) (seal.Key, note.Verifier) {
	t.Helper()
	text, err := seal.NewKey(strings.NewReader(strings.Repeat("a seed for tests", 4)), "shop.example/book")
	require.NoError(t, err)
	key, err := seal.ParseKey(text)
	require.NoError(t, err)
	verifier, err := seal.ParseVerifier(key.Verifier())
	require.NoError(t, err)
	sealAll(t, db, key)
	return key, verifier
}

func sealAll(t testing.TB, db *pgtest.DB, key seal.Key) {
	t.Helper()
	require.NoError(t, sealer.New(db.App, sealer.Options{Key: key}).SealAll(t.Context()))
}

// fileOf is the file of a book.
func fileOf(t testing.TB, db *pgtest.DB) []byte {
	t.Helper()
	var file bytes.Buffer
	_, err := backup.Write(t.Context(), db.App, &file)
	require.NoError(t, err)
	return file.Bytes()
}

// rows are the rows of a table as PostgreSQL writes them.
func rows(t testing.TB, db *pgtest.DB, sql string) []string {
	t.Helper()
	found, err := db.Owner.Query(context.WithoutCancel(t.Context()), sql)
	require.NoError(t, err)
	texts, err := pgx.CollectRows(found, pgx.RowTo[string])
	require.NoError(t, err)
	return texts
}

// carried are the tables that a file carries away, with what of them is the same for ever.
var carried = []string{
	"SELECT l::text FROM log l ORDER BY position",
	"SELECT e::text FROM event_codes e ORDER BY position, code",
	"SELECT c::text FROM commands c ORDER BY key",
	"SELECT k::text FROM api_keys k ORDER BY id",
	"SELECT concat_ws(' ', position, recorded_at, definitions_at, book, manual_now) FROM head",
}

func requireSame(t testing.TB, before, after *pgtest.DB) {
	t.Helper()
	for _, sql := range carried {
		wanted := rows(t, before, sql)
		require.NotEmpty(t, wanted, sql)
		require.Equal(t, wanted, rows(t, after, sql), sql)
	}
}

// requireNothing holds that a database has no book.
func requireNothing(t testing.TB, db *pgtest.DB) {
	t.Helper()
	require.Equal(t, []string{"0 0 "}, rows(t, db, "SELECT concat_ws(' ', position, definitions_at, coalesce(book, '')) FROM head"))
	for _, table := range []string{"log", "event_codes", "commands", "api_keys", "checkpoints", "seal_hashes", "things", "stock", "movements"} {
		require.Equal(t, []string{"0"}, rows(t, db, "SELECT count(*)::text FROM "+table), table)
	}
}

func TestABookComesBack(t *testing.T) {
	t.Parallel()
	before := written(t, 12, 1)
	key, verifier := sealed(t, before)
	signed, found, err := sealer.Newest(t.Context(), before.App)
	require.NoError(t, err)
	require.True(t, found)
	outside, err := seal.Open(signed.Note, verifier)
	require.NoError(t, err)
	require.Greater(t, outside.Size, int64(export.ChunkEvents))

	// Events after the newest checkpoint are carried away too.
	hold(t, before)
	file := fileOf(t, before)
	after := pgtest.NewBook(t)
	checked, err := backup.Restore(t.Context(), after.Owner, bytes.NewReader(file), backup.Evidence{Keys: []note.Verifier{verifier}, Outside: []seal.Checkpoint{outside}})
	require.NoError(t, err)
	require.True(t, checked.Signed)
	require.Equal(t, outside.Size, checked.Sealed)
	require.Equal(t, outside.Size+1, checked.Position)
	require.Equal(t, 2, checked.Keys)
	requireSame(t, before, after)

	// A new epoch has begun, and the last checkpoint is the last.
	require.NotEqual(t, rows(t, before, "SELECT epoch FROM head"), rows(t, after, "SELECT epoch FROM head"))
	kept, found, err := sealer.Newest(t.Context(), after.App)
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, signed, kept)

	// What is sealed next goes on from it.
	hold(t, after)
	sealAll(t, after, key)
	report, err := sealer.Verify(t.Context(), after.App, []seal.Checkpoint{outside}, verifier)
	require.NoError(t, err)
	require.Equal(t, outside.Size+2, report.Sealed)
	require.Equal(t, 3, report.Checkpoints)

	// A retry gets its first answer.
	answers := map[string]eventlog.Answered{}
	lookUp := func(db *pgtest.DB) eventlog.Answered {
		require.NoError(t, pgx.BeginFunc(t.Context(), db.App, func(tx pgx.Tx) error {
			b := &pgx.Batch{}
			eventlog.QueueFindKeys(b, []string{"generated-900"}, answers)
			return tx.SendBatch(t.Context(), b).Close()
		}))
		return answers["generated-900"]
	}
	first := lookUp(before)
	require.NotEmpty(t, first.Body)
	clear(answers)
	require.Equal(t, first, lookUp(after))
}

// hold places a hold on nothing in particular, for one event more.
func hold(t testing.TB, db *pgtest.DB) {
	t.Helper()
	write(t, db, events.NewestVersion(events.MouldDefined{}))
}

// write defines a mould anew, in that version of the event.
func write(t testing.TB, db *pgtest.DB, version int) {
	t.Helper()
	require.NoError(t, pgx.BeginFunc(t.Context(), db.Owner, func(tx pgx.Tx) error {
		var head eventlog.Head
		b := &pgx.Batch{}
		eventlog.QueueLock(b, &head)
		if err := tx.SendBatch(t.Context(), b).Close(); err != nil {
			return err
		}
		slug := "extra-" + uuid.NewString()
		r := events.Recorded{
			Position: head.Position + 1, ID: uuid.Must(uuid.NewV7()), Version: version, OccurredAt: head.RecordedAt, RecordedAt: head.RecordedAt,
			Actor: "maker", Data: events.MouldDefined{Defined: events.Defined{Slug: slug, DefVersion: 1}, Mould: events.Mould{Name: slug, Cavities: 24}},
		}
		r.Command = r.ID
		batch := &pgx.Batch{}
		if err := eventlog.QueueAppend(batch, []events.Recorded{r}, nil, head.After([]events.Recorded{r})); err != nil {
			return err
		}
		batch.Queue(`INSERT INTO definitions VALUES ('mould', $1, 1, $2, $3, $4)`, slug, r.Position, r.RecordedAt,
			fmt.Sprintf(`{"name":%q,"cavities":24}`, slug))
		return tx.SendBatch(t.Context(), batch).Close()
	}))
}

func TestAnEmptyBookComesBack(t *testing.T) {
	t.Parallel()
	before, after := pgtest.NewBook(t), pgtest.NewBook(t)
	checked, err := backup.Restore(t.Context(), after.Owner, bytes.NewReader(fileOf(t, before)), backup.Evidence{})
	require.NoError(t, err)
	require.Zero(t, checked.Position)
	requireNothing(t, after)
}

// TestExportRestoreExport holds, for random books, that what comes back is what was carried away, byte for byte of the log.
func TestExportRestoreExport(t *testing.T) {
	t.Parallel()
	seeds := 2
	if os.Getenv("FIRSTOUT_LONG") == "1" {
		seeds = 20
	}
	for seed := range seeds {
		before, after := written(t, 1+rand.IntN(12), rand.Uint64()), pgtest.NewBook(t)
		if seed%2 == 0 {
			sealed(t, before)
		}
		file := fileOf(t, before)
		_, err := backup.Restore(t.Context(), after.Owner, bytes.NewReader(file), backup.Evidence{})
		require.NoError(t, err)
		requireSame(t, before, after)
		again := recordsOf(t, fileOf(t, after))
		first := recordsOf(t, file)
		require.NotEqual(t, first[0], again[0], "another epoch")
		require.Equal(t, first[1:], again[1:])
	}
}

func recordsOf(t testing.TB, file []byte) (records []export.Record) {
	t.Helper()
	r := export.NewReader(bytes.NewReader(file))
	for {
		record, err := r.Next()
		if errors.Is(err, io.EOF) {
			return records
		}
		require.NoError(t, err)
		if e, is := record.(export.Event); is {
			e.Canonical = bytes.Clone(e.Canonical)
			record = e
		}
		records = append(records, record)
	}
}

// TestOneMomentIsCarriedAway writes while the book is being carried away: the file is that of the moment when it began.
func TestOneMomentIsCarriedAway(t *testing.T) {
	t.Parallel()
	db := written(t, 3, 5)
	position := func() int64 {
		head, err := eventlog.ReadHead(t.Context(), db.App)
		require.NoError(t, err)
		return head.Position
	}
	began := position()
	var file bytes.Buffer
	busy := writerFunc(func(p []byte) (int, error) {
		hold(t, db)
		_, _, err := eventlog.CreateKey(t.Context(), db.App, uuid.NewString(), []string{"till"}, "", nil, noon)
		require.NoError(t, err)
		return file.Write(p)
	})
	report, err := backup.Write(t.Context(), db.App, busy)
	require.NoError(t, err)
	require.Greater(t, position(), began)
	require.Equal(t, began, report.Position)
	require.Equal(t, 2, report.Keys)
	checked, err := backup.Check(bytes.NewReader(file.Bytes()), backup.Evidence{})
	require.NoError(t, err)
	require.Equal(t, began, checked.Position)
}

type writerFunc func(p []byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

// TestABookIsCarriedAwayHoweverLongItTakes: through the pool of a server, whose questions are ended when they take long, to
// something that takes in slowly what is more than fits between the two.
func TestABookIsCarriedAwayHoweverLongItTakes(t *testing.T) {
	t.Parallel()
	db := written(t, 40, 3)
	const limit = 300 * time.Millisecond
	pool, err := eventlog.OpenPool(t.Context(), db.AppURL, 1, limit)
	require.NoError(t, err)
	defer pool.Close()
	_, err = pool.Exec(t.Context(), "SELECT pg_sleep(60)")
	require.ErrorContains(t, err, "statement timeout")
	file := &slow{until: time.Now().Add(3 * limit)}
	_, err = backup.Write(t.Context(), pool, file)
	require.NoError(t, err)
	require.Equal(t, fileOf(t, db), file.Bytes())
}

// slow takes nothing but its first bytes until some moment.
type slow struct {
	bytes.Buffer
	until time.Time
}

func (s *slow) Write(p []byte) (int, error) {
	if s.Len() > 0 {
		<-time.After(time.Until(s.until))
	}
	return s.Buffer.Write(p)
}

func TestWhatIsNotRestored(t *testing.T) {
	t.Parallel()
	before := written(t, 12, 2)
	_, verifier := sealed(t, before)
	file := fileOf(t, before)
	after := pgtest.NewBook(t)
	refuse := func(file []byte, against backup.Evidence, target any, says string) {
		t.Helper()
		_, err := backup.Restore(t.Context(), after.Owner, bytes.NewReader(file), against)
		require.Error(t, err)
		require.ErrorContains(t, err, says)
		require.ErrorContains(t, err, "nothing was written")
		if target != nil {
			require.ErrorAs(t, err, target)
		}
		requireNothing(t, after)
	}
	for _, cut := range []int{0, 1, len(file) / 2, len(file) - 1} {
		refuse(file[:cut], backup.Evidence{}, new(*export.CutError), "position")
	}
	changed := bytes.Clone(file)
	changed[len(file)/3] ^= 4
	refuse(changed, backup.Evidence{}, nil, "position")

	other, err := seal.NewKey(strings.NewReader(strings.Repeat("another seed of tests", 4)), "shop.example/book")
	require.NoError(t, err)
	otherKey, err := seal.ParseKey(other)
	require.NoError(t, err)
	otherVerifier, err := seal.ParseVerifier(otherKey.Verifier())
	require.NoError(t, err)
	refuse(file, backup.Evidence{Keys: []note.Verifier{otherVerifier}}, nil, "none of the keys given signed it")
	refuse(file, backup.Evidence{Outside: []seal.Checkpoint{{Size: 700, Root: seal.Hash{1}}}}, new(*seal.Finding), "positions 1 to 700")
	longer := seal.Checkpoint{Size: 1_000_000, Root: seal.Hash{1}}
	refuse(file, backup.Evidence{Keys: []note.Verifier{verifier}, Outside: []seal.Checkpoint{longer}}, new(*seal.Finding), "it is missing")
	unsealed := fileOf(t, written(t, 1, 3))
	refuse(unsealed, backup.Evidence{Keys: []note.Verifier{verifier}}, nil, "never sealed")

	// An event rewritten together with every checksum of the file: the checkpoint tells.
	refuse(rewritten(t, file, 800, `"actor":"`, `"actor":"x`), backup.Evidence{}, new(*seal.Finding), "was signed for")
	// The same, of an answer that is none to its command, a place that is another's, and bytes that are no event.
	refuse(rewritten(t, file, 800, `"position":800`, `"position":801`), backup.Evidence{}, new(*seal.Finding), "position 800: in its place is the event of position 801")
	refuse(rewritten(t, file, 800, `"key":"`, `"key":"x`), backup.Evidence{}, new(*seal.Finding), "position 800: the answer behind it")
	refuse(rewritten(t, file, 800, `{"actor"`, `{ "actor"`), backup.Evidence{}, new(*seal.Finding), "position 800: its bytes are not in canonical form")
	refuse(rewritten(t, file, 800, `{"actor"`, `{"actor":"twice","actor"`), backup.Evidence{}, new(*seal.Finding), "position 800: ")
	// What a newer program wrote.
	refuse(withRow(t, file, `{"table":"parrots","row":{}}`), backup.Evidence{}, new(*backup.ColumnError), "rows of table parrots, which this program does not know")
	refuse(withRow(t, file, `{"table":"api_keys","row":{"id":"x","shoe_size":4}}`), backup.Evidence{}, new(*backup.ColumnError), "column shoe_size")
	refuse(rewritten(t, file, 800, `"version":1}`, `"version":2}`), backup.Evidence{}, new(*events.UnknownError), "position 800: event ")

	restored, err := backup.Restore(t.Context(), after.Owner, bytes.NewReader(file), backup.Evidence{Keys: []note.Verifier{verifier}})
	require.NoError(t, err)
	require.True(t, restored.Signed)
	_, err = backup.Restore(t.Context(), after.Owner, bytes.NewReader(file), backup.Evidence{})
	full := new(eventlog.NotEmptyError)
	require.ErrorAs(t, err, &full)
	requireSame(t, before, after)
}

// rewritten is a file in which an event was changed with intent: every checksum of the file fits.
func rewritten(t testing.TB, file []byte, position int64, old, changed string) []byte {
	t.Helper()
	return repacked(t, file, func(records []export.Record) []export.Record {
		for i, r := range records {
			if e, is := r.(export.Event); is && e.Position == position {
				require.Contains(t, string(e.Canonical), old)
				e.Canonical = []byte(strings.Replace(string(e.Canonical), old, changed, 1))
				records[i] = e
			}
		}
		return records
	})
}

// repacked writes the records of a file anew, changed.
func repacked(t testing.TB, file []byte, change func([]export.Record) []export.Record) []byte {
	t.Helper()
	var out bytes.Buffer
	var w *export.Writer
	var rest []export.Record
	for _, record := range change(recordsOf(t, file)) {
		var err error
		switch record := record.(type) {
		case export.Book:
			w, err = export.NewWriter(&out, record)
		case export.Event:
			err = w.Event(record.Position, record.Canonical)
		case export.Answer:
			if record.Position > 0 {
				err = w.Answer(record)
			} else {
				rest = append(rest, record)
			}
		case export.Head:
			require.NoError(t, w.Rest(rest...))
			err = w.End(record)
		default:
			rest = append(rest, record)
		}
		require.NoError(t, err)
	}
	return out.Bytes()
}

// withRow is a file with one more row.
func withRow(t testing.TB, file []byte, row string) []byte {
	t.Helper()
	var r export.Row
	require.NoError(t, json.Unmarshal([]byte(row), &r))
	return repacked(t, file, func(records []export.Record) []export.Record {
		return slices.Insert(records, len(records)-1, export.Record(r))
	})
}

// TestAllOrNothing restores a file whose last event cannot be folded, into a database that somebody uses.
func TestAllOrNothing(t *testing.T) {
	t.Parallel()
	file := fileOf(t, written(t, 2, 4))
	var sale int64
	for _, r := range recordsOf(t, file) {
		if e, is := r.(export.Event); is && bytes.Contains(e.Canonical, []byte(`"type":"pieces_sold"`)) && bytes.Contains(e.Canonical, []byte(`"pieces":1`)) {
			sale = e.Position
		}
	}
	require.Positive(t, sale)
	after := pgtest.NewBook(t)
	_, err := backup.Restore(t.Context(), after.Owner, bytes.NewReader(rewritten(t, file, sale, `"pieces":1`, `"pieces":100000`)), backup.Evidence{})
	require.ErrorContains(t, err, "nothing was written")
	requireNothing(t, after)
	_, err = backup.Restore(t.Context(), after.Owner, bytes.NewReader(file), backup.Evidence{})
	require.NoError(t, err)
}

// marked is a database that was marked as a kind of book and no more.
func TestAMarkedDatabase(t *testing.T) {
	t.Parallel()
	file := fileOf(t, written(t, 1, 4))
	same, other := pgtest.NewBook(t), pgtest.NewBook(t)
	require.NoError(t, eventlog.MarkBook(t.Context(), same.App, eventlog.BookTest))
	require.NoError(t, eventlog.MarkBook(t.Context(), other.App, eventlog.BookReal))
	_, err := backup.Restore(t.Context(), other.Owner, bytes.NewReader(file), backup.Evidence{})
	require.ErrorContains(t, err, "it was marked as a real book")
	_, err = backup.Restore(t.Context(), same.Owner, bytes.NewReader(file), backup.Evidence{})
	require.NoError(t, err)
	require.NoError(t, eventlog.MarkBook(t.Context(), same.App, eventlog.BookTest), "it stays a test book")
}
