package pdf

import (
	"bytes"
	"image"
	_ "image/jpeg" // logos may be JPEG
	"image/png"

	"codeberg.org/go-pdf/fpdf"
)

// A logo is at most so many pixels to a side; a larger one is left out.
const mostPixels = 3000

// logo sets a picture into a box from its upper left corner and returns its height. A picture
// that cannot be read, or is too large, is left out: height 0. It is written anew, since the
// library does not read every kind of PNG.
func (s *sheet) logo(data []byte, x, y, maxW, maxH float64) float64 {
	if len(data) == 0 {
		return 0
	}
	size, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil || size.Width < 1 || size.Height < 1 || size.Width > mostPixels || size.Height > mostPixels {
		return 0
	}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return 0
	}
	plain := image.NewNRGBA(image.Rect(0, 0, size.Width, size.Height))
	for py := range size.Height {
		for px := range size.Width {
			plain.Set(px, py, img.At(img.Bounds().Min.X+px, img.Bounds().Min.Y+py))
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, plain); err != nil {
		return 0
	}
	options := fpdf.ImageOptions{ImageType: "PNG"}
	s.p.RegisterImageOptionsReader("logo", options, &b)
	scale := min(maxW/float64(size.Width), maxH/float64(size.Height))
	w, h := float64(size.Width)*scale, float64(size.Height)*scale
	s.p.ImageOptions("logo", x, y, w, h, false, options, 0, "")
	return h
}
