package stock

// seen remembers texts in a fixed amount of memory. It may think that it knows a text it was
// never shown, and never forgets one that it was: whoever asks must look twice at a yes.
type seen struct{ bits []uint64 }

const (
	seenBits   = 1 << 26 // 8 MiB; at five million texts one in 250 is wrongly known
	seenProbes = 4
)

func newSeen() *seen { return &seen{make([]uint64, seenBits/64)} }

// add reports whether the text may have been shown before.
func (s *seen) add(place int16, text string) bool {
	h := fold64(place, text)
	step := h>>32 | 1
	known := true
	for range seenProbes {
		word, bit := &s.bits[h%seenBits/64], uint64(1)<<(h%64)
		known = known && *word&bit != 0
		*word |= bit
		h += step
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
