// Package openapi is the server side of openapi.yaml: its types, its routes and one method an operation. All but this
// file is generated; change openapi.yaml and run go generate.
//
// It knows nothing of problems, headers and not-modified answers, which package api writes in one place, nor of rules
// across several fields, which package api checks before a handler runs: overlay.yaml leaves them out.
package openapi

//go:generate go tool -modfile=../../tools/go.mod oapi-codegen -config oapi-codegen.yaml ../../openapi.yaml
