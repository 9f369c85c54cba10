package stock

// seen notes which parts were named, one bit for each part of the catalog: it does not grow with
// the feed.
type seen []uint64

// add notes a part and reports whether it was noted before.
func (s *seen) add(part int) (again bool) {
	word, bit := part/64, uint64(1)<<(part%64)
	if word >= len(*s) {
		*s = append(*s, make([]uint64, word+1-len(*s))...)
	}
	again = (*s)[word]&bit != 0
	(*s)[word] |= bit
	return again
}
