package account

import (
	"bytes"
	"fmt"
	"image"
	_ "image/jpeg" // the two formats of a logo
	_ "image/png"
	"maps"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/text/language"

	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/zone"
)

// wrong collects what is wrong with one thing, member by member.
type wrong struct{ fault.Fields }

// Err is nil when nothing was noted, else all of it in the order of the pointers.
func (w *wrong) Err() error {
	slices.SortStableFunc(w.Fields, func(a, b fault.Field) int { return strings.Compare(a.Pointer, b.Pointer) })
	return w.Fields.Err()
}

func (w *wrong) text(pointer, value string, least, most int) {
	n := utf8.RuneCountInString(value)
	name := pointer[strings.LastIndex(pointer, "/")+1:]
	switch {
	case least > 0 && strings.TrimSpace(value) == "":
		w.Add(pointer, "required", "%s may not be empty.", name)
	case n < least:
		w.Add(pointer, "too_short", "%s needs at least %d characters; it has %d.", name, least, n)
	case n > most:
		w.Add(pointer, "too_long", "%s has %d characters; at most %d are taken.", name, n, most)
	}
}

func (w *wrong) form(pointer, value string, form *regexp.Regexp, is string) {
	if !form.MatchString(value) {
		w.Add(pointer, "invalid_value", "%s must be %s.", pointer[1:], is)
	}
}

func (w *wrong) zone(pointer, name string) {
	if _, err := zone.Find(name); err != nil {
		w.Add(pointer, "unknown_time_zone", "%q is no time zone; use an IANA name such as Europe/Berlin or America/Denver.", name)
	}
}

func (w *wrong) among(pointer, value string, allowed ...string) {
	if !slices.Contains(allowed, value) {
		w.Add(pointer, "not_in_list", "%s is %q; use %s.", pointer[1:], value, strings.Join(allowed, " or "))
	}
}

func (w *wrong) currency(pointer, code string) {
	if _, err := money.ParseCurrency(code); err != nil {
		w.Add(pointer, "unknown_currency", "%s", fault.As(err).Text)
	}
}

func (w *wrong) amount(pointer, text string) {
	a, err := money.Parse(text)
	if err != nil {
		w.Add(pointer, "invalid_value", "%s", fault.As(err).Text)
		return
	}
	if a.Sign() < 0 {
		w.Add(pointer, "out_of_range", "An amount for labor may not be negative.")
	}
}

func (w *wrong) few(pointer string, n, most int) {
	if n > most {
		w.Add(pointer, "too_many", "At most %d are taken here; these are %d.", most, n)
	}
}

func (w *wrong) lang(pointer, tag string) {
	w.text(pointer, tag, 0, 35)
	if _, err := language.Parse(tag); err != nil {
		w.Add(pointer, "unknown_language", "%q is no language tag; use one of BCP 47 such as en, de or fr-CA.", tag)
	}
}

var roles = []string{string(caller.Shop), string(caller.Storefront), string(caller.Distributor), string(caller.Administrator)}

// Check finds what is wrong with an account to be stored.
func (a Account) Check() error {
	var w wrong
	w.text("/name", a.Name, 1, 200)
	if len(a.Roles) == 0 {
		w.Add("/roles", "required", "An account needs at least one role.")
	}
	for i, r := range a.Roles {
		w.among(fmt.Sprintf("/roles/%d", i), string(r), roles...)
		if slices.Contains(a.Roles[:i], r) {
			w.Add(fmt.Sprintf("/roles/%d", i), "repeated", "The role %s is there twice.", r)
		}
	}
	return w.Err()
}

var (
	countryForm = regexp.MustCompile(`^[A-Z]{2}$`)
	seriesForm  = regexp.MustCompile(`^[A-Za-z0-9_/-]{1,20}$`)
	numberPart  = regexp.MustCompile(`\{number(:([1-9]|1[0-2]))?\}`)
	numberForm  = regexp.MustCompile(`^([A-Za-z0-9._/-]|\{series\}|\{year\}|\{number(:([1-9]|1[0-2]))?\}){1,60}$`)
	schemeForm  = regexp.MustCompile(`^[A-Z]{2,4}$`)
	jobForm     = regexp.MustCompile(`^[a-z][a-z0-9_]{0,59}$`)
	disciplines = []string{"trail", "enduro", "downhill", "cross_country", "jump", "assisted"}
)

const (
	mostLanguages  = 20
	mostCurrencies = 20
	mostMenuPrices = 200

	maxLogoBytes = 256 << 10
	maxLogoSide  = 2000 // pixels: a small file can hold a picture that fills the memory
)

// Check finds what is wrong with a profile to be stored.
func (s Seller) Check() error {
	var w wrong
	s.checkWho(&w)
	s.checkHow(&w)
	s.checkTexts(&w)
	s.checkLabor(&w)
	s.checkLogo(&w)
	return w.Err()
}

