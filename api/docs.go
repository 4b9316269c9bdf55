package api

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
	"path"
	"strings"
	"sync"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// The page that shows the document to people: swagger-ui-dist 5.35.0 as it was published, its LICENSE and NOTICE
// beside it, and a start of our own. All of it is in the binary, and the page loads nothing from anywhere else.
//
//go:embed docs
var docsFiles embed.FS

const (
	docsPage = "/docs"
	docsFile = "/docs/:name"
)

// docsPolicy lets the page load and call this server only. Its style sheet holds its pictures as data.
const docsPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// docsTypes are told here: a browser is told not to guess. What is not in it is a licence.
var docsTypes = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}

// A servedFile is a file of the page's with its tag, which changes with its content.
type servedFile struct {
	content   []byte
	mediaType string
	tag       string // weak: the same for the packed form
}

// docs are the page and its files.
type docs struct {
	page  []byte
	files map[string]servedFile
}

// readDocs reads it once in a process.
var readDocs = sync.OnceValues(newDocs)

func newDocs() (*docs, error) {
	entries, err := docsFiles.ReadDir("docs")
	if err != nil {
		return nil, fmt.Errorf("read the docs: %w", err)
	}
	d := &docs{files: map[string]servedFile{}}
	for _, entry := range entries {
		content, err := docsFiles.ReadFile("docs/" + entry.Name())
		if err != nil {
			return nil, fmt.Errorf("read the docs: %w", err)
		}
		sum := sha256.Sum256(content)
		file := servedFile{content: content, mediaType: docsTypes[path.Ext(entry.Name())], tag: `W/"` + hex.EncodeToString(sum[:8]) + `"`}
		if file.mediaType == "" {
			file.mediaType = echo.MIMETextPlainCharsetUTF8
		}
		d.files[entry.Name()] = file
	}
	return d, d.render()
}

// render makes the page, which names each file with its tag: a browser may keep what it names for ever.
func (d *docs) render() error {
	index := d.files["index.html"]
	delete(d.files, "index.html")
	address := func(name string) string { return docsPage + "/" + name + "?v=" + d.files[name].version() }
	page, err := template.New("docs").Funcs(template.FuncMap{"address": address}).Parse(string(index.content))
	if err != nil {
		return fmt.Errorf("read the docs: %w", err)
	}
	var out bytes.Buffer
	if err := page.Execute(&out, nil); err != nil {
		return fmt.Errorf("render the docs: %w", err)
	}
	d.page = out.Bytes()
	return nil
}

func (f servedFile) version() string { return strings.Trim(f.tag, `W/"`) }

func registerDocs(e *echo.Echo) {
	e.GET(docsPage, showDocs)
	e.GET(docsFile, docsAsset, middleware.Gzip()) // a megabyte and a half is a third of that packed
}

func showDocs(c echo.Context) error {
	d, err := readDocs()
	if err != nil {
		return err
	}
	c.Response().Header().Set("Content-Security-Policy", docsPolicy)
	c.Response().Header().Set("Referrer-Policy", "no-referrer")
	return c.HTMLBlob(http.StatusOK, d.page)
}

func docsAsset(c echo.Context) error {
	d, err := readDocs()
	if err != nil {
		return err
	}
	file, known := d.files[c.Param("name")]
	if !known {
		return &problem{slug: slugNotFound, detail: "There is no file of that name: open /docs anew."}
	}
	header := c.Response().Header()
	header.Set("Cache-Control", "no-cache")
	if c.QueryParam("v") == file.version() {
		header.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	header.Set("ETag", file.tag)
	if holds(c.Request().Header.Values("If-None-Match"), strings.TrimPrefix(file.tag, "W/")) {
		return c.NoContent(http.StatusNotModified)
	}
	return c.Blob(http.StatusOK, file.mediaType, file.content)
}
