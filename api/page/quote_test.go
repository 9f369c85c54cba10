package page

import (
	"bytes"
	"encoding/base64"
	"image"
	"image/jpeg"
	"image/png"
	"strings"
	"testing"

	"forkwright/service/quote"
)

func written(t *testing.T, x Extras, change func(*quote.Quote)) string {
	t.Helper()
	q := quote.Quote{Number: "RU-2026-00042", Currency: "EUR", Language: "en", State: quote.Issued, Seller: quote.Seller{Name: "Radstube & Uferhalle"}}
	if change != nil {
		change(&q)
	}
	html, err := Quote(q, x)
	if err != nil {
		t.Fatal(err)
	}
	return string(html)
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
		html := written(t, Extras{Logo: data}, nil)
		word, _, _ := strings.Cut(kind, " ")
		want := `<img class="logo" src="data:image/` + word + `;base64,` + strings.ReplaceAll(base64.StdEncoding.EncodeToString(data), "+", "&#43;") + `" alt="Radstube &amp; Uferhalle">`
		if !strings.Contains(html, want) || strings.Contains(html, "<script") {
			t.Errorf("%s: it is not on the page", kind)
		}
	}
	for name, data := range map[string][]byte{"none": nil, "no picture": []byte("GIF89a"), "markup": []byte(`<svg onload="alert(1)"/>`), "half a head": asPNG.Bytes()[:20]} {
		if html := written(t, Extras{Logo: data}, nil); strings.Contains(html, "<img") {
			t.Errorf("%s: a picture on the page", name)
		}
	}
}

func TestOnlyAnAddressThatCanBeTypedIsPrinted(t *testing.T) {
	if html := written(t, Extras{PageURL: "/q/token"}, nil); strings.Contains(html, "/q/token") {
		t.Error("a path without a host is on the paper")
	}
	const address = "https://shop.example/q/token"
	for language, words := range map[string]string{"en": "This quote on the web:", "de": "Dieses Angebot im Netz:"} {
		html := written(t, Extras{PageURL: address}, func(q *quote.Quote) { q.Language = language })
		if want := words + ` <a href="` + address + `">` + address + `</a>`; !strings.Contains(html, want) {
			t.Errorf("%s: no %s", language, want)
		}
	}
}
