package pgboot

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// oldestMajor is the oldest PostgreSQL that this program is tried with.
const oldestMajor = 15

// usualFolders are where packagers put the server's binaries.
var usualFolders = []string{
	"/usr/lib/postgresql/*/bin",
	"/usr/pgsql-*/bin",
	"/usr/local/pgsql*/bin",
	"/opt/homebrew/opt/postgresql*/bin",
	"/usr/local/opt/postgresql*/bin",
}

// places are where binaries are looked for when none are named.
type places struct {
	path  string   // as the environment variable
	usual []string // patterns
}

func (p places) orMachine() places {
	if p.path == "" && p.usual == nil {
		return places{path: os.Getenv("PATH"), usual: usualFolders}
	}
	return p
}

// binaries is a folder with a server that can be started, and why it was taken.
type binaries struct {
	dir    string
	major  int
	reason string
}

func (b binaries) postgres() string { return filepath.Join(b.dir, "postgres") }
func (b binaries) initdb() string   { return filepath.Join(b.dir, "initdb") }

// find takes the first folder that will do: the one named, then PATH, then the usual folders, newest first, then what was fetched
// earlier, then what can be fetched. want is the major version that made the cluster, 0 for a new one.
func (s *Server) find(ctx context.Context, want int) (binaries, error) {
	missing := &NotFoundError{Major: want, Data: s.home.data()}
	if dir := s.cfg.BinDir; dir != "" {
		found, ok := s.examine(ctx, candidate{dir: dir, why: "named in the configuration"}, want, missing)
		if ok {
			return found, nil
		}
		missing.looked("elsewhere: not looked for, as the configuration names a folder")
		return binaries{}, missing
	}
	seen := map[string]bool{}
	for _, c := range s.candidates(missing) {
		if seen[c.dir] {
			continue
		}
		seen[c.dir] = true
		if found, ok := s.examine(ctx, c, want, missing); ok {
			return found, nil
		}
	}
	if s.cfg.NoFetch {
		missing.looked("fetching: not allowed")
		return binaries{}, missing
	}
	dir, err := s.cfg.fetch(ctx, want)
	if err != nil {
		missing.looked("fetching: " + err.Error())
		return binaries{}, missing
	}
	if found, ok := s.examine(ctx, candidate{dir: dir, why: "fetched, as none were found"}, want, missing); ok {
		return found, nil
	}
	return binaries{}, missing
}

type candidate struct{ dir, why string }

// candidates are the folders to examine, in order; a place with nothing in it is noted in missing.
func (s *Server) candidates(missing *NotFoundError) []candidate {
	where := s.cfg.places.orMachine()
	found := onPath(where.path)
	if len(found) == 0 {
		missing.looked("PATH: no postgres in it")
	}
	add := func(why string, patterns ...string) {
		var dirs []string
		for _, pattern := range patterns {
			matches, _ := filepath.Glob(pattern)
			if len(matches) == 0 {
				missing.looked(pattern + ": no such folder")
			}
			dirs = append(dirs, matches...)
		}
		for _, dir := range newestFirst(dirs) {
			found = append(found, candidate{dir: dir, why: why})
		}
	}
	add("in a usual folder", where.usual...)
	if cache, err := s.cfg.cacheDir(); err == nil {
		add("fetched earlier", filepath.Join(cache, "*", "bin"))
	}
	return found
}

// onPath follows links: a postgres on PATH is often one into the folder that also holds initdb.
func onPath(path string) []candidate {
	var found []candidate
	for _, dir := range filepath.SplitList(path) {
		if target, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres")); err == nil {
			found = append(found, candidate{dir: filepath.Dir(target), why: "on PATH"})
		}
	}
	return found
}

var number = regexp.MustCompile(`\d+`)

// newestFirst orders folders by the version that the folder above bin names; one that names none comes last.
func newestFirst(dirs []string) []string {
	version := func(dir string) int {
		n, err := strconv.Atoi(number.FindString(filepath.Base(filepath.Dir(dir))))
		if err != nil {
			return 0
		}
		return n
	}
	slices.SortStableFunc(dirs, func(a, b string) int { return cmp.Compare(version(b), version(a)) })
	return dirs
}

