package api_test

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"encoding/xml"
	"html"
	"image"
	"image/png"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"forkwright/api/contracttest"
	"forkwright/api/page/chart"
	"forkwright/api/page/pdf/pdftest"
	"forkwright/service"
	"forkwright/service/caller"
	"forkwright/service/money"
	"forkwright/service/quote"
)

const (
	asHTML = "Accept: text/html"
	asPDF  = "Accept: application/pdf"
	asXML  = "Accept: application/xml"
	asSVG  = "Accept: image/svg+xml"
)

// quotation is what a reader of the XML looks at.
type quotation struct {
	ID     string
	Buyer  string `xml:"BuyerCustomerParty>Party>PartyName>Name"`
	Totals struct {
		Lines string `xml:"LineExtensionAmount"`
		Net   string `xml:"TaxExclusiveAmount"`
		Gross string `xml:"TaxInclusiveAmount"`
		Due   string `xml:"PayableAmount"`
	} `xml:"QuotedMonetaryTotal"`
	Tax struct {
		Amount string   `xml:"TaxAmount"`
		Groups []string `xml:"TaxSubtotal>TaxAmount"`
	} `xml:"TaxTotal"`
	Lines []struct {
		Net  string `xml:"LineExtensionAmount"`
		Name string `xml:"Item>Name"`
		SKU  string `xml:"Item>SellersItemIdentification>ID"`
	} `xml:"QuotationLine>LineItem"`
}

func readXML(t *testing.T, body []byte) (q quotation) {
	t.Helper()
	if err := xml.Unmarshal(body, &q); err != nil {
		t.Fatalf("%v in %.600s", err, body)
	}
	return q
}

// paper reads one form of something and holds it to what every form promises: the same bytes
// each time, under a version of its own.
func (s *till) paper(target, accept string) contracttest.Answer {
	s.t.Helper()
	a := s.get(target, accept)
	media, _, _ := strings.Cut(a.Header.Get("Content-Type"), ";")
	if want := strings.TrimPrefix(accept, "Accept: "); a.Status != 200 || media != want {
		s.t.Fatalf("%s as %s: %d %s %.400s", target, want, a.Status, media, a.Body)
	}
	if again := s.get(target, accept); !bytes.Equal(a.Body, again.Body) {
		s.t.Errorf("%s, %s: other bytes when read again", target, accept)
	}
	if known := s.get(target, accept, "If-None-Match: "+a.Header.Get("ETag")); known.Status != 304 {
		s.t.Errorf("%s, %s: known already, yet %d", target, accept, known.Status)
	}
	return a
}

var shownAmount = regexp.MustCompile(`<data value="([^"]+)">([^<]+)</data>`)

func TestEveryFormOfAQuoteHasTheSameDigits(t *testing.T) {
	s := newTill(t)
	for _, x := range []struct{ name, more string }{
		{"net", ``},
		{"gross, pounds", `, "currency": "GBP", "destination": "GB"`},
		{"gross, yen", `, "currency": "JPY", "destination": "JP"`},
		{"German", `, "language": "de", "discounts": [{"text": "Stammkunde", "percent": "3"}], "shipping": [{"text": "Versand", "amount": "5.90"}], "prepaid": "100.00"`},
	} {
		t.Run(x.name, func(t *testing.T) {
			made := s.post("/v1/quotes", strings.TrimSuffix(conversion, "}")+x.more+"}")
			q := s.made(made, 201)
			var data struct {
				Currency  string
				TaxGroups []struct{ Amount string } `json:"tax_groups"`
			}
			made.JSON(t, &data)

			// The page's exact amounts are the data's (another test); the PDF shows what the page shows.
			page := s.paper(q.Links.Self, asHTML)
			text := pdftest.Text(t, s.paper(q.Links.Self, asPDF).Body)
			set := map[string]int{}
			for piece := range strings.Lines(text) {
				set[strings.TrimSuffix(strings.TrimSuffix(piece, "\n"), " "+data.Currency)]++
			}
			shown, exact := map[string]int{}, []string{}
			for _, m := range shownAmount.FindAllStringSubmatch(string(page.Body), -1) {
				shown[html.UnescapeString(m[2])]++
				exact = append(exact, m[1])
			}
			for amount, n := range shown {
				if set[amount] < n {
					t.Errorf("%q stands %d times on the page and %d times in the PDF", amount, n, set[amount])
				}
			}
			for _, name := range []string{"net", "gross", "due"} {
				if !slices.Contains(exact, q.Totals[name]) {
					t.Errorf("%s %s is not on the page", name, q.Totals[name])
				}
			}

			file := readXML(t, s.paper(q.Links.Self, asXML).Body)
			var want, got []string
			for _, l := range q.Lines {
				want = append(want, l.SKU+" "+l.Net)
			}
			for _, l := range file.Lines {
				got = append(got, l.SKU+" "+l.Net)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("lines (-data +XML):\n%s", diff)
			}
			want = []string{q.Totals["lines"], q.Totals["net"], q.Totals["tax"], q.Totals["gross"], q.Totals["due"]}
			for _, g := range data.TaxGroups {
				want = append(want, g.Amount)
			}
			got = append([]string{file.Totals.Lines, file.Totals.Net, file.Tax.Amount, file.Totals.Gross, file.Totals.Due}, file.Tax.Groups...)
			if diff := cmp.Diff(want, got); diff != "" || file.ID != q.Number {
				t.Errorf("%s (-data +XML):\n%s", file.ID, diff)
			}
		})
	}
}

