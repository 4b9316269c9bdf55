// Package api speaks HTTP: requests into commands and questions, answers into JSON, pages and problems. It decides
// nothing.
//
// A request passes the shell from outside in: an id, the log line, a net for panics, the time it may take, what the
// caller accepts, who calls and with what right, how often, the idempotency key, the document, the entity tag; then
// the handler of its operation. Whatever goes wrong on the way becomes an RFC 9457 problem in one place, problems.go.
//
// It knows nothing of SQL, of how a command is decided or of how the book is kept.
package api
