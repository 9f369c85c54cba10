package db

import (
	"fmt"
	"strconv"

	"github.com/google/uuid"
)

// itoa is an id as text.
func itoa(n int64) string { return strconv.FormatInt(n, 10) }

// newID is a UUIDv7: ids that follow time keep indexes dense. Its randomness is
// the store's.
func (d *DB) newID() (string, error) {
	id, err := uuid.NewV7FromReader(d.opts.Rand)
	if err != nil {
		return "", fmt.Errorf("making an id: %w", err)
	}
	return id.String(), nil
}

// orEmpty and orNull keep the difference between "" and NULL in one place.
func orEmpty[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

func orNull(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}
