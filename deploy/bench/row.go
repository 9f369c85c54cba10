package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
)

// row is one line of the table. Ours and Limit carry their units.
type row struct {
	Name    string   `json:"name"`
	Ours    string   `json:"ours"`
	Limit   string   `json:"limit"`
	Ratio   *float64 `json:"ratio"` // ours to limit; none where it was not measured
	Spread  string   `json:"spread"`
	Goal    string   `json:"goal"`
	Verdict string   `json:"verdict"` // met, short, or not measured
	Detail  string   `json:"detail,omitempty"`
}

const (
	met         = "met"
	short       = "short"
	notMeasured = "not measured"
)

// pairs holds the two sides of a comparison, measured in turn.
type pairs struct{ ours, limit []float64 }

func (p *pairs) add(ours, limit float64) {
	p.ours, p.limit = append(p.ours, ours), append(p.limit, limit)
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(v))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// ratios are ours to limit, pair by pair.
func (p *pairs) ratios() []float64 {
	out := make([]float64, len(p.ours))
	for i := range out {
		out[i] = p.ours[i] / p.limit[i]
	}
	return out
}

// atLeast judges ratios where more is better, atMost where less is. The median decides.
func (p *pairs) atLeast(name, unit string, goal float64) row {
	r := p.row(name, unit, fmt.Sprintf(">= %g", goal))
	return r.judge(*r.Ratio >= goal)
}

func (p *pairs) atMost(name, unit string, goal float64) row {
	r := p.row(name, unit, fmt.Sprintf("<= %g", goal))
	return r.judge(*r.Ratio <= goal)
}

func (p *pairs) row(name, unit, goal string) row {
	all := p.ratios()
	m := median(all)
	return row{Name: name, Ours: figure(median(p.ours)) + unit, Limit: figure(median(p.limit)) + unit, Ratio: &m,
		Spread: fmt.Sprintf("%.2f-%.2f of %d", slices.Min(all), slices.Max(all), len(all)), Goal: goal}
}

func (r row) judge(good bool) row {
	r.Verdict = short
	if good {
		r.Verdict = met
	}
	return r
}

func missing(name, goal, why string) row {
	return row{Name: name, Goal: goal, Verdict: notMeasured, Detail: why}
}

func figure(v float64) string {
	switch {
	case v >= 100:
		return fmt.Sprintf("%.0f", v)
	case v >= 10:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}

// table prints rows as they come, or all at the end as JSON.
type table struct {
	out  io.Writer
	json bool
	rows []row
}

const lineForm = "%-34s %12s %12s %7s %-18s %-22s %-12s %s\n"

func (t *table) head() {
	if !t.json {
		fmt.Fprintf(t.out, lineForm, "row", "ours", "limit", "ratio", "spread", "goal", "verdict", "")
	}
}

func (t *table) add(r row) {
	t.rows = append(t.rows, r)
	if t.json {
		return
	}
	ratio := ""
	if r.Ratio != nil {
		ratio = fmt.Sprintf("%.2f", *r.Ratio)
	}
	fmt.Fprint(t.out, strings.TrimRight(fmt.Sprintf(lineForm, r.Name, r.Ours, r.Limit, ratio, r.Spread, r.Goal, r.Verdict, r.Detail), " \n")+"\n")
}

func (t *table) end() error {
	if !t.json {
		return nil
	}
	e := json.NewEncoder(t.out)
	e.SetIndent("", "  ")
	return e.Encode(t.rows)
}
