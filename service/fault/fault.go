// Package fault is the closed set of ways a question or a command can fail.
//
// An Error carries two texts: Text is for the caller, a sentence that says what
// is wrong and what to do; the wrapped cause is for the log and never leaves.
package fault

import (
	"errors"
	"fmt"
)

// Kind says whose move it is. The edge maps each kind to one HTTP status.
type Kind int

// The kinds, in the order of decisions about who is at fault.
const (
	Internal             Kind = iota // ours; the caller can do nothing
	Malformed                        // not parseable
	Unauthenticated                  // no valid key
	Forbidden                        // a valid key, but not for this
	NotFound                         // no such thing, or not the caller's
	MethodNotAllowed                 // the path exists, the method does not
	NotAcceptable                    // no representation the caller accepts
	Conflict                         // state or ambiguity
	Gone                             // was here, is not kept any longer
	PreconditionFailed               // a stale If-Match
	PreconditionRequired             // a transition without If-Match
	TooLarge                         // body, list or number of lines
	UnsupportedMedia                 // content type or encoding
	Invalid                          // parsed, but wrong
	TooMany                          // rate limit
	Unavailable                      // try again later
)

// Field is one wrong member of a request.
type Field struct {
	Pointer string // RFC 6901 JSON pointer, or "query:name", "path:name", "header:name"
	Code    string // stable, snake_case
	Text    string // what is wrong and what to do
}

// Candidate is one of several things a caller may have meant.
type Candidate struct {
	ID    string // fork id or SKU
	Label string // as a person would read it
}

// Question is the one question that settles an ambiguity, answerable at a
// counter in about ten seconds.
type Question struct {
	Code    string   // stable, snake_case
	Text    string   // the sentence to ask
	Field   string   // the request member that carries the answer
	Choices []string // accepted values; empty when the answer is a number or free text
}

// Error is a failure with a code the caller can rely on.
type Error struct {
	Kind       Kind
	Code       string
	Text       string
	Fields     []Field
	Candidates []Candidate
	Question   *Question
	RetryAfter int            // seconds; 0 when retrying is of no use or at will
	Extra      map[string]any // further members of the problem document, by name
	cause      error
}

// New makes an Error; text follows fmt.Sprintf.
func New(kind Kind, code, text string, args ...any) *Error {
	return &Error{Kind: kind, Code: code, Text: sprintf(text, args)}
}

// Wrap makes an Error around a cause that only the log sees.
func Wrap(cause error, kind Kind, code, text string, args ...any) *Error {
	return &Error{Kind: kind, Code: code, Text: sprintf(text, args), cause: cause}
}

func sprintf(text string, args []any) string {
	if len(args) == 0 {
		return text
	}
	return fmt.Sprintf(text, args...)
}

// Error is the line for the log.
func (e *Error) Error() string {
	if e.cause != nil {
		return fmt.Sprintf("%s: %s: %v", e.Code, e.Text, e.cause)
	}
	return e.Code + ": " + e.Text
}

// Unwrap gives the cause to errors.Is and errors.As.
func (e *Error) Unwrap() error { return e.cause }

// As finds the Error in a chain; nil when there is none.
func As(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return nil
}

// CodeOf is the code of the Error in a chain, "" when there is none.
func CodeOf(err error) string {
	if e := As(err); e != nil {
		return e.Code
	}
	return ""
}

// Fields collects wrong members and becomes one Error.
type Fields []Field

// Add notes one wrong member; text follows fmt.Sprintf.
func (f *Fields) Add(pointer, code, text string, args ...any) {
	*f = append(*f, Field{Pointer: pointer, Code: code, Text: sprintf(text, args)})
}

// Err is nil when nothing was noted, else an Invalid error that lists it all.
func (f Fields) Err() error {
	if len(f) == 0 {
		return nil
	}
	text := f[0].Text
	if len(f) > 1 {
		text = fmt.Sprintf("%s (and %d more, see errors)", text, len(f)-1)
	}
	return &Error{Kind: Invalid, Code: "invalid_request", Text: text, Fields: f}
}

// WithCause hands an Error a cause that only the log sees.
func WithCause(e *Error, cause error) *Error {
	e.cause = cause
	return e
}
