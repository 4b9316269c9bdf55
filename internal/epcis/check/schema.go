// Package check holds EPCIS documents against the official schema and against what that lets pass though it is wrong. It
// is for tests.
package check

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strings"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// A Schema is the official JSON Schema of EPCIS 2.0. Nobody gave the right to copy it, so there is none in this
// repository.
type Schema struct{ schema *jsonschema.Schema }

// ReadSchema reads the schema from a file.
func ReadSchema(path string) (*Schema, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the EPCIS schema: %w", err)
	}
	parsed, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("read the EPCIS schema: %w", err)
	}
	compiler := jsonschema.NewCompiler()
	compiler.UseRegexpEngine(compilePattern)
	const name = "epcis.json"
	if err := compiler.AddResource(name, parsed); err != nil {
		return nil, fmt.Errorf("read the EPCIS schema: %w", err)
	}
	schema, err := compiler.Compile(name)
	if err != nil {
		return nil, fmt.Errorf("compile the EPCIS schema: %w", err)
	}
	return &Schema{schema}, nil
}

// Validate says what of a document is off the schema.
func (s *Schema) Validate(document []byte) error {
	parsed, err := jsonschema.UnmarshalJSON(bytes.NewReader(document))
	if err != nil {
		return fmt.Errorf("read a document: %w", err)
	}
	return s.schema.Validate(parsed)
}

// A pattern of the schema. Two of them begin with ^(?!, which Go's expressions do not have: what stands there is matched
// and the answer turned round.
type pattern struct {
	*regexp.Regexp
	text string
	not  bool
}

func (p pattern) MatchString(text string) bool { return p.Regexp.MatchString(text) != p.not }
func (p pattern) String() string               { return p.text }

func compilePattern(text string) (jsonschema.Regexp, error) {
	plain := strings.ReplaceAll(text, `\/`, "/")
	inner, not := strings.CutPrefix(plain, "^(?!")
	if not {
		plain = "^(?:" + inner
	}
	compiled, err := regexp.Compile(plain)
	return pattern{compiled, text, not}, err
}
