package events_test

import (
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
)

// update writes the golden file of an event that has none yet. It never writes over one: what stands in a book for
// ever must be read for ever.
var update = flag.Bool("update", false, "write the golden files that are missing")

func TestEveryEventEverWrittenIsReadForEver(t *testing.T) {
	t.Parallel()
	examples := map[string]events.Event{}
	for _, e := range exampleEvents() {
		require.NotContains(t, examples, e.EventType())
		examples[e.EventType()] = e
	}
	require.Len(t, examples, len(events.Types()), "an example for each type")
	for _, name := range events.Types() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			requireGolden(t, recorded(examples[name]))
		})
	}
}

// requireGolden holds an event against its golden file, both ways.
func requireGolden(t *testing.T, r events.Recorded) {
	t.Helper()
	text, err := r.Canonical()
	require.NoError(t, err)
	path := fmt.Sprintf("../../testdata/events/%s/%d.json", r.Data.EventType(), r.Version)
	golden, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, text, 0o644))
		golden, err = text, nil
	}
	require.NoError(t, err, "a new event or version: run this test with -update, look at the file and commit it")
	require.Equal(t, string(golden), string(text), "a changed shape is a new version with a file of its own")

	back, err := events.ParseCanonical(golden)
	require.NoError(t, err)
	require.Equal(t, r, back)
	again, err := back.Canonical()
	require.NoError(t, err)
	require.Equal(t, string(golden), string(again))
}

// TestGoldenFilesAreAllRead finds versions that no test reads any more.
func TestGoldenFilesAreAllRead(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/events/*/*.json")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), len(events.Types()))
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		_, err = events.ParseCanonical(text)
		require.NoError(t, err, file)
	}
}

// TestExamplesLeaveNothingOut holds that every field of every event is set somewhere in its example, so that the
// golden files show the whole shape.
func TestExamplesLeaveNothingOut(t *testing.T) {
	t.Parallel()
	for _, e := range exampleEvents() {
		seen := map[string]bool{}
		walk(reflect.ValueOf(e), e.EventType(), seen)
		for path, set := range seen {
			require.True(t, set, "%s is set nowhere", path)
		}
	}
}

// walk notes for every field under a value, by its path, whether it was set anywhere.
func walk(v reflect.Value, path string, seen map[string]bool) {
	seen[path] = seen[path] || !v.IsZero()
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			walk(v.Elem(), path, seen)
		}
	case reflect.Slice:
		for i := range v.Len() {
			walk(v.Index(i), path+"[]", seen)
		}
	case reflect.Struct:
		if own := v.Type().PkgPath(); own != reflect.TypeFor[events.Recorded]().PkgPath() {
			return // a day or an instant: set or not as a whole
		}
		for i := range v.NumField() {
			walk(v.Field(i), path+"."+v.Type().Field(i).Name, seen)
		}
	}
}
