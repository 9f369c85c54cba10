package search

import (
	"cmp"
	"math"
	"regexp"
	"slices"
	"strings"
	"sync"

	"forkwright/service/catalog"
)

// field says where a word of a fork comes from.
type field uint8

const (
	fromMaker field = iota
	fromModel       // model, variant, alias of the fork
	fromChassis
	fromDamper
	fromUse
)

// How much a word counts by where it comes from. A use says so little that two forks that
// differ in it alone still stand side by side.
var fieldWeight = [...]float64{fromMaker: 0.6, fromModel: 1, fromChassis: 0.6, fromDamper: 0.6, fromUse: 0.05}

type ref struct {
	word  int32
	field field
}

// doc is a fork as the index sees it. What is looked at for each fork that a word names stands
// first and here, not behind the fork: most of the work is waiting for memory.
type doc struct {
	yearFrom, yearTo int16
	refs             []ref
	travels          []int // mm as built
	fork             *catalog.Fork
	chassis          *catalog.Chassis // nil: not known
	feet             []string         // what may close the foot of the spring leg
}

func (d *doc) maker() string {
	if d.chassis == nil {
		return ""
	}
	return d.chassis.Maker
}

// code is a mark, or a short name with digits in it, that names forks.
type code struct {
	text  string
	place string
	docs  []int32
}

// Index finds forks of one revision. It is immutable and safe for concurrent use.
type Index struct {
	rev      *catalog.Revision
	docs     []doc // by fork id
	words    *vocabulary
	postings [][]int32 // by word, without uses
	weight   []float64 // by word: the rarer the more
	codes    map[string]*code
	lengths  lengths            // of their keys
	alike    map[string][]*code // by the code with signs that look alike made one
	makers   map[string]string  // by folded code, name or alias
	lastYear int
	desks    sync.Pool // of *desk
}

// New builds the index of a revision. Beside running answers it is given a Rest.
func New(rev *catalog.Revision, rest catalog.Rest) *Index {
	x := &Index{rev: rev, codes: map[string]*code{}, alike: map[string][]*code{}, makers: map[string]string{}}
	forks := rev.Forks()
	texts := make([][]fieldText, len(forks))
	split := splitter{}
	for i := range forks {
		rest.After(i)
		texts[i] = x.textsOf(&forks[i], split)
	}
	x.words = newVocabulary(split.words(), rest)
	x.docs = make([]doc, len(forks))
	x.postings = make([][]int32, len(x.words.words))
	for i := range forks {
		rest.After(i)
		x.add(int32(i), &forks[i], texts[i])
	}
	x.joinRefs()
	x.weight = make([]float64, len(x.postings))
	for i, p := range x.postings {
		x.weight[i] = math.Log(1 + float64(len(forks))/float64(max(len(p), 1)))
	}
	x.desks.New = func() any { return &desk{seen: make([]uint64, len(forks)/64+1)} }
	x.nameMakers()
	for k, c := range x.codes {
		worn := string(lookAlike([]byte(k)))
		x.alike[worn] = append(x.alike[worn], c)
	}
	for _, list := range x.alike {
		slices.SortFunc(list, func(a, b *code) int { return strings.Compare(a.text, b.text) })
	}
	return x
}

type fieldText struct {
	field field
	words []string
}

// splitter splits texts into folded words. Forks share most of theirs, so each is split once.
type splitter map[string][]string

func (s splitter) split(text string) []string {
	words, ok := s[text]
	if !ok {
		words = slices.Collect(wordsOf(fold(text)))
		s[text] = words
	}
	return words
}

// words are all words of all texts, some of them more than once.
func (s splitter) words() (all []string) {
	for _, words := range s {
		all = append(all, words...)
	}
	return all
}

var yearsInName = regexp.MustCompile(`\(?(19|20)\d\d([-/–](19|20)?\d\d)?\)?`)

// textsOf lists the words that a fork can be called by.
func (x *Index) textsOf(f *catalog.Fork, split splitter) []fieldText {
	var out []fieldText
	add := func(field field, texts ...string) {
		for _, t := range texts {
			out = append(out, fieldText{field, split.split(t)})
		}
	}
	c := x.rev.ChassisOf(f)
	if m, ok := x.rev.Maker(x.rev.MakerOf(f)); ok {
		add(fromMaker, m.Name, m.Code)
		add(fromMaker, m.Aliases...)
	}
	add(fromModel, f.Model, yearsInName.ReplaceAllString(f.Name, " "))
	add(fromModel, f.Aliases...)
	if c != nil {
		add(fromChassis, c.Name)
		add(fromChassis, c.Aliases...)
	}
	for _, code := range f.Dampers {
		if d, ok := x.rev.Damper(code); ok {
			add(fromDamper, d.Name)
			add(fromDamper, d.Aliases...)
		}
	}
	add(fromUse, f.Uses...)
	return out
}