func TestTheCustomersAddressGivesThePDFToo(t *testing.T) {
	s := newTill(t)
	q := s.made(s.post("/v1/quotes", conversion), 201)
	public := s.contract.Call(t, s.h, http.MethodGet, q.Links.Page, "", "", asPDF)
	keyed := s.paper(q.Links.Self, asPDF)
	if public.Status != 200 || !bytes.Equal(public.Body, keyed.Body) {
		t.Errorf("%d, %d bytes against %d", public.Status, len(public.Body), len(keyed.Body))
	}
	if got, want := keyed.Header.Get("Content-Disposition"), `inline; filename="`+q.Number+`.pdf"`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	// What a browser sends gets the page.
	browser := s.contract.Call(t, s.h, http.MethodGet, q.Links.Page, "", "", "Accept: text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8")
	if !strings.HasPrefix(browser.Header.Get("Content-Type"), "text/html") {
		t.Errorf("a browser gets %s", browser.Header.Get("Content-Type"))
	}
	for target, accept := range map[string]string{q.Links.Page: asXML, q.Links.Self: "Accept: image/png", q.Links.Self + "/bench-sheet": "Accept: application/json"} {
		if a := s.get(target, accept); a.Status != 406 || a.Problem(t).Code != "not_acceptable" {
			t.Errorf("%s, %s: %d", target, accept, a.Status)
		}
	}
	if a := s.get(q.Links.Self, "Accept: */*"); a.Header.Get("Content-Type") != "application/json" {
		t.Errorf("data is not the default: %s", a.Header.Get("Content-Type"))
	}
}

func TestLinksAreWholeAddressesWhereTheServiceKnowsItsOwn(t *testing.T) {
	s := newTill(t)
	path := s.made(s.post("/v1/quotes", conversion), 201)
	if !strings.HasPrefix(path.Links.Page, "/q/") || strings.Contains(s.forms(path)["page"], path.Links.Page) {
		t.Errorf("without an address of its own the page is %s, and a path is on no paper", path.Links.Page)
	}
	s.server.PublicURL = "https://quotes.shop.example/kits"
	q := s.made(s.post("/v1/quotes", strings.Replace(conversion, "Zora Beispielperson", "山田", 1)), 201)
	if !strings.HasPrefix(q.Links.Page, "https://quotes.shop.example/kits/q/") || !strings.HasPrefix(q.Links.Self, "/v1/quotes/") {
		t.Errorf("the page is %s, the quote %s", q.Links.Page, q.Links.Self)
	}
	forms := s.forms(q)
	for form, want := range map[string]string{"page": q.Links.Page, "pdf": q.Links.Page, "xml": q.Links.Page, "bench pdf": "https://quotes.shop.example/kits" + q.Links.Self + "/bench-sheet"} {
		if !strings.Contains(squeezed(forms[form]), squeezed(want)) {
			t.Errorf("%s does not name %s", form, want)
		}
	}
	if a := s.contract.Call(t, s.h, http.MethodGet, strings.TrimPrefix(q.Links.Page, "https://quotes.shop.example/kits"), "", "", asHTML); a.Status != 200 {
		t.Errorf("the page behind the proxy: %d", a.Status)
	}
}

