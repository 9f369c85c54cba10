package api_test

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"
)

// past makes values just outside of what a schema allows.
func (m *maker) past(s map[string]any) (out []any) {
	if x, ok := s["maxLength"].(float64); ok && x < 1e6 {
		out = append(out, strings.Repeat("x", int(x)+1))
	}
	if x, ok := s["minLength"].(float64); ok && x > 0 {
		out = append(out, strings.Repeat("x", int(x)-1))
	}
	if x, ok := s["maximum"].(float64); ok {
		out = append(out, x+1)
	}
	if x, ok := s["minimum"].(float64); ok {
		out = append(out, x-1)
	}
	if x, ok := s["exclusiveMinimum"].(float64); ok {
		out = append(out, x)
	}
	if x, ok := s["maxItems"].(float64); ok && x < 20_000 {
		list := make([]any, int(x)+1)
		for i := range list {
			list[i] = m.value(s["items"], "", 3)
		}
		out = append(out, list)
	}
	if x, ok := s["minItems"].(float64); ok && x > 0 {
		out = append(out, make([]any, int(x)-1))
	}
	if _, ok := s["enum"]; ok && s["type"] == "string" {
		out = append(out, "not_one_of_them")
	}
	return out
}

// Every bound that the contract states is kept: what lies one step outside is never accepted.
func TestEveryBoundOfTheContractIsKept(t *testing.T) {
	tally := newTally()
	f := newFuzzer(t, fuzzWorld(t), 1, tally)
	f.mayAsk(readMatrix(t))
	for _, o := range f.contract.Contract().Operations() {
		params, schema := f.operation(o.Method, o.Path)
		for _, p := range params {
			for _, v := range f.past(f.resolve(p["schema"])) {
				name, text := p["name"].(string), queryText(v)
				x := f.start(o)
				switch {
				case p["in"] == "query":
					x.query.Set(name, text)
				case p["in"] == "header":
					x.header.Set(name, text)
				case text != "":
					x.path[name] = text
				}
				f.send(x)
			}
		}
		if schema != nil {
			f.boundsOfBody(o.ID, schema)
		}
	}
	for key, n := range tally.wrongs {
		t.Errorf("%s ×%d: %s", key, n, tally.wrong[key])
	}
	if n := tally.total(); n < 300 {
		t.Errorf("only %d bounds tried", n)
	} else {
		t.Logf("%d bounds tried", n)
	}
}

// boundsOfBody breaks each bound in the example and in each member that it lacks, one at a time.
func (f *fuzzer) boundsOfBody(id string, schema map[string]any) {
	o := f.all[id]
	try := func(change func(body map[string]any)) {
		x := f.start(o)
		var body map[string]any
		f.must(json.Unmarshal([]byte(x.body), &body))
		change(body)
		text, err := json.Marshal(body)
		f.must(err)
		x.body = string(text)
		f.send(x)
	}
	x := f.start(o)
	var body map[string]any
	f.must(json.Unmarshal([]byte(orElse(x.body, "{}")), &body))
	if x.body == "" {
		return // a body may be sent and need not
	}
	for i, spot := range f.places(body, schema) {
		for _, v := range f.past(spot.schema) {
			try(func(body map[string]any) { f.places(body, schema)[i].set(v) })
		}
	}
	properties, _ := schema["properties"].(map[string]any)
	for _, name := range slices.Sorted(maps.Keys(properties)) {
		for _, v := range f.past(f.resolve(properties[name])) {
			try(func(body map[string]any) { body[name] = v })
		}
	}
}
