package eventlog

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Key is what the book knows of an API key. The key itself is told once, when it is made, and kept nowhere.
type Key struct {
	ID        uuid.UUID // the actor in events
	Name      string    // its holder's; one key in force for each; empty: erased
	Roles     []string
	Site      string // empty: every site
	CreatedAt time.Time
	ExpiresAt *time.Time // nil: never
	RevokedAt *time.Time
}

// State says what a key is at that time: in force, expired or revoked.
func (k Key) State(now time.Time) string {
	switch {
	case k.ExpiresAt != nil && !now.Before(*k.ExpiresAt) && (k.RevokedAt == nil || !k.RevokedAt.Before(*k.ExpiresAt)):
		return "expired" // also where its name was given free, or it was revoked after that
	case k.RevokedAt != nil:
		return "revoked"
	}
	return "in force"
}

var (
	// ErrNoKey says that there is no such key, or none that is still good.
	ErrNoKey = errors.New("no such key")
	// ErrNameTaken says that a good key has that name already.
	ErrNameTaken = errors.New("a key of that name is in use")
)

// KeyPrefix makes a key that leaked into a text easy to find and to tell from others.
const KeyPrefix = "firstout_"

// uniqueViolation is the SQLSTATE of a second row with a unique value.
const uniqueViolation = "23505"

// CreateKey makes a key and gives its secret, which has 128 bits of chance and therefore needs no slow hash.
func CreateKey(ctx context.Context, db DB, name string, roles []string, site string, expires *time.Time, now time.Time) (string, Key, error) {
	secret := KeyPrefix + rand.Text()
	key := Key{ID: uuid.New(), Name: name, Roles: roles, Site: site, CreatedAt: now.UTC().Truncate(time.Microsecond), ExpiresAt: expires}
	hash := HashKey(secret)
	err := pgx.BeginFunc(ctx, db, func(tx pgx.Tx) error {
		holder, err := holderOf(ctx, tx, name, key.CreatedAt)
		if err != nil {
			return err
		}
		// An expired key gives its name free.
		_, err = tx.Exec(ctx, `UPDATE api_keys SET revoked_at = expires_at WHERE holder = $1 AND revoked_at IS NULL AND expires_at <= $2`, holder, now)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO api_keys (id, holder, hash, roles, site, created_at, expires_at) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			key.ID, holder, hash[:], key.Roles, key.Site, key.CreatedAt, key.ExpiresAt)
		return err
	})
	if refused := new(pgconn.PgError); errors.As(err, &refused) && refused.Code == uniqueViolation {
		return "", Key{}, fmt.Errorf("create key %q: %w", name, ErrNameTaken)
	}
	if err != nil {
		return "", Key{}, fmt.Errorf("create key %q: %w", name, err)
	}
	return secret, key, nil
}

// holderOf finds whom a name means, or notes them down. Names are kept outside the log, where they can be erased.
func holderOf(ctx context.Context, tx pgx.Tx, name string, now time.Time) (holder uuid.UUID, err error) {
	_, err = tx.Exec(ctx, `INSERT INTO people (id, kind, name, noted_at) VALUES ($1, 'key_holder', $2, $3)
		ON CONFLICT (name) WHERE kind = 'key_holder' DO NOTHING`, uuid.New(), name, now)
	if err != nil {
		return uuid.Nil, err
	}
	err = tx.QueryRow(ctx, `SELECT id FROM people WHERE kind = 'key_holder' AND name = $1`, name).Scan(&holder)
	return holder, err
}

const selectKey = `SELECT k.id, coalesce(p.name, ''), k.roles, k.site, k.created_at, k.expires_at, k.revoked_at
	FROM api_keys k JOIN people p ON p.id = k.holder`

// HashKey gives what is kept of a key's secret, and by which it is found.
func HashKey(secret string) [32]byte { return sha256.Sum256([]byte(secret)) }

