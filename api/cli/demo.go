package cli

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// DemoService is a running demo: where it answers, with which key, and how it ends.
type DemoService struct {
	URL, Key string
	Case     fs.FS // case.json
	Ended    <-chan error
	Stop     func() error
}

// demoCase is case.json: what one customer says at the counter.
type demoCase struct {
	Text            string            `json:"text"`
	ModelYear       int               `json:"model_year"`
	TravelAsBuiltMM int               `json:"travel_as_built_mm"`
	TravelNowMM     int               `json:"travel_now_mm"`
	TravelKnownBy   string            `json:"travel_now_known_by"`
	WheelSize       string            `json:"wheel_size"`
	BuiltOn         string            `json:"built_on"`
	Serial          string            `json:"serial"`
	Use             string            `json:"use"`
	Rider           map[string]any    `json:"rider"`
	BicycleMassKG   float64           `json:"bicycle_mass_kg"`
	HeadAngleDeg    float64           `json:"head_angle_deg"`
	ChainstayMM     float64           `json:"chainstay_mm"`
	WheelbaseMM     float64           `json:"wheelbase_mm"`
	TargetSag       float64           `json:"target_sag_percent"`
	Cartridge       string            `json:"cartridge"`
	NearMiss        string            `json:"near_miss"`
	Jobs            []string          `json:"jobs"`
	Kits            []string          `json:"kits"`
	OwnedTools      []string          `json:"owned_tools"`
	CustomerParts   []json.RawMessage `json:"customer_parts"`
	PriceList       string            `json:"price_list"`
	Currency        string            `json:"currency"`
	Language        string            `json:"language"`
	Customer        map[string]string `json:"customer"`
}

func runDemo(ctx context.Context, e *Env, args []string) (err error) {
	var once, asJSON bool
	if _, err := flags(e, "demo", args, func(f *flag.FlagSet) {
		f.BoolVar(&once, "once", false, "exit after the case instead of serving on")
		f.BoolVar(&asJSON, "json", false, "print the case as one JSON document")
	}); err != nil {
		return err
	}
	d, err := e.Demo(ctx)
	if err != nil {
		return err
	}
	defer func() {
		if stopped := d.Stop(); err == nil {
			err = stopped
		}
	}()
	var c demoCase
	if err := readJSON(d.Case, "case.json", &c); err != nil {
		return err
	}
	w := walk{e: e, d: d, c: c, quiet: asJSON, client: client{base: d.URL, key: d.Key, kept: map[string]json.RawMessage{}}}
	if err := w.all(ctx); err != nil {
		return err
	}
	if asJSON {
		out := json.NewEncoder(e.Out)
		out.SetIndent("", "  ")
		if err := out.Encode(w.client.kept); err != nil {
			return err
		}
	}
	if once {
		return nil
	}
	w.say("\nServing until interrupted (Ctrl-C). Nothing of the demo outlives it.")
	select {
	case <-ctx.Done():
		return nil
	case err := <-d.Ended:
		return fmt.Errorf("the service ended: %w", err)
	}
}

// walk is one customer's case, step by step through the API.
type walk struct {
	e      *Env
	d      *DemoService
	c      demoCase
	quiet  bool
	client client
	fork   forkRead
	setup  setupRead
}

func (w *walk) say(format string, args ...any) {
	if !w.quiet {
		fmt.Fprintf(w.e.Out, format+"\n", args...)
	}
}

func (w *walk) all(ctx context.Context) error {
	w.say("A customer at the counter says: “%s”, model year %d, %d mm of travel.", w.c.Text, w.c.ModelYear, w.c.TravelAsBuiltMM)
	for _, step := range []func(context.Context) error{w.nameFork, w.whatFits, w.recommend, w.bill, w.quote} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	w.pasteable()
	return nil
}

type forkRead struct {
	ForkID string `json:"fork_id"`
	Name   string `json:"name"`
	Why    []struct {
		Text    string `json:"text"`
		Against bool   `json:"against"`
	} `json:"why"`
}

