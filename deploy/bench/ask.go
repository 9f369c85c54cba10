package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// fork is a fork that questions are about, with some of the parts that rows of it name.
type fork struct {
	id, name, maker string
	year            int
	parts           []string
}

// drawn is how many different questions of a kind are asked in turn.
const drawn = 512

// draw picks the forks of the questions by popularity: the n-th most popular is drawn 1/√n
// times as often as the first, whichever fork that is.
func (s *shop) draw(t *catalog.Tables) {
	r := rand.New(rand.NewPCG(7, uint64(len(t.Forks))))
	rank := r.Perm(len(t.Forks))
	sums := make([]float64, len(rank))
	for i := range sums {
		sums[i] = 1 / math.Sqrt(float64(i+1))
		if i > 0 {
			sums[i] += sums[i-1]
		}
	}
	makers := map[string]string{}
	for _, m := range t.Makers {
		makers[m.Code] = m.Name
	}
	ofChassis := map[string]string{}
	for _, c := range t.Chassis {
		ofChassis[c.Code] = makers[c.Maker]
	}
	wanted := map[string][]int{}
	for i := range drawn {
		at, _ := slices.BinarySearch(sums, r.Float64()*sums[len(sums)-1])
		f := &t.Forks[rank[at]]
		s.forks = append(s.forks, fork{id: f.ID, name: f.Name, maker: ofChassis[f.Chassis], year: int(f.YearFrom)})
		wanted[f.ID] = append(wanted[f.ID], i)
	}
	for i := range t.Fitments {
		row := &t.Fitments[i]
		if row.Level != catalog.AtFork {
			continue
		}
		for _, n := range wanted[row.Target] {
			if !slices.Contains(s.forks[n].parts, row.Part) {
				s.forks[n].parts = append(s.forks[n].parts, row.Part)
			}
		}
	}
	for _, p := range t.Parts {
		s.parts = append(s.parts, p.SKU)
		s.gtins[p.SKU] = p.GTIN
	}
	for i := range s.forks {
		f := &s.forks[i]
		r.Shuffle(len(f.parts), func(a, b int) { f.parts[a], f.parts[b] = f.parts[b], f.parts[a] })
		for len(f.parts) < 5 {
			f.parts = append(f.parts, s.parts[r.IntN(len(s.parts))])
		}
	}
}

// fitChecks are carts of five lines: three parts that the catalog lists for the fork, one by
// its GTIN, and one drawn from all parts.
func (s *shop) fitChecks() []request {
	r := rand.New(rand.NewPCG(8, 1))
	var out []request
	for _, f := range s.forks {
		codes := append(slices.Clone(f.parts[:3]), s.gtins[f.parts[3]], s.parts[r.IntN(len(s.parts))])
		var lines []map[string]any
		for i, c := range codes {
			lines = append(lines, map[string]any{"id": fmt.Sprintf("line-%d", i+1), "code": c, "quantity": 1})
		}
		out = append(out, build("POST", "/v1/fit-checks", s.key, "application/json", text(map[string]any{
			"fork": map[string]any{"fork_id": f.id, "model_year": f.year, "travel_as_built_mm": 150, "travel_now_mm": 150,
				"travel_known_by": "measured", "wheel_size": "29", "options": map[string]string{"tube": "standard"}},
			"lines": lines,
		})))
	}
	return out
}

// whatFits asks for a page of ten parts with their stock: a page is as long at every size.
func (s *shop) whatFits() []request {
	var out []request
	for _, f := range s.forks {
		q := url.Values{"model_year": {fmt.Sprint(f.year)}, "travel_as_built_mm": {"150"}, "travel_now_mm": {"150"}, "travel_known_by": {"measured"},
			"wheel_size": {"29"}, "live": {"stock"}, "limit": {"10"}}
		out = append(out, build("GET", "/v1/forks/"+f.id+"/parts?"+q.Encode(), s.key, "application/json", ""))
	}
	return out
}

