package api

import (
	"strconv"

	"forkwright/service/fault"
)

// revisionNumber is a revision that a question names; zero is a question that names none.
type revisionNumber int64

const mostRevision = 1_000_000_000

// UnmarshalJSON refuses 0 and less: whoever sends one believes to have asked a revision.
func (r *revisionNumber) UnmarshalJSON(text []byte) error {
	n, err := strconv.ParseInt(string(text), 10, 64)
	if err != nil {
		return fault.New(fault.Invalid, "wrong_type", "catalog_revision must be a whole number, written without point or exponent.")
	}
	if n > mostRevision {
		return fault.New(fault.Invalid, "out_of_range", "catalog_revision is at most %d; none is so high.", mostRevision)
	}
	if n < 1 {
		return fault.New(fault.Invalid, "invalid_value", "catalog_revision is at least 1; leave it out to ask the current one.")
	}
	*r = revisionNumber(n)
	return nil
}
