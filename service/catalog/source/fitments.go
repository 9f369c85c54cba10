package source

import (
	"bytes"
	"strconv"
	"strings"

	"forkwright/service/catalog"
)

// The columns of the fitments table, by their place in fitmentColumns.
const (
	fRow          = iota // text; id of the row, stable, named in answers
	fPart                // key of parts; the part
	fLevel               // one of maker, chassis, model, fork; how wide the row reaches
	fTarget              // text; the maker, chassis, maker/model or fork
	fVerdict             // one of fits, fits_with, does_not_fit; what it says
	fYearFrom            // whole number; first model year; empty: open
	fYearTo              // whole number; last model year; empty: open
	fTravelFrom          // whole number; least travel as it is now; empty: open, for a cartridge its own travel
	fTravelTo            // whole number; greatest travel as it is now; empty: open, for a cartridge its own travel
	fReason              // text; stable code, given back in answers
	fEvidence            // text; how it is known; never shown to a storefront
	fSource              // text; where it is written down
	fSerialFrom          // text; first serial number
	fSerialTo            // text; last serial number
	fMust                // facts; facts that must hold, as tube=thick;crown=single
	fMustNot             // facts; facts that must not hold
	fRequires            // requirements; for fits_with, as travel_spacer:SKU*2;renew:SKU, each a travel_spacer, adapter, renew, remove or part
	fRequiresText        // texts; one for each requirement, for people
)

func fitmentColumns() []catalog.Column {
	names := []string{fRow: "row", fPart: "part", fLevel: "level", fTarget: "target", fVerdict: "verdict",
		fYearFrom: "year_from", fYearTo: "year_to", fTravelFrom: "travel_from_mm", fTravelTo: "travel_to_mm",
		fReason: "reason", fEvidence: "evidence", fSource: "source", fSerialFrom: "serial_from", fSerialTo: "serial_to",
		fMust: "must", fMustNot: "must_not", fRequires: "requires", fRequiresText: "requires_text"}
	columns := make([]catalog.Column, len(names))
	for i, n := range names {
		columns[i] = catalog.Column{Name: n, Key: i == fRow, Required: i <= fVerdict || i == fReason || i == fEvidence || i == fSource}
	}
	return columns
}

// fitment takes the cells into a row of the one table that may have a million of them.
func (in *intake) fitment() {
	c, w := in.cells, in.r.words
	f := catalog.Fitment{
		Pos: in.at(), ID: string(c[fRow]), Part: w.of(c[fPart]), Target: w.of(c[fTarget]),
		Reason: w.of(c[fReason]), Evidence: w.of(c[fEvidence]), Source: w.of(c[fSource]),
		YearFrom: in.small(fYearFrom), YearTo: in.small(fYearTo),
		TravelFromMM: in.small(fTravelFrom), TravelToMM: in.small(fTravelTo),
	}
	var ok bool
	if f.Level, ok = catalog.ParseLevel(string(c[fLevel])); !ok && len(c[fLevel]) > 0 {
		in.bad(fLevel, "unknown_word", "%q is not a level; use maker, chassis, model or fork", clip(c[fLevel]))
	}
	if f.Verdict, ok = catalog.ParseVerdict(string(c[fVerdict])); !ok && len(c[fVerdict]) > 0 {
		in.bad(fVerdict, "unknown_word", "%q is not a verdict of a row; use fits, fits_with or does_not_fit", clip(c[fVerdict]))
	}
	for i := fSerialFrom; i <= fRequiresText; i++ {
		if len(c[i]) > 0 {
			f.Conditions = &catalog.Conditions{SerialFrom: w.of(c[fSerialFrom]), SerialTo: w.of(c[fSerialTo]),
				Must: in.facts(fMust), MustNot: in.facts(fMustNot), Requires: in.requires()}
			break
		}
	}
	t := in.r.tables
	if len(t.Fitments) == cap(t.Fitments) {
		t.Fitments = append(make([]catalog.Fitment, 0, in.expected(len(t.Fitments))), t.Fitments...)
	}
	t.Fitments = append(t.Fitments, f)
}

// expected is how many rows to make room for after so many: what the file still holds, if its
// rows go on as they began. A file may be wrong about its size, so the rest grows by doubling.
func (in *intake) expected(rows int) int {
	const first, most = 4096, 1 << 20
	if rows < first {
		return first
	}
	all := 2 * rows
	if in.passed > 0 && in.size > in.passed {
		all = int(float64(rows) * float64(in.size) / float64(in.passed) * 1.02)
	}
	return max(rows+rows/4, min(all, max(most+most/8, 2*rows)))
}

func (in *intake) small(column int) int16 {
	if len(in.cells[column]) == 0 {
		return 0
	}
	return int16(in.whole(column, in.cells[column], 16))
}

// facts reads "tube=thick;crown=single".
func (in *intake) facts(column int) []catalog.Fact {
	var out []catalog.Fact
	for _, p := range list(in.cells[column]) {
		name, value, ok := bytes.Cut(p, []byte("="))
		name, value = trim(name), trim(value)
		if !ok || len(name) == 0 || len(value) == 0 {
			in.bad(column, "bad_fact", "%q is not a fact with its value; write them as tube=thick;crown=single", clip(p))
			continue
		}
		out = append(out, catalog.Fact{Name: in.r.words.of(name), Value: in.r.words.of(value)})
	}
	return out
}

// requires reads "travel_spacer:SKU*2;renew:SKU" and the texts that go with them.
func (in *intake) requires() []catalog.Requirement {
	var out []catalog.Requirement
	for _, p := range list(in.cells[fRequires]) {
		r, ok := in.requirement(p)
		if !ok {
			in.bad(fRequires, "bad_requirement", "%q is not a requirement; write kind:SKU*quantity, as travel_spacer:AB-10*2, the kind one of travel_spacer, adapter, renew, remove, part", clip(p))
			continue
		}
		out = append(out, r)
	}
	text := in.cells[fRequiresText]
	if len(text) == 0 {
		return out
	}
	texts := [][]byte{text}
	if len(out) > 1 {
		texts = bytes.Split(text, []byte(";"))
	}
	if len(texts) != len(out) {
		in.bad(fRequiresText, "bad_requirement", "there are %d texts for %d requirements; write one text for each, separated by semicolons", len(texts), len(out))
		return out
	}
	for i := range out {
		out[i].Text = string(trim(texts[i]))
	}
	return out
}

func (in *intake) requirement(p []byte) (catalog.Requirement, bool) {
	kind, rest, _ := strings.Cut(string(p), ":")
	r := catalog.Requirement{Kind: in.r.words.of([]byte(strings.TrimSpace(kind))), Quantity: 1}
	part := strings.TrimSpace(rest)
	if i := strings.LastIndexByte(part, '*'); i >= 0 {
		q, err := strconv.ParseFloat(strings.TrimSpace(part[i+1:]), 64)
		if err != nil || !(q > 0) || q > 1e6 {
			return r, false
		}
		r.Quantity, part = q, strings.TrimSpace(part[:i])
	}
	r.Part = in.r.words.of([]byte(part))
	return r, catalog.RequirementKnown(r.Kind) && (part != "" || r.Kind == "remove")
}
