package page

import (
	"bytes"
	"encoding/base64"
	"image"
	_ "image/jpeg" // the two formats of a logo
	_ "image/png"

	"github.com/a-h/templ"
)

// logo is a picture inside the page, which loads nothing from anywhere. What is no PNG or JPEG is
// left out; the type is what the picture is, whatever it was said to be.
func logo(data []byte) templ.SafeURL {
	if len(data) == 0 {
		return ""
	}
	if _, kind, err := image.DecodeConfig(bytes.NewReader(data)); err == nil {
		return templ.SafeURL("data:image/" + kind + ";base64," + base64.StdEncoding.EncodeToString(data))
	}
	return ""
}