// FindKey gives the key whose secret has this hash, if it is good at that time; else ErrNoKey.
func FindKey(ctx context.Context, q Querier, hash [32]byte, now time.Time) (Key, error) {
	rows, err := q.Query(ctx, selectKey+` WHERE k.hash = $1 AND k.revoked_at IS NULL AND (k.expires_at IS NULL OR k.expires_at > $2)`, hash[:], now)
	if err != nil {
		return Key{}, fmt.Errorf("find key: %w", err)
	}
	key, err := pgx.CollectExactlyOneRow(rows, scanKey)
	if errors.Is(err, pgx.ErrNoRows) {
		return Key{}, ErrNoKey
	}
	if err != nil {
		return Key{}, fmt.Errorf("find key: %w", err)
	}
	return key, nil
}

// FindKeyByID gives the key of this id, if it is good at that time, with the hash of its secret; else ErrNoKey.
func FindKeyByID(ctx context.Context, q Querier, id uuid.UUID, now time.Time) (Key, [32]byte, error) {
	var hash []byte
	err := q.QueryRow(ctx, `SELECT hash FROM api_keys WHERE id = $1`, id).Scan(&hash)
	if errors.Is(err, pgx.ErrNoRows) {
		return Key{}, [32]byte{}, ErrNoKey
	}
	if err != nil {
		return Key{}, [32]byte{}, fmt.Errorf("find key by id: %w", err)
	}
	key, err := FindKey(ctx, q, [32]byte(hash), now)
	return key, [32]byte(hash), err
}

// ListKeys gives every key there ever was, by name and age.
func ListKeys(ctx context.Context, q Querier) ([]Key, error) {
	rows, err := q.Query(ctx, selectKey+` ORDER BY p.name, k.created_at, k.id`)
	if err != nil {
		return nil, fmt.Errorf("list keys: %w", err)
	}
	keys, err := pgx.CollectRows(rows, scanKey)
	if err != nil {
		return nil, fmt.Errorf("list keys: %w", err)
	}
	return keys, nil
}

// RevokeKey ends the good key of that name at once and for ever; without one it is ErrNoKey.
func RevokeKey(ctx context.Context, db DB, name string, now time.Time) error {
	done, err := db.Exec(ctx, `UPDATE api_keys SET revoked_at = $2 FROM people p
		WHERE p.id = holder AND p.kind = 'key_holder' AND p.name = $1 AND revoked_at IS NULL`, name, now)
	if err != nil {
		return fmt.Errorf("revoke key %q: %w", name, err)
	}
	if done.RowsAffected() == 0 {
		return fmt.Errorf("revoke key %q: %w", name, ErrNoKey)
	}
	return nil
}

// EraseHolder takes the name of a holder of keys away for ever: the log goes on calling them by the ids of their keys,
// which then say of nobody who they are. While a key of theirs is in force it is ErrNameTaken, without any key of that
// name ErrNoKey.
func EraseHolder(ctx context.Context, db DB, name string, now time.Time) error {
	err := pgx.BeginFunc(ctx, db, func(tx pgx.Tx) error {
		var holder uuid.UUID
		err := tx.QueryRow(ctx, `SELECT id FROM people WHERE kind = 'key_holder' AND name = $1 FOR UPDATE`, name).Scan(&holder)
		if errors.Is(err, pgx.ErrNoRows) {
			return ErrNoKey
		}
		if err != nil {
			return err
		}
		var inForce bool
		err = tx.QueryRow(ctx, `SELECT EXISTS (
			SELECT FROM api_keys WHERE holder = $1 AND revoked_at IS NULL AND (expires_at IS NULL OR expires_at > $2))`, holder, now).Scan(&inForce)
		if err != nil {
			return err
		}
		if inForce {
			return ErrNameTaken
		}
		_, err = tx.Exec(ctx, `UPDATE people SET name = NULL, erased_at = $2 WHERE id = $1`, holder, now)
		return err
	})
	if err != nil {
		return fmt.Errorf("erase the holder of key %q: %w", name, err)
	}
	return nil
}

func scanKey(row pgx.CollectableRow) (Key, error) {
	var k Key
	err := row.Scan(&k.ID, &k.Name, &k.Roles, &k.Site, &k.CreatedAt, &k.ExpiresAt, &k.RevokedAt)
	k.CreatedAt = k.CreatedAt.UTC()
	return k, err
}
