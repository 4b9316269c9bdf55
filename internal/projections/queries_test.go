package projections

import (
	"io/fs"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestEveryQueryFileIsUsed(t *testing.T) {
	t.Parallel()
	used := map[string]bool{}
	for name := range statements {
		for _, file := range strings.Split(name, "+") {
			used[file+".sql"] = true
		}
	}
	files, err := fs.ReadDir(queryFiles, "queries")
	require.NoError(t, err)
	var there []string
	for _, f := range files {
		there = append(there, f.Name())
		text, err := fs.ReadFile(queryFiles, "queries/"+f.Name())
		require.NoError(t, err)
		require.True(t, strings.HasPrefix(string(text), "-- "), "%s says what it is for", f.Name())
	}
	require.Equal(t, there, slices.Sorted(maps.Keys(used)))
}
