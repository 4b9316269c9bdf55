package book_test

import (
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

// TestAMistakeInOneCommandIsItsOwn puts one that errs between two that do not.
func TestAMistakeInOneCommandIsItsOwn(t *testing.T) {
	t.Parallel()
	boom := func() { panic("boom") }
	fails := errors.New("no words for it")
	for name, bad := range map[string]book.Request{
		"panics in its decision": request("bad", define("bad").after(func(*workshop.Desk) { boom() })),
		"panics after it recorded": request("bad", command{decide: func(d *workshop.Desk) (any, *workshop.Refusal) {
			_, _ = supplier("bad").Decide(d)
			boom()
			return nil, nil
		}}),
		"panics in its answer": func() book.Request {
			r := request("bad", define("bad"))
			r.Render = func(any, []events.Recorded) (int, []byte, error) { boom(); return 0, nil, nil }
			return r
		}(),
		"fails in its answer": func() book.Request {
			r := request("bad", define("bad"))
			r.Render = func(any, []events.Recorded) (int, []byte, error) { return 0, nil, fails }
			return r
		}(),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, db := newBook(t)
			all := together(t, b, request("k1", define("a")), bad, request("k2", define("b")))
			require.NoError(t, all[0].err)
			require.NoError(t, all[2].err)
			requireFault(t, all[1].err)
			require.Equal(t, []string{"gate", "a", "b"}, slugs(t, db.App))
			require.Equal(t, []int{1, 2}, groups(t, db), "the group was not even taken apart")
		})
	}
}

func TestAPanicInNeedsStaysWithItsCaller(t *testing.T) {
	t.Parallel()
	b, _ := newBook(t)
	bad := define("bad")
	bad.needs = func() []workshop.Need { panic("boom") }
	_, err := b.Do(t.Context(), request("k1", bad))
	requireFault(t, err)
	_, err = b.Do(t.Context(), request("k2", define("a")))
	require.NoError(t, err)
}

// TestWhatCannotBeLoadedIsTheFaultOfOne asks for a place of a name that PostgreSQL takes for no text.
func TestWhatCannotBeLoadedIsTheFaultOfOne(t *testing.T) {
	t.Parallel()
	for _, when := range []string{"at first", "when it turns out"} {
		t.Run(when, func(t *testing.T) {
			t.Parallel()
			b, db := newBook(t)
			bad := define("bad")
			if when == "at first" {
				bad.needs = func() []workshop.Need { return []workshop.Need{workshop.NeedPlace("\x00")} }
			} else {
				bad = bad.after(func(d *workshop.Desk) { d.Set.StandingAt("\x00") })
			}
			all := together(t, b, request("k1", define("a")), request("bad", bad), request("k2", define("b")))
			require.NoError(t, all[0].err)
			requireFault(t, all[1].err)
			require.NoError(t, all[2].err)
			require.Equal(t, []string{"gate", "a", "b"}, slugs(t, db.App))
		})
	}
}

// TestAPanicInTheMiddleOfATripIsNotTheEnd lets the clock fail, which is read between the trips.
func TestAPanicInTheMiddleOfATripIsNotTheEnd(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	var reads atomic.Int32
	b := open(t, db.App, book.Options{Clock: func() time.Time {
		if reads.Add(-1) == 0 {
			panic("no time")
		}
		return time.Now()
	}})
	_, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	reads.Store(3) // the first two are when the group is taken up and when it begins
	_, err = b.Do(t.Context(), request("k2", define("b")))
	requireFault(t, err)
	_, err = b.Do(t.Context(), request("k2", define("b")))
	require.NoError(t, err)
	require.Equal(t, []string{"a", "b"}, slugs(t, db.App))
}

