package search

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"

	"forkwright/service/catalog"
)

// Bounds of the work for one query, so that a large catalog costs no more than a small one.
const (
	maxCandidates = 192  // forks that are scored
	maxScanned    = 1024 // forks looked at for one word
	maxListed     = 200  // forks in one result
	defaultListed = 20
)

// margin is how far a candidate's score may lie below the first and still be as likely.
const margin = 0.3

// What a fact adds where it agrees, and takes where it does not.
const (
	yearAgrees, yearNear, yearDiffers      = 1.5, -1.5, -3
	travelAgrees, travelDiffers, travelFar = 0.8, -0.8, -2
	wheelAgrees, wheelDiffers              = 0.5, -0.8
	measureAgrees, measureDiffers          = 0.8, -3
	makerDiffers                           = -4
	markReads, markNearly                  = 12, 9
)

// token is a word of the query with the words of the catalog that it may be.
type token struct {
	word
	matches []found
	rarest  int    // forks that have one of them
	told    []Fact // what is said of a fork that has the match; behind the last, of one that has none
}

// search is one query at work.
type search struct {
	*desk
	x      *Index
	q      *Query
	a      asked
	tokens []token
	marks  []*code
	near   bool // the marks were read with signs that look alike
	maker  string
	unread []string
	cut    bool // not every fork that may be meant was looked at
}

// hit is a fork under consideration.
type hit struct {
	score   float64
	doc     int32
	missed  int16 // words of the query that it does not have
	against int16 // facts that it contradicts
	named   bool
	guessed bool // a word was only guessed at
}

// desk is the memory that one query leaves to the next.
type desk struct {
	seen []uint64 // a bit for each fork
	docs []int32
	hits []hit
}

// add notes a fork as a candidate, once.
func (d *desk) add(doc int32) {
	word, bit := doc>>6, uint64(1)<<(doc&63)
	if d.seen[word]&bit == 0 {
		d.seen[word] |= bit
		d.docs = append(d.docs, doc)
	}
}

// clear leaves the desk as it was found.
func (d *desk) clear() {
	for _, doc := range d.docs {
		d.seen[doc>>6] = 0
	}
	d.docs, d.hits = d.docs[:0], d.hits[:0]
}

// Find ranks the forks that a query may mean. With neither text nor facts it lists all forks by
// id. limit is at most 200; 0 means 20.
func (x *Index) Find(q Query, limit int) Result {
	if limit <= 0 {
		limit = defaultListed
	}
	limit = min(limit, maxListed)
	s := &search{x: x, q: &q}
	s.read()
	if len(s.marks) == 0 && !s.says() {
		if len(s.unread) > 0 && !s.q.hasFacts() {
			return Result{Unread: s.unread} // a list of all forks would be no answer to it
		}
		return s.list(limit)
	}
	s.desk = x.desks.Get().(*desk)
	defer func() { s.desk.clear(); x.desks.Put(s.desk) }()
	s.gather()
	return s.result(s.score(), limit)
}

// says reports whether some word can name a fork.
func (s *search) says() bool {
	return slices.ContainsFunc(s.tokens, func(t token) bool { return !t.soft && len(t.matches) > 0 })
}

// read takes the text apart: marks first, then facts, then words.
func (s *search) read() {
	rest := s.takeMarks(pieces(s.q.Text))
	s.a = read(rest)
	s.fillFacts()
	s.joinWords()
	s.tokens = make([]token, 0, len(s.a.words))
	for _, w := range s.a.words {
		s.addToken(w)
	}
}

// fillFacts puts the members of the query over what the text says.
func (s *search) fillFacts() {
	if s.q.ModelYear != 0 {
		s.a.yearFrom, s.a.yearTo = s.q.ModelYear, s.q.ModelYear
	}
	if s.q.TravelMM != 0 {
		s.a.travel, s.a.travelSlack = s.q.TravelMM, 0
	}
	if s.q.WheelSize != "" {
		s.a.wheel = s.q.WheelSize
	}
	if s.q.Maker != "" {
		if code, ok := s.x.makers[fold(strings.TrimSpace(s.q.Maker))]; ok {
			s.maker = code
		} else {
			s.unread = append(s.unread, s.q.Maker)
		}
	}
}

// takeMarks removes the pieces that make up a mark: the longest run of up to four pieces first.
func (s *search) takeMarks(pieces []string) []string {
	folded := foldCodes(pieces)
	for size := min(4, len(pieces)); size > 0; size-- {
		for i := 0; i+size <= len(pieces); i++ {
			key := keyOf(folded.run(i, size))
			if s.x.lengths&ofLength(len(key)) == 0 || size > 1 && !strings.ContainsAny(key, digits) {
				continue
			}
			if c := s.x.codes[key]; c != nil {
				s.marks = append(s.marks, c)
				return s.takeMarks(slices.Concat(pieces[:i], pieces[i+size:]))
			}
		}
	}
	if len(s.marks) > 0 {
		return pieces
	}
	return s.takeWorn(pieces, folded)
}

