package page

import (
	"bytes"
	"encoding/base64"
	"html/template"
	"image"
	_ "image/jpeg" // the two formats of a logo
	_ "image/png"
)

// logo is a picture inside the page, which loads nothing from anywhere. What is no PNG or JPEG is
// left out; the type is what the picture is, whatever it was said to be.
func logo(data []byte) template.URL {
	if len(data) == 0 {
		return ""
	}
	if _, kind, err := image.DecodeConfig(bytes.NewReader(data)); err == nil {
		return template.URL("data:image/" + kind + ";base64," + base64.StdEncoding.EncodeToString(data)) //nolint:gosec // one of two types and base64
	}
	return ""
}