func (w *walk) nameFork(ctx context.Context) error {
	var a struct {
		Answer struct {
			Forks    []forkRead `json:"forks"`
			Sure     bool       `json:"sure"`
			Question *struct {
				Text    string   `json:"text"`
				Choices []string `json:"choices"`
			} `json:"question"`
		} `json:"answer"`
	}
	err := w.client.get(ctx, "forks", "/v1/forks", url.Values{
		"q": {w.c.Text}, "model_year": {strconv.Itoa(w.c.ModelYear)}, "travel_mm": {strconv.Itoa(w.c.TravelAsBuiltMM)}, "limit": {"5"},
	}, &a)
	if err != nil {
		return err
	}
	w.say("\n1. Which fork is it")
	if len(a.Answer.Forks) == 0 {
		return fmt.Errorf("the demo's fork was not found; its catalog and its case do not go together")
	}
	if !a.Answer.Sure {
		for _, f := range a.Answer.Forks {
			w.say("   perhaps %s (%s)", f.Name, f.ForkID)
		}
		if q := a.Answer.Question; q != nil {
			w.say("   ask: %s %s", q.Text, strings.Join(q.Choices, " / "))
		}
		w.say("   taking the first")
	}
	w.fork = a.Answer.Forks[0]
	w.say("   %s", w.fork.Name)
	for _, y := range w.fork.Why {
		mark := "because"
		if y.Against {
			mark = "although"
		}
		w.say("     %s %s", mark, y.Text)
	}
	return nil
}

// owned is the fork as the customer has it, as every question about it is asked.
func (w *walk) owned() map[string]any {
	return map[string]any{
		"fork_id": w.fork.ForkID, "model_year": w.c.ModelYear, "travel_as_built_mm": w.c.TravelAsBuiltMM,
		"travel_now_mm": w.c.TravelNowMM, "travel_known_by": w.c.TravelKnownBy, "wheel_size": w.c.WheelSize,
		"built_on": w.c.BuiltOn, "serial": w.c.Serial, "use": w.c.Use,
	}
}

type verdictRead struct {
	SKU     string `json:"sku"`
	Name    string `json:"name"`
	Kind    string `json:"kind"`
	Verdict string `json:"verdict"`
	Reasons []struct {
		Text string `json:"text"`
	} `json:"reasons"`
	Requires []struct {
		Text string `json:"text"`
	} `json:"requires"`
	Question *struct {
		Text string `json:"text"`
	} `json:"question"`
	Nearest *struct {
		SKU string `json:"sku"`
		Why string `json:"why"`
	} `json:"nearest"`
}

func (w *walk) whatFits(ctx context.Context) error {
	var a struct {
		Answer struct {
			Parts []verdictRead `json:"parts"`
		} `json:"answer"`
	}
	q := url.Values{"kind": {"coil_cartridge,air_cartridge,seal_kit,service_kit,bump_stop"}, "limit": {"60"}}
	for name, value := range w.owned() {
		if name != "fork_id" {
			q.Set(name, fmt.Sprint(value))
		}
	}
	if err := w.client.get(ctx, "what_fits", "/v1/forks/"+w.fork.ForkID+"/parts", q, &a); err != nil {
		return err
	}
	w.say("\n2. What fits it")
	for _, verdict := range []string{"fits", "fits_with", "unknown"} {
		for _, p := range a.Answer.Parts {
			if p.Verdict == verdict {
				w.sayVerdict(p)
			}
		}
	}
	return w.nearMiss(ctx)
}

func (w *walk) sayVerdict(p verdictRead) {
	w.say("   %-10s %-14s %s", p.Verdict, p.SKU, p.Name)
	for _, r := range p.Requires {
		w.say("              needs %s", r.Text)
	}
	if p.Question != nil {
		w.say("              ask: %s", p.Question.Text)
	}
}

