//go:build race

package export_test

// raced: the race detector makes reading ten times as slow, and nothing here runs at once.
const raced = true