// foldedCodes are pieces as marks are compared, one behind the other, so that a run of them is a
// part of the text.
type foldedCodes struct {
	text string
	at   []int // where each begins, and the end
}

func foldCodes(pieces []string) foldedCodes {
	var text strings.Builder
	at := make([]int, 1, len(pieces)+1)
	for _, p := range pieces {
		text.WriteString(catalog.FoldCode(p))
		at = append(at, text.Len())
	}
	return foldedCodes{text.String(), at}
}

func (f *foldedCodes) run(from, size int) string { return f.text[f.at[from]:f.at[from+size]] }

const digits = "0123456789"

// takeWorn does the same for a mark with signs that look alike.
func (s *search) takeWorn(pieces []string, folded foldedCodes) []string {
	for size := min(3, len(pieces)); size > 0; size-- {
		for i := 0; i+size <= len(pieces); i++ {
			key := keyOf(folded.run(i, size))
			if len(key) < 5 || s.x.lengths&ofLength(len(key)) == 0 || !strings.ContainsAny(key, digits) {
				continue
			}
			if list := s.x.alike[string(lookAlike([]byte(key)))]; len(list) > 0 {
				s.marks, s.near = append(s.marks, list...), true
				return slices.Concat(pieces[:i], pieces[i+size:])
			}
		}
	}
	return pieces
}

// joinWords puts together what was typed apart: "tarn hold".
func (s *search) joinWords() {
	w := s.a.words
	for i := 0; i+1 < len(w); i++ {
		if _, known := s.x.words.index[w[i].text]; known || w[i].soft {
			continue
		}
		if _, ok := s.x.words.index[w[i].text+w[i+1].text]; ok {
			w[i].text += w[i+1].text
			w = slices.Delete(w, i+1, i+2)
		}
	}
	s.a.words = w
}

func (s *search) addToken(w word) {
	t := token{word: w}
	if id, known := s.x.words.index[w.text]; known {
		t.matches = []found{{id, 1}}
	} else if w.soft {
		return
	} else {
		t.matches = s.x.words.like(w.text)
	}
	if len(t.matches) == 0 {
		if s.asYear(w) || s.apart(w) {
			return
		}
		s.unread = append(s.unread, w.text)
		return
	}
	for _, m := range t.matches {
		t.rarest += len(s.x.postings[m.id])
	}
	s.tokens = append(s.tokens, t)
}

// asYear takes a bare number of two digits that is no word of the catalog for a year.
func (s *search) asYear(w word) bool {
	if len(w.text) != 2 || !isNumber(w.text) {
		return false
	}
	n, err := strconv.Atoi(w.text)
	if err != nil || s.a.yearFrom != 0 || 2000+n > s.x.lastYear+1 || n < 5 {
		return false
	}
	s.a.yearFrom, s.a.yearTo = 2000+n, 2000+n
	return true
}

// apart splits a word that is two words of the catalog: "corriepro".
func (s *search) apart(w word) bool {
	for i := 2; i+2 <= len(w.text); i++ {
		_, left := s.x.words.index[w.text[:i]]
		_, right := s.x.words.index[w.text[i:]]
		if left && right {
			s.addToken(word{text: w.text[:i]})
			s.addToken(word{text: w.text[i:]})
			return true
		}
	}
	return false
}

// gather collects the forks to be scored, beginning with the rarest word, so that common words
// cost nothing where a rare one has been typed.
func (s *search) gather() {
	for _, c := range s.marks {
		for _, d := range c.docs[:min(len(c.docs), maxCandidates)] {
			s.add(d)
		}
		s.cut = s.cut || len(c.docs) > maxCandidates
	}
	order := make([]*token, 0, len(s.tokens))
	for i := range s.tokens {
		if t := &s.tokens[i]; !t.soft {
			order = append(order, t)
		}
	}
	slices.SortStableFunc(order, func(a, b *token) int { return cmp.Compare(a.rarest, b.rarest) })
	for i, t := range order {
		if len(s.docs) >= maxCandidates/2 || (i > 0 && t.rarest > maxScanned && len(s.docs) > 0) {
			break
		}
		s.scan(t, order)
	}
}

// scan looks at the forks that have a word. Where there are too many of them, those come first
// that agree with the year and have another of the words.
func (s *search) scan(t *token, all []*token) {
	for _, m := range t.matches {
		list := s.x.postings[m.id]
		if len(list) > maxScanned {
			s.cut = true
			list = list[:maxScanned]
		}
		picky := len(list) > maxCandidates/2
		for _, d := range list {
			if picky && !s.promising(d, t, all) {
				continue
			}
			if len(s.docs) >= maxCandidates {
				s.cut = true
				return
			}
			s.add(d)
		}
	}
}

func (s *search) promising(d int32, t *token, all []*token) bool {
	doc := &s.x.docs[d]
	if s.a.yearFrom != 0 && (int(doc.yearFrom) > s.a.yearTo || int(doc.yearTo) < s.a.yearFrom) {
		return false
	}
	if len(all) == 1 {
		return true
	}
	return slices.ContainsFunc(all, func(other *token) bool { return other.text != t.text && doc.has(other) })
}

