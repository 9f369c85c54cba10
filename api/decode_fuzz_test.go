package api

import (
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"

	"forkwright/service/fault"
)

// FuzzDecodeStrict: whatever comes is refused with a fault or is JSON that everybody reads in
// the same way, and was read whole.
func FuzzDecodeStrict(f *testing.F) {
	for _, s := range []string{
		"", "null", "[]", "{}", `{"fork":{"fork_id":"a","model_year":2021}}`, `{"lines":[{"code":"A","quantity":1.5}],"lines":[]}`, `{"lines":[null]}`, "{\"fork\":{\"serial\":\"a\u0000b\"}}",
		`{"lines":[{"code":"\ud800"}]}`, strings.Repeat(`{"lines":[`, 50), `{"catalog_revision":1e3}`, `{"catalog_revision":0}`, `{"LINES":[]}`, "\xef\xbb\xbf{}", `{} {}`, `{"a/b~c":1}`,
	} {
		f.Add([]byte(s), false)
		f.Add([]byte(s), true)
	}
	types := []reflect.Type{reflect.TypeFor[fitCheckBody](), reflect.TypeFor[setupBody](), reflect.TypeFor[identifyBody](), reflect.TypeFor[quoteBody](), reflect.TypeFor[locationBody]()}
	f.Fuzz(func(t *testing.T, data []byte, nulls bool) {
		for _, kind := range types {
			into := reflect.New(kind)
			err := decodeStrict(data, into.Interface(), nulls)
			if err != nil {
				var refused *fault.Error
				if !errors.As(err, &refused) || refused.Kind != fault.Malformed && refused.Kind != fault.Invalid || refused.Text == "" {
					t.Fatalf("%v is no refusal", err)
				}
				if p := problemOf(refused); p.Status >= 500 {
					t.Fatalf("%d for %q", p.Status, data)
				}
				continue
			}
			var plain map[string]any
			if err := json.Unmarshal(data, &plain); err != nil {
				t.Fatalf("taken, but another reader says %v", err)
			}
			for name := range plain {
				if !strings.Contains(strings.Join(memberNames(kind), " "), name) {
					t.Fatalf("%q was overlooked", name)
				}
			}
		}
	})
}

// FuzzInput: no query and no header is too odd.
func FuzzInput(f *testing.F) {
	for _, s := range []string{"", "limit=1", "limit=1&limit=2", "%zz", "q=%ff", "options=a:b,,c", "limit=99999999999999999999", "limit=NaN", "a;b=c", "units=metric%00"} {
		f.Add(s, `"1"`, "text/html;q=0.5, */*;q=0.1")
	}
	s := &Server{}
	f.Fuzz(func(t *testing.T, query, tag, accept string) {
		for _, r := range s.routes() {
			var wrong fault.Fields
			given, err := r.Op.plan.readQuery(query, &wrong)
			if err != nil {
				continue
			}
			in := reflect.New(r.Op.in).Elem()
			for i := range r.Op.plan.params {
				if r.Op.plan.params[i].source == fromQuery {
					r.Op.plan.params[i].fill(in, request{}, given, i, &wrong)
				}
			}
			_, _ = negotiate(accept, r.produces())
			_, _ = IfMatch(tag)
			_ = matches(tag, `"1"`)
		}
	})
}
