package fitment

import (
	"cmp"
	"slices"
	"strconv"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// MostLines is how many lines a cart may have; the edge refuses more.
const MostLines = 100

// Decision is what a page may do with its button.
type Decision uint8

// The decisions, the least grave first; of several the gravest holds.
const (
	OK Decision = iota
	Warn
	Ask
	Block
)

// String is the stable word of a decision.
func (d Decision) String() string { return [...]string{"ok", "warn", "ask", "block"}[d] }

// NamedFork is one of the forks of a cart. Owned may be nil where the caller could not tell
// which fork it is; its lines are then unknown.
type NamedFork struct {
	Name  string
	Owned *Owned
}

// Line is one line of a cart.
type Line struct {
	ID       string // the caller's own, unique in the cart; empty: its place, from "1"
	Code     string // SKU, GTIN or a code printed on the part
	Quantity float64
	ForFork  string // name of a fork of the cart; empty: for none
}

// Finding is what a cart rule says, about one line or several.
type Finding struct {
	Code     string
	Text     string
	Decision Decision
	Lines    []string // ids of the lines it is about, sorted
	SKU      string   // the part that is missing or in the way, if any
}

// LineAnswer is the verdict of a line with what the cart rules add.
type LineAnswer struct {
	ID         string
	Matched    catalog.Matched   // by which code the part was found
	Candidates []fault.Candidate // where the code may mean several parts
	Answer     Answer
	Decision   Decision
	Findings   []Finding
}

// ForkAnswer is the gravest decision of the lines for a fork and the findings about them together.
type ForkAnswer struct {
	Name     string
	Decision Decision
	Findings []Finding
}

// CartAnswer answers a cart: lines and forks in the order in which they were asked.
type CartAnswer struct {
	Decision Decision
	Lines    []LineAnswer
	Forks    []ForkAnswer
}

// entry is a line with what was found out about it.
type entry struct {
	Line
	part   *catalog.Part // nil: unknown or ambiguous
	group  *group        // nil: for no fork of the cart
	answer *LineAnswer
}

// group is the part of a cart that is for one fork.
type group struct {
	*judging
	fork    *NamedFork
	entries []*entry   // by SKU, then id, so that the order of lines never shows
	bySKU   [][]*entry // the same, those of one part together
}

// CheckCart judges each line and what the lines for one fork mean together. It never fails: a
// code we do not know, or a fork nobody named, is the verdict of its line.
func CheckCart(rev *catalog.Revision, forks []NamedFork, lines []Line) CartAnswer {
	out := CartAnswer{Lines: make([]LineAnswer, len(lines)), Forks: make([]ForkAnswer, len(forks))}
	groups := make([]group, len(forks))
	for i := range forks {
		groups[i] = group{judging: newJudging(rev, forks[i].Owned), fork: &forks[i], entries: make([]*entry, 0, len(lines))}
	}
	entries := make([]entry, len(lines))
	for i := range lines {
		e := &entries[i]
		*e = entry{Line: lines[i], answer: &out.Lines[i]}
		if e.ID == "" {
			e.ID = strconv.Itoa(i + 1)
		}
		for k := range forks {
			if e.ForFork != "" && forks[k].Name == e.ForFork {
				e.group = &groups[k]
				break
			}
		}
		e.judge(rev)
		if e.group != nil && e.part != nil {
			e.group.entries = append(e.group.entries, e)
		}
	}
	for i := range groups {
		out.Forks[i] = groups[i].check()
	}
	for i := range entries {
		e := &entries[i]
		sortFindings(e.answer.Findings)
		for k := range e.answer.Findings {
			e.answer.Decision = max(e.answer.Decision, e.answer.Findings[k].Decision)
		}
		for k := range forks {
			if e.group == &groups[k] {
				out.Forks[k].Decision = max(out.Forks[k].Decision, e.answer.Decision)
			}
		}
		out.Decision = max(out.Decision, e.answer.Decision)
	}
	for i := range out.Forks {
		out.Decision = max(out.Decision, out.Forks[i].Decision)
	}
	return out
}

// judge finds the part that a line names and its verdict.
func (e *entry) judge(rev *catalog.Revision) {
	a := e.answer
	a.ID = e.ID
	parts, matched := rev.Resolve(e.Code)
	a.Matched = matched
	switch {
	case len(parts) == 0:
		a.Answer = notInCatalog(e.Code)
		if e.ForFork != "" {
			a.Decision = Warn // said to be for a fork, and we cannot say whether it is
		}
		return
	case len(parts) > 1:
		e.ambiguous(rev, parts)
		return
	}
	e.part = parts[0]
	switch {
	case e.ForFork == "":
		a.Answer = Answer{SKU: e.part.SKU, Verdict: catalog.NotForkRelated}
		if !catalog.KindClosed(e.part.Kind) {
			a.Answer.Reasons = plain("needs_no_fork", values{{"part", partName(rev, e.part)}})
			break
		}
		a.Answer.Reasons = plain("fork_not_said", values{{"part", partName(rev, e.part)}})
		a.Decision = Warn
	case e.group == nil:
		a.Answer = Answer{SKU: e.part.SKU, Verdict: catalog.Unknown, Question: question(rev, "fork", nil)}
		a.Answer.Reasons = plain("fork_not_named", values{{"fork", e.ForFork}})
		a.Decision = Ask
	default:
		a.Answer = e.group.judge(e.part, withNearest)
		a.Decision = decisionOf(a.Answer.Verdict)
	}
	e.checkQuantity(rev)
}

// decisionOf is what a verdict alone means; a fits_with is taken up by requirementsMet.
func decisionOf(v catalog.Verdict) Decision {
	switch v {
	case catalog.DoesNotFit:
		return Block
	case catalog.Unknown:
		return Ask
	}
	return OK
}

func (e *entry) ambiguous(rev *catalog.Revision, parts []*catalog.Part) {
	var skus []string
	for _, p := range parts {
		name, _ := rev.Name("part", p.SKU)
		e.answer.Candidates = append(e.answer.Candidates, fault.Candidate{ID: p.SKU, Label: name})
		skus = append(skus, p.SKU)
	}
	slices.Sort(skus)
	slices.SortFunc(e.answer.Candidates, func(a, b fault.Candidate) int { return cmp.Compare(a.ID, b.ID) })
	e.answer.Decision = Ask
	e.answer.Answer = Answer{
		SKU: e.Code, Verdict: catalog.Unknown, Reasons: plain("ambiguous_code", values{{"code", e.Code}, {"other", list(skus)}}),
		Question: &fault.Question{Code: "sku", Text: "Which of these parts is it? The code on its box is shared.", Field: "sku", Choices: skus},
	}
}

func (e *entry) checkQuantity(rev *catalog.Revision) {
	whole := e.part.Unit == "each" || e.part.Unit == "pair"
	code := ""
	switch {
	case !(e.Quantity > 0):
		code = "quantity_wrong"
	case whole && e.Quantity != float64(int64(e.Quantity)):
		code = "quantity_not_whole"
	default:
		return
	}
	e.add(finding1(code, Block, values{{"part", partName(rev, e.part)}, {"quantity", decimal(e.Quantity)}}, e))
}

func (e *entry) add(f Finding) { e.answer.Findings = append(e.answer.Findings, f) }

func finding1(code string, d Decision, v values, about ...*entry) Finding {
	f := Finding{Code: code, Text: say(code, v), Decision: d, Lines: make([]string, 0, len(about))}
	for _, e := range about {
		f.Lines = append(f.Lines, e.ID)
	}
	slices.Sort(f.Lines)
	return f
}

func sortFindings(fs []Finding) {
	slices.SortFunc(fs, func(a, b Finding) int {
		return cmp.Or(-cmp.Compare(a.Decision, b.Decision), cmp.Compare(a.Code, b.Code), slices.Compare(a.Lines, b.Lines), cmp.Compare(a.SKU, b.SKU), cmp.Compare(a.Text, b.Text))
	})
}