func (w *walk) nearMiss(ctx context.Context) error {
	var a struct {
		Answer struct {
			Lines []struct {
				Result verdictRead `json:"result"`
			} `json:"lines"`
		} `json:"answer"`
	}
	err := w.client.post(ctx, "near_miss", "/v1/fit-checks", nil, map[string]any{
		"fork": w.owned(), "lines": []any{map[string]any{"code": w.c.NearMiss, "quantity": 1}},
	}, &a)
	if err != nil {
		return err
	}
	p := a.Answer.Lines[0].Result
	w.say("   And the near miss, %s %s: %s", p.SKU, p.Name, p.Verdict)
	for _, r := range p.Reasons {
		w.say("              %s", r.Text)
	}
	if p.Nearest != nil {
		w.say("              nearest that does: %s, %s", p.Nearest.SKU, p.Nearest.Why)
	}
	return nil
}

type springRead struct {
	SKU       string            `json:"sku"`
	Name      string            `json:"name"`
	Display   map[string]string `json:"display"`
	RateNMM   float64           `json:"rate_n_per_mm"`
	Published *struct {
		Value float64 `json:"value"`
		Unit  string  `json:"unit"`
	} `json:"published_rate"`
}

type setupRead struct {
	Cartridge   string `json:"cartridge"`
	Name        string `json:"cartridge_name"`
	Status      string `json:"status"`
	Text        string `json:"text"`
	Evaluated   int    `json:"evaluated"`
	Recommended *struct {
		Spring  springRead `json:"spring"`
		Preload struct {
			Setting int     `json:"setting"`
			MM      float64 `json:"mm"`
		} `json:"preload"`
		Sag      map[string]any `json:"sag"`
		BumpStop *struct {
			SetKPa    float64 `json:"set_kpa"`
			Published *struct {
				Value float64 `json:"value"`
				Unit  string  `json:"unit"`
			} `json:"published"`
			Rule string `json:"rule"`
		} `json:"bump_stop"`
	} `json:"recommended"`
	Neighbor *struct {
		Text string `json:"text"`
	} `json:"neighbor"`
	Trim []struct {
		Text string `json:"text"`
	} `json:"trim"`
	Clicks []struct {
		Adjuster    string `json:"adjuster"`
		State       string `json:"state"`
		Clicks      *int   `json:"clicks"`
		Of          int    `json:"of"`
		Reference   string `json:"reference"`
		WhereToLook string `json:"where_to_look"`
	} `json:"clicks"`
	Cautions []struct {
		Text string `json:"text"`
	} `json:"cautions"`
}

func (w *walk) recommend(ctx context.Context) error {
	var a struct {
		Answer setupRead `json:"answer"`
	}
	rider := map[string]any{"mass_kg": w.c.Rider["mass_kg"], "mass_is": w.c.Rider["mass_is"]}
	err := w.client.post(ctx, "setup", "/v1/setups?units=metric", nil, map[string]any{
		"fork": w.owned(), "cartridge": w.c.Cartridge, "rider": rider,
		"bicycle": map[string]any{"mass_kg": w.c.BicycleMassKG, "frame": map[string]any{
			"head_angle_deg": w.c.HeadAngleDeg, "chainstay_mm": w.c.ChainstayMM, "wheelbase_mm": w.c.WheelbaseMM,
		}},
		"riding":             map[string]any{"discipline": w.c.Rider["discipline"], "stance": "standing"},
		"target_sag_percent": w.c.TargetSag,
	}, &a)
	if err != nil {
		return err
	}
	w.setup = a.Answer
	w.say("\n3. The setup for a rider of %v kg (%v)", w.c.Rider["mass_kg"], w.c.Rider["mass_is"])
	if w.setup.Recommended == nil {
		return fmt.Errorf("no spring of %s suits the demo's rider: %s %s", w.c.Cartridge, w.setup.Status, w.setup.Text)
	}
	w.saySetup()
	return nil
}

