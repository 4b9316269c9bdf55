package seal

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// A Checkpoint says what a log was when it had a size. Signed, it commits whoever signed it to the first Size events,
// byte for byte.
type Checkpoint struct {
	Origin string // names the log; the name of the key that signs
	Size   int64  // events
	Root   Hash   // of the tree over them
}

// Text is the form that is signed (C2SP tlog-checkpoint): three lines.
func (c Checkpoint) Text() string {
	return c.Origin + "\n" + strconv.FormatInt(c.Size, 10) + "\n" + c.Root.String() + "\n"
}

// Sign gives the signed note of a checkpoint. Its origin must be the key's name.
func (c Checkpoint) Sign(key Key) ([]byte, error) {
	if c.Origin != key.Name() {
		return nil, fmt.Errorf("sign a checkpoint of %q: the key is named %q", c.Origin, key.Name())
	}
	signed, err := note.Sign(&note.Note{Text: c.Text()}, key.signer)
	if err != nil {
		return nil, fmt.Errorf("sign a checkpoint of %q: %w", c.Origin, err)
	}
	return signed, nil
}

// Open reads a signed note and gives its checkpoint if one of the known keys that bears the checkpoint's origin as its
// name signed it, and no signature of a known key is bad. Signatures of others are left aside.
func Open(signed []byte, known ...note.Verifier) (Checkpoint, error) {
	opened, err := note.Open(signed, note.VerifierList(known...))
	if unverified := new(note.UnverifiedNoteError); errors.As(err, &unverified) {
		return Checkpoint{}, fmt.Errorf("checkpoint: none of the keys given signed it: it is signed by %s", signers(unverified.Note.UnverifiedSigs))
	}
	if err != nil {
		return Checkpoint{}, fmt.Errorf("checkpoint: %w", err)
	}
	c, err := parseText(opened.Text)
	if err != nil {
		return Checkpoint{}, err
	}
	for _, by := range opened.Sigs {
		if by.Name == c.Origin {
			return c, nil
		}
	}
	return Checkpoint{}, fmt.Errorf("checkpoint: it is of %q and signed by %s, which is no key of that name", c.Origin, signers(opened.Sigs))
}

// Peek reads a signed note without asking who signed it: what it says proves nothing.
func Peek(signed []byte) (Checkpoint, error) {
	_, err := note.Open(signed, note.VerifierList())
	unverified := new(note.UnverifiedNoteError)
	if !errors.As(err, &unverified) {
		return Checkpoint{}, fmt.Errorf("checkpoint: %w", err)
	}
	return parseText(unverified.Note.Text)
}

// SignedBy says whether a signed note bears a signature that claims to be of a key, by name and key id.
func SignedBy(signed []byte, key note.Verifier) bool {
	_, err := note.Open(signed, note.VerifierList())
	unverified := new(note.UnverifiedNoteError)
	if !errors.As(err, &unverified) {
		return false
	}
	for _, s := range unverified.Note.UnverifiedSigs {
		if s.Name == key.Name() && s.Hash == key.KeyHash() {
			return true
		}
	}
	return false
}

func signers(of []note.Signature) string {
	var names []string
	for _, s := range of {
		names = append(names, fmt.Sprintf("%s+%08x", s.Name, s.Hash))
	}
	return strings.Join(names, ", ")
}

// parseText reads the three lines. Others may follow them, which the standard allows; nothing is read from those.
func parseText(text string) (Checkpoint, error) {
	lines := strings.SplitN(text, "\n", 4)
	if len(lines) < 4 || lines[0] == "" {
		return Checkpoint{}, errors.New("checkpoint: expected three lines: origin, size, root")
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 0 || strconv.FormatInt(size, 10) != lines[1] {
		return Checkpoint{}, fmt.Errorf("checkpoint: expected a number of events on line 2, not %q", lines[1])
	}
	root, err := parseHash(lines[2])
	if err != nil {
		return Checkpoint{}, fmt.Errorf("checkpoint: line 3: %w", err)
	}
	return Checkpoint{Origin: lines[0], Size: size, Root: root}, nil
}

// parseHash reads a hash in base64, in the one form that it has.
func parseHash(text string) (h Hash, err error) {
	decoded, err := base64.StdEncoding.Strict().DecodeString(text)
	if err != nil || len(decoded) != len(h) {
		return h, fmt.Errorf("expected 32 bytes in base64, not %q", text)
	}
	return Hash(decoded), nil
}