func TestTheSellersLogoIsOnThePage(t *testing.T) {
	s := newTill(t)
	q := s.made(s.post("/v1/quotes", conversion), 201)
	before := s.paper(q.Links.Self, asHTML)
	profile, account := map[string]any{}, s.get("/v1/account")
	s.must(json.Unmarshal(account.Body, &profile))
	seller, _ := profile["seller"].(map[string]any)
	if seller == nil {
		t.Fatalf("no profile: %v", profile)
	}
	var picture bytes.Buffer
	s.must(png.Encode(&picture, image.NewGray(image.Rect(0, 0, 40, 12))))
	seller["logo"], seller["logo_type"] = base64.StdEncoding.EncodeToString(picture.Bytes()), "image/png"
	body, err := json.Marshal(seller)
	s.must(err)
	if a := s.call(shop, "PUT", "/v1/account", string(body), "If-Match: "+account.Header.Get("ETag")); a.Status != 200 {
		t.Fatalf("%d %s", a.Status, a.Body)
	}
	after := s.paper(q.Links.Self, asHTML)
	if strings.Contains(string(before.Body), "<img") || !strings.Contains(string(after.Body), `<img class="logo" src="data:image/png;base64,`) {
		t.Error("the logo is not on the page, or was before there was one")
	}
	if csp := after.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "img-src 'self' data:") {
		t.Errorf("a browser would not show it: %s", csp)
	}
}

func TestTheBenchSheetIsThatOfTheQuote(t *testing.T) {
	s := newTill(t)
	body := strings.Replace(conversion, `"spring": "QB-S36L-055"`, `"spring": "QB-S36L-055", "preload": 2, "bump_stop": {"value": 62, "unit": "psi"}`, 1)
	q := s.made(s.post("/v1/quotes", body), 201)
	page := s.paper(q.Links.Self+"/bench-sheet", asHTML)
	file := s.paper(q.Links.Self+"/bench-sheet", asPDF)
	if csp := page.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "script-src") {
		t.Errorf("CSP %q", csp)
	}
	if got := file.Header.Get("Content-Disposition"); got != `inline; filename="bench-`+q.Number+`.pdf"` {
		t.Error(got)
	}
	onPage, inFile := unbroken(html.UnescapeString(tags.ReplaceAllString(string(page.Body), " "))), unbroken(pdftest.Text(t, file.Body))
	for _, want := range []string{"Zora Beispielperson", "Hollin 36 Expert", "QB-S36L-055", "Preload setting 2", "62 psi, at full extension", "Sag measured, mm, weight eased on", "62 psi (4.3 bar, 427 kPa)", "setting 2, 1 spacer", "Sag to aim at", "Bump stop from 106 mm", q.Number} {
		if !strings.Contains(onPage, want) {
			t.Errorf("the page does not say %q", want)
		}
		if !strings.Contains(inFile, want) {
			t.Errorf("the PDF does not say %q", want)
		}
	}
	if strings.Contains(onPage, "EUR") || strings.Contains(onPage, q.Totals["due"]) {
		t.Error("there is money on the technician's sheet")
	}
	if a := s.contract.Call(t, s.h, http.MethodGet, q.Links.Self+"/bench-sheet", s.otherKey, ""); a.Status != 404 || a.Problem(t).Code != "quote_not_found" {
		t.Errorf("another shop reads it: %d", a.Status)
	}
	sale := s.made(s.post("/v1/quotes", counter), 201)
	if a := s.get(sale.Links.Self + "/bench-sheet"); a.Status != 404 || a.Problem(t).Code != "no_bench_work" {
		t.Errorf("a sheet for a sale over the counter: %d %s", a.Status, a.Body)
	}
	if a := s.post("/v1/persons/"+q.PersonID+"/erase", ""); a.Status >= 300 {
		t.Fatal(string(a.Body))
	}
	for _, accept := range []string{asHTML, asPDF} {
		a := s.paper(q.Links.Self+"/bench-sheet", accept)
		if text := string(a.Body) + pdftest.Text(t, a.Body); strings.Contains(text, "Beispielperson") {
			t.Errorf("%s: the name outlives its erasing", accept)
		}
	}
}

// unbroken takes a text's lines and runs of spaces for single spaces.
func unbroken(s string) string { return strings.Join(strings.Fields(s), " ") }

var tags = regexp.MustCompile(`<[^>]*>`)