// searches are a fork's maker, name and year as people type them: two slips in each.
func (s *shop) searches() []request {
	r := rand.New(rand.NewPCG(9, 1))
	var out []request
	for _, f := range s.forks {
		typed := strings.ToLower(fmt.Sprintf("%s %s %d", f.maker, f.name, f.year))
		out = append(out, build("GET", "/v1/forks?"+url.Values{"q": {slip(r, slip(r, typed))}, "limit": {"10"}}.Encode(), s.key, "application/json", ""))
	}
	return out
}

// slip swaps, doubles or drops a letter of a word.
func slip(r *rand.Rand, s string) string {
	for range 50 {
		i := 1 + r.IntN(len(s)-2)
		if !letter(s[i]) || !letter(s[i+1]) || !letter(s[i-1]) {
			continue
		}
		switch r.IntN(3) {
		case 0:
			return s[:i] + s[i+1:i+2] + s[i:i+1] + s[i+2:]
		case 1:
			return s[:i] + s[i:i+1] + s[i:]
		}
		return s[:i] + s[i+1:]
	}
	return s
}

func letter(b byte) bool { return b >= 'a' && b <= 'z' }

// setups ask for 30 springs x 3 preloads x 5 bump-stop settings, with the curve of 161 points,
// for riders from 60 to 99 kg.
func (s *shop) setups() []request {
	var springs, out = []map[string]any{}, []request{}
	for i := range 30 {
		springs = append(springs, map[string]any{"rate_n_per_mm": 5 + 0.4*float64(i), "free_length_mm": 385, "wire_mm": 4.8, "mean_diameter_mm": 25,
			"active_coils": 30, "total_coils": 32, "ends": "squared_ground"})
	}
	for i := range 40 {
		out = append(out, build("POST", "/v1/setups", s.key, "application/json", text(map[string]any{
			"rider":   map[string]any{"mass_kg": 60 + i, "mass_is": "kitted"},
			"bicycle": map[string]any{"mass_kg": 15},
			"riding":  map[string]any{"discipline": "enduro", "stance": "standing"},
			"hardware": map[string]any{"travel_mm": 160, "springs": springs,
				"preloads":  []any{map[string]any{"mm": 0}, map[string]any{"mm": 2.5}, map[string]any{"mm": 5}},
				"bump_stop": map[string]any{"bore_mm": 18, "volume_ml": 21, "gauges_kpa": []float64{0, 150, 300, 450, 600}, "pressure_max_kpa": 600, "ratio_max": 4},
			},
			"with_curve": true, "curve_points": 161,
		})))
	}
	return out
}

func text(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // maps of numbers and texts
	}
	return string(b)
}

func writeJSON(file string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return os.WriteFile(file, b, 0o600)
}

// typical sends every request once, wants 200 from each, and gives the answer of median length.
func typical(to target, reqs []request) (answer string, at int, err error) {
	type one struct {
		body string
		at   int
	}
	var all []one
	w, err := dial(to.addr)
	if err != nil {
		return "", 0, err
	}
	defer w.Close()
	for i, r := range reqs {
		status, err := w.ask(r)
		if err != nil {
			return "", 0, err
		}
		if status < 200 || status > 299 {
			return "", 0, refusal{status, string(w.body), firstLine(r)}
		}
		all = append(all, one{string(w.body), i})
	}
	slices.SortStableFunc(all, func(a, b one) int { return cmp.Compare(len(a.body), len(b.body)) })
	return all[len(all)/2].body, all[len(all)/2].at, nil
}

func firstLine(r request) string { line, _, _ := strings.Cut(string(r.bytes), "\r\n"); return line }

// refusal is an answer that is none: the operation is missing or the question is wrong.
type refusal struct {
	status int
	body   string
	asked  string
}

func (r refusal) Error() string {
	return fmt.Sprintf("%s: %d %.400s", r.asked, r.status, r.body)
}
