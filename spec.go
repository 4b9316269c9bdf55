// Package firstout holds the one document that says how the book is spoken to over HTTP. The server is generated
// from it, requests and answers are checked against it, and it is served as it stands here.
package firstout

import _ "embed"

// Document is openapi.yaml as written (OpenAPI 3.1, UTF-8).
//
//go:embed openapi.yaml
var Document []byte
