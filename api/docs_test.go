package api

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The page of the document loads its files from here, by addresses that name their content, and holds no script and no
// style of its own.
func TestDocsPage(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	page := b.nobody().plain(t, "/docs")
	require.Equal(t, http.StatusOK, page.Status)
	require.Equal(t, "text/html; charset=UTF-8", page.Header.Get("Content-Type"))
	require.Equal(t, "nosniff", page.Header.Get("X-Content-Type-Options"))
	require.Equal(t, "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; font-src 'self'; "+
		"form-action 'self'; base-uri 'none'; frame-ancestors 'none'", page.Header.Get("Content-Security-Policy"))
	text := string(page.Body)
	require.NotContains(t, text, "<style")
	require.NotRegexp(t, `<script[^>]*>[^<]|\son\w+=|\sstyle=|javascript:|https?:`, text)

	found := regexp.MustCompile(`(?:src|href)="(/docs/[^"]+)"`).FindAllStringSubmatch(text, -1)
	require.Len(t, found, 3)
	for _, link := range found {
		a := b.nobody().plain(t, link[1])
		require.Equal(t, http.StatusOK, a.Status, link[1])
		require.Equal(t, "public, max-age=31536000, immutable", a.Header.Get("Cache-Control"))
		bare, _, _ := strings.Cut(link[1], "?")
		require.Equal(t, "no-cache", b.nobody().plain(t, bare).Header.Get("Cache-Control"), "a name alone may lead to another content")
		require.Equal(t, "no-cache", b.nobody().plain(t, bare+"?v=0123").Header.Get("Cache-Control"))
	}
}

func TestDocsFiles(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	for name, mediaType := range map[string]string{
		"swagger-ui-bundle.js": "text/javascript; charset=utf-8", "start.js": "text/javascript; charset=utf-8", "swagger-ui.css": "text/css; charset=utf-8",
		"LICENSE": "text/plain; charset=UTF-8", "NOTICE": "text/plain; charset=UTF-8", "swagger-ui-bundle.js.LICENSE.txt": "text/plain; charset=UTF-8",
	} {
		plain := b.nobody().plain(t, "/docs/"+name)
		require.Equal(t, http.StatusOK, plain.Status, name)
		require.Equal(t, mediaType, plain.Header.Get("Content-Type"), name)
		require.Empty(t, plain.Header.Get("Content-Encoding"))
		require.Equal(t, "Accept-Encoding", plain.Header.Get("Vary"))
		content, err := docsFiles.ReadFile("docs/" + name)
		require.NoError(t, err)
		require.True(t, bytes.Equal(content, plain.Body), name)

		packed := b.nobody().plain(t, "/docs/"+name, "Accept-Encoding", "br, gzip")
		require.Equal(t, "gzip", packed.Header.Get("Content-Encoding"))
		reader, err := gzip.NewReader(bytes.NewReader(packed.Body))
		require.NoError(t, err)
		unpacked, err := io.ReadAll(reader)
		require.NoError(t, err)
		require.True(t, bytes.Equal(content, unpacked), name)

		tag := plain.Header.Get("ETag")
		require.True(t, strings.HasPrefix(tag, `W/"`), "one tag for both forms is a weak one (RFC 9110, section 8.8.3.3)")
		require.Equal(t, tag, packed.Header.Get("ETag"))
		for _, have := range []string{tag, strings.TrimPrefix(tag, "W/"), `"other", ` + tag} {
			a := b.nobody().plain(t, "/docs/"+name, "If-None-Match", have, "Accept-Encoding", "gzip")
			require.Equal(t, http.StatusNotModified, a.Status)
			require.Empty(t, a.Body)
		}
		require.Equal(t, http.StatusOK, b.nobody().plain(t, "/docs/"+name, "If-None-Match", `"other"`).Status)
	}
	for _, name := range []string{"index.html", "nothing.js", "..%2fdocs.go", "%2e%2e", "docs"} {
		b.nobody().plain(t, "/docs/"+name).problem(http.StatusNotFound, "not-found")
	}
}

// Whatever is answered, a browser that is shown it loads nothing, unless the page says what.
func TestEveryAnswerHasAPolicy(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	for _, target := range []string{"/problems", "/problems/not-enough", "/problems/no-such", "/openapi.yaml", "/healthz", "/nothing", "/v1/board?place=counter"} {
		a := b.as(roleOwner).get(t, target)
		require.Equal(t, barePolicy, a.Header.Get("Content-Security-Policy"), target)
		require.Equal(t, "nosniff", a.Header.Get("X-Content-Type-Options"), target)
	}
}

// The index tells every kind of problem in the order in which refusals are told, and each has a page that says what it
// means, what to do, and what its facts are.
func TestProblemPages(t *testing.T) {
	t.Parallel()
	b := newBench(t, stub{})
	list := string(b.nobody().get(t, "/problems").Body)
	last := -1
	for _, slug := range allSlugs() {
		at := strings.Index(list, `<a href="/problems/`+string(slug)+`">`)
		require.Greater(t, at, last, "%s stands in its order", slug)
		last = at
		a := b.nobody().get(t, "/problems/"+string(slug), "Accept", "text/html")
		require.Equal(t, "text/html", a.Header.Get("Content-Type"))
		page := string(a.Body)
		for _, part := range []string{kinds[slug].Means, kinds[slug].Do} {
			require.NotEmpty(t, part, slug)
			require.Contains(t, page, "<p>"+strings.NewReplacer("'", "&#39;", "±", "±").Replace(part), slug)
		}
		for _, f := range kinds[slug].Facts {
			require.NotEmpty(t, f.Meaning)
			require.Contains(t, page, "<code>"+f.Name+"</code>", slug)
		}
		require.NotRegexp(t, `(?i)<script|<style|\sstyle=|\son\w+=`, page)
	}
}

// plain asks for what stands in no document.
func (c client) plain(t *testing.T, target string, headers ...string) answer {
	t.Helper()
	return serve(t, c, c.request(t, http.MethodGet, target, "", headers...))
}
