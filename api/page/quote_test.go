package page

import (
	"bytes"
	"encoding/base64"
	"html"
	"image"
	"image/jpeg"
	"image/png"
	"regexp"
	"strings"
	"testing"

	"forkwright/service/money"
	"forkwright/service/quote"
)

func written(t *testing.T, x Extras, change func(*quote.Quote)) string {
	t.Helper()
	q := quote.Quote{Number: "RU-2026-00042", Currency: "EUR", Language: "en", State: quote.Issued, Seller: quote.Seller{Name: "Radstube & Uferhalle"}}
	if change != nil {
		change(&q)
	}
	page, err := Quote(q, x)
	if err != nil {
		t.Fatal(err)
	}
	return string(page)
}

func TestTheSellersLogoIsInsideThePage(t *testing.T) {
	picture := image.NewNRGBA(image.Rect(0, 0, 30, 10))
	var asPNG, asJPEG bytes.Buffer
	if err := png.Encode(&asPNG, picture); err != nil {
		t.Fatal(err)
	}
	if err := jpeg.Encode(&asJPEG, picture, nil); err != nil {
		t.Fatal(err)
	}
	for kind, data := range map[string][]byte{"png": asPNG.Bytes(), "jpeg": asJPEG.Bytes(), "png with more behind it": append(asPNG.Bytes(), "</style><script>alert(1)</script>"...)} {
		page := written(t, Extras{Logo: data}, nil)
		word, _, _ := strings.Cut(kind, " ")
		want := `<img class="logo" src="data:image/` + word + `;base64,` + base64.StdEncoding.EncodeToString(data) + `" alt="Radstube &amp; Uferhalle">`
		if !strings.Contains(page, want) || strings.Contains(page, "<script") {
			t.Errorf("%s: it is not on the page", kind)
		}
	}
	for name, data := range map[string][]byte{"none": nil, "no picture": []byte("GIF89a"), "markup": []byte(`<svg onload="alert(1)"/>`), "half a head": asPNG.Bytes()[:20]} {
		if page := written(t, Extras{Logo: data}, nil); strings.Contains(page, "<img") {
			t.Errorf("%s: a picture on the page", name)
		}
	}
}

func TestOnlyAnAddressThatCanBeTypedIsPrinted(t *testing.T) {
	if page := written(t, Extras{PageURL: "/q/token"}, nil); strings.Contains(page, "/q/token") {
		t.Error("a path without a host is on the paper")
	}
	const address = "https://shop.example/q/token"
	for language, words := range map[string]string{"en": "This quote on the web:", "de": "Dieses Angebot im Netz:"} {
		page := written(t, Extras{PageURL: address}, func(q *quote.Quote) { q.Language = language })
		if want := words + ` <a href="` + address + `">` + address + `</a>`; !strings.Contains(page, want) {
			t.Errorf("%s: no %s", language, want)
		}
	}
}

// everywhere puts a text wherever a seller, a customer or a catalog can put one, with nothing else beside it.
func everywhere(text string) (Extras, func(*quote.Quote)) {
	one, words := money.FromInt(1), quote.Texts{"en": text}
	adjusted := []quote.Applied{{Adjustment: quote.Adjustment{Text: text}, Value: one}}
	line := func(role quote.Role) quote.Line {
		return quote.Line{SKU: text, Text: words, Unit: text, Inspect: text, IncludedIn: text, DocumentLine: quote.DocumentLine{Role: role, Quantity: money.FromInt(2), NetPrice: &one},
			Sourcing: []quote.Source{{Kind: quote.Incoming, On: text, Quantity: one}}, Amounts: quote.PricedLine{Net: &one, Discounts: adjusted, Charges: adjusted}}
	}
	return Extras{Customer: Customer{Name: text, Address: text}}, func(q *quote.Quote) {
		q.Number, q.Reference, q.ForkText, q.IssuedOn, q.ValidUntil, q.Currency, q.ForkIDs = text, text, text, text, text, money.Currency(text), []string{text}
		q.Seller = quote.Seller{Name: text, LegalName: text, Address: []string{text}, Country: text, TaxIDs: []quote.TaxID{{Value: text}}, Registration: text,
			Phone: text, Email: text, Website: text, Terms: words, Closing: words}
		q.Lines = []quote.Line{line(quote.RoleNew), line(quote.RoleInspect), line(quote.RoleIncluded), line(quote.RoleCustomer)}
		q.Allowances, q.AppliedCharges = []quote.Allowance{{Text: text}}, []quote.Allowance{{Text: text}}
		q.TaxGroups, q.Warnings = []quote.TaxGroup{{Tax: quote.Tax{Reason: text}}}, []quote.Warning{{Text: text}}
	}
}

// A text stays in its place: to leave an element or an attribute it would have to bring one of these.
var marks = regexp.MustCompile(`[^<>"']+`)

func TestNoTextLeavesItsPlace(t *testing.T) {
	said := func(text string) (markup string, times int) {
		x, change := everywhere(text)
		page := written(t, x, change)
		return marks.ReplaceAllString(page, ""), strings.Count(html.UnescapeString(page), text)
	}
	markup, times := said("harmless")
	broken, _ := said(strings.Repeat("harmless", 10)) // the code of a part as well
	if times < 40 {
		t.Errorf("only %d places are looked at", times)
	}
	for _, text := range []string{
		`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `' onmouseover='alert(1)`, `</style></title><svg/onload=alert(1)>`,
		`<!--`, `]]>`, "`${alert(1)}`", `{{.Q.ID}} { s.Title }`, `&lt;script&gt;&quot;`, `&#60;b&#x3e;`, "a\u2028b\u202ec", strings.Repeat(`"<b>`, 30),
	} {
		want := markup
		if len(text) > longCode {
			want = broken
		}
		if got, n := said(text); got != want || n != times {
			t.Errorf("%q is more than text, or is said %d times and not %d", text, n, times)
		}
	}
}

func TestALinkRunsNothing(t *testing.T) {
	for _, address := range []string{"javascript://shop.example/%0aalert(1)", "JaVaScRiPt://x/\nalert(1)", " javascript://x", "data://text/html,<script>alert(1)</script>", "vbscript://x"} {
		page := written(t, Extras{PageURL: address}, nil)
		links := regexp.MustCompile(`href="([^"]*)"`).FindAllStringSubmatch(page, -1)
		if len(links) != 1 || !strings.HasPrefix(links[0][1], "about:invalid#") {
			t.Errorf("%s: the link goes to %v", address, links)
		}
	}
	page := written(t, Extras{PageURL: `https://shop.example/q/"onclick="alert(1)`}, nil)
	if want := `<a href="https://shop.example/q/&#34;onclick=&#34;alert(1)">`; !strings.Contains(page, want) {
		t.Errorf("no %s", want)
	}
}
