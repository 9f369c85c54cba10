package api_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"
)

// schemas is the contract as plain JSON, for making values from it. It knows the part of JSON
// Schema that openapi.yaml is written in.
type schemas struct{ doc map[string]any }

func readSchemas(t testing.TB, document []byte) schemas {
	t.Helper()
	var s schemas
	if err := json.Unmarshal(document, &s.doc); err != nil {
		t.Fatal(err)
	}
	return s
}

// resolve follows a reference and lays what stands beside it on top.
func (s schemas) resolve(v any) map[string]any {
	m, _ := v.(map[string]any)
	ref, ok := m["$ref"].(string)
	if !ok {
		return m
	}
	var at any = s.doc
	for step := range strings.SplitSeq(strings.TrimPrefix(ref, "#/"), "/") {
		at = at.(map[string]any)[step]
	}
	out := maps.Clone(s.resolve(at))
	for k, v := range m {
		if k != "$ref" {
			out[k] = v
		}
	}
	return out
}

// operation is the object of an operation with the parameters of its path among its own.
func (s schemas) operation(method, path string) (params []map[string]any, body map[string]any) {
	item := s.doc["paths"].(map[string]any)[path].(map[string]any)
	op := item[strings.ToLower(method)].(map[string]any)
	for _, list := range []any{item["parameters"], op["parameters"]} {
		l, _ := list.([]any)
		for _, p := range l {
			params = append(params, s.resolve(p))
		}
	}
	content, _ := s.resolve(op["requestBody"])["content"].(map[string]any)
	if media, ok := content["application/json"].(map[string]any); ok {
		body = s.resolve(media["schema"])
	}
	return params, body
}

// maker makes values. Everything it does follows from its source of randomness.
type maker struct {
	schemas
	r     *rand.Rand
	names map[string][]string // texts worth trying for a member or parameter of this name
}

func pick[T any](r *rand.Rand, from []T) T { return from[r.IntN(len(from))] }

func (m *maker) chance(percent int) bool { return m.r.IntN(100) < percent }

// junk are values that belong nowhere or only just.
func (m *maker) junk() any {
	return pick(m.r, []any{
		nil, true, false, "", " ", "\x00", "a\u0085b", "\u202ereversed", "ünï\U0001F600", -1, 0, 1, 1e308, -1e308, 9.0e15, 0.1, json.Number("1.0"), json.Number("1e3"),
		json.Number("9223372036854775808"), json.Number("-0"), json.Number("1e-400"), []any{}, []any{nil}, []any{[]any{}}, map[string]any{}, map[string]any{"value": 1, "unit": "furlong"},
		map[string]any{"value": 1e30, "unit": "mm"}, "2026-02-30", "0000-00-00", "9999-12-31T23:59:60Z", "NaN", "Infinity", "-0.00", "1e5", ".5", "00012345678905",
		strings.Repeat("x", 5000), strings.Repeat("9", 400), "' OR 1=1--", "<script>alert(1)</script>", "=1+1", "../../etc/passwd", "%00", "%", "\\", `"`, "a,b,c", "null",
	})
}

// value makes one that the schema allows, as well as that can be done without solving it.
func (m *maker) value(schema any, name string, depth int) any {
	s := m.resolve(schema)
	if depth > 7 {
		return nil
	}
	if c, ok := s["const"]; ok {
		return c
	}
	if list, ok := s["enum"].([]any); ok {
		return pick(m.r, list)
	}
	for _, word := range []string{"oneOf", "anyOf"} {
		if list, ok := s[word].([]any); ok {
			return m.value(pick(m.r, list), name, depth+1)
		}
	}
	switch m.kindOf(s) {
	case "null":
		return nil
	case "boolean":
		return m.chance(50)
	case "integer":
		return int64(m.between(s, true))
	case "number":
		return m.between(s, false)
	case "array":
		return m.array(s, name, depth)
	case "string":
		return m.text(s, name)
	}
	return m.object(s, depth)
}

func (m *maker) kindOf(s map[string]any) string {
	switch t := s["type"].(type) {
	case string:
		return t
	case []any:
		return pick(m.r, t).(string)
	}
	return "object"
}

