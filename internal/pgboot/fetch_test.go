package pgboot_test

import (
	"archive/zip"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgboot"
)

// repository is a folder that looks like the public one, with an archive of this machine's own binaries. Where a packager keeps share
// elsewhere, they go on finding it there.
func repository(t *testing.T) string {
	t.Helper()
	at := folder(t)
	bin, _, err := pgboot.Find(t.Context(), throwaway(at+"/none"), 0)
	require.NoError(t, err)
	txz := filepath.Join(at, "postgres.txz")
	pack := []string{"-C", filepath.Dir(bin), "--exclude=bitcode", "-c", "-I", "xz -0", "-f", txz, "bin/postgres", "bin/initdb", "lib"}
	if _, err := os.Stat(filepath.Join(filepath.Dir(bin), "share")); err == nil {
		pack = append(pack, "share")
	}
	said, err := exec.CommandContext(t.Context(), "tar", pack...).CombinedOutput()
	require.NoError(t, err, "%s", said)
	packed, err := os.ReadFile(txz)
	require.NoError(t, err)

	arch := map[string]string{"amd64": "amd64", "arm64": "arm64v8"}[runtime.GOARCH]
	name := "embedded-postgres-binaries-" + runtime.GOOS + "-" + arch
	const version = "17.5.0" // what the fetching library calls 17, whatever is in it here
	jar := filepath.Join(at, "io/zonky/test/postgres", name, version, name+"-"+version+".jar")
	require.NoError(t, os.MkdirAll(filepath.Dir(jar), 0o755))
	f, err := os.Create(jar)
	require.NoError(t, err)
	sum := sha256.New()
	z := zip.NewWriter(f)
	w, err := z.Create("postgres-linux-x86_64.txz")
	require.NoError(t, err)
	_, err = w.Write(packed)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	require.NoError(t, f.Close())
	raw, err := os.ReadFile(jar)
	require.NoError(t, err)
	sum.Write(raw)
	require.NoError(t, os.WriteFile(jar+".sha256", []byte(hex.EncodeToString(sum.Sum(nil))), 0o644))
	return at
}

func TestFetchedAsALastResort(t *testing.T) {
	t.Parallel()
	files := httptest.NewServer(http.FileServer(http.Dir(repository(t))))
	defer files.Close()
	at := folder(t)
	cfg := pgboot.Config{DataDir: at + "/data", CacheDir: at + "/cache", RepositoryURL: files.URL, Throwaway: true}.LookIn("/nonexistent")
	s, err := pgboot.Start(t.Context(), cfg)
	require.NoError(t, err)
	require.Equal(t, at+"/cache/17.5.0/bin", path.Dir(ask(t, s.URL("postgres", pgboot.Superuser), "SELECT pg_read_file('postmaster.opts')")[:len(at+"/cache/17.5.0/bin/postgres")]))
	require.NoError(t, s.Stop(t.Context()))
	left, err := filepath.Glob(at + "/cache/fetching-*")
	require.NoError(t, err)
	require.Empty(t, left)

	files.Close() // no network any more: what was fetched earlier will do
	dir, reason, err := pgboot.Find(t.Context(), cfg, 0)
	require.NoError(t, err)
	require.Equal(t, at+"/cache/17.5.0/bin", dir)
	require.Equal(t, "fetched earlier", reason)
}

func TestAFetchThatFails(t *testing.T) {
	t.Parallel()
	spoilt := repository(t)
	require.NoError(t, filepath.WalkDir(spoilt, func(path string, _ os.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".sha256") {
			return os.WriteFile(path, []byte(strings.Repeat("0", 64)), 0o644)
		}
		return err
	}))
	serve := func(handler http.Handler) string {
		server := httptest.NewServer(handler)
		t.Cleanup(server.Close)
		return server.URL
	}
	gone := httptest.NewServer(http.NotFoundHandler())
	gone.Close()
	for name, c := range map[string]struct{ url, want string }{
		"no network":       {gone.URL, "fetching: version 17.5.0 from " + gone.URL + ": unable to connect to " + gone.URL},
		"not in it":        {serve(http.NotFoundHandler()), "no version found matching 17.5.0"},
		"another archive":  {serve(http.FileServer(http.Dir(spoilt))), "downloaded checksums do not match"},
		"not even a zip":   {serve(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusOK) })), "fetching: version 17.5.0"},
		"ends before time": {serve(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("Content-Length", "100") })), "fetching: version 17.5.0"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			at := folder(t)
			_, err := pgboot.Start(t.Context(), pgboot.Config{DataDir: at + "/data", CacheDir: at + "/cache", RepositoryURL: c.url}.LookIn("/nonexistent"))
			require.ErrorContains(t, err, c.want)
			require.ErrorContains(t, err, "ways out:")
			require.ErrorContains(t, err, "HTTPS_PROXY")
			left, err := filepath.Glob(at + "/cache/*")
			require.NoError(t, err)
			require.Empty(t, left, "nothing half fetched stays")
		})
	}
}
