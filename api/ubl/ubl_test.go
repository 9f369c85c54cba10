package ubl

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/money"
	"forkwright/service/quote"
)

var update = flag.Bool("update", false, "write the golden files anew")

func amountOf(s string) *money.Amount { a := money.MustParse(s); return &a }

func newLine(id, sku, name, n, unit, price, rate string) quote.Line {
	l := quote.Line{ID: id, SKU: sku, Text: quote.Texts{"en": name}, Unit: unit}
	l.Role, l.Quantity = quote.RoleNew, money.MustParse(n)
	if price != "" {
		l.NetPrice, l.Tax = amountOf(price), quote.Tax{Category: quote.Standard, Rate: money.MustParse(rate)}
	}
	return l
}

func sample(t *testing.T, change func(*quote.Quote)) quote.Quote {
	t.Helper()
	q := quote.Quote{
		ID: "0198a000-0000-7000-8000-000000000001", Series: "RU", State: quote.Draft, RevisionNo: 2, Currency: "EUR", Basis: quote.Net, Language: "en", Reference: "Order 77",
		CreatedAt: time.Date(2026, 11, 24, 23, 30, 0, 0, time.UTC), TimeZone: "Europe/Berlin", PriceDate: "2026-11-25",
		Seller: quote.Seller{
			Name: "Radstube Uferhalle", LegalName: "Radstube Uferhalle, Inhaber Beispiel", Address: []string{"Musterkai 7", "00000 Beispielstadt"}, Country: "DE", Website: "https://radstube.example",
			TaxIDs: []quote.TaxID{{Scheme: "VA", Value: "DE000000000"}}, Registration: "Demo register 0000", Phone: "+49 000 000000", Email: "shop@radstube.example", Terms: quote.Texts{"en": "Prices hold until the date above."},
		},
		Lines: []quote.Line{
			newLine("1", "QB-C36S-160", "Coil cartridge 36 S, 160 mm", "1", "each", "1289.00", "19"),
			newLine("2", "OB-BATH-5", "Bath oil", "38", "mL", "5.20", "19"),
			newLine("3", "BOOK-1", "Service handbook", "1", "each", "12.00", "7"),
			newLine("4", "QB-CW8", "Crush washer", "2", "each", "", ""),
		},
		Discounts: []quote.DocumentAdjustment{{Adjustment: quote.Adjustment{Text: "Regular customer", Percent: amountOf("3")}}},
		Charges:   []quote.Charge{{Adjustment: quote.Adjustment{Text: "Parcel", Amount: amountOf("6.90")}, Tax: quote.Tax{Category: quote.Standard, Rate: money.MustParse("19")}}},
		Prepaid:   amountOf("50.00"), CashStep: amountOf("0.05"),
	}
	q.Lines[0].GTIN, q.Lines[0].OwnCode = "06291041500213", "A-17"
	q.Lines[0].Discounts = []quote.Adjustment{{Text: "Autumn", Percent: amountOf("10")}}
	q.Lines[1].BaseQuantity = amountOf("100")
	q.Lines[3].Role, q.Lines[3].IncludedIn = quote.RoleIncluded, "QB-C36S-160"
	if change != nil {
		change(&q)
	}
	q, err := q.Calculate()
	if err != nil {
		t.Fatal(err)
	}
	q.State, q.Number, q.IssuedOn, q.ValidUntil = quote.Issued, "RU-2026-00042", "2026-11-25", "2026-12-15"
	return q
}

var someone = Customer{Name: "Łukasz 山田", Email: "rider@example.test", Address: "вул. 3\n00000 Київ"}

