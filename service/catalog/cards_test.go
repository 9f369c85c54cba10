package catalog

import (
	"cmp"
	"testing"
	"unsafe"
)

// TestCardsSayWhatTheTablesSay compares the card of each part, and of each two, with the tables.
func TestCardsSayWhatTheTablesSay(t *testing.T) {
	r := Build(sound(), 1)
	parts, cartridges, springs, fluids := r.Parts(), 0, 0, 0
	for i := range parts {
		p := &parts[i]
		c := r.Card(p)
		travel := 0
		if x, ok := r.Coil(p.SKU); ok {
			travel = x.TravelMM
		} else if x, ok := r.Air(p.SKU); ok {
			travel = x.TravelMM
		}
		name, lang := r.Name("part", p.SKU)
		if lang == "" {
			name = ""
		}
		spring, _ := r.Spring(p.SKU)
		fluid, _ := r.Fluid(p.SKU)
		if c.Part != p || c.Name != name || c.Spring != spring || c.Fluid != fluid || int(c.TravelMM) != travel ||
			c.Closed != KindClosed(p.Kind) || c.Active != (p.Status == "active") || c.Superseded != (p.SupersededBy != "") {
			t.Errorf("%s: %+v", p.SKU, c)
		}
		cartridges, springs, fluids = cartridges+min(travel, 1), springs+count(spring), fluids+count(fluid)
		for k := range parts {
			q := &parts[k]
			if d := r.Card(q); c.SameKind(d) != (p.Kind == q.Kind) || c.SameMaker(d) != (p.Maker == q.Maker) || cmp.Compare(c.Compare(d), 0) != cmp.Compare(p.SKU, q.SKU) {
				t.Errorf("%s and %s are compared wrongly", p.SKU, q.SKU)
			}
		}
	}
	if cartridges == 0 || springs == 0 || fluids == 0 {
		t.Errorf("%d cartridges, %d springs, %d fluids: not all were tried", cartridges, springs, fluids)
	}
}

func count[T any](x *T) int {
	if x == nil {
		return 0
	}
	return 1
}

func TestACardIsALineOfTheCache(t *testing.T) {
	if n := unsafe.Sizeof(Card{}); n != 64 && unsafe.Sizeof(uintptr(0)) == 8 {
		t.Errorf("a card has %d bytes", n)
	}
}
