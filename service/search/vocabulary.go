package search

import (
	"iter"
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// vocabulary is all words of the catalog's forks, with what finds them when misspelled.
type vocabulary struct {
	words []string // sorted
	index map[string]int32
	// Words by what remains when one or two letters are left out: for each remainder the first
	// of a chain of links. Neither holds a pointer, so the garbage collector passes them by.
	remains map[uint64]int32
	links   []link
}

// link is a word of a chain, and the place of the next one; the words ascend.
type link struct{ word, next int32 }

const noLink = -1

// found is a word of the catalog that a typed word may be.
type found struct {
	id  int32
	sim float64 // 1: the same word
}

// Likeness of a word that is only near.
const (
	simPrefix = 0.8
	simOneOff = 0.75
	simTwoOff = 0.5
	simGuess  = 0.35 // two errors in a short word: good for a list, never for being sure
)

func newVocabulary(words []string, rest catalog.Rest) *vocabulary {
	slices.Sort(words)
	words = slices.Compact(words)
	v := &vocabulary{words: words, index: make(map[string]int32, len(words)), remains: map[uint64]int32{}}
	for i := len(words) - 1; i >= 0; i-- {
		rest.After(i)
		word := int32(i)
		v.index[words[i]] = word
		for d := range shorter(words[i]) {
			first, ok := v.remains[d]
			switch {
			case !ok:
				first = noLink
			case v.links[first].word == word:
				continue
			}
			v.remains[d] = int32(len(v.links))
			v.links = append(v.links, link{word, first})
		}
	}
	return v
}

// leaving yields the words that leave a remainder.
func (v *vocabulary) leaving(d uint64) iter.Seq[int32] {
	return func(yield func(int32) bool) {
		at, ok := v.remains[d]
		for ok && at != noLink && yield(v.links[at].word) {
			at = v.links[at].next
		}
	}
}

// maxErrors is how many letters of a word may be wrong.
func maxErrors(w string) int {
	switch {
	case isNumber(w), len(w) < 4:
		return 0
	case len(w) < 5:
		return 1
	}
	return 2
}

func isNumber(w string) bool { return w != "" && w[0] >= '0' && w[0] <= '9' }

// shorter yields the hashes of a word and of the word with up to maxErrors letters left out
// (at least one, so that a typed word may be one letter shorter or longer).
func shorter(w string) iter.Seq[uint64] {
	return func(yield func(uint64) bool) {
		if isNumber(w) || len(w) < 3 || len(w) > 24 || !yield(hash(w)) {
			return
		}
		var one, two [32]byte
		for i := range len(w) {
			a := append(append(one[:0], w[:i]...), w[i+1:]...)
			if !yield(hash(a)) {
				return
			}
			for j := i; j < len(a) && maxErrors(w) == 2; j++ {
				if !yield(hash(append(append(two[:0], a[:j]...), a[j+1:]...))) {
					return
				}
			}
		}
	}
}

// hash is FNV-1a with 64 bits; a collision costs a comparison and no more.
func hash[T string | []byte](b T) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(b) {
		h = (h ^ uint64(b[i])) * 1099511628211
	}
	return h
}

// like lists the words that a typed word may be which is none itself: words that begin with it, and
// words one or two errors away, the nearest first. At most eight.
func (v *vocabulary) like(w string) []found {
	out := v.near(w)
	if len(w) >= 4 && !isNumber(w) {
		for i, _ := slices.BinarySearch(v.words, w); i < len(v.words) && strings.HasPrefix(v.words[i], w) && len(out) < 8; i++ {
			if !slices.ContainsFunc(out, func(f found) bool { return f.id == int32(i) }) {
				out = append(out, found{int32(i), simPrefix})
			}
		}
	}
	slices.SortFunc(out, func(a, b found) int {
		switch {
		case a.sim > b.sim:
			return -1
		case a.sim < b.sim:
			return 1
		}
		return int(a.id - b.id)
	})
	return out[:min(len(out), 8)]
}

func (v *vocabulary) near(w string) []found {
	most := maxErrors(w)
	if most == 0 {
		return nil
	}
	seen := map[int32]bool{}
	var out []found
	for d := range shorter(w) {
		for id := range v.leaving(d) {
			if seen[id] || len(seen) > 400 {
				continue
			}
			seen[id] = true
			switch n := distance(w, v.words[id], most); {
			case n == 1:
				out = append(out, found{id, simOneOff})
			case n == 2 && len(w) < 7:
				out = append(out, found{id, simGuess})
			case n == 2:
				out = append(out, found{id, simTwoOff})
			}
		}
	}
	if slices.ContainsFunc(out, func(f found) bool { return f.sim > simGuess }) {
		out = slices.DeleteFunc(out, func(f found) bool { return f.sim == simGuess })
	}
	return out
}

// distance counts the letters to change, leave out or put in, and the neighbors to swap, to get
// from one word to the other (optimal string alignment); most+1 when it is more than most.
func distance(a, b string, most int) int {
	if d := len(a) - len(b); d > most || -d > most || len(a) > 31 || len(b) > 31 {
		return most + 1
	}
	var rows [3][32]int
	before, last, row := &rows[0], &rows[1], &rows[2]
	for j := range len(b) + 1 {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		best := i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			n := min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				n = min(n, before[j-2]+1)
			}
			row[j] = n
			best = min(best, n)
		}
		if best > most {
			return most + 1
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