func (s Seller) checkWho(w *wrong) {
	w.text("/legal_name", s.LegalName, 1, 200)
	for pointer, value := range map[string]string{
		"/trading_name": s.TradingName, "/street": s.Street, "/street_more": s.StreetMore, "/city": s.City, "/region": s.Region,
		"/registration": s.Registration, "/contact/phone": s.Contact.Phone, "/contact/email": s.Contact.Email, "/contact/website": s.Contact.Website,
	} {
		w.text(pointer, value, 0, 200)
	}
	w.text("/postcode", s.Postcode, 0, 20)
	w.form("/country", s.Country, countryForm, "two capital letters as in ISO 3166-1, such as DE or US")
	w.form("/tax_country", s.TaxCountry, countryForm, "two capital letters as in ISO 3166-1, such as DE or US")
	w.text("/tax_region", s.TaxRegion, 0, 40)
	if s.Contact.Website != "" && !webAddress(s.Contact.Website, true) {
		w.Add("/contact/website", "invalid_value", "website must be an address that begins with https:// or http://.")
	}
	w.few("/tax_ids", len(s.TaxIDs), 10)
	for i, id := range s.TaxIDs {
		if !schemeForm.MatchString(id.Scheme) {
			w.Add(fmt.Sprintf("/tax_ids/%d/scheme", i), "invalid_value", "scheme must be 2 to 4 capital letters: VA for a VAT number, FC for a local tax number.")
		}
		w.text(fmt.Sprintf("/tax_ids/%d/value", i), id.Value, 1, 60)
	}
}

func (s Seller) checkHow(w *wrong) {
	w.currency("/default_currency", s.DefaultCurrency)
	w.among("/price_basis", s.PriceBasis, "net", "gross")
	w.among("/units", s.Units, "metric", "imperial")
	w.among("/paper", s.Paper, "A4", "Letter")
	w.zone("/time_zone", s.TimeZone)
	w.form("/series", s.Series, seriesForm, "1 to 20 letters, digits, underscores, slashes and hyphens")
	if !numberForm.MatchString(s.NumberForm) || len(numberPart.FindAllString(s.NumberForm, -1)) != 1 {
		w.Add("/number_form", "invalid_value", "number_form must hold {number} or {number:5} once, and else {series}, {year}, letters, digits and . _ / -.")
	}
	for pointer, days := range map[string]int{"/validity_days": s.ValidityDays, "/hold_days": s.HoldDays} {
		if days < 1 || days > 365 {
			w.Add(pointer, "out_of_range", "%s must be from 1 to 365; it is %d.", pointer[1:], days)
		}
	}
	for _, d := range slices.Sorted(maps.Keys(s.SagTargets)) {
		pointer := "/sag_targets/" + escape(d)
		if !slices.Contains(disciplines, d) {
			w.Add(pointer, "not_in_list", "%q is no discipline; use %s.", d, strings.Join(disciplines, ", "))
		}
		if p := s.SagTargets[d]; p < 5 || p > 45 {
			w.Add(pointer, "out_of_range", "A sag target is from 5 to 45 percent of travel; it is %g.", p)
		}
	}
}

func (s Seller) checkTexts(w *wrong) {
	if len(s.Languages) == 0 || len(s.Languages) > mostLanguages {
		w.Add("/languages", "required", "Give 1 to 20 languages, the preferred one first.")
	}
	for i, tag := range s.Languages {
		w.lang(fmt.Sprintf("/languages/%d", i), tag)
	}
	if s.BenchLanguage != "" {
		w.lang("/bench_language", s.BenchLanguage)
	}
	s.checkByLanguage(w, "/terms", s.Terms, 8000)
	w.few("/texts", len(s.Texts), 40)
	for _, code := range slices.Sorted(maps.Keys(s.Texts)) {
		if !jobForm.MatchString(code) {
			w.Add("/texts/"+escape(code), "invalid_value", "The code of a text has small letters, digits and underscores.")
		}
		s.checkByLanguage(w, "/texts/"+escape(code), s.Texts[code], 2000)
	}
}

func (s Seller) checkByLanguage(w *wrong, pointer string, texts map[string]string, most int) {
	w.few(pointer, len(texts), mostLanguages)
	for _, tag := range slices.Sorted(maps.Keys(texts)) {
		w.lang(pointer+"/"+escape(tag), tag)
		w.text(pointer+"/"+escape(tag), texts[tag], 1, most)
	}
}

func (s Seller) checkLabor(w *wrong) {
	w.few("/labor/per_minute", len(s.Labor.PerMinute), mostCurrencies)
	w.few("/labor/menu", len(s.Labor.Menu), mostMenuPrices)
	for _, currency := range slices.Sorted(maps.Keys(s.Labor.PerMinute)) {
		w.currency("/labor/per_minute/"+escape(currency), currency)
		w.amount("/labor/per_minute/"+escape(currency), s.Labor.PerMinute[currency])
	}
	for _, job := range slices.Sorted(maps.Keys(s.Labor.Menu)) {
		if !jobForm.MatchString(job) {
			w.Add("/labor/menu/"+escape(job), "invalid_value", "A job is named by its code, such as lower_leg_service.")
		}
		w.few("/labor/menu/"+escape(job), len(s.Labor.Menu[job]), mostCurrencies)
		for _, currency := range slices.Sorted(maps.Keys(s.Labor.Menu[job])) {
			pointer := "/labor/menu/" + escape(job) + "/" + escape(currency)
			w.currency(pointer, currency)
			w.amount(pointer, s.Labor.Menu[job][currency])
		}
	}
}

