// Package web is what people see: the pages as HTML, with their style and their one small script, all embedded. Every
// page can be read without the script, which only keeps a board fresh. The package knows nothing of HTTP, of keys or
// of how a board is worked out: it is given what to show, and finds the words for it.
package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"path"
)

// Policy is the content security policy of the pages: nothing but what this server gives, and no script or style
// inside a page.
const Policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// AssetPath is where the pages look for what Asset gives.
const AssetPath = "/assets/"

//go:embed static
var static embed.FS

//go:embed templates
var templates embed.FS

var pages = template.Must(template.New("pages").Funcs(template.FuncMap{"asset": assetAddress}).ParseFS(templates, "templates/*.html"))

// Asset gives a file that a page loads, with its media type and a tag that changes with its content; ok is false for
// a name that no page uses.
func Asset(name string) (content []byte, mediaType, tag string, ok bool) {
	content, err := static.ReadFile("static/" + name)
	if err != nil {
		return nil, "", "", false
	}
	return content, mediaTypes[path.Ext(name)], tagOf(content), true
}

// mediaTypes are told here, for a machine's own table may say otherwise, and a browser is told not to guess.
var mediaTypes = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

func tagOf(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:8])
}

// assetAddress is a file's address, another for each content: a browser may keep it for ever.
func assetAddress(name string) (string, error) {
	_, _, tag, ok := Asset(name)
	if !ok {
		return "", fmt.Errorf("there is no asset %q", name)
	}
	return AssetPath + name + "?v=" + tag, nil
}

// A Place is where a board may be asked for.
type Place struct {
	Slug, Name, Site string
}

// Places is the page on which one of several places is chosen; none is told as that.
type Places struct {
	Places []Place
}

// Login is the form that asks for a key.
type Login struct {
	Place   string // whose board was asked for; empty: none
	Message string // why the form is shown again; empty: it is not
}

// A Notice is an answer other than the one hoped for.
type Notice struct {
	Title     string
	Detail    string // a sentence that a person can act on
	RequestID string
	LoggedIn  bool
}

// HTML gives the page.
func (p Places) HTML() ([]byte, error) { return render("places", p) }

// HTML gives the page.
func (l Login) HTML() ([]byte, error) { return render("login", l) }

// HTML gives the page.
func (n Notice) HTML() ([]byte, error) { return render("notice", n) }

func render(name string, what any) ([]byte, error) {
	var page bytes.Buffer
	if err := pages.ExecuteTemplate(&page, name, what); err != nil {
		return nil, fmt.Errorf("make the page %s: %w", name, err)
	}
	return page.Bytes(), nil
}
