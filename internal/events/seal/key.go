package seal

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// A Key signs checkpoints (Ed25519). Whoever has it can sign a log that never was: it belongs outside the database.
type Key struct {
	signer   note.Signer
	verifier string
}

// Name is the key's name and the origin of every checkpoint that it signs.
func (k Key) Name() string { return k.signer.Name() }

// Verifier is the public half as text, name+id+key, which is handed to whoever is to check the log.
func (k Key) Verifier() string { return k.verifier }

// NewKey makes a key of a name and gives its text, which ParseKey reads. random gives 32 bytes that nobody can guess.
func NewKey(random io.Reader, name string) (text string, err error) {
	if !isName(name) {
		return "", fmt.Errorf("a key's name is one word without a plus sign, such as shop.example/book, not %q", name)
	}
	text, _, err = note.GenerateKey(random, name)
	if err != nil {
		return "", fmt.Errorf("make a signing key: %w", err)
	}
	return text, nil
}

// isName is what the signed-note form asks of a name: no white space, no plus sign, not nothing.
func isName(name string) bool {
	return len(strings.Fields(name)) == 1 && strings.Fields(name)[0] == name && !strings.Contains(name, "+")
}

// ParseKey reads a signing key. An error does not quote it.
func ParseKey(text string) (Key, error) {
	text = strings.TrimSpace(text)
	bad := errors.New("expected a signing key: one line that begins with PRIVATE+KEY+")
	signer, err := note.NewSigner(text)
	if err != nil {
		return Key{}, bad
	}
	// PRIVATE+KEY+name+id+key: the key is base64, which may have plus signs of its own; a name has none.
	encoded := strings.SplitN(text, "+", 5)[4]
	decoded, err := base64.StdEncoding.DecodeString(encoded)
	if err != nil || len(decoded) != 1+ed25519.SeedSize {
		return Key{}, bad
	}
	public, _ := ed25519.NewKeyFromSeed(decoded[1:]).Public().(ed25519.PublicKey)
	verifier, err := note.NewEd25519VerifierKey(signer.Name(), public)
	if err != nil {
		return Key{}, bad
	}
	return Key{signer: signer, verifier: verifier}, nil
}

// ParseVerifier reads the public half of a key.
func ParseVerifier(text string) (note.Verifier, error) {
	verifier, err := note.NewVerifier(strings.TrimSpace(text))
	if err != nil {
		return nil, errors.New("expected a verifier key: name+id+key on one line, as the server prints it at its start")
	}
	return verifier, nil
}