func (w *walk) saySetup() {
	r := w.setup.Recommended
	rate := fmt.Sprintf("%.2f N/mm", r.Spring.RateNMM)
	if p := r.Spring.Published; p != nil {
		rate = fmt.Sprintf("%g %s", p.Value, p.Unit)
	}
	w.say("   cartridge  %s %s", w.setup.Cartridge, w.setup.Name)
	w.say("   spring     %s, %s; %d combinations were computed", r.Spring.SKU, rate, w.setup.Evaluated)
	w.say("   preload    setting %d (%.1f mm)", r.Preload.Setting, r.Preload.MM)
	w.say("   sag        %.0f mm, %.1f %% (between %.0f and %.0f mm: friction and weight share are never known exactly)",
		r.Sag["mm"], r.Sag["percent"], r.Sag["low_mm"], r.Sag["high_mm"])
	if b := r.BumpStop; b != nil && b.Published != nil {
		w.say("   bump stop  %g %s", b.Published.Value, b.Published.Unit)
	}
	for _, c := range w.setup.Clicks {
		if c.Clicks == nil {
			w.say("   %-10s not in our data; see %s", c.Adjuster, c.WhereToLook)
			continue
		}
		w.say("   %-10s %d clicks of %d, %s", c.Adjuster, *c.Clicks, c.Of, strings.ReplaceAll(c.Reference, "_", " "))
	}
	if n := w.setup.Neighbor; n != nil {
		w.say("   %s", n.Text)
	}
	for _, t := range w.setup.Trim {
		if t.Text != "" {
			w.say("   trim       %s", t.Text)
		}
	}
	for _, c := range w.setup.Cautions {
		w.say("   caution: %s", c.Text)
	}
}

// job is what is to be done, as bills and quotes are asked for it.
func (w *walk) job() map[string]any {
	j := map[string]any{
		"jobs": w.c.Jobs, "cartridge": w.c.Cartridge, "spring": w.setup.Recommended.Spring.SKU,
		"preload": w.setup.Recommended.Preload.Setting, "kits": w.c.Kits, "tools_owned": w.c.OwnedTools, "customer_parts": w.c.CustomerParts,
	}
	if b := w.setup.Recommended.BumpStop; b != nil && b.Published != nil {
		j["bump_stop"] = b.Published
	}
	return j
}

func (w *walk) bill(ctx context.Context) error {
	var a struct {
		Answer struct {
			Lines []struct {
				SKU        string   `json:"sku"`
				Name       string   `json:"name"`
				Quantity   *float64 `json:"quantity"`
				Unit       string   `json:"unit"`
				Role       string   `json:"role"`
				IncludedIn string   `json:"included_in"`
				Leg        string   `json:"leg"`
				Look       string   `json:"where_to_look"`
			} `json:"lines"`
			Minutes float64 `json:"minutes"`
			Open    []struct {
				Text string `json:"text"`
			} `json:"open_points"`
		} `json:"answer"`
	}
	body := w.job()
	body["fork"] = w.owned()
	if err := w.client.post(ctx, "bill", "/v1/bills", nil, body, &a); err != nil {
		return err
	}
	w.say("\n4. What the job needs (%s)", strings.Join(w.c.Jobs, ", "))
	for _, l := range a.Answer.Lines {
		quantity := "?"
		if l.Quantity != nil {
			quantity = strconv.FormatFloat(*l.Quantity, 'f', -1, 64)
		}
		text := l.Name
		if l.Leg != "" {
			text += ", " + l.Leg + " leg" + map[bool]string{true: "s", false: ""}[l.Leg == "both"]
		}
		if l.IncludedIn != "" {
			text += " (in the box of " + l.IncludedIn + ")"
		}
		if l.Look != "" {
			text += "; not in our data, see " + l.Look
		}
		w.say("   %-17s %5s %-4s %-14s %s", l.Role, quantity, l.Unit, l.SKU, text)
	}
	w.say("   labor %.0f minutes, what is opened twice counted once", a.Answer.Minutes)
	for _, o := range a.Answer.Open {
		w.say("   open: %s", o.Text)
	}
	return nil
}

