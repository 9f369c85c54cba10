package catalog

// Card is what is asked of a part while many are looked through: a few numbers in place of texts
// and of tables by SKU, each of which lies elsewhere in memory. A card is 64 bytes, so that a look
// at it is one look into memory, and the cards of a catalog lie side by side.
type Card struct {
	Part       *Part
	Name       string  // in English, "" where the catalog has none
	Spring     *Spring // nil for any other part
	Fluid      *Fluid  // nil for any other part
	rows       span    // of the part
	number     int32   // of the part
	maker      int32   // numbers of words, to be compared and no more
	kind       int16
	TravelMM   int16 // that a cartridge gives, 0 for every other part
	Closed     bool  // as KindClosed
	Active     bool  // still made
	Superseded bool
}

// SameKind reports whether two parts of a revision are of the same kind.
func (c *Card) SameKind(as *Card) bool { return c.kind == as.kind }

// SameMaker reports whether two parts of a revision are of the same maker.
func (c *Card) SameMaker(as *Card) bool { return c.maker == as.maker }

// Compare puts parts of a revision into the order of their SKUs.
func (c *Card) Compare(with *Card) int { return int(c.number - with.number) }

// Card is the card of a part of this revision.
func (r *Revision) Card(p *Part) *Card { return &r.cards[p.Number] }

// writeCards numbers the parts and writes their cards; the rows come later.
func (r *Revision) writeCards() {
	r.cards = make([]Card, len(r.t.Parts))
	words := map[string]int{}
	number := func(word string) int {
		n, ok := words[word]
		if !ok {
			n = len(words)
			words[word] = n
		}
		return n
	}
	for i := range r.t.Parts {
		p := &r.t.Parts[i]
		p.Number = int32(i)
		r.cards[i] = Card{
			Part: p, Name: r.texts[textKey{"part", p.SKU, "en"}], Spring: r.springs[p.SKU], Fluid: r.fluids[p.SKU],
			number: p.Number, maker: int32(number(p.Maker)), kind: int16(number(p.Kind)), TravelMM: int16(r.travelOf(p)),
			Closed: KindClosed(p.Kind), Active: p.Status == "active", Superseded: p.SupersededBy != "",
		}
	}
}

func (r *Revision) travelOf(p *Part) int {
	switch p.Kind {
	case KindCoilCartridge:
		if x, ok := r.Coil(p.SKU); ok {
			return x.TravelMM
		}
	case KindAirCartridge:
		if x, ok := r.Air(p.SKU); ok {
			return x.TravelMM
		}
	}
	return 0
}