func (s Seller) checkLogo(w *wrong) {
	if len(s.Logo) == 0 {
		if s.LogoType != "" {
			w.Add("/logo_type", "unexpected", "There is no logo; leave logo_type out.")
		}
		return
	}
	if len(s.Logo) > maxLogoBytes {
		w.Add("/logo", "too_long", "A logo may have 256 KiB at most; this one has %d bytes.", len(s.Logo))
		return
	}
	w.among("/logo_type", s.LogoType, "image/png", "image/jpeg")
	cfg, kind, err := image.DecodeConfig(bytes.NewReader(s.Logo))
	switch {
	case err != nil || "image/"+kind != s.LogoType:
		w.Add("/logo", "invalid_value", "logo does not hold a picture of the type in logo_type.")
	case cfg.Width > maxLogoSide || cfg.Height > maxLogoSide:
		w.Add("/logo", "out_of_range", "A logo may have %d by %d pixels at most; this one has %d by %d.", maxLogoSide, maxLogoSide, cfg.Width, cfg.Height)
	}
}

// Check finds what is wrong with a key to be made at a time. scopes are those there are.
func (n NewKey) Check(now time.Time, scopes []string) error {
	var w wrong
	w.text("/label", n.Label, 1, 200)
	if n.ExpiresAt != nil && !n.ExpiresAt.After(now) {
		w.Add("/expires_at", "out_of_range", "expires_at must be in the future.")
	}
	w.few("/scopes", len(n.Scopes), 20)
	for i, s := range n.Scopes {
		if !slices.Contains(scopes, s) {
			w.Add(fmt.Sprintf("/scopes/%d", i), "not_in_list", "%q is no scope; there are %s.", s, strings.Join(scopes, ", "))
		}
	}
	w.few("/allowed_origins", len(n.AllowedOrigins), 20)
	for i, o := range n.AllowedOrigins {
		w.text(fmt.Sprintf("/allowed_origins/%d", i), o, 0, 200)
		if !webAddress(o, false) {
			w.Add(fmt.Sprintf("/allowed_origins/%d", i), "invalid_value", "An origin is scheme, host and port as a browser sends it: https://shop.example, without a path or a slash at the end.")
		}
	}
	return w.Err()
}

// webAddress tells an address of the web from anything else; without a path it is an origin,
// written exactly as a browser sends it.
func webAddress(s string, path bool) bool {
	u, err := url.Parse(s)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.User != nil {
		return false
	}
	return path || s == u.Scheme+"://"+strings.ToLower(u.Host)
}

var (
	locationForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	dueByForm    = regexp.MustCompile(`^(([01][0-9]|2[0-3]):[0-5][0-9])?$`)
)

// Check finds what is wrong with a location to be stored.
func (l Location) Check() error {
	var w wrong
	w.form("/location", l.ID, locationForm, "1 to 40 small letters, digits and hyphens, and begin with a letter or digit")
	w.text("/name", l.Name, 1, 200)
	w.zone("/time_zone", l.TimeZone)
	w.form("/due_by", l.DueBy, dueByForm, "a time of day such as 02:30")
	if len(l.Policy) > 16<<10 {
		w.Add("/policy", "too_long", "A policy may have 16 KiB at most.")
	}
	if l.DaysAway < 0 || l.DaysAway > 365 {
		w.Add("/days_away", "out_of_range", "days_away must be from 0 to 365; it is %d.", l.DaysAway)
	}
	return w.Err()
}

// The masses between which a rider is believed; from memory.
const (
	leastRiderKg = 20
	mostRiderKg  = 200
)

// Check finds what is wrong with a person to be stored.
func (p Person) Check() error {
	var w wrong
	for pointer, value := range map[string]string{"/name": p.Name, "/email": p.Email, "/phone": p.Phone} {
		w.text(pointer, value, 0, 200)
	}
	w.text("/address", p.Address, 0, 1000)
	w.text("/note", p.Note, 0, 2000)
	if m := p.RiderMassKg; m != nil {
		if kg := m.InexactFloat64(); kg < leastRiderKg || kg > mostRiderKg {
			w.Add("/rider_mass_kg", "out_of_range", "rider_mass_kg must be from %d to %d.", leastRiderKg, mostRiderKg)
		}
	}
	if p.Name+p.Email+p.Phone+p.Address+p.Note == "" && p.RiderMassKg == nil {
		w.Add("", "required", "There is nothing to keep: give at least one member.")
	}
	return w.Err()
}

// escape writes a member's name as part of a JSON pointer (RFC 6901).
func escape(s string) string {
	return strings.ReplaceAll(strings.ReplaceAll(s, "~", "~0"), "/", "~1")
}
