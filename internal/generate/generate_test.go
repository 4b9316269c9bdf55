package generate_test

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/events/eventlog"
	"firstout/internal/generate"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

// write writes a book into a database of its own.
func write(t testing.TB, db *pgtest.DB, size generate.Size) {
	t.Helper()
	require.NoError(t, eventlog.MarkBook(t.Context(), db.Owner, eventlog.BookTest))
	require.NoError(t, projections.WriteBulk(t.Context(), db.Owner, func(b *projections.Bulk) error {
		return generate.Play(t.Context(), b, size, func(int) {})
	}))
}

func small(days int, seed uint64) generate.Size {
	return generate.Size{Days: days, RunsPerDay: 8, SalesPerDay: 120, Seed: seed, Until: civil.Day{Year: 2026, Month: 11, Day: 24}}
}

// logOf is everything that a book's log says, as one text.
func logOf(ctx context.Context, t *testing.T, db *pgtest.DB) (text string, count int) {
	t.Helper()
	require.NoError(t, db.App.QueryRow(ctx, "SELECT md5(string_agg(canonical, ' ' ORDER BY position)), count(*) FROM log").Scan(&text, &count))
	return text, count
}

// A generated book is a true one: what was written down as it went is what the log gives, row for row, though what was
// finished had been let go of; six weeks are long enough for tanks to be emptied and pieces to pass their date.
func TestAGeneratedBookIsATrueOne(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t) // checked whole at the end
	write(t, db, small(45, 1))
	different, err := projections.Diff(t.Context(), db.Owner)
	require.NoError(t, err)
	require.Empty(t, different)
	for _, kind := range []string{
		"ingredient_received", "portion_opened", "chocolate_melted", "vat_emptied", "ganache_made", "shells_cast", "moulds_filled", "moulds_capped", "pieces_turned_out",
		"pieces_released", "stock_moved", "pieces_sold", "pieces_given", "stock_discarded", "stock_counted", "hold_placed", "hold_lifted", "checked", "deviation_opened", "deviation_decided",
	} {
		var many int
		require.NoError(t, db.App.QueryRow(t.Context(), "SELECT count(*) FROM log WHERE type = $1", kind).Scan(&many))
		require.Positive(t, many, kind)
	}
	var sales, unkept int
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT count(*) FROM log WHERE type = 'pieces_sold'").Scan(&sales))
	require.Greater(t, sales, 45*120*9/10, "nearly every customer gets something")
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT count(*) FROM log l WHERE key <> '' AND NOT EXISTS (SELECT FROM commands c WHERE c.key = l.key AND c.command = l.command)").Scan(&unkept))
	require.Zero(t, unkept, "every key has its answer")
}

func TestTheSameSeedGivesTheSameBook(t *testing.T) {
	t.Parallel()
	book := func(seed uint64) string {
		db := pgtest.New(t)
		write(t, db, small(3, seed))
		text, count := logOf(t.Context(), t, db)
		require.Greater(t, count, 3*120)
		return text
	}
	first := book(7)
	require.Equal(t, first, book(7))
	require.NotEqual(t, first, book(8))
}

// A book is written into an empty database only.
func TestNothingIsWrittenOverABook(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	write(t, db, small(1, 1))
	err := projections.WriteBulk(t.Context(), db.Owner, func(*projections.Bulk) error { return nil })
	require.ErrorContains(t, err, "there is a book in this database already")
}

// BenchmarkADay writes days of a large shop: 40 runs, 2700 sales.
func BenchmarkADay(b *testing.B) {
	db := pgtest.New(b)
	size := small(b.N, 1)
	size.RunsPerDay, size.SalesPerDay = 40, 2700
	write(b, db, size)
}

// BenchmarkHotReads asks the same of a book of five weeks and of one of a year. What is told beside its time is how many
// times as long a question takes of the older one: nothing that is asked all day may grow with the age of the book. Before
// five weeks the answers themselves still grow: demand looks 28 days back, and so long a tank goes on.
func BenchmarkHotReads(b *testing.B) {
	var books [][]generate.Read
	var like *generate.Subjects
	for _, days := range []int{35, 365} {
		db := pgtest.New(b)
		size := small(days, 1)
		write(b, db, size)
		subjects, err := generate.SubjectsOf(b.Context(), db.App, size.Until, like)
		require.NoError(b, err)
		like = &subjects
		books = append(books, generate.Reads(db.App, subjects))
	}
	b.ResetTimer()
	for i, read := range books[0] {
		took, err := generate.Measure(b.Context(), time.Now, max(b.N, 50), time.Minute, read, books[1][i])
		require.NoError(b, err)
		b.ReportMetric(float64(took[1].P50)/float64(took[0].P50), strings.ReplaceAll(read.Name, " ", "-")+"-year/weeks")
	}
}
