package pdf

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"os"
	"strings"
	"testing"
	"time"

	"forkwright/api/page"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// keep writes a file to the folder that FORKWRIGHT_PAPER names, for somebody who wants to look.
func keep(t *testing.T, name string, file []byte) {
	t.Helper()
	if dir := os.Getenv("FORKWRIGHT_PAPER"); dir != "" {
		if err := os.WriteFile(dir+"/"+name, file, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func amount(s string) *money.Amount { a := money.MustParse(s); return &a }

func line(id, sku, text, quantity, unit, price string) quote.Line {
	l := quote.Line{ID: id, SKU: sku, Text: quote.Texts{"en": text}, Unit: unit}
	l.Role, l.Quantity = quote.RoleNew, money.MustParse(quantity)
	if price != "" {
		l.NetPrice = amount(price)
		l.Tax = quote.Tax{Category: quote.Standard, Rate: money.MustParse("19")}
	}
	return l
}

// sample is a quote as a shop hands it over.
func sample(t *testing.T, change func(*quote.Quote)) quote.Quote {
	t.Helper()
	q := quote.Quote{
		ID: "0198a000-0000-7000-8000-000000000001", Series: "RU", State: quote.Draft, RevisionNo: 1, Currency: "EUR", Basis: quote.Net, Language: "en",
		Reference: "Order 77", CreatedAt: time.Date(2026, 11, 24, 9, 30, 0, 0, time.UTC), PriceDate: "2026-11-24", CatalogRevision: 3, RulesVersion: 1, TimeZone: "Europe/Berlin",
		Seller: quote.Seller{
			Name: "Radstube Uferhalle", LegalName: "Radstube Uferhalle, Inhaber Beispiel", Address: []string{"Musterkai 7", "00000 Beispielstadt"}, Country: "DE",
			TaxIDs: []quote.TaxID{{Scheme: "VA", Value: "DE000000000"}}, Registration: "Demo register 0000", Phone: "+49 000 000000", Email: "shop@radstube.example",
			Terms:   quote.Texts{"en": "Prices hold until the date above. Parts for an accepted quote are kept for 14 days.", "de": "Die Preise gelten bis zum oben genannten Datum."},
			Closing: quote.Texts{"en": "Ask us before you ride if anything looks different from this sheet."},
		},
		ForkText: "Skarnfeld Hollin 36 Expert 2021, 160 mm", ForkIDs: []string{"skarnfeld-hollin-36-expert-2021"},
		Lines: []quote.Line{
			line("1", "QB-C36S-160", "Coil cartridge 36 S, 160 mm", "1", "each", "289.00"),
			line("2", "QB-S36-055", "Coil spring 36 long", "1", "each", "39.50"),
			line("3", "QB-SV-SK36-2", "Lower-leg service kit", "1", "each", "44.90"),
			line("4", "OB-BATH-5", "Bath oil", "38", "mL", "0.052"),
			line("5", "", "Bench time", "75", "min", "1.15"),
		},
	}
	q.Lines[4].Role = quote.RoleLabor
	q.Lines[0].Discounts = []quote.Adjustment{{Text: "Autumn", Percent: amount("10")}}
	q.Lines[0].Sourcing = []quote.Source{{Location: "uferhalle", Kind: quote.OnHand, Quantity: money.FromInt(1)}}
	for i, text := range []string{"Crush washer", "Foam ring", "Stock air assembly"} {
		l := line("9"+text, "X-"+text[:3], text, "2", "each", "")
		l.Role = []quote.Role{quote.RoleIncluded, quote.RoleIncluded, quote.RoleSetAside}[i]
		if l.Role == quote.RoleIncluded {
			l.IncludedIn = "QB-SV-SK36-2"
		}
		q.Lines = append(q.Lines, l)
	}
	if change != nil {
		change(&q)
	}
	q, err := q.Calculate()
	if err != nil {
		t.Fatal(err)
	}
	if q.State == quote.Draft {
		q.State, q.Number, q.IssuedOn, q.ValidUntil = quote.Issued, "RU-2026-00042", "2026-11-24", "2026-12-15"
	}
	return q
}

var someone = page.Extras{Customer: page.Customer{Name: "Łukasz Ångström-Ελλάδα", Address: "вул. Прикладна 3\n00000 Київ"}, PageURL: "https://shop.example/q/token"}

func set(t *testing.T, q quote.Quote, x page.Extras) []byte {
	t.Helper()
	file, err := Quote(q, x)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

func TestAQuoteFitsOnePageOfEitherPaper(t *testing.T) {
	q := sample(t, nil)
	for _, paper := range []string{"A4", "Letter"} {
		x := someone
		x.Paper = paper
		file := set(t, q, x)
		keep(t, "quote-"+paper+".pdf", file)
		if n := pagesOf(t, file); n != "1" {
			t.Errorf("%s: %s pages", paper, n)
		}
		want := map[string]string{"A4": "/MediaBox [0 0 595.28 841.89]", "Letter": "/MediaBox [0 0 612.00 792.00]"}[paper]
		if !bytes.Contains(file, []byte(want)) {
			t.Errorf("%s: no %s", paper, want)
		}
	}
}

func TestSameQuoteSameBytes(t *testing.T) {
	q := sample(t, nil)
	if !bytes.Equal(set(t, q, someone), set(t, q, someone)) {
		t.Error("the same quote gave other bytes")
	}
}

func TestTheFiguresAreThoseOfTheQuote(t *testing.T) {
	q := sample(t, func(q *quote.Quote) {
		q.Lines[0].NetPrice = amount("1289.00")
		q.Discounts = []quote.DocumentAdjustment{{Adjustment: quote.Adjustment{Text: "Regular customer", Percent: amount("3")}}}
		q.Charges = []quote.Charge{{Adjustment: quote.Adjustment{Text: "Parcel", Amount: amount("6.90")}, Tax: quote.Tax{Category: quote.Standard, Rate: money.MustParse("19")}}}
		q.Prepaid = amount("50.00")
	})
	text := strings.ReplaceAll(textOf(t, set(t, q, someone)), ",", "")
	figures := []money.Amount{q.Totals.Net, q.Totals.Gross, q.Totals.Due, q.Totals.Prepaid, q.TaxGroups[0].Amount, q.TaxGroups[0].Taxable, q.Allowances[0].Net, q.AppliedCharges[0].Net}
	for _, l := range q.Lines {
		if l.Role.Charged() {
			figures = append(figures, *l.Amounts.Net)
		}
	}
	for _, f := range figures {
		if !strings.Contains(text, f.String()) {
			t.Errorf("%s is not on the paper:\n%s", f, text)
		}
	}
}

func TestLatinGreekAndCyrillicAreSet(t *testing.T) {
	text := textOf(t, set(t, sample(t, nil), someone))
	for _, want := range []string{"Łukasz Ångström-Ελλάδα", "вул. Прикладна 3", "00000 Київ"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if strings.Contains(text, "web page") {
		t.Error("a mark for what cannot be set, where all can")
	}
}

func TestOtherScriptsAreMarked(t *testing.T) {
	for name, c := range map[string]struct{ in, want string }{
		"han":    {"山田 太郎 Yamada", "[see the web page] Yamada"},
		"arabic": {"مرحبا Store", "[see the web page] Store"},
		"emoji":  {"Fork 🔧 fan", "Fork [see the web page] fan"},
		"mixed":  {"A 山 b 田", "A [see the web page] b [see the web page]"},
	} {
		q := sample(t, nil)
		x := someone
		x.Customer.Name = c.in
		file := set(t, q, x)
		text := textOf(t, file)
		keep(t, "quote-"+name+".pdf", file)
		if !strings.Contains(text, c.want+"\n") {
			t.Errorf("%s: no %q in\n%s", name, c.want, text)
		}
		if !strings.Contains(text, "https://shop.example/q/token") {
			t.Errorf("%s: the page is not named", name)
		}
	}
}

func TestTheMarkSpeaksTheLanguageOfTheQuote(t *testing.T) {
	q := sample(t, func(q *quote.Quote) { q.Language = "de" })
	x := someone
	x.Customer.Name = "山田"
	file := set(t, q, x)
	keep(t, "quote-de.pdf", file)
	text := textOf(t, file)
	for _, want := range []string{"Angebot\n", "[siehe Webseite]\n", "432,73", "Gültig bis", "https://shop.example/q/token"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func TestDecomposedLettersAreComposed(t *testing.T) {
	x := someone
	x.Customer.Name = "A\u030angstro\u0308m"
	if text := textOf(t, set(t, sample(t, nil), x)); !strings.Contains(text, "Ångström\n") {
		t.Error(text)
	}
}

// hostileTexts are texts that paper must print harmlessly.
var hostileTexts = map[string]string{
	"markup":     `</td><script>alert("1")</script>&amp;<b>`,
	"formula":    `=HYPERLINK("http://x.example","=1+1")`,
	"pdf":        ") Tj ET Q endstream endobj \\( (",
	"turned":     "abc\u202edef\u2066ghi\u200f",
	"controls":   "a\x00b\x07c\x1bd\x7fe\u0085f",
	"alias":      "{nb} %!s(MISSING) {{.}}",
	"long":       strings.Repeat("Wort und Wort ", 300),
	"unbroken":   strings.Repeat("W", 4096),
	"long marks": strings.Repeat("e\u0301\u0323\u0331", 300),
	"broken":     "bad \xff\xfe utf-8",
}

func TestHostileTextIsHarmless(t *testing.T) {
	for name, text := range hostileTexts {
		q := sample(t, func(q *quote.Quote) {
			q.Reference, q.ForkText = text, text
			q.Lines[0].Text, q.Lines[0].SKU, q.Lines[6].Text, q.Lines[6].SKU = quote.Texts{"en": text}, text, quote.Texts{"en": text}, text
			q.Lines[0].Discounts[0].Text = text
			q.Seller.Name, q.Seller.Terms, q.Seller.Registration = text, quote.Texts{"en": text}, text
			q.Seller.Address = []string{text}
			q.Warnings = []quote.Warning{{Code: "x", Text: text}}
		})
		x := page.Extras{Customer: page.Customer{Name: text, Address: text}, PageURL: "https://shop.example/q/token"}
		file := set(t, q, x)
		keep(t, "hostile-"+strings.ReplaceAll(name, " ", "-")+".pdf", file)
		got := textOf(t, file)
		for _, r := range got {
			if r < 0x20 && r != '\n' || r >= 0x7f && r < 0xa0 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
				t.Fatalf("%s: %U on the paper", name, r)
			}
		}
		if !strings.Contains(got, q.Totals.Due.String()) {
			t.Errorf("%s: the sum is gone", name)
		}
		flat := strings.Map(func(r rune) rune {
			if strings.ContainsRune(" \n", r) {
				return -1
			}
			return r
		}, got)
		if n := strings.Count(flat, "W"); name == "unbroken" && n < 10*4096 {
			t.Errorf("%d characters of a text of 4 kB that stands in ten places", n)
		}
		want := strings.ReplaceAll(text, " ", "")
		if name == "markup" || name == "formula" || name == "pdf" || name == "alias" {
			if !strings.Contains(flat, want) {
				t.Errorf("%s: not printed as it is", name)
			}
		}
	}
}

func TestManyLinesTakeMorePages(t *testing.T) {
	q := sample(t, func(q *quote.Quote) {
		for range 120 {
			q.Lines = append(q.Lines, line("n", "QB-SV-1", "A part that comes again", "1", "each", "10.00"))
		}
	})
	file := set(t, q, someone)
	keep(t, "quote-long.pdf", file)
	text := textOf(t, file)
	if pagesOf(t, file) == "1" || !strings.Contains(text, "1 / ") || strings.Count(text, "Unit price") < 2 {
		t.Errorf("%s pages; the head of the table stands %d times", pagesOf(t, file), strings.Count(text, "Unit price"))
	}
	if got := strings.Count(text, "A part that comes again"); got != 120 {
		t.Errorf("%d of 120 lines", got)
	}
}

func TestALogoIsSetOrLeftOut(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 120, 40))
	for i := range 40 {
		img.Set(i*3, i, color.NRGBA{11, 107, 92, 255})
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	q, without := sample(t, nil), someone
	plain := set(t, q, without)
	with := without
	with.Logo = b.Bytes()
	if file := set(t, q, with); !bytes.Contains(file, []byte("/Subtype /Image")) {
		t.Error("no picture in the file")
	}
	var large bytes.Buffer
	if err := png.Encode(&large, image.NewGray(image.Rect(0, 0, 2000, 100))); err != nil {
		t.Fatal(err)
	}
	with.Logo = large.Bytes()
	if file := set(t, q, with); !bytes.Contains(file, []byte("/Width 1200")) {
		t.Error("a picture of 2000 pixels is not set with as many as are printed")
	}
	for _, bad := range [][]byte{[]byte("not a picture"), b.Bytes()[:60]} {
		with.Logo = bad
		if !bytes.Equal(set(t, q, with), plain) {
			t.Error("a picture that cannot be read changed the paper")
		}
	}
}

func TestTheAddressOfThePageIsALinkInTheFile(t *testing.T) {
	q := sample(t, nil)
	for address, want := range map[string]bool{"https://shop.example/q/token": true, "/q/token": false} {
		x := someone
		x.PageURL = address
		file := set(t, q, x)
		if got := bytes.Contains(file, []byte("/URI (")); got != want || strings.Contains(textOf(t, file), address) != want {
			t.Errorf("%s: a link in the file %t, want %t", address, got, want)
		}
	}
}

func TestStatesAndMissingPricesAreSaid(t *testing.T) {
	q := sample(t, func(q *quote.Quote) { q.Lines[1].NetPrice, q.Lines[1].Tax = nil, quote.Tax{} })
	q.State = quote.Superseded
	file := set(t, q, someone)
	keep(t, "quote-missing.pdf", file)
	text := textOf(t, file)
	for _, want := range []string{"Replaced by a later revision", "no price yet"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func BenchmarkQuote(b *testing.B) {
	q := quote.Quote{Currency: "EUR", Language: "en", Seller: quote.Seller{Name: "Shop"}}
	for b.Loop() {
		if _, err := Quote(q, someone); err != nil {
			b.Fatal(err)
		}
	}
}
