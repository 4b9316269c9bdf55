package book_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/pgtest"
)

// What was committed together is told once it is committed, before anybody has an answer; a group that wrote nothing is
// not told.
func TestGroupsAreTold(t *testing.T) {
	t.Parallel()
	told := make(chan book.Group, 10)
	b := open(t, pgtest.NewBook(t).App, book.Options{Clock: time.Now, Committed: func(g book.Group) { told <- g }})
	_, err := b.Do(t.Context(), request("k1", refused()))
	require.Error(t, err)
	_, err = b.Do(t.Context(), request("k2", define("a", "b")))
	require.NoError(t, err)
	g := <-told
	require.Equal(t, 1, g.Commands)
	require.Equal(t, 2, g.Events)
	require.Positive(t, g.Took)
	require.Empty(t, told)
}