// TestWhatTheDatabaseRefusesIsTheFaultOfOne lets a constraint catch what the decision should have.
func TestWhatTheDatabaseRefusesIsTheFaultOfOne(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	exec(t, db, "ALTER TABLE definitions ADD CHECK (slug <> 'bad')")
	all := together(t, b, request("k1", define("a")), request("bad", define("bad")), request("k2", define("b")), request("k3", refused()))
	require.NoError(t, all[0].err)
	require.NoError(t, all[2].err)
	requireFault(t, all[1].err)
	caught := new(pgconn.PgError)
	require.ErrorAs(t, all[1].err, &caught)
	require.Equal(t, "23514", caught.Code)
	require.ErrorAs(t, all[3].err, new(*workshop.Refusal))
	require.Equal(t, []string{"gate", "a", "b"}, slugs(t, db.App))
	require.Equal(t, []int{1, 1, 1}, groups(t, db), "one by one")
}

// TestARefusalThatRestedOnAFailedCommandIsNotTold lets a command be refused because of one before it in its group
// that the database then does not take.
func TestARefusalThatRestedOnAFailedCommandIsNotTold(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	exec(t, db, "ALTER TABLE definitions ADD CHECK (slug <> 'bad')")
	unless := command{decide: func(d *workshop.Desk) (any, *workshop.Refusal) {
		if d.Set.Defs.Suppliers.Latest("bad") != nil {
			return refused().Decide(d)
		}
		return supplier("b").Decide(d)
	}}
	all := together(t, b, request("bad", define("bad")), request("k1", unless))
	requireFault(t, all[0].err)
	require.NoError(t, all[1].err)
	require.Equal(t, []string{"gate", "b"}, slugs(t, db.App))
}

// TestWhatPassesIsTriedAgain lets the database give up the group twice for a reason that passes.
func TestWhatPassesIsTriedAgain(t *testing.T) {
	t.Parallel()
	for _, code := range []string{"40001", "40P01"} {
		t.Run(code, func(t *testing.T) {
			t.Parallel()
			b, db := newBook(t)
			failOn(t, db, "b", 2, code)
			for _, r := range together(t, b, request("k1", define("a")), request("k2", define("b"))) {
				require.NoError(t, r.err)
			}
			require.Equal(t, []string{"gate", "a", "b"}, slugs(t, db.App))
			require.Equal(t, []int{1, 2}, groups(t, db), "as a group")
		})
	}
}

// TestWhatDoesNotPassIsGivenUp lets the database give up one command for ever: the others do not wait for ever.
func TestWhatDoesNotPassIsGivenUp(t *testing.T) {
	t.Parallel()
	b, db := newBook(t)
	failOn(t, db, "b", 1000, "40001")
	all := together(t, b, request("k1", define("a")), request("k2", define("b")), request("k3", define("c")))
	require.NoError(t, all[0].err)
	require.ErrorIs(t, all[1].err, book.ErrUnavailable)
	require.NoError(t, all[2].err)
	require.Equal(t, []string{"gate", "a", "c"}, slugs(t, db.App))
}

// failOn lets the database refuse a definition so many times. What a sequence gave is not rolled back.
func failOn(t *testing.T, db *pgtest.DB, slug string, times int, code string) {
	t.Helper()
	exec(t, db, "CREATE SEQUENCE failures")
	exec(t, db, fmt.Sprintf(`
CREATE FUNCTION fail() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER AS $$
BEGIN
    IF new.slug = '%s' AND nextval('failures') <= %d THEN
        RAISE EXCEPTION 'not this time' USING ERRCODE = '%s';
    END IF;
    RETURN new;
END $$`, slug, times, code))
	exec(t, db, "CREATE TRIGGER fail BEFORE INSERT ON definitions FOR EACH ROW EXECUTE FUNCTION fail()")
}

func requireFault(t *testing.T, err error) {
	t.Helper()
	require.Error(t, err)
	require.NotErrorIs(t, err, book.ErrUnavailable)
	require.NotErrorIs(t, err, book.ErrKeyReused)
	require.NotErrorAs(t, err, new(*workshop.Refusal))
}
