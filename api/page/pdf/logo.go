package pdf

import (
	"bytes"
	"image"
	_ "image/jpeg" // logos may be JPEG
	"image/png"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/draw"
)

// A logo has at most so many pixels to a side, as seller profiles allow; it is set with no more
// than a printer shows in its place.
const (
	mostPixels  = 4000
	printedWide = 1200
	printedHigh = 400
)

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
	var b bytes.Buffer
	if err := png.Encode(&b, printable(img)); err != nil {
		return 0
	}
	options := fpdf.ImageOptions{ImageType: "PNG"}
	s.p.RegisterImageOptionsReader("logo", options, &b)
	scale := min(maxW/float64(size.Width), maxH/float64(size.Height))
	w, h := float64(size.Width)*scale, float64(size.Height)*scale
	s.p.ImageOptions("logo", x, y, w, h, false, options, 0, "")
	return h
}

// printable is a picture in plain colors, made smaller where it has more pixels than are printed.
func printable(img image.Image) *image.NRGBA {
	from := img.Bounds()
	scale := min(1, printedWide/float64(from.Dx()), printedHigh/float64(from.Dy()))
	out := image.NewNRGBA(image.Rect(0, 0, max(1, int(float64(from.Dx())*scale)), max(1, int(float64(from.Dy())*scale))))
	if scale == 1 {
		draw.Copy(out, image.Point{}, img, from, draw.Src, nil)
	} else {
		draw.CatmullRom.Scale(out, out.Bounds(), img, from, draw.Src, nil)
	}
	return out
}
