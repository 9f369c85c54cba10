package stock

import (
	"io"
	"strings"
	"time"

	"github.com/quagmt/udecimal"

	"forkwright/service/fault"
)

// Parts finds parts of ours by what a feed calls them.
type Parts interface {
	BySKU(sku string) (Part, bool)
	ByGTIN(gtin string) []Part
}

// Mapped is what a location's code map says of a code: which part, and how many of the part's
// units one of the code's is.
type Mapped struct {
	SKU    string
	Factor udecimal.Decimal
}

// CodeMap looks codes up in a location's map; codes that it does not know are left out.
type CodeMap func(codes []string) (map[string]Mapped, error)

// Entry is what a feed says of one part.
type Entry struct {
	Place      int16 // which of the feed's locations
	SKU        string
	Keep       bool // the row was bad: the part keeps what it has, and is not missing
	OnHand     udecimal.Decimal
	AtLeast    bool
	Incoming   udecimal.Decimal
	IncomingOn string
	Bin        string
}

// Plain reports whether an entry says no more than how many there are.
func (e *Entry) Plain() bool {
	return !e.AtLeast && e.Incoming.IsZero() && e.IncomingOn == "" && e.Bin == ""
}

// Place is one of a feed's locations as its rows come in.
type Place struct {
	Location string
	FeedID   string
	Policy   Policy
	Codes    CodeMap // nil: it has none
	Counts   Counts
	Rejects  []Reject // the first MostRejects of them
	Entries  int64    // that say how many there are
	Kept     int64    // entries that leave a part what it has
	Skip     error    // why its rows are read over
	index    int16
	seen     seen
}

// MostRejects is how many bad rows of a feed are listed; more are counted.
const MostRejects = 10_000

// Reject notes a bad row.
func (p *Place) Reject(line int64, code, value string) {
	p.Counts.Rejected++
	if len(p.Rejects) < MostRejects {
		p.Rejects = append(p.Rejects, Reject{line, code, clip(value)})
	}
}

// Intake turns a feed's body into entries, some hundred at a time. Not safe for concurrent use.
type Intake struct {
	rows   *rowReader
	parts  Parts
	only   *Place // of a feed for one location
	open   func(location string) (*Place, error)
	places map[string]*Place
	order  []*Place
	batch  []row
	out    []Entry
	asked  map[*Place]map[string]Mapped
}

const batchRows = 500 // a third of a millisecond: who else has something to do waits no longer

// NewIntake reads a feed for one location.
func NewIntake(body io.Reader, format Format, parts Parts, place *Place) *Intake {
	return &Intake{rows: newRowReader(body, format, false), parts: parts, only: place, order: []*Place{place}}
}

// NewSharedIntake reads a feed whose rows name their locations; open is asked once for each.
func NewSharedIntake(body io.Reader, format Format, parts Parts, open func(location string) (*Place, error)) *Intake {
	return &Intake{rows: newRowReader(body, format, true), parts: parts, open: open, places: map[string]*Place{}}
}

// Places are the locations that the rows read so far have named, by Entry.Place.
func (in *Intake) Places() []*Place { return in.order }

// Bytes is how much of the feed was read, unfolded.
func (in *Intake) Bytes() int64 { return in.rows.bytes }

// Digest is the SHA-256 of what was read; of the feed, once Next has returned io.EOF.
func (in *Intake) Digest() []byte { return in.rows.sum.Sum(nil) }

// Next gives the entries of the next rows; they are valid until it is called again. io.EOF is
// the orderly end; any other error means that nothing of the feed may be used.
func (in *Intake) Next() ([]Entry, error) {
	in.batch, in.out = in.batch[:0], in.out[:0]
	var end error
	for len(in.batch) < batchRows {
		in.batch = append(in.batch, row{})
		if end = in.rows.next(&in.batch[len(in.batch)-1]); end != nil {
			in.batch = in.batch[:len(in.batch)-1]
			break
		}
	}
	if end != nil && end != io.EOF {
		return nil, end
	}
	if len(in.batch) == 0 {
		return nil, io.EOF
	}
	if err := in.lookUp(); err != nil {
		return nil, err
	}
	for i := range in.batch {
		if err := in.take(&in.batch[i]); err != nil {
			return nil, err
		}
	}
	return in.out, nil
}

// place is where a row belongs; nil for a bad row that names nothing.
func (in *Intake) place(r *row) (*Place, error) {
	if in.only != nil {
		return in.only, nil
	}
	if r.bad != "" {
		return nil, fault.New(fault.Malformed, "feed_location_missing", "Line %d cannot be read as a row, so that nobody knows for which location it is. Nothing was changed. Mend it: CSV has as many values as the header has columns, NDJSON an object of texts and numbers.", r.line)
	}
	if r.location == "" {
		return nil, fault.New(fault.Malformed, "feed_location_missing", "Line %d does not say for which location it is. Nothing was changed: a row that belongs nowhere may be missing anywhere. Fill in its location.", r.line)
	}
	if p, ok := in.places[r.location]; ok {
		return p, nil
	}
	if len(in.places) >= mostLocations {
		return nil, fault.New(fault.TooLarge, "too_many_locations", "The feed names more than %d locations; send several feeds.", mostLocations)
	}
	p, err := in.open(r.location)
	if err != nil {
		return nil, err
	}
	p.index = int16(len(in.order))
	in.places[r.location], in.order = p, append(in.order, p)
	return p, nil
}

const mostLocations = 200

