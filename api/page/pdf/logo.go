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
	mostPixels  = 2000
	printedWide = 1200
	printedHigh = 400
)

// picture is a logo ready to be set, as a PNG of the plain kind that the library reads.
type picture struct {
	png  []byte
	size image.Point
}

// pictureOf reads a logo. What cannot be read, or is too large, is left out: nil.
func pictureOf(data []byte) *picture {
	if len(data) == 0 {
		return nil
	}
	size, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil || size.Width < 1 || size.Height < 1 || size.Width > mostPixels || size.Height > mostPixels {
		return nil
	}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil
	}
	plain := printable(img)
	var b bytes.Buffer
	if err := png.Encode(&b, plain); err != nil {
		return nil
	}
	return &picture{b.Bytes(), plain.Rect.Max}
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

// logo sets a picture into a box from its upper left corner and returns its height, 0 without one.
func (s *sheet) logo(p *picture, x, y, maxW, maxH float64) float64 {
	if p == nil {
		return 0
	}
	options := fpdf.ImageOptions{ImageType: "PNG"}
	s.p.RegisterImageOptionsReader("logo", options, bytes.NewReader(p.png))
	scale := min(maxW/float64(p.size.X), maxH/float64(p.size.Y))
	w, h := float64(p.size.X)*scale, float64(p.size.Y)*scale
	s.p.ImageOptions("logo", x, y, w, h, false, options, 0, "")
	return h
}
