package api

import (
	"time"

	"forkwright/service/fault"
)

// instant is a time in a request body. RFC 3339 sets no end to the digits of a second; ours is
// a text of 40 characters.
type instant struct{ time.Time }

const longestInstant = 40

// UnmarshalJSON reads "2026-03-31T14:00:00Z".
func (i *instant) UnmarshalJSON(text []byte) error {
	if len(text) > longestInstant+len(`""`) {
		return fault.New(fault.Invalid, "too_long", "A time has at most %d characters, such as 2026-03-31T14:00:00Z.", longestInstant)
	}
	if err := i.Time.UnmarshalJSON(text); err != nil {
		return fault.New(fault.Invalid, "invalid_value", "A time is a text such as 2026-03-31T14:00:00Z, with its offset from UTC.")
	}
	return nil
}

// time is nil where none was given.
func (i *instant) time() *time.Time {
	if i == nil {
		return nil
	}
	return &i.Time
}
