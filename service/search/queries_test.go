package search

import (
	"bytes"
	"encoding/csv"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
)

var update = flag.Bool("update", false, "write the labeled queries anew from the rules")

const (
	rulesFile   = "../../testdata/reference/search-rules.csv"
	queriesFile = "../../testdata/reference/search-queries.csv"
	demoCatalog = "../../testdata/catalog"
)

// labeled is one query with what would be right: the fork that was meant, and all forks that
// the words allow.
type labeled struct {
	query    string
	target   string
	accepted []string
	rules    []string
	half     string
}

func demo(t testing.TB) *catalog.Revision {
	t.Helper()
	tables, problems := source.Read(os.DirFS(demoCatalog))
	if tables == nil {
		t.Fatalf("the demo catalog cannot be read: %v", problems)
	}
	return catalog.Build(tables, 1)
}

// TestTheQueriesFollowFromTheRules keeps the file of labeled queries in step with rules and catalog.
func TestTheQueriesFollowFromTheRules(t *testing.T) {
	rev := demo(t)
	got := generate(rev, shares(t))
	none := 0
	for _, q := range got {
		if q.target == "" {
			none++
		}
	}
	if len(got) < 300 || none != 60 {
		t.Fatalf("%d queries, %d of them without a right answer", len(got), none)
	}
	text := written(got)
	if *update {
		if err := os.WriteFile(queriesFile, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(queriesFile)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(want, text) {
		t.Error("the file differs from what the rules give on this catalog; run this test with -update and look at the difference")
	}
}

func written(qs []labeled) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"half", "query", "target", "accepted", "rules"})
	for _, q := range qs {
		_ = w.Write([]string{q.half, q.query, q.target, strings.Join(q.accepted, ";"), strings.Join(q.rules, ";")})
	}
	w.Flush()
	return b.Bytes()
}