// has reports whether a fork answers to a word.
func (d *doc) has(t *token) bool {
	return slices.ContainsFunc(t.matches, func(m found) bool { return d.hasWord(m.id) })
}

// hasWord reports whether a fork has a word of the catalog; those of a fork ascend.
func (d *doc) hasWord(word int32) bool {
	for i := 0; i < len(d.refs) && d.refs[i].word <= word; i++ {
		if d.refs[i].word == word {
			return true
		}
	}
	return false
}

// best is how well a fork answers to a word: the likeness, what that is worth, and whether the
// word names the model and not only its maker or chassis.
func (d *doc) best(t *token, weight []float64) (sim, worth float64, named bool) {
	for _, m := range t.matches {
		for i := 0; i < len(d.refs) && d.refs[i].word <= m.id; i++ {
			r := d.refs[i]
			if r.word != m.id {
				continue
			}
			named = named || r.field == fromModel
			if w := m.sim * fieldWeight[r.field] * weight[m.id]; w > worth {
				sim, worth = m.sim, w
			}
		}
	}
	return sim, worth, named
}

// score weighs every candidate and sorts them, the best first.
func (s *search) score() []hit {
	for _, d := range s.docs {
		s.hits = append(s.hits, s.weigh(d))
	}
	slices.SortFunc(s.hits, func(a, b hit) int {
		switch {
		case a.score > b.score:
			return -1
		case a.score < b.score:
			return 1
		}
		return int(a.doc - b.doc)
	})
	return s.hits
}

func (s *search) weigh(at int32) hit {
	d := &s.x.docs[at]
	h := hit{doc: at}
	for i := range s.tokens {
		t := &s.tokens[i]
		sim, worth, named := d.best(t, s.x.weight)
		switch {
		case sim > 0 && t.soft:
			h.score += worth / 2
		case sim > 0:
			h.score += worth
			h.guessed = h.guessed || sim <= simGuess
			h.named = h.named || named
		case !t.soft:
			h.missed++
			h.score -= 1
		}
	}
	for _, c := range s.marks {
		if _, has := slices.BinarySearch(c.docs, at); has {
			h.named = true
			if s.near {
				h.score += markNearly
			} else {
				h.score += markReads
			}
		} else if !s.near {
			h.missed++
		}
	}
	s.facts(d, func(f measured) {
		h.score += f.points
		if f.points < 0 {
			h.against++
		}
	})
	h.score = math.Round(h.score*1e6) / 1e6
	return h
}

// result says which candidates stand side by side, and what would tell them apart.
func (s *search) result(hits []hit, limit int) Result {
	r := Result{Unread: s.unread}
	if len(hits) == 0 {
		return r
	}
	group := hits[:1]
	for i := range hits {
		if hits[0].score-hits[i].score <= margin {
			group = hits[:i+1]
		}
	}
	top := hits[0]
	r.Sure = len(group) == 1 && top.named && !top.guessed && top.missed == 0 && top.against == 0 && len(s.unread) == 0 && !s.cut
	if !r.Sure {
		r.Question = s.question(group)
	}
	r.More = s.cut || len(hits) > limit
	hits = hits[:min(limit, len(hits))]
	r.Candidates = make([]Candidate, 0, len(hits))
	for _, h := range hits {
		r.Candidates = append(r.Candidates, Candidate{Fork: s.x.docs[h.doc].fork, Score: h.score, Why: s.why(h.doc)})
	}
	return r
}

// list gives the forks that agree with all facts, by id, from the one after After.
func (s *search) list(limit int) Result {
	r := Result{Unread: s.unread}
	from, found := slices.BinarySearchFunc(s.x.docs, s.q.After, func(d doc, id string) int { return strings.Compare(d.fork.ID, id) })
	if found {
		from++
	}
	var group []hit
	for i := from; i < len(s.x.docs); i++ {
		agrees := true
		s.facts(&s.x.docs[i], func(f measured) { agrees = agrees && f.points >= 0 })
		if !agrees {
			continue
		}
		if len(group) == max(limit+1, maxCandidates) {
			break
		}
		group = append(group, hit{doc: int32(i)})
	}
	r.More = len(group) > limit
	if s.q.Text != "" || s.q.hasFacts() {
		r.Question = s.question(group)
	}
	for _, h := range group[:min(limit, len(group))] {
		r.Candidates = append(r.Candidates, Candidate{Fork: s.x.docs[h.doc].fork, Why: s.why(h.doc)})
	}
	return r
}

// hasFacts reports whether anything but the text was given.
func (q *Query) hasFacts() bool {
	return q.ModelYear != 0 || q.TravelMM != 0 || q.WheelSize != "" || q.Maker != "" || q.Measurements != Measurements{}
}

// leg is the side of the valve, from which the spring side is known.
func leg(c *catalog.Chassis) catalog.Side {
	if c == nil {
		return ""
	}
	return c.SpringSide
}
