package catalog

import (
	"cmp"
	"slices"
	"strings"
)

// compareFitments is the order of the fitment rows in a revision: by part, then level and
// target, so that the rows of one part for one fork are at most four runs.
func compareFitments(a, b *Fitment) int {
	return cmp.Or(strings.Compare(a.Part, b.Part), cmp.Compare(a.Level, b.Level),
		strings.Compare(a.Target, b.Target), strings.Compare(a.ID, b.ID))
}

// Reach is the fitment rows that target one fork, found once for all questions about the fork.
type Reach struct {
	r    *Revision
	rows [AtFork][]int32 // numbers of rows, ascending, by level
}

// Reach finds the rows that target a fork: by its maker, chassis, model or itself.
func (r *Revision) Reach(f *Fork) Reach {
	maker, rows := r.MakerOf(f), &r.ofTarget
	return Reach{r, [AtFork][]int32{rows[AtMaker][maker], rows[AtChassis][f.Chassis], rows[AtModel][ModelTarget(maker, f.Model)], rows[AtFork][f.ID]}}
}

// Of are the rows of a part, by level: maker, chassis, model, fork. The rows of a part for one
// target stand together, so this is a search in a few numbers, however popular the part is. They
// are unpacked into room, which grows where it is too small.
func (x *Reach) Of(part *Card, room *[]Fitment) (found [AtFork][]Fitment) {
	s := part.rows
	var runs [AtFork][]int32
	n := 0
	for l, all := range x.rows {
		from, _ := slices.BinarySearch(all, s.from)
		to := from
		for to < len(all) && all[to] < s.to {
			to++
		}
		runs[l] = all[from:to]
		n += to - from
	}
	rows := slices.Grow((*room)[:0], n) // one for all levels
	for l, run := range runs {
		from := len(rows)
		for _, i := range run {
			rows = append(rows, x.r.rows.at(int(i)))
		}
		found[l] = rows[from:len(rows):len(rows)]
	}
	*room = rows
	return found
}

// Parts yields the part and the verdict of every row.
func (x *Reach) Parts(yield func(*Card, Verdict) bool) {
	for _, all := range x.rows {
		for _, i := range all {
			row := &x.r.rows.packed[i]
			if part := x.r.cardAt[row.part]; part != nil && !yield(part, x.r.verdicts[row.shared]) { // nil only in tables that Check refuses
				return
			}
		}
	}
}

// ForksOf are the forks that a target covers, sorted by id.
func (r *Revision) ForksOf(l Level, target string) []*Fork {
	switch l {
	case AtMaker:
		return r.brand[target]
	case AtChassis:
		return r.platform[target]
	case AtModel:
		maker, model, _ := strings.Cut(target, "/")
		return r.models[[2]string{maker, model}]
	case AtFork:
		if f, ok := r.forks[target]; ok {
			return []*Fork{f}
		}
	}
	return nil
}

// CompareSerials orders serial numbers as a person reads them: runs of digits by their number,
// everything else by its letters, in either case.
func CompareSerials(a, b string) int {
	for a != "" && b != "" {
		if digit(a[0]) && digit(b[0]) {
			x, y := digits(a), digits(b)
			a, b = a[len(x):], b[len(y):]
			x, y = strings.TrimLeft(x, "0"), strings.TrimLeft(y, "0")
			if c := cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(x, y)); c != 0 {
				return c
			}
			continue
		}
		if c := cmp.Compare(upper(a[0]), upper(b[0])); c != 0 {
			return c
		}
		a, b = a[1:], b[1:]
	}
	return cmp.Compare(len(a), len(b))
}

// NextSerial is the serial number that follows another: the last run of digits plus one.
func NextSerial(s string) string {
	end := len(s)
	for end > 0 && !digit(s[end-1]) {
		end--
	}
	if end == 0 {
		return s + "0"
	}
	b := []byte(s[:end])
	for i := end - 1; i >= 0 && digit(b[i]); i-- {
		if b[i] < '9' {
			b[i]++
			return string(b) + s[end:]
		}
		b[i] = '0'
	}
	start := end
	for start > 0 && digit(s[start-1]) {
		start--
	}
	return string(b[:start]) + "1" + string(b[start:]) + s[end:]
}

func digit(c byte) bool { return c >= '0' && c <= '9' }

func upper(c byte) byte {
	if c >= 'a' && c <= 'z' {
		return c - 32
	}
	return c
}

func digits(s string) string {
	n := 0
	for n < len(s) && digit(s[n]) {
		n++
	}
	return s[:n]
}