// examine tells whether a folder will do, and notes in missing why it does not.
func (s *Server) examine(ctx context.Context, c candidate, want int, missing *NotFoundError) (binaries, bool) {
	dir, err := filepath.Abs(c.dir)
	if err != nil {
		missing.looked(fmt.Sprintf("%s (%s): %v", c.dir, c.why, err))
		return binaries{}, false
	}
	c.dir = dir
	major, err := s.version(ctx, c.dir)
	switch {
	case err != nil:
		missing.looked(fmt.Sprintf("%s (%s): %v", c.dir, c.why, err))
	case major < oldestMajor:
		missing.looked(fmt.Sprintf("%s (%s): PostgreSQL %d, and %d is the oldest that will do", c.dir, c.why, major, oldestMajor))
	case want != 0 && major != want:
		missing.looked(fmt.Sprintf("%s (%s): PostgreSQL %d, which does not read a cluster made by %d", c.dir, c.why, major, want))
	default:
		if want != 0 {
			c.why += ", and of the version that made the cluster"
		}
		return binaries{dir: c.dir, major: major, reason: c.why}, true
	}
	return binaries{}, false
}

var versionLine = regexp.MustCompile(`^postgres \(PostgreSQL\) (\d+)`)

// version asks the server binary itself, as the user who will run it.
func (s *Server) version(ctx context.Context, dir string) (int, error) {
	for _, name := range []string{"postgres", "initdb"} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			return 0, fmt.Errorf("no %s in it", name)
		}
		if !info.Mode().IsRegular() || info.Mode()&0o111 == 0 {
			return 0, fmt.Errorf("%s is not executable", name)
		}
	}
	if err := s.user.reaches(dir); err != nil {
		return 0, err
	}
	said, err := s.command(ctx, s.home.path, filepath.Join(dir, "postgres"), "--version").Output()
	if err != nil {
		return 0, fmt.Errorf("postgres --version: %w", err)
	}
	line := versionLine.FindSubmatch(said)
	if line == nil {
		return 0, fmt.Errorf("postgres --version says %q", said)
	}
	return strconv.Atoi(string(line[1]))
}

// command is a program of PostgreSQL's, run as the server's user in a folder that this user may enter. Our own environment does not
// reach it where it would change what the server does: PGPORT and its like, and the language of its messages.
func (s *Server) command(ctx context.Context, dir, program string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Dir = dir
	cmd.SysProcAttr = s.user.attributes()
	cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool {
		return strings.HasPrefix(v, "PG") || strings.HasPrefix(v, "LC_") || strings.HasPrefix(v, "LANG")
	})
	cmd.Env = append(cmd.Env, "LC_ALL=C")
	return cmd
}

// NotFoundError says that no server binaries will do, where they were looked for, and what can be done.
type NotFoundError struct {
	Major  int      // the major version that made the cluster; 0 where any would do
	Data   string   // the cluster
	Looked []string // a line for each place: the place and what was wrong with it
}

func (e *NotFoundError) looked(line string) { e.Looked = append(e.Looked, line) }

func (e *NotFoundError) Error() string {
	var b strings.Builder
	install := "postgresql"
	if e.Major == 0 {
		b.WriteString("postgres: no PostgreSQL server binaries found (postgres and initdb)")
	} else {
		fmt.Fprintf(&b, "postgres: the cluster in %s was made by PostgreSQL %d, and no server binaries of that version were found", e.Data, e.Major)
		install = fmt.Sprintf("postgresql-%d", e.Major)
	}
	b.WriteString("\nlooked in:\n  - " + strings.Join(e.Looked, "\n  - "))
	b.WriteString("\nways out:\n  - install them: apt-get install " + install + ", or your system's package of that kind" +
		"\n  - name the folder that holds them in the configuration" +
		"\n  - let them be fetched: give this machine a network, or behind a proxy set HTTPS_PROXY" +
		"\n  - use a server that runs elsewhere, Docker's for instance: set DATABASE_URL")
	if e.Major != 0 {
		b.WriteString("\n  - begin with another data folder, and restore a backup into it")
	}
	return b.String()
}
