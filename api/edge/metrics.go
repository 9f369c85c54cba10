package edge

import (
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Metrics counts what the edge sees, by route pattern: never by URL, which has no bound and
// carries what people typed.
type Metrics struct {
	registry *prometheus.Registry
	requests *prometheus.HistogramVec
	sizes    *prometheus.CounterVec
}

// NewMetrics makes a registry with the process' own figures in it.
func NewMetrics() *Metrics {
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "forkwright_request_seconds", Help: "Time to answer, by route and status.",
			Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10},
		}, []string{"method", "route", "status"}),
		sizes: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "forkwright_answer_bytes_total", Help: "Bytes answered, by route."}, []string{"route"}),
	}
	m.registry.MustRegister(m.requests, m.sizes, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Gauge adds a figure that is read when somebody asks.
func (m *Metrics) Gauge(name, help string, read func() float64) {
	m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, read))
}

// GaugeBy adds a figure for each value of a label, read when somebody asks. The reader bounds how
// many there are.
func (m *Metrics) GaugeBy(name, help, label string, read func() map[string]float64) {
	m.registry.MustRegister(&gaugeBy{prometheus.NewDesc(name, help, []string{label}, nil), read})
}

type gaugeBy struct {
	desc *prometheus.Desc
	read func() map[string]float64
}

func (g *gaugeBy) Describe(to chan<- *prometheus.Desc) { to <- g.desc }

func (g *gaugeBy) Collect(to chan<- prometheus.Metric) {
	for value, v := range g.read() {
		to <- prometheus.MustNewConstMetric(g.desc, prometheus.GaugeValue, v, value)
	}
}

// Handler is /metrics; it belongs on an address of its own that only the host can reach.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

func (m *Metrics) observe(method string, rec *Record, seen *watcher, took time.Duration) {
	if m == nil {
		return
	}
	route := rec.Route
	if route == "" {
		route = "unmatched"
	}
	m.requests.WithLabelValues(known(method), route, strconv.Itoa(seen.statusOr200())).Observe(took.Seconds())
	m.sizes.WithLabelValues(route).Add(float64(seen.bytes))
}

// known bounds the label: a caller may send any word as a method.
func known(method string) string {
	switch method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return method
	}
	return "other"
}