// Quotes of the release before have the bill of the work in their body, and keep it there.
func TestABillInTheBodyMakesTheSameBenchSheet(t *testing.T) {
	s := newTill(t)
	q := s.made(s.post("/v1/quotes", conversion), 201)
	before := s.paper(q.Links.Self+"/bench-sheet", asHTML)
	c, err := pgx.Connect(t.Context(), s.base.OwnerURL)
	s.must(err)
	defer c.Close(t.Context())
	tag, err := c.Exec(t.Context(), `
		WITH b AS (DELETE FROM quote_bill RETURNING quote_id, bill)
		UPDATE quote SET body = substr(body, 1, length(body) - 1) || ',"bench":' || b.bill || '}' FROM b WHERE id = b.quote_id`)
	s.must(err)
	if tag.RowsAffected() != 1 {
		t.Fatal("the quote had no bill of its own")
	}
	s.made(s.act(q, "accept", ""), 200)
	after := s.paper(q.Links.Self+"/bench-sheet", asHTML)
	if diff := cmp.Diff(string(before.Body), string(after.Body)); diff != "" {
		t.Errorf("-apart +inside:\n%s", diff)
	}
}

// A quote outlives the catalog that it was made from.
func TestTheBenchSheetOutlivesItsCatalog(t *testing.T) {
	s := newTill(t)
	q := s.made(s.post("/v1/quotes", conversion), 201)
	before := s.paper(q.Links.Self+"/bench-sheet", asHTML)
	for _, mark := range []string{"a", "b"} {
		content := zipped(t, func(name, content string) string {
			if name == "makers.csv" {
				return strings.Replace(content, "Skarnfeld", "Skarnfeld "+mark, 1)
			}
			return content
		})
		if a := s.call(admin, "PUT", "/v1/catalog", content, zipHeader); a.Status >= 300 {
			t.Fatalf("%d %s", a.Status, a.Body)
		}
	}
	c, err := pgx.Connect(t.Context(), s.base.OwnerURL)
	s.must(err)
	defer c.Close(t.Context())
	_, err = c.Exec(t.Context(), `UPDATE catalog_revision SET dropped_at = now() WHERE revision = 1`)
	s.must(err)
	s.h = s.serve(s.d).Handler() // which has never had the first revision in memory
	if a := s.get("/v1/forks/" + matrixFork + "?catalog_revision=1"); a.Status != 410 {
		t.Fatalf("revision 1 is not gone: %d", a.Status)
	}
	after := s.paper(q.Links.Self+"/bench-sheet", asHTML)
	fork := regexp.MustCompile(`<dt>Fork</dt><dd><bdi>([^<]*)</bdi>`)
	got := []string{fork.FindStringSubmatch(string(before.Body))[1], fork.FindStringSubmatch(string(after.Body))[1]}
	if diff := cmp.Diff([]string{"Skarnfeld Hollin 36 Expert (2021-2023)", matrixFork}, got); diff != "" {
		t.Errorf("the fork's name while its revision is kept, and its code after (-want +got):\n%s", diff)
	}
	for body, want := range map[string]bool{string(before.Body): true, string(after.Body): false} {
		if strings.Contains(body, "force-travel-title") != want || strings.Contains(body, "is no longer kept, so there are no figures and no chart") == want {
			t.Errorf("chart on the sheet %t, want %t", !want, want)
		}
	}
}

func TestNoFormOfAQuoteKnowsABuyingPrice(t *testing.T) {
	s := newTill(t)
	const secret = "147.31" // the shop's own; 157.99 is the catalog's
	a := s.call(shop, "PUT", "/v1/account/prices", `{"prices":[
		{"sku":"QB-C36S-160","use":"buying","currency":"EUR","basis":"net","amount":"`+secret+`","valid_from":"2025-01-01"},
		{"sku":"QB-C36S-160","use":"selling","currency":"EUR","basis":"net","amount":"241.17","valid_from":"2025-01-01"}]}`)
	if a.Status != 200 {
		t.Fatalf("%d %s", a.Status, a.Body)
	}
	made := s.post("/v1/quotes", conversion)
	q := s.made(made, 201)
	forms := s.forms(q)
	forms["created"], forms["events"] = string(made.Body), string(s.get(q.Links.Events).Body)
	for name, text := range forms {
		for _, forbidden := range []string{secret, "147,31", "157.99", "157,99", "buying"} {
			if strings.Contains(text, forbidden) {
				t.Errorf("%s holds %q", name, forbidden)
			}
		}
	}
	for _, name := range []string{"data", "page", "pdf", "xml"} {
		if !strings.Contains(forms[name], "241.17") {
			t.Errorf("%s does not have the shop's selling price", name)
		}
	}
	if strings.Contains(s.log.String(), secret) {
		t.Error("the log holds a buying price")
	}
}

