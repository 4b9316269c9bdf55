// Package internal_test holds the house together: which package may know which.
package internal_test

import (
	"errors"
	"go/build"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// mayImport is the house: a package may import the packages beside its name and no other of ours.
// A package that is not here fails, and so does a line for a package that is not there. Test files may import more.
var mayImport = map[string][]string{
	".": {}, // spec.go

	// what knows nothing of the book
	"migrations":       {},
	"internal":         {}, // this test
	"internal/civil":   {},
	"internal/handout": {},
	"internal/pgboot":  {},

	// pure: decides, works out
	"internal/events":        {"internal/civil"},
	"internal/events/export": {"internal/events/seal"},
	"internal/events/seal":   {},
	"internal/expiry":        {"internal/civil"},
	"internal/gs1":           {"internal/civil"},
	"internal/workshop":      {"internal/civil", "internal/events", "internal/expiry", "internal/gs1"},

	// a translation into another standard's words
	"internal/epcis":       {"internal/events", "internal/workshop"},
	"internal/epcis/check": {}, // for tests

	// PostgreSQL
	"internal/events/eventlog": {"internal/events"},
	"internal/events/sealer":   {"internal/events", "internal/events/eventlog", "internal/events/seal"},
	"internal/projections":     {"internal/civil", "internal/events", "internal/events/eventlog", "internal/workshop"},
	"internal/backup":          {"internal/events", "internal/events/eventlog", "internal/events/export", "internal/events/seal", "internal/events/sealer", "internal/projections"},
	"internal/book":            {"internal/civil", "internal/events", "internal/events/eventlog", "internal/projections", "internal/workshop"},
	"internal/pgtest":          {"internal/events", "internal/events/eventlog", "internal/events/sealer", "internal/pgboot", "internal/projections", "internal/workshop", "migrations"},

	// the second book: it shares nothing with the first, so that an error in either shows
	"internal/oracle": {},

	// tests only: random genealogies against linear algebra and graph walks
	"internal/genealogy": {},
	// tests only: whole processes, killed, cut off and put back
	"internal/reliability": {},
	// books for measuring
	"internal/generate": {"internal/civil", "internal/events", "internal/events/eventlog", "internal/projections", "internal/workshop"},

	// HTTP
	"api/openapi":   {"internal/civil", "internal/events"},
	"api/web":       {"internal/civil"},
	"api":           {".", "api/openapi", "api/web", "internal/book", "internal/civil", "internal/epcis", "internal/events", "internal/events/eventlog", "internal/events/seal", "internal/events/sealer", "internal/projections", "internal/workshop"},
	"internal/demo": {"internal/civil", "internal/events"}, // a client: it sees the book over HTTP only

	// the process
	"cmd/api":   {"api", "internal/backup", "internal/book", "internal/demo", "internal/events/eventlog", "internal/events/seal", "internal/events/sealer", "internal/handout", "internal/pgboot", "internal/projections", "migrations"},
	"cmd/bench": {"internal/book", "internal/civil", "internal/events", "internal/events/eventlog", "internal/generate", "internal/projections", "internal/workshop", "migrations"},
}

// pure names the packages that do no I/O, with the libraries from outside that each may use beside the standard one.
var pure = map[string][]string{
	"internal/civil":         {},
	"internal/expiry":        {},
	"internal/gs1":           {},
	"internal/events":        {"github.com/google/uuid", "github.com/gowebpki/jcs"},
	"internal/events/export": {},
	"internal/events/seal":   {"golang.org/x/mod/sumdb/note", "golang.org/x/mod/sumdb/tlog"},
	"internal/workshop":      {"github.com/google/uuid"},
	"internal/epcis":         {"github.com/google/uuid"},
	"internal/oracle":        {},
}

// impure is what the standard library has for I/O and chance. A name covers the packages under it, but for interfacesOnly.
var impure = []string{"crypto/rand", "database/sql", "log", "math/rand", "net", "os", "path/filepath", "plugin", "syscall", "testing"}

// interfacesOnly opens nothing: a type may say how it is stored.
const interfacesOnly = "database/sql/driver"

const module = "firstout"

func TestPackagesImportInwardOnly(t *testing.T) {
	t.Parallel()
	var wrong []string
	packages := ours(t)
	for name, imports := range packages {
		allowed, known := mayImport[name]
		if !known {
			wrong = append(wrong, name+" is not in mayImport: say there what it may know")
			continue
		}
		for _, path := range imports {
			if beside, mine := insideModule(path); mine && !slices.Contains(allowed, beside) {
				wrong = append(wrong, name+" may not import "+beside)
			}
		}
	}
	for name := range mayImport {
		if _, there := packages[name]; !there {
			wrong = append(wrong, name+" has a line in mayImport and no files")
		}
	}
	requireNone(t, wrong)
}

func TestPurePackagesDoNoIO(t *testing.T) {
	t.Parallel()
	var wrong []string
	packages := ours(t)
	for name, libraries := range pure {
		for _, path := range packages[name] {
			if _, mine := insideModule(path); mine {
				continue
			}
			first, _, _ := strings.Cut(path, "/")
			foreign := strings.Contains(first, ".") && !slices.Contains(libraries, path)
			doesIO := path != interfacesOnly && slices.ContainsFunc(impure, func(root string) bool { return within(path, root) })
			if foreign || doesIO {
				wrong = append(wrong, name+" is pure and may not import "+path)
			}
		}
	}
	requireNone(t, wrong)
}

func TestOnlyTheAPIKnowsTheWebFramework(t *testing.T) {
	t.Parallel()
	var wrong []string
	for name, imports := range ours(t) {
		for _, path := range imports {
			if within(path, "github.com/labstack") && !within(name, "api") {
				wrong = append(wrong, name+" may not import "+path)
			}
		}
	}
	requireNone(t, wrong)
}

func requireNone(t *testing.T, wrong []string) {
	t.Helper()
	slices.Sort(wrong)
	require.Empty(t, strings.Join(wrong, "\n"))
}

// ours gives every package of the module, by its folder, with what its files that are not tests import. It reads the
// files itself, so that a cached result of these tests ends when a file changes; a `go list` would hide that.
func ours(t *testing.T) map[string][]string {
	t.Helper()
	packages := map[string][]string{}
	root := ".."
	err := filepath.WalkDir(root, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || !entry.IsDir() {
			return err
		}
		name, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		name = filepath.ToSlash(name)
		if skipped := name == "tools" || entry.Name() == "testdata" || name != "." && strings.HasPrefix(entry.Name(), "."); skipped {
			return filepath.SkipDir // as the go command does: another module, data, hidden
		}
		found, err := build.ImportDir(path, 0)
		if noGo := new(build.NoGoError); errors.As(err, &noGo) {
			return nil
		}
		if err != nil {
			return err
		}
		packages[name] = found.Imports
		return nil
	})
	require.NoError(t, err)
	require.NotEmpty(t, packages)
	return packages
}

// insideModule gives the folder of a package of ours.
func insideModule(path string) (folder string, mine bool) {
	if path == module {
		return ".", true
	}
	return strings.CutPrefix(path, module+"/")
}

// within tells whether a package stands at a root or under it.
func within(path, root string) bool {
	return path == root || strings.HasPrefix(path, root+"/")
}
