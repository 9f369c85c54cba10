package catalog

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// withoutPos compares what a blob holds.
var withoutPos = cmp.Options{cmpopts.IgnoreTypes(Pos{}), cmpopts.EquateEmpty()}

func TestABlobHoldsEveryTable(t *testing.T) {
	want := sound()
	fitment, prices := EncodeFitment(want), EncodePrices(want)
	got, err := Decode(fitment, prices)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got, withoutPos); d != "" {
		t.Error(d)
	}
	if !bytes.Equal(EncodeFitment(got), fitment) || !bytes.Equal(EncodePrices(got), prices) {
		t.Error("encoding again gives other bytes")
	}
	for _, table := range got.All() {
		if table.Rows.Len() == 0 {
			t.Errorf("%s has no row, so nothing was proven for it", table.Name)
		}
	}
}

func TestAChangeOfPricesLeavesTheFitmentPartAlone(t *testing.T) {
	a, b := sound(), sound()
	b.Prices[0].Amount = "21.90"
	if Digest(EncodeFitment(a)) != Digest(EncodeFitment(b)) {
		t.Error("the fitment part changed with a price")
	}
	if Digest(EncodePrices(a)) == Digest(EncodePrices(b)) {
		t.Error("the price part did not")
	}
}

func TestADamagedBlobIsRefused(t *testing.T) {
	tables := sound()
	fitment, prices := EncodeFitment(tables), EncodePrices(tables)
	for i := range fitment {
		damaged := bytes.Clone(fitment)
		damaged[i] ^= 1 << (i % 8)
		if _, err := Decode(damaged, prices); !errors.Is(err, ErrBlob) {
			t.Fatalf("byte %d changed: %v", i, err)
		}
	}
	for _, cut := range []int{0, 1, sha256.Size, len(fitment) / 2, len(fitment) - 1} {
		if _, err := Decode(fitment[:cut], prices); !errors.Is(err, ErrBlob) {
			t.Errorf("cut after %d bytes: %v", cut, err)
		}
	}
	if _, err := Decode(prices, fitment); !errors.Is(err, ErrBlob) {
		t.Errorf("parts exchanged: %v", err)
	}
}

// FuzzDecode feeds bodies behind a right checksum: what is refused must be refused by what it
// says, and what is taken must be a catalog that encodes.
func FuzzDecode(f *testing.F) {
	tables := sound()
	fitment, prices := EncodeFitment(tables), EncodePrices(tables)
	f.Add(fitment[:len(fitment)-sha256.Size], true)
	f.Add(prices[:len(prices)-sha256.Size], false)
	f.Add([]byte{}, true)
	f.Fuzz(func(t *testing.T, body []byte, isFitment bool) {
		name := priceName
		if isFitment {
			name = fitmentName
		}
		got := &Tables{}
		rows, err := decodeBody(body, name, got, nil)
		if err != nil {
			if !errors.Is(err, ErrBlob) {
				t.Errorf("an error that is not ErrBlob: %v", err)
			}
			return
		}
		got.Fitments = rows.unpack()
		Check(got)
		if isFitment {
			EncodeFitment(got)
		} else {
			EncodePrices(got)
		}
		Build(got, 1)
	})
}

func TestARevisionIsTheSameFromItsRowsAndFromItsStoredParts(t *testing.T) {
	tables := sound()
	built := Build(tables, 4)
	opened, err := Open(EncodeFitment(tables), EncodePrices(tables), 4, nil)
	if err != nil {
		t.Fatal(err)
	}
	for name, r := range map[string]*Revision{"built": built, "opened": opened} {
		if d := cmp.Diff(tables.Fitments, slices.Collect(r.Rows()), withoutPos); d != "" {
			t.Errorf("%s (-tables +revision):\n%s", name, d)
		}
		last := tables.Fitments[len(tables.Fitments)-1]
		if got, ok := r.Row(last.ID); !ok || cmp.Diff(last, got, withoutPos) != "" {
			t.Errorf("%s: row %s is %+v, %v", name, last.ID, got, ok)
		}
		if _, ok := r.Row(""); ok {
			t.Errorf("%s: there is a row without an id", name)
		}
	}
	if !Diff(built, opened).Same() {
		t.Error("they differ")
	}
}

func TestRowsOutOfOrderAreNoRevision(t *testing.T) {
	tables := sound()
	w := newBlobWriter(fitmentName)
	for _, table := range tables.All() {
		if !isPrice(table.Name) && table.Name != "fitments" {
			w.table(table)
		}
	}
	slices.Reverse(tables.Fitments)
	w.fitments(tables.Fitments)
	if _, err := Open(w.bytes(), EncodePrices(tables), 1, nil); !errors.Is(err, ErrBlob) {
		t.Errorf("%v", err)
	}
}

func TestARestIsTakenNowAndThen(t *testing.T) {
	tables := sound()
	n := 0
	if _, err := Open(EncodeFitment(tables), EncodePrices(tables), 1, func() { n++ }); err != nil || n == 0 {
		t.Errorf("%d rests, %v", n, err)
	}
}
