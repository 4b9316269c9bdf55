package api

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/workshop"
)

// A refusal tells no fact that the page of its kind does not explain, and no page explains one that is never told. What
// is told is read from the workshop's own source: a test that provoked refusals would miss those that it does not think
// of.
func TestPagesExplainEveryFact(t *testing.T) {
	t.Parallel()
	told := map[workshop.Slug]map[string]bool{}
	for _, folder := range []string{"../internal/workshop", "."} {
		for _, file := range sources(t, folder) {
			ast.Inspect(file, func(n ast.Node) bool {
				if slug, facts := factsOf(n); slug != "" {
					for _, name := range facts {
						if told[slug] == nil {
							told[slug] = map[string]bool{}
						}
						told[slug][name] = true
					}
				}
				return true
			})
		}
	}
	require.Greater(t, len(told), 12)
	for _, slug := range workshop.Slugs {
		explained := map[string]bool{}
		for _, f := range kinds[slug].Facts {
			explained[f.Name] = true
		}
		for name := range told[slug] {
			require.True(t, explained[name], "the page of %s does not explain %q", slug, name)
		}
		for name := range explained {
			require.True(t, told[slug][name], "no %s tells %q", slug, name)
		}
	}
}

func sources(t *testing.T, folder string) []*ast.File {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(folder, "*.go"))
	require.NoError(t, err)
	var files []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		text, err := os.ReadFile(name)
		require.NoError(t, err)
		file, err := parser.ParseFile(token.NewFileSet(), name, text, parser.SkipObjectResolution)
		require.NoError(t, err)
		files = append(files, file)
	}
	return files
}

// factsOf reads add(RefusedX, Facts{…}, …) and Refusal{Slug: RefusedX, Facts: Facts{…}}.
func factsOf(n ast.Node) (slug workshop.Slug, facts []string) {
	var parts []ast.Expr
	switch n := n.(type) {
	case *ast.CallExpr:
		parts = n.Args
	case *ast.CompositeLit:
		for _, element := range n.Elts {
			if pair, is := element.(*ast.KeyValueExpr); is {
				parts = append(parts, pair.Value)
			}
		}
	}
	for _, part := range parts {
		switch part := part.(type) {
		case *ast.Ident:
			slug = max(slug, slugNamed[part.Name])
		case *ast.SelectorExpr:
			slug = max(slug, slugNamed[part.Sel.Name])
		case *ast.CompositeLit:
			facts = append(facts, factNames(part)...)
		}
	}
	return slug, facts
}

func factNames(literal *ast.CompositeLit) (names []string) {
	switch kind := literal.Type.(type) {
	case *ast.Ident:
		if kind.Name != "Facts" {
			return nil
		}
	case *ast.SelectorExpr:
		if kind.Sel.Name != "Facts" {
			return nil
		}
	default:
		return nil
	}
	for _, element := range literal.Elts {
		if key, is := element.(*ast.KeyValueExpr).Key.(*ast.BasicLit); is {
			name, _ := strconv.Unquote(key.Value)
			names = append(names, name)
		}
	}
	return names
}

// slugNamed are the refusals by their constants' names.
var slugNamed = map[string]workshop.Slug{
	"RefusedMistypedCode": workshop.RefusedMistypedCode, "RefusedUnknownCode": workshop.RefusedUnknownCode, "RefusedWrongKind": workshop.RefusedWrongKind,
	"RefusedInTheFuture": workshop.RefusedInTheFuture, "RefusedTooLongAgo": workshop.RefusedTooLongAgo, "RefusedBeforeItExisted": workshop.RefusedBeforeItExisted,
	"RefusedWrongState": workshop.RefusedWrongState, "RefusedOnHold": workshop.RefusedOnHold, "RefusedPastDate": workshop.RefusedPastDate,
	"RefusedNotReleased": workshop.RefusedNotReleased, "RefusedWrongChocolate": workshop.RefusedWrongChocolate, "RefusedUndecided": workshop.RefusedUndecided,
	"RefusedAllergensUnknown": workshop.RefusedAllergensUnknown, "RefusedNotOnLabel": workshop.RefusedNotOnLabel,
	"RefusedNoWholeDay": workshop.RefusedNoWholeDay, "RefusedNotEnough": workshop.RefusedNotEnough,
	"RefusedAlreadyCorrected": workshop.RefusedAlreadyCorrected, "RefusedStillUsed": workshop.RefusedStillUsed,
}