// lookUp asks each location's code map once for all codes of the batch.
func (in *Intake) lookUp() error {
	in.asked = nil
	wanted := map[*Place][]string{}
	for i := range in.batch {
		r := &in.batch[i]
		p, err := in.place(r)
		if err != nil {
			return err
		}
		if p.Codes == nil || r.bad != "" {
			continue
		}
		for _, code := range []string{r.code, r.gtin, r.sku} {
			if code != "" {
				wanted[p] = append(wanted[p], code)
			}
		}
	}
	for p, codes := range wanted {
		found, err := p.Codes(codes)
		if err != nil {
			return err
		}
		if in.asked == nil {
			in.asked = map[*Place]map[string]Mapped{}
		}
		in.asked[p] = found
	}
	return nil
}

// take judges one row: an entry, a bad row, or none of our business.
func (in *Intake) take(r *row) error {
	p, err := in.place(r)
	if err != nil || p.Skip != nil {
		return err
	}
	p.Counts.Read++
	if r.bad != "" {
		p.Reject(r.line, r.bad, r.raw)
		return nil
	}
	if bad, value := r.controls(); bad {
		p.Reject(r.line, RejectControl, value)
		return nil
	}
	m, ours, reason := in.meaning(p, r)
	switch {
	case reason != "":
		p.Reject(r.line, reason, r.codes())
		return nil
	case !ours:
		p.Counts.Unknown++
		return nil
	}
	e := Entry{Place: p.index, SKU: m.part.SKU, Bin: strings.TrimSpace(r.bin)}
	if reason, value := e.fill(r, &m, &p.Policy); reason != "" {
		p.Reject(r.line, reason, value)
		e = Entry{Place: p.index, SKU: m.part.SKU, Keep: true}
	}
	switch again := p.seen.add(m.part.Number); {
	case again && !e.Keep:
		p.Reject(r.line, RejectDuplicate, e.SKU)
		return nil
	case again:
		return nil
	case e.Keep:
		p.Kept++
	default:
		p.Entries++
	}
	if e.OnHand.IsNeg() {
		p.Counts.Oversold++
	}
	in.out = append(in.out, e)
	return nil
}

// meant is the part that a row means.
type meant struct {
	part   Part
	mapped bool             // by the location's code map,
	factor udecimal.Decimal // which says how many of the part's units one of the row's is
}

// meaning finds which part a row means. None and no reason: not one of ours.
func (in *Intake) meaning(p *Place, r *row) (m meant, ours bool, reason string) {
	if r.sku == "" && r.gtin == "" && r.code == "" {
		return m, false, RejectNoCode
	}
	for _, code := range [...]string{r.code, r.sku, r.gtin} {
		if x, ok := in.asked[p][code]; ok && code != "" {
			m.mapped, m.factor = true, x.Factor
			m.part, ours = in.parts.BySKU(x.SKU)
			return m, ours, "" // ours no more, where the catalog no longer has it
		}
	}
	if r.sku != "" {
		if m.part, ours = in.parts.BySKU(r.sku); ours {
			if r.gtin != "" && !agree(m.part, in.parts.ByGTIN(r.gtin)) {
				return m, false, RejectCodeConflict
			}
			return m, true, ""
		}
	}
	switch parts := in.gtin(r.gtin); len(parts) {
	case 0:
		return m, false, ""
	case 1:
		m.part = parts[0]
		return m, true, ""
	}
	return m, false, RejectAmbiguousGTIN
}

func (in *Intake) gtin(gtin string) []Part {
	if gtin == "" {
		return nil
	}
	return in.parts.ByGTIN(gtin)
}

// agree: a number that nobody of ours has contradicts nothing.
func agree(part Part, byGTIN []Part) bool {
	for _, p := range byGTIN {
		if p.SKU == part.SKU {
			return true
		}
	}
	return len(byGTIN) == 0
}

// fill reads the figures of a row; reason is "" or why the row is bad, value what was there.
func (e *Entry) fill(r *row, m *meant, policy *Policy) (reason, value string) {
	part, factor := &m.part, m.factor
	if !m.mapped {
		if factor, reason = part.factor(r.unit, policy); reason != "" {
			return reason, r.unit
		}
	}
	onHand, reason := r.onHand.count(policy, factor, part)
	if reason != "" {
		return reason, r.onHand.text
	}
	e.OnHand, e.AtLeast = onHand.value, onHand.atLeast
	if strings.TrimSpace(r.incoming.text) != "" {
		coming, reason := r.incoming.count(policy, factor, part)
		if reason == "" && coming.value.IsNeg() {
			reason = RejectNegative
		}
		if reason != "" {
			return reason, r.incoming.text
		}
		e.Incoming = coming.value
	}
	e.IncomingOn = strings.TrimSpace(r.incomingOn)
	if e.IncomingOn != "" {
		if _, err := time.Parse(time.DateOnly, e.IncomingOn); err != nil {
			return RejectBadDate, r.incomingOn
		}
	} else if e.Incoming.IsPos() {
		return RejectDateMissing, r.incoming.text
	}
	if len([]rune(e.Bin)) > 60 {
		return RejectBin, e.Bin
	}
	return "", ""
}

func (c cell) count(policy *Policy, factor udecimal.Decimal, part *Part) (quantity, string) {
	if c.number && policy.Decimal != '.' {
		pointed := *policy
		pointed.Decimal = '.'
		policy = &pointed
	}
	q, reason := parseQuantity(c.text, policy)
	if reason != "" {
		return q, reason
	}
	return q.times(factor, part)
}

// controls finds a control character in what is kept or looked up.
func (r *row) controls() (bool, string) {
	for _, s := range []string{r.sku, r.gtin, r.code, r.bin, r.unit} {
		for i := range len(s) {
			if s[i] < 0x20 || s[i] == 0x7f {
				return true, s
			}
		}
	}
	return false, ""
}

// codes is what a row calls its part, for the list of bad rows.
func (r *row) codes() string {
	for _, s := range []string{r.sku, r.gtin, r.code} {
		if s != "" {
			return s
		}
	}
	return ""
}