// forms are all forms of a quote as text.
func (s *till) forms(q quoteSeen) map[string]string {
	s.t.Helper()
	return map[string]string{
		"data": string(s.get(q.Links.Self).Body), "page": string(s.paper(q.Links.Self, asHTML).Body), "xml": string(s.paper(q.Links.Self, asXML).Body),
		"pdf": pdftest.Text(s.t, s.paper(q.Links.Self, asPDF).Body), "bench page": string(s.paper(q.Links.Self+"/bench-sheet", asHTML).Body),
		"bench pdf": pdftest.Text(s.t, s.paper(q.Links.Self+"/bench-sheet", asPDF).Body),
	}
}

func TestAHostileNameIsOnlyANameInEveryForm(t *testing.T) {
	s := newTill(t)
	for _, name := range []string{
		`<script>alert(1)</script><img src=x onerror=alert(1)>`, `"'&<>`, `]]></Name><Name>x`, `) Tj ET (\) /JavaScript`, `{{.Q.ID}}</style>`, `&lt;b&gt;<b></b>`,
		"a\u202egnp.exe", strings.Repeat("W", 200), "名前 Ångström", `=HYPERLINK("http://x")`, "%%EOF\\",
	} {
		b, err := json.Marshal(name)
		s.must(err)
		q := s.made(s.post("/v1/quotes", strings.Replace(conversion, `"Zora Beispielperson"`, string(b), 1)), 201)
		forms := s.forms(q)
		said := chart.Plain(name)
		for _, form := range []string{"page", "bench page"} {
			for _, bad := range []string{"<script", "<img", "<Name>", "<b></b>"} {
				if strings.Contains(forms[form], bad) {
					t.Errorf("%s: %q came through as markup", form, bad)
				}
			}
			if strings.Count(forms[form], "</style>") != 1 {
				t.Errorf("%s: the style ends more than once", form)
			}
		}
		if text := html.UnescapeString(forms["bench page"]); !strings.Contains(text, said) {
			t.Errorf("the bench page does not say %q", said)
		}
		if got := readXML(t, []byte(forms["xml"])); got.Buyer != said {
			t.Errorf("the XML names %q, want %q", got.Buyer, said)
		}
		wellFormed(t, forms["xml"])
		want := said
		if strings.Contains(name, "名前") { // a script that the file cannot set is said to be so
			want = "Ångström"
		}
		for _, form := range []string{"pdf", "bench pdf"} {
			if !strings.Contains(squeezed(forms[form]), squeezed(want)) {
				t.Errorf("%s does not say %q", form, want)
			}
		}
		if strings.Contains(name, "名前") && !strings.Contains(unbroken(forms["pdf"]), "/q/") {
			t.Error("the PDF does not say where the name reads in full")
		}
		file := s.paper(q.Links.Self, asPDF).Body
		if n := pdftest.Pages(t, file); n < "1" || bytes.Contains(file, []byte("/JavaScript")) || !bytes.HasPrefix(file, []byte("%PDF-")) {
			t.Errorf("%q: no sound file, %s pages", name, n)
		}
	}
}

func squeezed(s string) string { return strings.Join(strings.Fields(s), "") }

func wellFormed(t *testing.T, text string) {
	t.Helper()
	for d := xml.NewDecoder(strings.NewReader(text)); ; {
		if _, err := d.Token(); err == io.EOF {
			return
		} else if err != nil {
			t.Fatalf("%v in %.400s", err, text)
		}
	}
}

// Nothing asks for a quote without lines, but one may be in a database.
func TestAQuoteWithoutLinesHasNoXML(t *testing.T) {
	s := newTill(t)
	empty := quote.Quote{AccountID: s.by.AccountID, State: quote.Draft, RevisionNo: 1, Version: 1, Currency: "EUR", Basis: quote.Net, Language: "en", TimeZone: "UTC",
		PriceDate: "2026-03-31", CreatedAt: time.Now(), CatalogRevision: 1, RulesVersion: 1, Series: "RU", Destination: "DE"}
	q, err := s.d.CreateQuote(t.Context(), s.by, service.NewQuote{Draft: empty, Created: empty.Created(empty.ClockAt(time.Now()), s.by), Digest: func(string) [32]byte { return [32]byte{1} }})
	s.must(err)
	if a := s.get("/v1/quotes/"+q.ID, asXML); a.Status != 409 || a.Problem(t).Code != "quote_without_lines" {
		t.Errorf("%d %s", a.Status, a.Body)
	}
	s.paper("/v1/quotes/"+q.ID, asPDF)
}

// ---- setups as a picture --------------------------------------------------------------------

