package quote_test

import (
	"testing"

	"forkwright/service/quote"
)

// BenchmarkPrice prices a job of twelve lines at shelf prices, with a discount.
func BenchmarkPrice(b *testing.B) {
	var lines []quote.DocumentLine
	for range 12 {
		lines = append(lines, gross("2", "12.49", "19"))
	}
	d := euros(lines, func(d *quote.Document) {
		d.Discounts = []quote.DocumentAdjustment{{Adjustment: quote.Adjustment{Percent: ptr(am("5"))}}}
	})
	for b.Loop() {
		if _, err := quote.Price(d); err != nil {
			b.Fatal(err)
		}
	}
}