func written(t *testing.T, q quote.Quote, c Customer) []byte {
	t.Helper()
	out, err := Quotation(q, c, "https://shop.example/q/token")
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// quotes are the shapes that a quotation comes in.
func quotes(t *testing.T) map[string]quote.Quote {
	all := map[string]quote.Quote{
		"net": sample(t, nil),
		"gross": sample(t, func(q *quote.Quote) {
			q.Basis = quote.Gross
			for i := range q.Lines {
				q.Lines[i].GrossPrice, q.Lines[i].NetPrice = q.Lines[i].NetPrice, nil
			}
		}),
		"missing": sample(t, func(q *quote.Quote) { q.Lines[2].NetPrice, q.Lines[2].Tax = nil, quote.Tax{} }),
		"yen":     sample(t, yen),
		"reverse": sample(t, func(q *quote.Quote) {
			reverse := quote.Tax{Category: quote.ReverseCharge, Rate: money.FromInt(0), Reason: "Reverse charge"}
			for i := range q.Lines[:3] {
				q.Lines[i].Tax = reverse
			}
			q.Charges[0].Tax = reverse
		}),
		"bare": sample(t, func(q *quote.Quote) {
			q.Seller, q.Lines, q.Discounts, q.Charges, q.Prepaid, q.CashStep, q.Reference = quote.Seller{Name: "Shop"}, q.Lines[:1], nil, nil, nil, nil, ""
		}),
	}
	draft := sample(t, nil)
	draft.State, draft.Number, draft.IssuedOn, draft.ValidUntil = quote.Draft, "", "", ""
	all["draft"] = draft
	for name, text := range hostile {
		q := sample(t, nil)
		q.Reference, q.Number, q.Seller.Name, q.Seller.LegalName, q.Seller.Registration, q.Seller.Website = text, text, text, text, text, text
		q.Seller.Address, q.Seller.Terms, q.Seller.Phone, q.Seller.TaxIDs[0].Value = []string{text}, quote.Texts{"en": text}, text, text
		q.Lines[0].Text, q.Lines[0].SKU, q.Lines[0].OwnCode, q.Lines[0].GTIN, q.Lines[0].IncludedIn = quote.Texts{"en": text}, text, text, text, text
		q.Lines[0].Amounts.Discounts[0].Text, q.Allowances[0].Text, q.AppliedCharges[0].Text = text, text, text
		all["hostile "+name] = q
	}
	return all
}

func yen(q *quote.Quote) {
	q.Currency, q.Prepaid, q.CashStep, q.Charges[0].Amount = "JPY", nil, nil, amountOf("690")
}

var hostile = map[string]string{
	"markup":  `]]></cbc:Name><!ENTITY x SYSTEM "file:///etc/passwd">&x;<b>`,
	"formula": `=HYPERLINK("http://x.example")`,
	"turned":  "abc\u202edef\u2066ghi",
	"control": "a\x00b\x07c\x1bd\ufffe",
	"broken":  "a\xff\xfeb",
	"long":    strings.Repeat("W", 4096),
	"blank":   " ",
}

// TestValidAgainstTheSchema runs where the published schema lies beside the repository.
func TestValidAgainstTheSchema(t *testing.T) {
	schema, err := filepath.Abs("../../../shared/ubl-2.1/maindoc/UBL-Quotation-2.1.xsd")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(schema); err != nil {
		t.Skipf("no UBL 2.1 schema at %s", schema)
	}
	lint, err := exec.LookPath("xmllint")
	if err != nil {
		t.Fatal("the schema is here and xmllint is not: install libxml2-utils")
	}
	dir := t.TempDir()
	args := []string{"--noout", "--nonet", "--schema", schema}
	for name, q := range quotes(t) {
		c := someone
		if text, ok := hostile[strings.TrimPrefix(name, "hostile ")]; ok {
			c = Customer{text, text, text, text}
		}
		file := filepath.Join(dir, strings.ReplaceAll(name, " ", "-")+".xml")
		if err := os.WriteFile(file, written(t, q, c), 0o644); err != nil {
			t.Fatal(err)
		}
		args = append(args, file)
	}
	if out, err := exec.Command(lint, args...).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	wrong := filepath.Join(dir, "wrong.xml")
	if err := os.WriteFile(wrong, bytes.Replace(written(t, sample(t, nil), someone), []byte("cbc:IssueDate"), []byte("cbc:IssueDay"), 2), 0o644); err != nil {
		t.Fatal(err)
	}
	if exec.Command(lint, "--noout", "--nonet", "--schema", schema, wrong).Run() == nil {
		t.Error("the schema let a wrong document pass")
	}
}

func TestGolden(t *testing.T) {
	got := written(t, sample(t, nil), someone)
	if *update {
		if err := os.WriteFile("testdata/quotation.xml", got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("testdata/quotation.xml")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestAmountsAreThoseOfTheJSON(t *testing.T) {
	for name, q := range quotes(t) {
		var d struct {
			Total struct {
				LineExtensionAmount, TaxExclusiveAmount, AllowanceTotalAmount, ChargeTotalAmount string
				TaxInclusiveAmount, PrepaidAmount, PayableRoundingAmount, PayableAmount          string
			} `xml:"QuotedMonetaryTotal"`
			Tax   string `xml:"TaxTotal>TaxAmount"`
			Lines []struct {
				Net string `xml:"LineItem>LineExtensionAmount"`
			} `xml:"QuotationLine"`
		}
		if err := xml.Unmarshal(written(t, q, someone), &d); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		body, err := json.Marshal(q)
		if err != nil {
			t.Fatal(err)
		}
		var j struct {
			Totals map[string]string
			Lines  []struct{ Amounts struct{ Net string } }
		}
		if err := json.Unmarshal(body, &j); err != nil {
			t.Fatal(err)
		}
		got := map[string]string{"lines": d.Total.LineExtensionAmount, "net": d.Total.TaxExclusiveAmount, "gross": d.Total.TaxInclusiveAmount, "allowances": d.Total.AllowanceTotalAmount,
			"charges": d.Total.ChargeTotalAmount, "prepaid": d.Total.PrepaidAmount, "rounding": d.Total.PayableRoundingAmount, "due": d.Total.PayableAmount, "tax": d.Tax}
		if diff := cmp.Diff(j.Totals, got); diff != "" {
			t.Errorf("%s: -json +xml\n%s", name, diff)
		}
		for i := range j.Lines {
			if d.Lines[i].Net != j.Lines[i].Amounts.Net {
				t.Errorf("%s, line %d: %q in XML, %q in JSON", name, i+1, d.Lines[i].Net, j.Lines[i].Amounts.Net)
			}
		}
	}
}

func TestHostileTextStaysText(t *testing.T) {
	for name, text := range hostile {
		out := written(t, quotes(t)["hostile "+name], Customer{text, text, text, text})
		for _, bad := range []string{"<!ENTITY", "<b>", "\u202e", "\u2066", "\x00", "\x07", "\x1b", "\ufffe", "\ufffd"} {
			if bytes.Contains(out, []byte(bad)) {
				t.Errorf("%s: the document carries %q", name, bad)
			}
		}
		if name == "formula" && !bytes.Contains(out, []byte(`=HYPERLINK(&#34;http://x.example&#34;)`)) {
			t.Error("a formula is not written as it is")
		}
	}
}

func TestAQuoteWithoutLinesIsRefused(t *testing.T) {
	if _, err := Quotation(quote.Quote{ID: "x"}, Customer{}, ""); err == nil {
		t.Error("no error")
	}
}

func TestOnlyAnAddressThatCanBeFollowedIsInTheFile(t *testing.T) {
	for page, want := range map[string]bool{"https://shop.example/q/token": true, "/q/token": false, "": false} {
		out, err := Quotation(sample(t, nil), someone, page)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(string(out), "<cbc:URI>"); got != want {
			t.Errorf("%q: address in the file %t, want %t", page, got, want)
		}
	}
}
