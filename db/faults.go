package db

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"forkwright/service/fault"
)

// constraintFault is what the breach of a named constraint means to a caller.
type constraintFault struct {
	kind fault.Kind
	text string
}

// constraints are those that a well-formed request can breach, because another
// was faster or because it names what is not there; their names are the codes.
// Any other breach is a mistake of ours.
var constraints = map[string]constraintFault{
	"account_pkey":                {fault.Conflict, "An account with this id exists already."},
	"account_name_length":         {fault.Invalid, "An account needs a name of 1 to 200 characters."},
	"account_roles_known":         {fault.Invalid, "An account needs at least one of the roles shop, storefront, distributor, administrator."},
	"api_key_account_fkey":        {fault.NotFound, "There is no such account."},
	"api_key_digest_key":          {fault.Conflict, "This key is already in use; make another."},
	"api_key_replaces_key":        {fault.Conflict, "This key has already been rotated."},
	"seller_profile_account_fkey": {fault.NotFound, "There is no such account."},
	"seller_profile_logo_size":    {fault.TooLarge, "A logo may have 256 KiB at most."},
	"location_pkey":               {fault.Conflict, "A location with this id exists already."},
	"location_account_fkey":       {fault.NotFound, "There is no such account."},
	"location_id_form":            {fault.Invalid, "A location id has 1 to 40 of the characters a-z, 0-9 and -, and begins with a letter or digit."},
	"location_name_length":        {fault.Invalid, "A location needs a name of 1 to 200 characters."},
	"location_due_by_form":        {fault.Invalid, "due_by is a time of day such as 02:30."},
	"stock_location_fkey":         {fault.NotFound, "There is no such location."},
	"promised_location_fkey":      {fault.NotFound, "There is no such location."},
	"promised_not_negative":       {fault.Conflict, "More would be released than was promised."},
	"person_account_fkey":         {fault.NotFound, "There is no such account."},
	"quote_person_fkey":           {fault.Invalid, "There is no such person in this account."},
	"quote_revises_key":           {fault.Conflict, "This quote has already been revised; revise its newest revision."},
	"quote_client_id_used":        {fault.Conflict, "A quote with this client_id exists already; GET /v1/quotes?client_id= finds it."},
	"quote_line_location_fkey":    {fault.Invalid, "There is no such location."},
	"code_map_location_fkey":      {fault.NotFound, "This account has no such location."},
	"notice_pkey":                 {fault.Conflict, "A notice with this id exists already."},
	"notice_ends_after_start":     {fault.Invalid, "A notice may not end before it starts."},
	"replay_pkey":                 {fault.Conflict, "The same request is being answered right now; ask again."},
	"own_price_dates_in_order":    {fault.Invalid, "valid_until may not be before valid_from."},
	"tax_rate_dates_in_order":     {fault.Invalid, "valid_until may not be before valid_from."},
}

// translate turns what the driver says into a fault. What is a fault already
// passes; so do the caller's own cancellation and deadline.
func translate(err error) error {
	switch {
	case err == nil, fault.As(err) != nil:
		return err
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return fault.Wrap(err, fault.Unavailable, "timeout", "This took too long and was given up; try again.")
	case errors.Is(err, pgx.ErrNoRows):
		return fault.Wrap(err, fault.NotFound, "not_found", "There is no such thing, or it is not yours.")
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return translateServer(err, pg)
	}
	if unreachable(err) {
		return fault.Wrap(err, fault.Unavailable, "database_unavailable", "The database does not answer; try again shortly.")
	}
	return internal(err)
}

func translateServer(err error, pg *pgconn.PgError) error {
	if strings.HasPrefix(pg.Code, "22") { // data exceptions quote the value, which may be anybody's name; causes are logged
		err = fmt.Errorf("%s of the database (SQLSTATE %s)", pg.Severity, pg.Code)
	}
	if c, ok := constraints[pg.ConstraintName]; ok {
		return fault.Wrap(err, c.kind, pg.ConstraintName, "%s", c.text)
	}
	switch pg.Code {
	case "40001", "40P01": // serialization failure, deadlock
		return again(err, "busy", "Somebody else changed the same thing at the same moment; try again.")
	case "55P03", "57014": // lock and statement timeout
		return again(err, "busy", "The database is busy; try again shortly.")
	case "57P01", "57P02", "57P03", "53300": // shutting down, crashed, starting, no connections left
		return again(err, "database_unavailable", "The database does not answer; try again shortly.")
	case "22P02": // such as an id that is not a uuid: nothing can have it
		return fault.Wrap(err, fault.NotFound, "not_found", "There is no such thing, or it is not yours.")
	}
	return internal(err)
}

func again(err error, code, text string) error {
	f := fault.Wrap(err, fault.Unavailable, code, "%s", text)
	f.RetryAfter = 1
	return f
}

func internal(err error) error {
	return fault.Wrap(err, fault.Internal, "internal", "Something went wrong on our side.")
}

// unreachable says that no answer came, as opposed to a refusal.
func unreachable(err error) bool {
	var connect *pgconn.ConnectError
	var network net.Error
	return errors.As(err, &connect) || errors.As(err, &network) || pgconn.SafeToRetry(err) ||
		errors.Is(err, net.ErrClosed) || isEOF(err)
}
