package catalog

import (
	"cmp"
	"strings"
)

// rows are the fitment rows of a revision, packed. What many rows have in common is kept once,
// part and target are numbers of texts, and the ids stand one behind the other: so a million
// rows hold no pointer for the garbage collector to follow, which would otherwise take the
// processor from the answers whenever a new revision is made.
type rows struct {
	packed []packedRow // in the order of compareFitments
	shared []Fitment   // without id, part and target
	texts  []string    // parts and targets
	ids    string
}

type packedRow struct {
	shared, part, target uint32 // numbers in rows.shared and rows.texts
	idEnd                uint32 // where the id ends in rows.ids; it begins where the one before ends
}

func (r *rows) len() int { return len(r.packed) }

// at is row i as it was written.
func (r *rows) at(i int) Fitment {
	p := &r.packed[i]
	f := r.shared[p.shared]
	f.ID, f.Part, f.Target = r.id(i), r.texts[p.part], r.texts[p.target]
	return f
}

func (r *rows) id(i int) string {
	if i == 0 {
		return r.ids[:r.packed[0].idEnd]
	}
	return r.ids[r.packed[i-1].idEnd:r.packed[i].idEnd]
}

func (r *rows) level(i int) Level   { return r.shared[r.packed[i].shared].Level }
func (r *rows) target(i int) string { return r.texts[r.packed[i].target] }

// unpack makes rows of their own again.
func (r *rows) unpack() []Fitment {
	if r.len() == 0 {
		return nil
	}
	out := make([]Fitment, r.len())
	for i := range out {
		out[i] = r.at(i)
	}
	return out
}

// pack packs sorted rows. Where they were read from is left behind.
func pack(sorted []Fitment) rows {
	size := 0
	for i := range sorted {
		size += len(sorted[i].ID)
	}
	out := rows{packed: make([]packedRow, len(sorted))}
	var ids strings.Builder
	ids.Grow(size)
	texts, shared := map[string]uint32{}, map[Fitment]uint32{}
	number := func(s string) uint32 {
		n, ok := texts[s]
		if !ok {
			n = uint32(len(out.texts))
			texts[s], out.texts = n, append(out.texts, s)
		}
		return n
	}
	for i := range sorted {
		f := sorted[i]
		p := packedRow{part: number(f.Part), target: number(f.Target)}
		ids.WriteString(f.ID)
		p.idEnd = uint32(ids.Len())
		f.Pos, f.ID, f.Part, f.Target = Pos{}, "", "", ""
		n, ok := shared[f]
		if !ok {
			n = uint32(len(out.shared))
			shared[f], out.shared = n, append(out.shared, f)
		}
		p.shared = n
		out.packed[i] = p
	}
	out.ids = ids.String()
	return out
}

// compare is compareFitments of row i and row j of another table.
func (r *rows) compare(i int, other *rows, j int) int {
	a, b := &r.packed[i], &other.packed[j]
	if r != other || a.part != b.part {
		if c := strings.Compare(r.texts[a.part], other.texts[b.part]); c != 0 {
			return c
		}
	}
	return cmp.Or(cmp.Compare(r.level(i), other.level(j)),
		strings.Compare(r.target(i), other.target(j)), strings.Compare(r.id(i), other.id(j)))
}

// sorted reports whether the rows are in order.
func (r *rows) sorted(rest Rest) bool {
	for i := 1; i < r.len(); i++ {
		if r.compare(i-1, r, i) > 0 {
			return false
		}
		rest.After(i)
	}
	return true
}

// Rest lets long work in the background give way to answers: it is called every few hundred
// rows and may sleep. A nil Rest never does.
type Rest func()

// restEvery is how many rows are worked on between two rests: well under a millisecond.
const restEvery = 512

// After is called with the number of a row that was done, and rests now and then.
func (r Rest) After(row int) {
	if r != nil && row%restEvery == 0 {
		r()
	}
}
