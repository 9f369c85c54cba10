package api_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"forkwright/service/caller"
)

// sink is an answer's writer that keeps nothing but the status.
type sink struct {
	header http.Header
	status int
}

func (s *sink) Header() http.Header         { return s.header }
func (s *sink) WriteHeader(status int)      { s.status = status }
func (s *sink) Write(b []byte) (int, error) { return len(b), nil }

// costly is a question of which the whole way through the service is measured: key, limits,
// body, answer and log line.
type costly struct {
	name, target, body string
	most               float64 // allocations; a few above what it takes now
}

// hottest are the two paths that front-ends ask most: a cart of five lines, and a setup with 30
// springs, 3 preloads and 5 bump-stop settings and a curve of 161 points.
func hottest() []costly {
	cart := `{"fork":{"fork_id":"skarnfeld-hollin-36-expert-2021","model_year":2021,"travel_as_built_mm":160,"travel_now_mm":160,"travel_known_by":"measured","wheel_size":"29","use":"enduro"},
		"lines":[{"id":"a","code":"QB-C36S-160"},{"id":"b","code":"QB-S36L-065"},{"id":"c","code":"QB-C36O-160"},{"id":"d","code":"2041003127439"},{"id":"e","code":"TIRE-29"}]}`
	var springs []map[string]any
	for i := range 30 {
		springs = append(springs, map[string]any{"rate_n_per_mm": 5 + 0.4*float64(i), "free_length_mm": 385, "wire_mm": 4.8, "mean_diameter_mm": 25,
			"active_coils": 30, "total_coils": 32, "ends": "squared_ground"})
	}
	list, err := json.Marshal(springs)
	if err != nil {
		panic(err)
	}
	setup := fmt.Sprintf(`{"rider":{"mass_kg":80,"mass_is":"kitted"},"bicycle":{"mass_kg":15},"riding":{"discipline":"enduro","stance":"standing"},
		"hardware":{"travel_mm":160,"springs":%s,"preloads":[{"mm":0},{"mm":2.5},{"mm":5}],
		"bump_stop":{"bore_mm":18,"volume_ml":21,"gauges_kpa":[0,150,300,450,600],"pressure_max_kpa":600,"ratio_max":4}},"with_curve":true,"curve_points":161}`, list)
	return []costly{{"fit check", "/v1/fit-checks", cart, 178}, {"setup", "/v1/setups", setup, 520}}
}

// asked is a question ready to be asked again and again.
func (w *world) asked(c costly) func() int {
	w.t.Helper()
	body := strings.NewReader(c.body)
	req, err := http.NewRequest("POST", c.target, io.NopCloser(body))
	w.must(err)
	req.ContentLength = int64(len(c.body))
	req.Header.Set("Authorization", "Bearer "+w.keys[caller.Shop])
	req.Header.Set("Content-Type", "application/json")
	req.RemoteAddr, req.RequestURI = "127.0.0.1:1", c.target
	out := &sink{header: http.Header{}}
	return func() int {
		_, _ = body.Seek(0, io.SeekStart) // a strings.Reader always can
		clear(out.header)
		w.h.ServeHTTP(out, req)
		return out.status
	}
}

func TestAllocationsOfTheHottestPaths(t *testing.T) {
	w := newWorld(t)
	for _, c := range hottest() {
		ask := w.asked(c)
		if status := ask(); status != 200 {
			t.Fatalf("%s: %d", c.name, status)
		}
		if n := testing.AllocsPerRun(200, func() { ask() }); n > c.most*poolsKeep {
			t.Errorf("%s: %.0f allocations, at most %.0f", c.name, n, c.most)
		} else {
			t.Logf("%s: %.0f allocations", c.name, n)
		}
	}
}

func BenchmarkHottestPaths(b *testing.B) {
	w := newWorld(b)
	for _, c := range hottest() {
		ask := w.asked(c)
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if status := ask(); status != 200 {
					b.Fatal(status)
				}
			}
		})
	}
}