func (x *Index) add(at int32, f *catalog.Fork, texts []fieldText) {
	d := doc{yearFrom: f.YearFrom, yearTo: f.YearTo, travels: f.TravelsMM, fork: f, chassis: x.rev.ChassisOf(f)}
	for _, t := range texts {
		for _, w := range t.words {
			id := x.words.index[w]
			if slices.ContainsFunc(d.refs, func(r ref) bool { return r.word == id && r.field == t.field }) {
				continue
			}
			d.refs = append(d.refs, ref{id, t.field})
			if p := x.postings[id]; t.field != fromUse && (len(p) == 0 || p[len(p)-1] != at) {
				x.postings[id] = append(p, at)
			}
		}
	}
	slices.SortFunc(d.refs, func(a, b ref) int { return cmp.Or(cmp.Compare(a.word, b.word), cmp.Compare(a.field, b.field)) })
	d.feet = x.feetOf(f, d.chassis)
	x.docs[at] = d
	for _, m := range x.rev.Marks(f.ID) {
		x.addCode(m.Mark, m.Place, at)
	}
	x.addCode(f.ID, "id", at)
	for _, a := range slices.Concat(f.Aliases, aliasesOf(d.chassis)) {
		if strings.ContainsAny(a, "0123456789") && !strings.Contains(a, " ") {
			x.addCode(a, "name", at)
		}
	}
}

// joinRefs puts the words of all forks one behind the other: those of neighbors, which are asked for
// together, come into the cache together.
func (x *Index) joinRefs() {
	n := 0
	for i := range x.docs {
		n += len(x.docs[i].refs)
	}
	all := make([]ref, 0, n)
	for i := range x.docs {
		d, from := &x.docs[i], len(all)
		all = append(all, d.refs...)
		d.refs = all[from:len(all):len(all)]
	}
}

func aliasesOf(c *catalog.Chassis) []string {
	if c == nil {
		return nil
	}
	return c.Aliases
}

func (x *Index) feetOf(f *catalog.Fork, c *catalog.Chassis) []string {
	var out []string
	for _, o := range x.rev.Options(f.ID) {
		if o.Fact == "foot_fastener" && !slices.Contains(out, o.Value) {
			out = append(out, o.Value)
		}
	}
	if len(out) == 0 && c != nil {
		out = []string{c.FootFastener}
	}
	return out
}

func (x *Index) addCode(text, place string, at int32) {
	key := codeKey(text)
	if len(key) < 3 {
		return
	}
	c := x.codes[key]
	if c == nil {
		c = &code{text: text, place: place}
		x.codes[key] = c
		x.lengths |= ofLength(len(key))
	}
	if n := len(c.docs); n == 0 || c.docs[n-1] != at {
		c.docs = append(c.docs, at)
	}
}

// lengths is a set of lengths; those above 62 are one. Few runs of words are as long as a mark, so
// that most of them need no look at a large map.
type lengths uint64

func ofLength(n int) lengths { return 1 << min(n, 63) }

// codeKey makes marks comparable.
func codeKey(s string) string { return keyOf(catalog.FoldCode(s)) }

// keyOf is the key of a folded mark; a number from a scanner may lack or add leading zeros.
func keyOf(folded string) string {
	if g := catalog.PadGTIN(folded); g != "" {
		return g
	}
	return folded
}

// lookAlike makes signs one that are taken for each other on a worn mark. It writes over b.
func lookAlike(b []byte) []byte {
	for i, c := range b {
		switch c {
		case 'O', 'Q':
			b[i] = '0'
		case 'I', 'L':
			b[i] = '1'
		case 'S':
			b[i] = '5'
		case 'B':
			b[i] = '8'
		case 'Z':
			b[i] = '2'
		}
	}
	return b
}

func (x *Index) nameMakers() {
	for i := range x.docs {
		m, ok := x.rev.Maker(x.docs[i].maker())
		if !ok {
			continue
		}
		for _, n := range append([]string{m.Code, m.Name}, m.Aliases...) {
			x.makers[fold(n)] = m.Code
		}
		x.lastYear = max(x.lastYear, int(x.docs[i].fork.YearTo))
	}
}