func (m *maker) between(s map[string]any, whole bool) float64 {
	low, high := 0.0, 200.0
	if x, ok := s["minimum"].(float64); ok {
		low = x
		high = max(high, 2*low)
	}
	if x, ok := s["exclusiveMinimum"].(float64); ok {
		low = x + 0.01
	}
	if x, ok := s["maximum"].(float64); ok {
		high = x
	}
	if m.chance(20) {
		return pick(m.r, []float64{low, high})
	}
	if whole {
		return float64(int64(low)) + float64(m.r.Int64N(max(1, int64(high-low)+1)))
	}
	return float64(int64((low+m.r.Float64()*(high-low))*100)) / 100
}

func (m *maker) array(s map[string]any, name string, depth int) []any {
	low, high := 0, 3
	if x, ok := s["minItems"].(float64); ok {
		low = int(x)
	}
	if x, ok := s["maxItems"].(float64); ok {
		high = min(high, int(x))
	}
	out := make([]any, low+m.r.IntN(max(high-low, 0)+1))
	for i := range out {
		out[i] = m.value(s["items"], strings.TrimSuffix(name, "s"), depth+1)
	}
	return out
}

// texts that some pattern, format or rule of ours may like.
var plausible = []string{
	"a", "héllo wörld", "12.50", "1", "0", "2", "19", "EUR", "USD", "JPY", "GBP", "DE", "US", "VA", "2026-11-24", "2021-03-08", "2026-11-24T10:00:00Z", "2026-11-24T10:00:00.5+05:30",
	"seal_generation:g2", "Q", "north-store", "invalid_value", `"1"`, "https://shop.example", "somebody@shop.example", "29", "15x110", "mm", "lbf/in", "each", "S", "0199a0c1-7d3e-7c55-8f57-3a1b6d3e9a10", "/v1/forks", "Europe/Berlin", "en", "de",
}

func (m *maker) text(s map[string]any, name string) string {
	fits := func(text string) bool {
		n := utf8.RuneCountInString(text)
		if x, ok := s["minLength"].(float64); ok && n < int(x) {
			return false
		}
		if x, ok := s["maxLength"].(float64); ok && n > int(x) {
			return false
		}
		p, ok := s["pattern"].(string)
		return !ok || compiled(p).MatchString(text)
	}
	switch s["format"] {
	case "date":
		return fmt.Sprintf("20%02d-%02d-%02d", 10+m.r.IntN(25), 1+m.r.IntN(12), 1+m.r.IntN(28))
	case "date-time":
		return pick(m.r, []string{"2026-11-24T10:00:00Z", "2027-06-30T23:59:59+02:00", "2020-01-01T00:00:00.123Z"})
	case "decimal":
		return pick(m.r, []string{"0", "1", "12.50", "0.001", "999999", "19", "7.7"})
	case "uuid":
		return nobodysID
	}
	for range 4 {
		if known := m.names[name]; len(known) > 0 {
			if text := pick(m.r, known); fits(text) {
				return text
			}
		}
	}
	for range 30 {
		if text := pick(m.r, plausible); fits(text) {
			return text
		}
	}
	n := 1
	if x, ok := s["minLength"].(float64); ok {
		n = int(x)
	}
	return strings.Repeat("x", n)
}

func compiled(p string) *regexp.Regexp { return regexp.MustCompile(p) }

func (m *maker) object(s map[string]any, depth int) map[string]any {
	out := map[string]any{}
	properties, _ := s["properties"].(map[string]any)
	for _, name := range slices.Sorted(maps.Keys(properties)) {
		if required(s, name) || m.chance(max(50-10*depth, 8)) {
			out[name] = m.value(properties[name], name, depth+1)
		}
	}
	if extra, ok := s["additionalProperties"].(map[string]any); ok && m.chance(60) {
		out[pick(m.r, []string{"seal_generation", "en", "trail", "note"})] = m.value(extra, "", depth+1)
	}
	return out
}