func readQueries(t testing.TB) []labeled {
	t.Helper()
	f, err := os.Open(queriesFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []labeled
	for _, r := range rows[1:] {
		q := labeled{half: r[0], query: r[1], target: r[2], rules: strings.Split(r[4], ";")}
		if r[3] != "" {
			q.accepted = strings.Split(r[3], ";")
		}
		out = append(out, q)
	}
	return out
}

// shares reads how many in a hundred do what a rule says.
func shares(t testing.TB) map[string]int {
	t.Helper()
	f, err := os.Open(rulesFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]int{}
	for _, r := range rows[1:] {
		out[r[0]], _ = strconv.Atoi(r[2])
	}
	return out
}

// person types queries as the rules say.
type person struct {
	*rand.Rand
	rev   *catalog.Revision
	share map[string]int
	did   []string
}

func (p *person) does(rule string) bool {
	share, ok := p.share[rule]
	if !ok {
		panic("no such rule: " + rule)
	}
	if p.IntN(100) >= share {
		return false
	}
	p.did = append(p.did, rule)
	return true
}

func pick[T any](p *person, list []T) T { return list[p.IntN(len(list))] }

func generate(rev *catalog.Revision, share map[string]int) []labeled {
	p := &person{Rand: rand.New(rand.NewPCG(2026, 7)), rev: rev, share: share}
	forks := rev.Forks()
	var out []labeled
	seen := map[string]bool{}
	add := func(q labeled) bool {
		if seen[strings.ToLower(q.query)] {
			return false
		}
		seen[strings.ToLower(q.query)] = true
		q.rules = p.did
		q.half = []string{"tune", "report"}[len(out)%2]
		out = append(out, q)
		return true
	}
	for i := 0; len(out) < 340; i++ {
		p.did = nil
		add(p.asks(&forks[i%len(forks)]))
	}
	for i := 0; len(out) < 400; i++ {
		p.did = nil
		add(labeled{query: p.asksInVain(i % 8)})
	}
	return out
}

var inName = regexp.MustCompile(`\s*\(.*\)\s*$`)

func variantOf(f *catalog.Fork) string {
	return strings.TrimSpace(strings.TrimPrefix(inName.ReplaceAllString(f.Name, ""), f.Model))
}

// said is what remains of a fork in a query; it decides which forks the words allow.
type said struct {
	maker, model, alias, variant, wheel, damper string
	yearFrom, yearTo, travel                    int
}

func (p *person) allowed(s said) []string {
	var out []string
	forks := p.rev.Forks()
	for i := range forks {
		f := &forks[i]
		ok := (s.maker == "" || s.maker == p.rev.MakerOf(f)) &&
			(s.model == "" || s.model == f.Model) && (s.alias == "" || slices.Contains(f.Aliases, s.alias)) &&
			(s.variant == "" || s.variant == variantOf(f)) && (s.wheel == "" || slices.Contains(f.WheelSizes, s.wheel)) &&
			(s.damper == "" || slices.Contains(f.Dampers, s.damper)) && (s.travel == 0 || slices.Contains(f.TravelsMM, s.travel)) &&
			(s.yearFrom == 0 || (int(f.YearFrom) <= s.yearTo && s.yearFrom <= int(f.YearTo)))
		if ok {
			out = append(out, f.ID)
		}
	}
	return out
}

func (p *person) asks(f *catalog.Fork) labeled {
	if p.does("mark_read") {
		return p.readsMark(f)
	}
	var s said
	var words []string
	if !p.does("maker_left_out") {
		s.maker = p.rev.MakerOf(f)
		m, _ := p.rev.Maker(s.maker)
		name := m.Name
		if len(m.Aliases) > 0 && p.does("maker_nickname") {
			name = pick(p, m.Aliases)
		}
		words = append(words, name)
	}
	words = append(words, p.namesModel(f, &s)...)
	words = p.addsYear(f, &s, words)
	words = p.addsFacts(f, &s, words)
	if p.does("shuffled") {
		p.Shuffle(len(words), func(i, j int) { words[i], words[j] = words[j], words[i] })
	}
	text := p.slips(strings.Join(words, " "))
	if p.does("case_changed") {
		text = pick(p, []string{strings.ToLower(text), strings.ToUpper(text)})
	}
	if p.does("chatter") {
		before, after, _ := strings.Cut(pick(p, []string{"need a spring kit for my * fork please", "* fork", "coil conversion for *", "seals for a *", "hi do you have something for the *", "Federgabel *", "fork: *"}), "*")
		text = before + text + after
	}
	return labeled{query: text, target: f.ID, accepted: p.allowed(s)}
}

func (p *person) namesModel(f *catalog.Fork, s *said) []string {
	if len(f.Aliases) > 0 && p.does("fork_nickname") {
		s.alias = pick(p, f.Aliases)
		return []string{s.alias}
	}
	s.model = f.Model
	words := []string{f.Model}
	if !p.does("variant_left_out") {
		s.variant = variantOf(f)
		words = append(words, s.variant)
	}
	text := strings.Join(words, " ")
	switch {
	case p.does("glued"):
		text = strings.Replace(text, " ", "", 1)
	case p.does("hyphenated"):
		text = strings.ReplaceAll(text, " ", "-")
	}
	return []string{text}
}

func (p *person) addsYear(f *catalog.Fork, s *said, words []string) []string {
	if p.does("year_left_out") {
		return words
	}
	y := int(f.YearFrom) + p.IntN(int(f.YearTo-f.YearFrom)+1)
	s.yearFrom, s.yearTo = y, y
	text := strconv.Itoa(y)
	switch {
	case p.does("year_short"):
		text = pick(p, []string{"'", "MY"}) + text[2:]
	case p.does("year_span"):
		s.yearFrom, s.yearTo = int(f.YearFrom), int(f.YearTo)
		text = fmt.Sprintf("%d-%d", s.yearFrom, s.yearTo)
	}
	if p.does("year_first") {
		return append([]string{text}, words...)
	}
	return append(words, text)
}

func (p *person) addsFacts(f *catalog.Fork, s *said, words []string) []string {
	if p.does("travel_said") {
		s.travel = pick(p, f.TravelsMM)
		text := fmt.Sprintf("%dmm", s.travel)
		switch {
		case p.does("travel_spaced"):
			text = fmt.Sprint(s.travel) + pick(p, []string{" mm", ""})
		case p.does("travel_in_inches"):
			text = fmt.Sprintf("%.1fin", float64(s.travel)/25.4)
		}
		words = append(words, text)
	}
	if p.does("wheel_said") {
		s.wheel = pick(p, f.WheelSizes)
		text := s.wheel
		if p.does("wheel_in_words") {
			text = pick(p, map[string][]string{"29": {"29er", `29"`, "29 inch"}, "27.5": {"650b", "27,5", `27.5"`}, "26": {"26er", `26"`}}[s.wheel])
		}
		words = append(words, text)
	}
	if len(f.Dampers) > 0 && p.does("damper_said") {
		s.damper = pick(p, f.Dampers)
		d, _ := p.rev.Damper(s.damper)
		words = append(words, d.Name)
	}
	return words
}

var beside = map[rune]string{'a': "sq", 'b': "vn", 'c': "xv", 'd': "sf", 'e': "wr", 'f': "dg", 'g': "fh", 'h': "gj", 'i': "uo", 'j': "hk", 'k': "jl",
	'l': "k", 'm': "n", 'n': "bm", 'o': "ip", 'p': "o", 'q': "wa", 'r': "et", 's': "ad", 't': "ry", 'u': "yi", 'v': "cb", 'w': "qe", 'x': "zc", 'y': "tu", 'z': "x"}

var sounds = [][2]string{{"ck", "k"}, {"ph", "f"}, {"f", "ph"}, {"c", "k"}, {"k", "c"}, {"v", "w"}, {"w", "v"}, {"y", "i"}, {"i", "y"}}

// slips makes at most one error of each kind, in words of at least four letters.
func (p *person) slips(text string) string {
	for _, rule := range []string{"letters_swapped", "letter_dropped", "letter_doubled", "key_beside", "heard_wrong"} {
		if !p.does(rule) {
			continue
		}
		words := strings.Split(text, " ")
		var long []int
		for i, w := range words {
			if len(w) >= 4 && !strings.ContainsAny(w, "0123456789-\"'") {
				long = append(long, i)
			}
		}
		if len(long) == 0 {
			p.did = p.did[:len(p.did)-1]
			continue
		}
		i := pick(p, long)
		words[i] = p.slip(rule, words[i])
		text = strings.Join(words, " ")
	}
	return text
}

func (p *person) slip(rule, w string) string {
	r := []rune(w)
	i := p.IntN(len(r) - 1)
	switch rule {
	case "letters_swapped":
		r[i], r[i+1] = r[i+1], r[i]
	case "letter_dropped":
		r = slices.Delete(r, i+1, i+2)
	case "letter_doubled":
		r = slices.Insert(r, i, r[i])
	case "key_beside":
		if near := beside[rune(strings.ToLower(string(r[i]))[0])]; near != "" {
			r[i] = pick(p, []rune(near))
		}
	case "heard_wrong":
		for _, s := range sounds {
			if strings.Contains(strings.ToLower(w), s[0]) {
				return strings.Replace(strings.ToLower(w), s[0], s[1], 1)
			}
		}
	}
	return string(r)
}

var looksLike = map[rune]rune{'O': '0', '0': 'O', 'I': '1', '1': 'I', 'S': '5', '5': 'S', 'B': '8', '8': 'B', 'Z': '2', '2': 'Z'}

func (p *person) readsMark(f *catalog.Fork) labeled {
	var marks, boxes []catalog.Mark
	for _, m := range p.rev.Marks(f.ID) {
		if m.Place == "box" {
			boxes = append(boxes, m)
		} else {
			marks = append(marks, m)
		}
	}
	if len(boxes) > 0 && (len(marks) == 0 || p.does("box_scanned")) {
		marks = boxes
	}
	if len(marks) == 0 {
		return labeled{query: f.ID, target: f.ID, accepted: []string{f.ID}}
	}
	m := pick(p, marks).Mark
	if p.does("mark_without_dash") {
		m = strings.ToLower(strings.ReplaceAll(m, "-", pick(p, []string{"", " "})))
	}
	if p.does("mark_misread") {
		r := []rune(m)
		i := p.IntN(len(r))
		if like, ok := looksLike[r[i]]; ok {
			r[i] = like
		}
		m = string(r)
	}
	return labeled{query: m, target: f.ID, accepted: []string{f.ID}}
}

// asksInVain makes a query that has no right answer.
func (p *person) asksInVain(kind int) string {
	forks := p.rev.Forks()
	f := &forks[p.IntN(len(forks))]
	year := p.IntN(10) + 2017
	maker := func(f *catalog.Fork) string { return p.rev.MakerName(f) }
	note := func(rule string) {
		if _, ok := p.share[rule]; !ok {
			panic("no such rule: " + rule)
		}
		p.did = append(p.did, rule)
	}
	switch kind {
	case 0:
		note("maker_unknown")
		return fmt.Sprintf("%s %s %d %d", pick(p, []string{"Ulmgrad", "Fernduhl", "Ostravik", "Kestwend", "Palmirun"}), pick(p, []string{"Tessel", "Vireon", "Murlund", "Crestel", "Dukkel"}), pick(p, []int{32, 34, 35, 36, 38}), year)
	case 1:
		note("year_not_built")
		return fmt.Sprintf("%s %s %d", f.Model, variantOf(f), pick(p, []int{2009, 2010, 2011, 2012, 2013}))
	case 2:
		note("size_not_built")
		return fmt.Sprintf("%s %d %s %d", strings.Fields(f.Model)[0], pick(p, []int{30, 31, 33, 37, 39, 41}), variantOf(f), f.YearFrom)
	case 3:
		note("maker_of_another")
		other := f
		for maker(other) == maker(f) {
			other = &forks[p.IntN(len(forks))]
		}
		return fmt.Sprintf("%s %s %s %d", maker(other), f.Model, variantOf(f), f.YearFrom)
	case 4:
		note("travel_out_of_reach")
		travel := 220
		if f.TravelsMM[0] > 140 {
			travel = 80
		}
		return fmt.Sprintf("%s %s %d %dmm", f.Model, variantOf(f), f.YearFrom, travel)
	case 5:
		note("other_thing")
		return pick(p, []string{"29 tire tubeless", "front brake pads", "dropper post", "saddle", "inner tube", "chain 12 speed", "rear shock", "helmet"}) + " " + pick(p, []string{"2.4", "150mm", "2021", "black", "large", "27.5"})
	case 6:
		note("code_unknown")
		return fmt.Sprintf("%c%c%d-%c%d", 'A'+p.IntN(26), 'A'+p.IntN(26), 10+p.IntN(90), 'A'+p.IntN(26), p.IntN(100))
	}
	note("says_nothing")
	return pick(p, []string{"my front suspension", "fork", "spring for fork", "coil kit", "I need a seal kit", "air fork", "enduro fork"}) + " " + pick(p, []string{"2021", "160mm", "29", "please", "for my bike", "2018 29er"})
}