type quoteRead struct {
	Number     string `json:"number"`
	ValidUntil string `json:"valid_until"`
	Currency   string `json:"currency"`
	Lines      []struct {
		SKU      string  `json:"sku"`
		Text     string  `json:"text"`
		Quantity string  `json:"quantity"`
		Unit     string  `json:"unit"`
		Role     string  `json:"role"`
		Net      *string `json:"net"`
		Gross    *string `json:"gross"`
		Missing  bool    `json:"price_missing"`
		In       string  `json:"included_in"`
	} `json:"lines"`
	TaxGroups []map[string]any `json:"tax_groups"`
	Totals    map[string]any   `json:"totals"`
	Warnings  []struct {
		Text string `json:"text"`
	} `json:"warnings"`
	Links struct {
		Page string `json:"page"`
		Self string `json:"self"`
	} `json:"links"`
}

func (w *walk) quote(ctx context.Context) error {
	var q quoteRead
	err := w.client.post(ctx, "quote", "/v1/quotes", http.Header{"Idempotency-Key": {"demo-case-1"}}, map[string]any{
		"fork": w.owned(), "job": w.job(), "currency": w.c.Currency, "price_list": w.c.PriceList,
		"language": w.c.Language, "customer": w.c.Customer, "customer_reference": "counter 1", "issue": true,
	}, &q)
	if err != nil {
		return err
	}
	w.say("\n5. Quote %s, valid until %s", q.Number, q.ValidUntil)
	for _, l := range q.Lines {
		amount := strings.ReplaceAll(l.Role, "_", " ")
		switch {
		case l.Role != "new" && (l.Net == nil || strings.Trim(*l.Net, "0.") == ""):
		case l.Missing:
			amount = "no price"
		case l.Net != nil:
			amount = *l.Net
		case l.Gross != nil:
			amount = *l.Gross
		}
		w.say("   %17s  %6s %-4s %-14s %s", amount, l.Quantity, l.Unit, l.SKU, l.Text)
	}
	for _, g := range q.TaxGroups {
		w.say("   %17v  tax %v %% on %v", g["amount"], g["rate"], g["taxable"])
	}
	w.say("   %17v  %s in all (net %v, tax %v)", q.Totals["due"], q.Currency, q.Totals["net"], q.Totals["tax"])
	for _, warning := range q.Warnings {
		w.say("   note: %s", warning.Text)
	}
	w.say("\n   page      %s", w.absolute(q.Links.Page))
	w.say("   reference %s/docs", w.d.URL)
	return nil
}

// absolute is a link of an answer as an address: links are paths where FORKWRIGHT_PUBLIC_URL is not set.
func (w *walk) absolute(link string) string {
	if strings.HasPrefix(link, "/") {
		return w.d.URL + link
	}
	return link
}

func (w *walk) pasteable() {
	w.say("\nTry it yourself:")
	w.say("   export KEY=%s", w.d.Key)
	w.say("   curl -H \"Authorization: Bearer $KEY\" '%s/v1/forks?q=%s'", w.d.URL, url.QueryEscape(w.c.Text))
	w.say("   curl -H \"Authorization: Bearer $KEY\" '%s/v1/forks/%s/parts?model_year=%d&travel_now_mm=%d'", w.d.URL, w.fork.ForkID, w.c.ModelYear, w.c.TravelNowMM)
	w.say("   curl -H \"Authorization: Bearer $KEY\" -H 'Content-Type: application/json' %s/v1/setups -d '{\"fork\":{\"fork_id\":\"%s\",\"travel_now_mm\":%d},\"cartridge\":\"%s\",\"rider\":{\"mass_kg\":78,\"mass_is\":\"kitted\"}}'",
		w.d.URL, w.fork.ForkID, w.c.TravelNowMM, w.c.Cartridge)
	w.say("   curl -H \"Authorization: Bearer $KEY\" %s/v1/quotes", w.d.URL)
}
