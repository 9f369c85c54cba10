package stock

import (
	"fmt"
	"unicode/utf8"

	"github.com/quagmt/udecimal"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// Code is one line of a location's code map: a distributor's own code, the part of ours that
// it means, and how many of the part's units of sale one of the code's units is: 4 for oil
// counted in liters of a part sold by the bottle of 250 mL.
type Code struct {
	Code   string // a text: leading zeros are part of it
	SKU    string
	Factor udecimal.Decimal
	Unit   string // in which the distributor counts, for people
}

// MostCodes is how long a code map may be.
const MostCodes = 50_000

// CheckCodes finds what is wrong with a code map.
func CheckCodes(codes []Code, parts Parts) error {
	var wrong fault.Fields
	if len(codes) > MostCodes {
		return fault.New(fault.TooLarge, "too_many", "A code map has %d lines at most.", MostCodes)
	}
	seen := map[string]bool{}
	for i, c := range codes {
		at := fmt.Sprintf("/codes/%d", i)
		_, known := parts.BySKU(c.SKU)
		switch n := utf8.RuneCountInString(c.Code); {
		case n < 1 || n > 100:
			wrong.Add(at+"/code", "out_of_range", "A code has 1 to 100 characters.")
		case seen[c.Code]:
			wrong.Add(at+"/code", "duplicate", "The code %s stands in the map twice.", clip(c.Code))
		case !known:
			wrong.Add(at+"/sku", "not_in_catalog", "There is no part %q in the active catalog.", clip(c.SKU))
		case !c.Factor.IsPos() || c.Factor.GreaterThan(largest):
			wrong.Add(at+"/factor", "out_of_range", "A factor is above zero.")
		case utf8.RuneCountInString(c.Unit) > 40:
			wrong.Add(at+"/unit", "too_long", "A unit has 40 characters at most.")
		}
		seen[c.Code] = true
		if len(wrong) >= 100 {
			break
		}
	}
	return wrong.Err()
}

// PartsOf are the parts of a catalog revision, for one who asks. Not safe for concurrent use.
func PartsOf(rev *catalog.Revision) Parts { return &revisionParts{rev: rev} }

type revisionParts struct {
	rev  *catalog.Revision
	next int // number of the part after the one found last
}

// BySKU looks at the next part before it searches: most feeds stand in the order of SKUs.
func (r *revisionParts) BySKU(sku string) (Part, bool) {
	n, all := r.next, r.rev.Parts()
	if n >= len(all) || all[n].SKU != sku {
		var ok bool
		if n, ok = r.rev.PartNumber(sku); !ok {
			return Part{}, false
		}
	}
	r.next = n + 1
	return partOf(&all[n], n), true
}

func (r *revisionParts) ByGTIN(gtin string) (out []Part) {
	found, by := r.rev.Resolve(gtin)
	if by != catalog.ByGTIN {
		return nil
	}
	for _, p := range found {
		n, _ := r.rev.PartNumber(p.SKU)
		out = append(out, partOf(p, n))
	}
	return out
}

func partOf(p *catalog.Part, number int) Part {
	out := Part{SKU: p.SKU, Number: number, Unit: p.Unit}
	if p.PackQuantity > 0 {
		out.Pack, _ = udecimal.NewFromFloat64(p.PackQuantity) // 0.1 to 100000, as written in the catalog
	}
	return out
}
