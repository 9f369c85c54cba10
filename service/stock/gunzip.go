package stock

import (
	"compress/gzip"
	"errors"
	"io"

	"forkwright/service/fault"
)

// What a compressed feed may unfold to. Real feeds shrink to a tenth or a twentieth.
const (
	maxRatio     = 100
	ratioFrom    = 16 << 20 // bytes unfolded before the ratio counts
	MaxFeedBytes = 4 << 30  // unfolded
)

// Gunzip unfolds a compressed body without trusting it: one that ends early, is damaged, or
// unfolds to far more than it weighs is a fault, and memory stays flat.
func Gunzip(body io.Reader) io.Reader { return &gunzip{in: &counter{in: body}} }

type gunzip struct {
	in  *counter
	z   *gzip.Reader
	out int64
}

func (g *gunzip) Read(p []byte) (int, error) {
	if g.z == nil {
		z, err := gzip.NewReader(g.in)
		if err != nil {
			return 0, gzipFault(err)
		}
		g.z = z
	}
	n, err := g.z.Read(p)
	g.out += int64(n)
	if g.out > MaxFeedBytes || g.out > ratioFrom && g.out/maxRatio > g.in.n {
		return n, fault.New(fault.TooLarge, "feed_unfolds_too_far", "The compressed feed unfolds to more than %d times its size, or to more than %d GiB. See whether the export repeats itself; one that is really so long goes uncompressed.", maxRatio, MaxFeedBytes>>30)
	}
	if err != nil && err != io.EOF {
		return n, gzipFault(err)
	}
	return n, err
}

func gzipFault(err error) error {
	switch {
	case fault.As(err) != nil:
		return err
	case errors.Is(err, io.ErrUnexpectedEOF), err == io.EOF:
		return fault.Wrap(err, fault.Malformed, "gzip_incomplete", "The compressed feed ends before its own end; it was cut off. Send it again.")
	}
	return fault.Wrap(err, fault.Malformed, "gzip_damaged", "The body is said to be gzip and is not, or is damaged. Send it again.")
}

type counter struct {
	in io.Reader
	n  int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.in.Read(p)
	c.n += int64(n)
	return n, err
}