func TestASetupIsDrawn(t *testing.T) {
	w := newWorld(t)
	body := string(w.example("recommendSetup"))
	draw := func(role caller.Role, query, body string) contracttest.Answer {
		return w.call(role, "POST", "/v1/setups"+query, body, asSVG)
	}
	picture := func(a contracttest.Answer) string {
		t.Helper()
		if a.Status != 200 || a.Header.Get("Content-Type") != "image/svg+xml" {
			t.Fatalf("%d %s", a.Status, a.Body)
		}
		wellFormed(t, string(a.Body))
		return string(a.Body)
	}
	plain := picture(draw(shop, "", body))
	data := want[struct {
		Answer struct {
			Recommended struct {
				Sag struct{ MM float64 }
			}
		}
	}](w, 200, shop, "POST", "/v1/setups", body)
	if data.Answer.Recommended.Sag.MM <= 0 {
		t.Fatalf("%+v", data)
	}
	for _, text := range []string{"<svg", "Sag ", "N/mm", "Dashed line", "The bump stop begins"} {
		if !strings.Contains(plain, text) {
			t.Errorf("the picture does not say %q: %.900s", text, plain)
		}
	}
	if strings.Contains(plain, "Do not") {
		t.Error("a setup that holds is warned of")
	}
	if imperial := picture(draw(shop, "?units=imperial", body)); !strings.Contains(imperial, "lb/in") || strings.Contains(imperial, "N/mm") {
		t.Error("the units asked for are not in the picture")
	}
	if again := draw(storefront, "", body); string(again.Body) != plain {
		t.Error("a storefront sees another picture")
	}

	stiff := strings.Replace(w.setupFor("119"), `"target_sag_percent":20`, `"target_sag_percent":8`, 1)
	if refused := want[map[string]any](w, 200, shop, "POST", "/v1/setups", stiff)["answer"].(map[string]any); refused["status"] != "rider_too_heavy" || refused["nearest"] == nil {
		t.Errorf("%v: %v", refused["status"], refused["text"])
	}
	if nearest := picture(draw(shop, "", stiff)); !strings.Contains(nearest, "Do not build this") {
		t.Errorf("the nearest of a refusal is drawn without a word: %.400s", nearest)
	}
	want[any](w, 201, admin, "POST", "/v1/notices", `{"kind":"stop_sale","effect":"block","sku":"QB-C36S-160","text":"The cap may loosen."}`)
	if stopped := picture(draw(shop, "", body)); !strings.Contains(stopped, "Do not sell this") {
		t.Errorf("a stop-sale is not in the picture: %.400s", stopped)
	}

	a := draw(shop, "", w.setupFor("150")) // past the fork's own limit: no spring is even looked for
	if p := a.Problem(t); a.Status != 409 || p.Code != "no_chart" || !strings.Contains(p.Detail, "allows at most 120 kg") {
		t.Errorf("%d %s", a.Status, a.Body)
	}
	if a := w.call(shop, "POST", "/v1/setups", body, "Accept: application/pdf"); a.Status != 406 {
		t.Errorf("%d", a.Status)
	}
}

// ---- own prices and tax rates ---------------------------------------------------------------

type ownPriceAnswer struct {
	Prices       []map[string]string
	NotInCatalog []string `json:"not_in_catalog"`
	NextCursor   string   `json:"next_cursor"`
}

