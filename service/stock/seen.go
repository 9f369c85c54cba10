package stock

import "math/bits"

// seen remembers texts in a fixed amount of memory. It may think that it knows a text it was
// never shown, and never forgets one that it was: whoever asks must look twice at a yes.
type seen struct{ blocks [][blockWords]uint64 }

// The bits of a text lie in one block, which is one line of the processor's cache: a look at
// it costs one wait for memory.
const (
	seenBlocks = 1 << 17 // 8 MiB: of a million texts about one is wrongly known, of five million some thousand
	blockWords = 8
	seenProbes = 6
)

func newSeen() *seen { return &seen{make([][blockWords]uint64, seenBlocks)} }

// add reports whether the text may have been shown before.
func (s *seen) add(place int16, text string) bool {
	h := fold64(place, text)
	block := &s.blocks[h%seenBlocks]
	h *= 0x9e3779b97f4a7c15 // other bits than chose the block
	known := true
	for range seenProbes {
		h = bits.RotateLeft64(h, 9)
		word, bit := &block[h%blockWords], uint64(1)<<(h/blockWords%64)
		known = known && *word&bit != 0
		*word |= bit
	}
	return known
}

// fold64 is FNV-1a with a finishing mix, so that its low and high halves are both worth using.
func fold64(place int16, text string) uint64 {
	h := uint64(14695981039346656037) ^ uint64(uint16(place))
	for i := range len(text) {
		h = (h ^ uint64(text[i])) * 1099511628211
	}
	h ^= h >> 33
	h *= 0xff51afd7ed558ccd
	return h ^ h>>33
}
