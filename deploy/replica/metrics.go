package replica

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"time"

	"forkwright/api/edge"
)

// gauges are the request counts and what an operator looks at first at night.
func (r *Replica) gauges() *edge.Metrics {
	m := edge.NewMetrics()
	m.Gauge("forkwright_catalog_revision", "Number of the catalog revision that answers.", func() float64 {
		live, err := r.catalogs.Current()
		if err != nil {
			return 0
		}
		return float64(live.Number())
	})
	m.Gauge("forkwright_notices_age_seconds", "Time since stop-sales and recalls were last read.", func() float64 {
		if set := r.notices.Current(); set != nil {
			return time.Since(set.AsOf).Seconds()
		}
		return -1
	})
	(&feeds{store: r.Store, now: time.Now}).gauges(m)
	return m
}

// serveMetrics listens on an address of its own, so that no proxy rule can publish it.
func (r *Replica) serveMetrics(ctx context.Context) error {
	if r.Config.MetricsListen == "" {
		return nil
	}
	l, err := net.Listen("tcp", r.Config.MetricsListen)
	if err != nil {
		return fmt.Errorf("metrics: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", r.metrics.Handler())
	go func() {
		if err := edge.Serve(ctx, l, mux, r.Log, time.Second); err != nil {
			r.Log.Error("metrics ended", "error", err.Error())
		}
	}()
	return nil
}