func TestOwnPricesAreReplacedListedAndUsed(t *testing.T) {
	s := newTill(t)
	first := `{"prices":[
		{"sku":"QB-AC-GUARD","use":"selling","currency":"EUR","basis":"net","amount":"15.50","valid_from":"2025-01-01"},
		{"sku":"QB-AC-GUARD","use":"selling","currency":"EUR","basis":"net","min_quantity":"10","amount":"12.00","valid_from":"2025-01-01","valid_until":"2099-12-31"},
		{"sku":"QB-AC-GUARD","use":"buying","currency":"EUR","basis":"net","amount":"7.4025","valid_from":"2025-01-01"},
		{"sku":"NOT-OURS","use":"selling","currency":"JPY","basis":"gross","amount":"1200","valid_from":"2025-01-01"}]}`
	got := want[ownPriceAnswer](s.world, 200, shop, "PUT", "/v1/account/prices", first)
	if diff := cmp.Diff([]string{"NOT-OURS"}, got.NotInCatalog); diff != "" {
		t.Error(diff)
	}
	wanted := []map[string]string{
		{"sku": "NOT-OURS", "use": "selling", "currency": "JPY", "basis": "gross", "min_quantity": "1", "amount": "1200", "valid_from": "2025-01-01"},
		{"sku": "QB-AC-GUARD", "use": "buying", "currency": "EUR", "basis": "net", "min_quantity": "1", "amount": "7.4025", "valid_from": "2025-01-01"},
		{"sku": "QB-AC-GUARD", "use": "selling", "currency": "EUR", "basis": "net", "min_quantity": "1", "amount": "15.50", "valid_from": "2025-01-01"},
		{"sku": "QB-AC-GUARD", "use": "selling", "currency": "EUR", "basis": "net", "min_quantity": "10", "amount": "12.00", "valid_from": "2025-01-01", "valid_until": "2099-12-31"},
	}
	if diff := cmp.Diff(wanted, got.Prices); diff != "" {
		t.Errorf("kept (-want +got):\n%s", diff)
	}
	var paged []map[string]string
	for cursor := ""; ; {
		page := want[ownPriceAnswer](s.world, 200, shop, "GET", "/v1/account/prices?limit=3"+cursor, "")
		paged = append(paged, page.Prices...)
		if page.NextCursor == "" {
			break
		}
		cursor = "&cursor=" + page.NextCursor
	}
	if diff := cmp.Diff(wanted, paged); diff != "" {
		t.Errorf("by pages (-want +got):\n%s", diff)
	}
	if a := s.contract.Call(t, s.h, "GET", "/v1/account/prices", s.otherKey, ""); string(a.Body) != `{"prices":[]}` {
		t.Errorf("another shop sees %s", a.Body)
	}
	price := func(quantity string) string {
		return s.made(s.post("/v1/quotes", `{"lines":[{"code":"QB-AC-GUARD","quantity":"`+quantity+`","for_fork":"none"}]}`), 201).Lines[0].NetPrice
	}
	if a, b := price("9"), price("10"); a != "15.50" || b != "12.00" {
		t.Errorf("nine cost %s, ten %s", a, b)
	}
	if got := want[ownPriceAnswer](s.world, 200, shop, "PUT", "/v1/account/prices", `{"prices":[]}`); len(got.Prices) != 0 {
		t.Errorf("%v are left", got.Prices)
	}
	if p := price("1"); p != "16.00" {
		t.Errorf("without a price of its own: %s", p)
	}
	events := want[struct {
		Events []struct {
			Action string
			Codes  map[string]string
		}
	}](s.world, 200, shop, "GET", "/v1/events?subject_kind=account&subject_id="+s.by.AccountID, "").Events
	var counts []string
	for _, e := range events {
		if e.Action == "prices_stored" {
			counts = append(counts, e.Codes["prices"])
		}
	}
	if diff := cmp.Diff([]string{"4", "0"}, counts); diff != "" {
		t.Errorf("recorded (-want +got):\n%s", diff)
	}
	good := `{"sku":"A","use":"selling","currency":"EUR","basis":"net","amount":"1","valid_from":"2025-01-01"}`
	for body, code := range map[string]string{
		`{}`:                                     "/prices=required",
		`{"prices":[` + good + `,` + good + `]}`: "/prices/1=given_twice",
		`{"prices":[` + strings.Replace(good, `"1"`, `"-1"`, 1) + `]}`:                       "/prices/0/amount=out_of_range",
		`{"prices":[` + strings.Replace(good, `EUR`, `XYZ`, 1) + `]}`:                        "/prices/0/currency=unknown_currency",
		`{"prices":[` + strings.Replace(good, `selling`, `guessing`, 1) + `]}`:               "/prices/0/use=invalid_value",
		`{"prices":[` + strings.Replace(good, `2025-01-01`, `01.01.2025`, 1) + `]}`:          "/prices/0/valid_from=not_a_day",
		`{"prices":[` + strings.Replace(good, `2025-01-01`, `0000-01-01`, 1) + `]}`:          "/prices/0/valid_from=out_of_range",
		`{"prices":[` + strings.Replace(good, `}`, `,"valid_until":"2024-12-31"}`, 1) + `]}`: "/prices/0/valid_until=out_of_range",
		`{"prices":[` + strings.Replace(good, `}`, `,"min_quantity":"0"}`, 1) + `]}`:         "/prices/0/min_quantity=out_of_range",
		`{"prices":[` + strings.Replace(good, `"amount":"1",`, ``, 1) + `]}`:                 "/prices/0/amount=required",
	} {
		s.refused(422, "invalid_request "+code, shop, "PUT", "/v1/account/prices", body)
	}
}