func required(s map[string]any, name string) bool {
	list, _ := s["required"].([]any)
	return slices.Contains(list, any(name))
}

// place is a value inside a body with the schema it must keep.
type place struct {
	name   string
	schema map[string]any
	get    func() any
	set    func(any)
	remove func() // nil in a list
	must   bool   // it is required
}

// places lists everything inside v.
func (m *maker) places(v any, schema any) (out []place) {
	s := m.resolve(schema)
	switch v := v.(type) {
	case map[string]any:
		properties, _ := s["properties"].(map[string]any)
		for _, name := range slices.Sorted(maps.Keys(v)) {
			inner, ok := properties[name]
			if !ok {
				inner = s["additionalProperties"]
			}
			out = append(out, place{name, m.resolve(inner), func() any { return v[name] }, func(x any) { v[name] = x }, func() { delete(v, name) }, required(s, name)})
			out = append(out, m.places(v[name], inner)...)
		}
	case []any:
		for i := range v {
			out = append(out, place{"", m.resolve(s["items"]), func() any { return v[i] }, func(x any) { v[i] = x }, nil, true})
			out = append(out, m.places(v[i], s["items"])...)
		}
	}
	return out
}

// vary changes a good body in places, keeping to the schema.
func (m *maker) vary(body any, schema any) any {
	for range 1 + m.r.IntN(3) {
		spots := m.places(body, schema)
		if len(spots) == 0 {
			return body
		}
		p := pick(m.r, spots)
		switch {
		case m.chance(30) && !p.must && p.remove != nil:
			p.remove()
		case m.chance(30):
			if inner, ok := p.get().(map[string]any); ok {
				m.add(inner, p.schema)
			} else if root, ok := body.(map[string]any); ok {
				m.add(root, m.resolve(schema))
			}
		default:
			p.set(m.value(p.schema, p.name, 2))
		}
	}
	return body
}

// add puts in a member that may be there.
func (m *maker) add(object, schema map[string]any) {
	properties, _ := schema["properties"].(map[string]any)
	if len(properties) == 0 {
		return
	}
	name := pick(m.r, slices.Sorted(maps.Keys(properties)))
	object[name] = m.value(properties[name], name, 2)
}

// spoil breaks one thing in a good body.
func (m *maker) spoil(body any, schema any) any {
	spots := m.places(body, schema)
	if len(spots) == 0 {
		return m.junk()
	}
	p := pick(m.r, spots)
	switch n := m.r.IntN(10); {
	case n < 6:
		p.set(m.junk())
	case n < 8 && p.remove != nil:
		p.remove()
	default:
		if root, ok := body.(map[string]any); ok {
			root[pick(m.r, []string{"zz_unknown", "", "fork_ID", "Lines", "a/b~c", "\u0000"})] = m.junk()
		}
	}
	return body
}

// hostile are bodies that no program of good will sends.
func (m *maker) hostile(good string) string {
	switch m.r.IntN(16) {
	case 0:
		return ""
	case 1:
		return "null"
	case 2:
		return "[]"
	case 3:
		return "{}{}"
	case 4:
		return good + "x"
	case 5:
		return good[:m.r.IntN(len(good)+1)]
	case 6:
		return strings.Repeat(`{"lines":[`, 30000)
	case 7:
		return strings.Repeat("[", 100000)
	case 8:
		return `{"` + strings.Repeat("k", 100000) + `":1}`
	case 9:
		return "\xef\xbb\xbf" + good
	case 10:
		return strings.Replace(good, `"`, "\"\xff", 1)
	case 11:
		return strings.Replace(good, "{", `{"lines":[],"lines":[],`, 1)
	case 12:
		return strings.Replace(good, ":", `:"\ud800",`, 1)
	case 13:
		return strings.Replace(good, "1", "1"+strings.Repeat("0", 400), 1)
	case 14:
		return strings.Replace(good, ":", ": // no comment\n", 1)
	}
	b := []byte(good)
	for range 1 + m.r.IntN(4) {
		if len(b) > 0 {
			b[m.r.IntN(len(b))] = byte(m.r.IntN(256))
		}
	}
	return string(b)
}
