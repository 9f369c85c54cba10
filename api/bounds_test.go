package api_test

import (
	"encoding/json"
	"maps"
	"regexp/syntax"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Nothing that a request may hold is without a bound in the contract: no text, number, list or
// map, in no parameter and at no depth of a body. Streams are bounded by size and lines.
func TestEveryMemberOfARequestHasABound(t *testing.T) {
	f := newFuzzer(t, newWorld(t, true), 1, newTally())
	seen := 0
	for _, o := range f.contract.Contract().Operations() {
		params, body := f.operation(o.Method, o.Path)
		for _, p := range params {
			seen += f.bounded(t, o.ID+" "+p["name"].(string), p["schema"])
		}
		if body != nil {
			seen += f.bounded(t, o.ID+" body", body)
		}
	}
	if seen < 500 {
		t.Errorf("only %d members seen", seen)
	}
}

// bounded complains of what has no bound in a schema, and counts what it has seen.
func (s schemas) bounded(t *testing.T, at string, schema any) (seen int) {
	t.Helper()
	m := s.resolve(schema)
	if m["const"] != nil || m["enum"] != nil {
		return 1
	}
	lacks := func(words ...string) bool {
		return !slices.ContainsFunc(words, func(w string) bool { return m[w] != nil })
	}
	switch m["type"] {
	case "boolean":
	case "string":
		if lacks("maxLength") && m["format"] != "date" && m["format"] != "uuid" && endless(m["pattern"]) {
			t.Errorf("%s: a text without maxLength", at)
		}
	case "integer", "number":
		if lacks("minimum", "exclusiveMinimum") || lacks("maximum", "exclusiveMaximum") {
			t.Errorf("%s: a number without minimum or maximum", at)
		}
	case "array":
		if lacks("maxItems") {
			t.Errorf("%s: a list without maxItems", at)
		}
		seen += s.bounded(t, at+"/*", m["items"])
	case "object":
		seen += s.boundedMembers(t, at, m)
	default:
		t.Errorf("%s: the type %v is none that this test knows", at, m["type"])
	}
	return seen + 1
}

func (s schemas) boundedMembers(t *testing.T, at string, m map[string]any) (seen int) {
	t.Helper()
	properties, _ := m["properties"].(map[string]any)
	for name, p := range properties {
		seen += s.bounded(t, at+"/"+name, p)
	}
	if m["additionalProperties"] == false {
		return seen
	}
	names, _ := m["propertyNames"].(map[string]any)
	if m["maxProperties"] == nil || names["maxLength"] == nil && names["enum"] == nil {
		t.Errorf("%s: a map without maxProperties, or names without maxLength", at)
	}
	return seen + s.bounded(t, at+"/{name}", m["additionalProperties"])
}

// endless says whether a pattern allows texts of any length.
func endless(pattern any) bool {
	text, ok := pattern.(string)
	re, err := syntax.Parse(text, syntax.Perl)
	return !ok || err != nil || !strings.HasPrefix(text, "^") || !strings.HasSuffix(text, "$") || repeats(re)
}

func repeats(re *syntax.Regexp) bool {
	return re.Op == syntax.OpStar || re.Op == syntax.OpPlus || re.Op == syntax.OpRepeat && re.Max < 0 || slices.ContainsFunc(re.Sub, repeats)
}

func TestEndlessPatternsAreKnown(t *testing.T) {
	for pattern, want := range map[any]bool{nil: true, "^a{1,3}$": false, "^(a|b{2})?$": false, "^a+$": true, "^a*$": true, "^(a{2,})$": true, "a": true} {
		if got := endless(pattern); got != want {
			t.Errorf("%v: %t", pattern, got)
		}
	}
}

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
	if x, ok := s["maxProperties"].(float64); ok {
		all := map[string]any{}
		for i := range int(x) + 1 {
			all["name"+strconv.Itoa(i)] = m.value(s["additionalProperties"], "", 3)
		}
		out = append(out, all, map[string]any{strings.Repeat("x", 101): m.value(s["additionalProperties"], "", 3)})
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
			for _, good := range append([]string{""}, fuller[o.ID]...) {
				f.boundsOfBody(o.ID, schema, good)
			}
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

// boundsOfBody breaks each bound in a good body and in each member that it lacks, one at a
// time. "" is the example of the contract.
func (f *fuzzer) boundsOfBody(id string, schema map[string]any, good string) {
	o := f.all[id]
	try := func(change func(body map[string]any)) int {
		x := f.start(o)
		text := orElse(good, x.body)
		if text == "" {
			return 200 // a body may be sent and need not
		}
		var body map[string]any
		f.must(json.Unmarshal([]byte(text), &body))
		change(body)
		changed, err := json.Marshal(body)
		f.must(err)
		x.body, x.contentType = string(changed), "application/json"
		return f.send(x)
	}
	var body map[string]any
	if status := try(func(whole map[string]any) { body = whole }); status >= 300 || body == nil {
		if status >= 300 {
			f.t.Errorf("%s: what is to be broken is refused with %d as it is: %.200s", id, status, good)
		}
		return
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

// fuller are good bodies with the members that the examples of the contract leave out.
var fuller = map[string][]string{
	"checkFit": {`{"forks":[{"id":"a","q":"skarnfeld hollin 36 expert 2021","model_year":2021,"options":{"seal_generation":"g2"},"serial":"S1",
		"rider":{"mass":{"value":80,"unit":"kg"},"gear_kg":5,"mass_is":"bare"},"bicycle_mass_kg":15}],"lines":[{"id":"1","code":"QB-C36S-160","for_fork":"a"}]}`},
	"recommendSetup": {
		`{"rider":{"mass_kg":79,"mass_is":"bare","gear_kg":5},"bicycle":{"mass_kg":16,"frame":{"chainstay_mm":440,"wheelbase_mm":1248,"grip_ahead_mm":400,"head_angle_deg":64}},
			"riding":{"discipline":"trail","stance":"standing"},"load":{"front_share_rider":0.38721,"front_share_bicycle":0.47,"unsprung_kg":3.6,"lower_leg_air_n":22,"hand_share":0.1,"friction_n":24},
			"target_sag_percent":20,"tolerance_points":3,"damping_n_s_per_m":800,"curve_points":200,"candidates":"best",
			"conditions":{"altitude_m":500,"temperature_c":20,"set_altitude_m":0,"set_temperature_c":20,"closed_altitude_m":0},
			"hardware":{"travel_mm":150,"bore_mm":32,"shaft_mm":10,"exponent":1.3,"legs":{"legs":2,"stanchion_mm":36,"free_per_leg_ml":200,"oil_per_leg_ml":20},
				"springs":[{"rate_n_per_mm":8.6,"free_length_mm":345,"solid_length_mm":150,"gap_sum_mm":10,"wire_mm":4.3,"mean_diameter_mm":27,"active_coils":30,"total_coils":32,"ends":"squared","sleeve_mm":0.5,"material":"EN10270-2-FDSiCr","shear_mpa":79500},{"sku":"QB-S36L-055","rate_n_per_mm":9}],
				"preloads":[{"mm":4}],
				"bump_stop":{"bore_mm":18,"volume_ml":32,"contact_share":0.7,"gauges_kpa":[0,100],"pressure_max_kpa":600,"peak_max_kpa":9000,"ratio_max":8,"body_mm":20,"wanted_end_force_n":1500}},
			"what_if":{"braking_g":0.4,"slope_deg":6,"lean_forward_mm":50,"mass_center_ahead_mm":600,"mass_center_height_mm":1080}}`,
		`{"rider":{"mass_kg":79,"mass_is":"kitted"},"bicycle":{"mass_kg":16},"hardware":{"travel_mm":150,"springs":[{"rate":{"value":50,"unit":"lbf/in"}}],"preloads":[{"force":{"value":40,"unit":"N"}},{"force_n":60}],
			"bump_stop":{"contact_mm":120,"area_mm2":0,"volume_ml":0,"table":[{"deflection_mm":0,"force_n":0},{"deflection_mm":10,"force_n":300}]}},
			"measured":{"rate_n_per_mm":8.6,"setting":1,"preload":{"mm":4},"bump_stop_kpa":0,"spacers":0,"sag_mm":30,"eased_mm":28,"bounced_mm":32,"how":"both"}}`,
		`{"load":{"axial_n":450},"hardware":{"travel_mm":150,"air":{"piston_area_mm2":600,"volume_ml":130,"negative_area_mm2":500,"negative_volume_ml":30,"equalize_mm":10,"spacer_ml":8,"spacers_max":3,"pressure_min_kpa":300,"pressure_max_kpa":1000,"spacers":1}}}`,
	},
	"identifySpring": {`{"mark":"65","families":["Q34"],"scale":{"load_1_n":100,"length_1_mm":350,"load_2_n":400,"length_2_mm":302,"load_error_n":2,"length_error_mm":0.5},
		"caliper":{"wire_mm":4.3,"mean_diameter_mm":25.8,"free_length_mm":372,"active_coils":27,"total_coils":29,"ends":"squared_ground","material":"EN10270-2-FDSiCr"}}`},
	"assessSpring": {`{"wire_mm":4.3,"mean_diameter_mm":25.8,"active_coils":27,"total_coils":29,"ends":"squared_ground","free_length_mm":372,"sleeve_mm":0.5,"material":"EN10270-2-FDSiCr","shear_mpa":79500,
		"wire_upper_tolerance_mm":0.03,"rate_n_per_mm":7.2,"travel_mm":150,"preload_mm":4,"bore_mm":34,"shaft_mm":10,"temperature_c":20}`},
	"compareFluids": {`{"for":"LN-D5-500","at_hand":{"duty":"damper","viscosity_40_mm2_s":15.5,"viscosity_100_mm2_s":3.8}}`},
	"makeBill": {`{"fork":{"fork_id":"skarnfeld-hollin-36-expert-2021","q":"","options":{"seal_generation":"g2"},"travel_now_mm":160},"jobs":["bump_stop_setting"],"operations":[],"fitted":"QB-C36S-160",
		"bump_stop_kpa":300,"parts":["QB-AC-GUARD"],"customer_parts":[{"sku":"LN-GR-50","quantity":4}]}`},
	"putOwnAccount": {`{"legal_name":"B","country":"DE","tax_country":"DE","default_currency":"EUR","languages":["de"],"bench_language":"en","time_zone":"Europe/Berlin","contact":{"phone":"1","email":"a@b.example","website":"https://b.example"},
		"validity_days":20,"hold_days":10,"terms":{"de":"x"},"texts":{"greeting":{"de":"x"}},"labor":{"per_minute":{"EUR":"1.15"},"menu":{"spring_swap":{"EUR":"18.00"}}},"sag_targets":{"trail":22}}`},
	"createKey":      {`{"label":"till","allowed_origins":["https://shop.example"],"expires_at":"2090-01-01T00:00:00Z"}`},
	"createLocation": {`{"location":"bounded","name":"B","time_zone":"UTC","closed_until":"2030-01-01","policy":{"bad_row_share":0.1,"guard_share":0.2,"guard_least_lines":5,"decimal":",","capped":true,"coded":{"low":2},"negative":"zero","units":"pack"}}`},
	"createNotice":   {`{"kind":"bulletin","effect":"warn","fork_id":"skarnfeld-hollin-36-expert-2021","serial_from":"S1","serial_to":"S9","text":"x","from":"2026-03-31T14:00:00Z","until":"2090-03-31T14:00:00Z"}`},
	"createQuote": {`{"fork":{"q":"skarnfeld hollin 36 expert 2021","options":{"seal_generation":"g2"}},"currency":"EUR","price_list":"EUR-RRP","destination":"DE","tax_reasons":{"E":"exempt"},"price_date":"2026-11-24","valid_days":20,
		"language":"de","customer_reference":"x","client_id":"bounded","prepaid":"1.00","cash_step":"0.05","discounts":[{"code":"loyal","text":"x","percent":"1"}],"shipping":[{"text":"post","amount":"4.00"}],
		"lines":[{"code":"QB-AC-GUARD","quantity":"1","discounts":[{"amount":"1.00"}]},{"text":"Rack","unit":"each","quantity":"2","net_price":"10.00","base_quantity":"1","tax":{"category":"E","rate":"0","reason":"exempt"}}],
		"customer":{"name":"A","email":"a@b.example","phone":"1","address":"x","note":"y"}}`},
	"reviseQuote": {`{"job":{"jobs":["bump_stop_setting"],"fitted":"QB-C36S-160","bump_stop":{"value":300,"unit":"kPa"},"customer_parts":[{"sku":"LN-GR-50","quantity":1}]},"fork":{"fork_id":"skarnfeld-hollin-36-expert-2021","travel_now_mm":160}}`},
}