type taxAnswer struct {
	Country string
	Rates   []map[string]string
}

func TestTaxRatesAreReplacedCountryByCountry(t *testing.T) {
	s := newTill(t)
	before := want[taxAnswer](s.world, 200, admin, "GET", "/v1/tax-rates?country=DE", "")
	if len(before.Rates) < 2 {
		t.Fatalf("%+v", before)
	}
	quoted := func(to string) contracttest.Answer {
		return s.post("/v1/quotes", `{"destination":"`+to+`","lines":[{"code":"QB-AC-GUARD","for_fork":"none"}]}`)
	}
	if a := quoted("NO"); a.Status != 422 || !strings.Contains(string(a.Body), "no_tax_rule") {
		t.Fatalf("%d %s", a.Status, a.Body)
	}
	rates := `{"country":"NO","rates":[
		{"category":"S","rate":"25","valid_from":"2005-01-01"},
		{"region":"03","class":"reduced","category":"S","rate":"12.5","valid_from":"2018-01-01","valid_until":"2099-01-01"},
		{"category":"E","rate":"0","reason":"Exempt by article 3","valid_from":"2005-01-01"}]}`
	got := want[taxAnswer](s.world, 200, admin, "PUT", "/v1/tax-rates", rates)
	if diff := cmp.Diff(taxAnswer{"NO", []map[string]string{
		{"class": "standard", "category": "E", "rate": "0", "reason": "Exempt by article 3", "valid_from": "2005-01-01"},
		{"class": "standard", "category": "S", "rate": "25", "valid_from": "2005-01-01"},
		{"region": "03", "class": "reduced", "category": "S", "rate": "12.5", "valid_from": "2018-01-01", "valid_until": "2099-01-01"},
	}}, got); diff != "" {
		t.Errorf("kept (-want +got):\n%s", diff)
	}
	q := s.made(quoted("NO"), 201)
	if net, tax := money.MustParse(q.Totals["net"]), money.MustParse(q.Totals["tax"]); !tax.Equal(money.MustParse("4.00")) || !net.Equal(money.MustParse("16.00")) {
		t.Errorf("25 percent of %s is not %s", net, tax)
	}
	if after := want[taxAnswer](s.world, 200, admin, "GET", "/v1/tax-rates?country=DE", ""); cmp.Diff(before, after) != "" {
		t.Errorf("another country changed: %s", cmp.Diff(before, after))
	}
	want[taxAnswer](s.world, 200, admin, "PUT", "/v1/tax-rates", `{"country":"NO","rates":[]}`)
	if a := quoted("NO"); a.Status != 422 {
		t.Errorf("rates outlive their taking away: %d", a.Status)
	}
	events := want[struct{ Events []struct{ Action string } }](s.world, 200, admin, "GET", "/v1/events?subject_kind=tax_rates&subject_id=NO", "").Events
	if len(events) != 2 {
		t.Errorf("recorded: %v", events)
	}
	for body, code := range map[string]string{
		`{"country":"NO"}`:             "/rates=required",
		`{"country":"no","rates":[]}`:  "/country=invalid_value",
		`{"country":"NOR","rates":[]}`: "/country=invalid_value",
		`{"country":"NO","rates":[{"category":"S","rate":"0","valid_from":"2005-01-01"}]}`:                                                                          "/rates/0/rate=tax_rate_out_of_range",
		`{"country":"NO","rates":[{"category":"E","rate":"5","valid_from":"2005-01-01"}]}`:                                                                          "/rates/0/rate=tax_rate_not_zero",
		`{"country":"NO","rates":[{"category":"S","valid_from":"2005-01-01"}]}`:                                                                                     "/rates/0/rate=required",
		`{"country":"NO","rates":[{"region":"a-b","category":"S","rate":"5","valid_from":"2005-01-01"}]}`:                                                           "/rates/0/region=invalid_value",
		`{"country":"NO","rates":[{"class":"Big Things","category":"S","rate":"5","valid_from":"2005-01-01"}]}`:                                                     "/rates/0/class=invalid_value",
		`{"country":"NO","rates":[{"category":"S","rate":"5","valid_from":"2005-01-01"},{"class":"standard","category":"S","rate":"6","valid_from":"2005-01-01"}]}`: "/rates/1=given_twice",
	} {
		s.refused(422, "invalid_request "+code, admin, "PUT", "/v1/tax-rates", body)
	}
	s.refused(422, "invalid_request query:country=required", admin, "GET", "/v1/tax-rates", "")
}
