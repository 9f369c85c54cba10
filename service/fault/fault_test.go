package fault

import (
	"errors"
	"fmt"
	"testing"
)

func TestTheCauseIsForTheLogAndNotForTheCaller(t *testing.T) {
	cause := errors.New("connection refused by 10.0.0.7")
	err := fmt.Errorf("reading stock: %w", Wrap(cause, Unavailable, "database_away", "Try again in %d seconds.", 2))
	f := As(err)
	if f == nil || f.Text != "Try again in 2 seconds." || CodeOf(err) != "database_away" || f.Kind != Unavailable {
		t.Fatalf("%+v", f)
	}
	if !errors.Is(err, cause) {
		t.Error("the cause is lost for the log")
	}
	if As(cause) != nil || CodeOf(cause) != "" {
		t.Error("an ordinary error is no fault")
	}
}

func TestATextWithoutArgumentsIsNotAFormat(t *testing.T) {
	if got := New(Invalid, "x", "sag of 100%").Text; got != "sag of 100%" {
		t.Errorf("%q", got)
	}
}

func TestFieldsBecomeOneError(t *testing.T) {
	var f Fields
	if f.Err() != nil {
		t.Fatal("nothing wrong is no error")
	}
	f.Add("/a", "missing", "a is missing")
	f.Add("/b", "range", "b is %d", 7)
	got := As(f.Err())
	if got.Kind != Invalid || len(got.Fields) != 2 || got.Fields[1].Text != "b is 7" || got.Text != "a is missing (and 1 more, see errors)" {
		t.Errorf("%+v", got)
	}
}
