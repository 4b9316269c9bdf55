package civil

import (
	"bytes"
	"database/sql/driver"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// MarshalText gives the date as in 2026-12-08. No day has no text.
func (d Day) MarshalText() ([]byte, error) {
	if d.IsZero() {
		return nil, errors.New("no day has no text")
	}
	return []byte(d.String()), nil
}

// UnmarshalText reads what MarshalText gives.
func (d *Day) UnmarshalText(text []byte) error {
	read, err := ParseDay(string(text))
	if err != nil {
		return err
	}
	*d = read
	return nil
}

// MarshalJSON gives the date as a JSON string, and null for no day.
func (d Day) MarshalJSON() ([]byte, error) {
	if d.IsZero() {
		return []byte("null"), nil
	}
	return json.Marshal(d.String())
}

// UnmarshalJSON reads what MarshalJSON gives.
func (d *Day) UnmarshalJSON(data []byte) error {
	if bytes.Equal(data, []byte("null")) {
		*d = Day{}
		return nil
	}
	var text string
	if err := json.Unmarshal(data, &text); err != nil {
		return fmt.Errorf("%s is not a date: write year, month and day as in \"2026-12-08\"", data)
	}
	return d.UnmarshalText([]byte(text))
}

// Value gives the date to a database: its text, and NULL for no day.
func (d Day) Value() (driver.Value, error) {
	if d.IsZero() {
		return nil, nil
	}
	return d.String(), nil
}

// Scan reads a database's date: text, or a time whose own date counts, or NULL for no day.
func (d *Day) Scan(from any) error {
	switch value := from.(type) {
	case nil:
		*d = Day{}
		return nil
	case time.Time:
		*d = dateOf(value)
		return nil
	case string:
		return d.UnmarshalText([]byte(value))
	case []byte:
		return d.UnmarshalText(value)
	default:
		return fmt.Errorf("a %T is not a date", from)
	}
}
