//go:build !race

package export_test

const raced = false
