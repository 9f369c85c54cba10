package catalog

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
)

// A blob is one part of a revision as bytes: a name, a version, the tables, and the SHA-256 of
// all before it. The same rows give the same bytes, whatever order they were read in. Columns
// are named, so that a blob written before a column existed can still be read. Where a row
// came from (Pos) is not part of it.
const (
	fitmentName = "forkwright fitment"
	priceName   = "forkwright prices"
	blobVersion = 1
)

// ErrBlob is what Decode fails with, wrapped: the bytes are not a catalog as it was written.
var ErrBlob = errors.New("not a catalog blob")

// Digest is the content address of a blob: its SHA-256 in hexadecimal.
func Digest(blob []byte) string {
	sum := sha256.Sum256(blob)
	return hex.EncodeToString(sum[:])
}

// EncodeFitment writes everything but prices. Like Build it sorts the tables in place.
func EncodeFitment(t *Tables) []byte {
	sortTables(t)
	w := newBlobWriter(fitmentName)
	for _, table := range t.All() {
		if !isPrice(table.Name) && table.Name != "fitments" {
			w.table(table)
		}
	}
	w.fitments(t.Fitments)
	return w.bytes()
}

// EncodePrices writes price lists and prices. Like Build it sorts the tables in place.
func EncodePrices(t *Tables) []byte {
	sortTables(t)
	w := newBlobWriter(priceName)
	for _, table := range t.All() {
		if isPrice(table.Name) {
			w.table(table)
		}
	}
	return w.bytes()
}

func isPrice(table string) bool { return table == "price_lists" || table == "prices" }

// blobWriter writes texts once: a text's first use carries it, later ones its number.
type blobWriter struct {
	b     []byte
	texts map[string]uint64
}

func newBlobWriter(name string) *blobWriter {
	w := &blobWriter{texts: map[string]uint64{}}
	w.raw(name)
	w.uint(blobVersion)
	return w
}

func (w *blobWriter) bytes() []byte {
	sum := sha256.Sum256(w.b)
	return append(w.b, sum[:]...)
}

func (w *blobWriter) uint(v uint64) { w.b = binary.AppendUvarint(w.b, v) }
func (w *blobWriter) int(v int64)   { w.b = binary.AppendVarint(w.b, v) }
func (w *blobWriter) raw(s string)  { w.uint(uint64(len(s))); w.b = append(w.b, s...) }

// text writes 0 and a new text, or the number of an old one, from 1.
func (w *blobWriter) text(s string) {
	if n, ok := w.texts[s]; ok {
		w.uint(n)
		return
	}
	w.texts[s] = uint64(len(w.texts) + 1)
	w.uint(0)
	w.raw(s)
}

// float writes a whole number in few bytes, anything else as it is.
func (w *blobWriter) float(v float64) {
	if v == math.Trunc(v) && math.Abs(v) < 1<<52 && !(v == 0 && math.Signbit(v)) {
		w.int(int64(v) << 1)
		return
	}
	w.int(1)
	w.b = binary.BigEndian.AppendUint64(w.b, math.Float64bits(v))
}

func (w *blobWriter) table(t Table) {
	columns := Columns(t.Rows.Type().Elem())
	w.raw(t.Name)
	w.uint(uint64(len(columns)))
	for _, c := range columns {
		w.raw(c.Name)
	}
	w.uint(uint64(t.Rows.Len()))
	for i := range t.Rows.Len() {
		row := t.Rows.Index(i)
		for _, c := range columns {
			w.value(row.Field(c.Field))
		}
	}
}

func (w *blobWriter) value(v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		w.text(v.String())
	case reflect.Float64:
		w.float(v.Float())
	case reflect.Int, reflect.Int16:
		w.int(v.Int())
	case reflect.Bool:
		w.uint(map[bool]uint64{true: 1}[v.Bool()])
	case reflect.Pointer:
		if v.IsNil() {
			w.uint(0)
			return
		}
		w.uint(1)
		w.value(v.Elem())
	case reflect.Slice:
		w.uint(uint64(v.Len()))
		for i := range v.Len() {
			w.value(v.Index(i))
		}
	}
}

// common is what many fitment rows share; it is written at its first use.
type common struct {
	level                          Level
	verdict                        Verdict
	yearFrom, yearTo, trFrom, trTo int16
	reason, evidence, source       string
	conditions                     uint32
}

// fitments writes the rows of the table that may have a million of them: the part where it
// changes, the number of what is common with other rows, the target, and how the id differs
// from the row before.
func (w *blobWriter) fitments(rows []Fitment) {
	w.raw("fitments")
	w.uint(uint64(len(rows)))
	size := 0
	for i := range rows {
		size += len(rows[i].ID)
	}
	w.uint(uint64(size))
	shared, conditions := map[common]uint64{}, map[string]uint32{}
	var part, id string
	for i := range rows {
		f := &rows[i]
		condition, isNew, written := w.condition(f.Conditions, conditions)
		key := common{f.Level, f.Verdict, f.YearFrom, f.YearTo, f.TravelFromMM, f.TravelToMM, f.Reason, f.Evidence, f.Source, condition}
		n, old := shared[key]
		changed := uint64(0)
		if f.Part != part || i == 0 {
			changed = 1
		}
		w.uint(n<<1 | changed)
		if changed == 1 {
			w.text(f.Part)
			part = f.Part
		}
		if !old {
			shared[key] = uint64(len(shared) + 1)
			w.common(key)
			if isNew {
				w.b = append(w.b, written...)
			}
		}
		w.text(f.Target)
		w.id(id, f.ID)
		id = f.ID
	}
}

// id writes an id as the length that it shares with the one before, and the rest.
func (w *blobWriter) id(before, id string) {
	n := 0
	for n < len(before) && n < len(id) && before[n] == id[n] {
		n++
	}
	w.uint(uint64(n))
	w.raw(id[n:])
}

func (w *blobWriter) common(c common) {
	w.uint(uint64(c.level))
	w.uint(uint64(c.verdict))
	for _, v := range []int16{c.yearFrom, c.yearTo, c.trFrom, c.trTo} {
		w.int(int64(v))
	}
	for _, s := range []string{c.reason, c.evidence, c.source} {
		w.text(s)
	}
	w.uint(uint64(c.conditions))
}

// condition numbers conditions from 1, 0 for none; new ones come with how they are written.
func (w *blobWriter) condition(c *Conditions, seen map[string]uint32) (number uint32, isNew bool, written []byte) {
	if c == nil || c.SerialFrom == "" && c.SerialTo == "" && len(c.Must)+len(c.MustNot)+len(c.Requires) == 0 {
		return 0, false, nil
	}
	own := &blobWriter{texts: map[string]uint64{}} // texts of its own, so that the key depends on nothing else
	own.text(c.SerialFrom)
	own.text(c.SerialTo)
	for _, facts := range [][]Fact{c.Must, c.MustNot} {
		own.uint(uint64(len(facts)))
		for _, f := range facts {
			own.text(f.Name)
			own.text(f.Value)
		}
	}
	own.uint(uint64(len(c.Requires)))
	for _, r := range c.Requires {
		own.text(r.Kind)
		own.text(r.Part)
		own.float(r.Quantity)
		own.text(r.Text)
	}
	n, old := seen[string(own.b)]
	if !old {
		n = uint32(len(seen) + 1)
		seen[string(own.b)] = n
	}
	return n, !old, own.b
}

// Decode reads the two parts of a revision. It fails, wrapping ErrBlob, on anything but the
// bytes that the Encode functions write; the tables come out sorted and without positions.
func Decode(fitment, prices []byte) (*Tables, error) {
	t := &Tables{}
	rows, err := decode(fitment, prices, t, nil)
	t.Fitments = rows.unpack()
	return t, err
}

// decode fills all tables but the fitment rows, which stay packed.
func decode(fitment, prices []byte, t *Tables, rest Rest) (rows, error) {
	packed, err := decodeBlob(fitment, fitmentName, t, rest)
	if err != nil {
		return rows{}, fmt.Errorf("fitment part: %w", err)
	}
	if _, err := decodeBlob(prices, priceName, t, rest); err != nil {
		return rows{}, fmt.Errorf("price part: %w", err)
	}
	return packed, nil
}

func decodeBlob(blob []byte, name string, t *Tables, rest Rest) (rows, error) {
	if len(blob) < sha256.Size {
		return rows{}, fmt.Errorf("%w: %d bytes are too few", ErrBlob, len(blob))
	}
	body := blob[:len(blob)-sha256.Size]
	if sum := digest(body, rest); !bytes.Equal(sum, blob[len(body):]) {
		return rows{}, fmt.Errorf("%w: damaged, its checksum does not match", ErrBlob)
	}
	return decodeBody(body, name, t, rest)
}

// digest is the SHA-256, piece by piece so that it can rest between.
func digest(body []byte, rest Rest) []byte {
	h := sha256.New()
	for piece := range slices.Chunk(body, 64<<10) {
		h.Write(piece)
		rest.After(0)
	}
	return h.Sum(nil)
}

func decodeBody(body []byte, name string, t *Tables, rest Rest) (packed rows, err error) {
	r := &blobReader{b: body, rest: rest}
	if got := r.raw(); got != name {
		return rows{}, fmt.Errorf("%w: it is %.40q, not %q", ErrBlob, got, name)
	}
	if v := r.uint(); v != blobVersion {
		return rows{}, fmt.Errorf("%w: version %d, and this program reads %d", ErrBlob, v, blobVersion)
	}
	for _, table := range t.All() {
		if isPrice(table.Name) == (name == priceName) && table.Name != "fitments" {
			r.table(table)
		}
	}
	if name == fitmentName {
		packed = r.fitments()
	}
	if len(r.b) > 0 {
		r.fail("%d bytes follow its end", len(r.b))
	}
	return packed, r.err
}

// blobReader reads what blobWriter writes; after the first failure it reads zeros.
type blobReader struct {
	b     []byte
	texts []string
	err   error
	rest  Rest
}

func (r *blobReader) fail(format string, args ...any) {
	if r.err == nil {
		r.err = fmt.Errorf("%w: "+format, append([]any{ErrBlob}, args...)...)
	}
	r.b = nil
}

func (r *blobReader) uint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.fail("it ends too early")
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *blobReader) int() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.fail("it ends too early")
		return 0
	}
	r.b = r.b[n:]
	return v
}

// count reads how many things follow, each at least a byte long.
func (r *blobReader) count() int {
	n := r.uint()
	if n > uint64(len(r.b)) {
		r.fail("it names %d things where %d bytes are left", n, len(r.b))
		return 0
	}
	return int(n)
}

func (r *blobReader) piece() []byte {
	n := r.count()
	p := r.b[:n]
	r.b = r.b[n:]
	return p
}

func (r *blobReader) raw() string { return string(r.piece()) }

func (r *blobReader) text() string {
	n := r.textNumber()
	if r.err != nil {
		return ""
	}
	return r.texts[n]
}

// textNumber is the place of a text in r.texts.
func (r *blobReader) textNumber() uint32 {
	n := r.uint()
	if n == 0 {
		r.texts = append(r.texts, r.raw())
		return uint32(len(r.texts) - 1)
	}
	if n > uint64(len(r.texts)) {
		r.fail("text %d of %d", n, len(r.texts))
		return 0
	}
	return uint32(n - 1)
}

func (r *blobReader) float() float64 {
	v := r.int()
	if v&1 == 0 {
		return float64(v >> 1)
	}
	if len(r.b) < 8 {
		r.fail("it ends too early")
		return 0
	}
	f := math.Float64frombits(binary.BigEndian.Uint64(r.b))
	r.b = r.b[8:]
	return f
}

func (r *blobReader) table(t Table) {
	if name := r.raw(); name != t.Name {
		r.fail("table %.40q where %q belongs", name, t.Name)
		return
	}
	var fields []int
	columns := Columns(t.Rows.Type().Elem())
	for range r.count() {
		name, field := r.raw(), -1
		for _, c := range columns {
			if c.Name == name {
				field = c.Field
			}
		}
		if field < 0 {
			r.fail("unknown column %.40q of %s", name, t.Name)
			return
		}
		fields = append(fields, field)
	}
	n := r.count()
	if n == 0 {
		return
	}
	if n > 0 && len(fields) == 0 {
		r.fail("%s has rows and no columns", t.Name)
		return
	}
	t.Rows.Grow(min(n, len(r.b)/len(fields)+1))
	for i := 0; i < n && r.err == nil; i++ {
		r.rest.After(i)
		t.Rows.Grow(1)
		t.Rows.SetLen(i + 1)
		for _, f := range fields {
			r.value(t.Rows.Index(i).Field(f))
		}
	}
}

func (r *blobReader) value(v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(r.text())
	case reflect.Float64:
		v.SetFloat(r.float())
	case reflect.Int, reflect.Int16:
		n := r.int()
		if v.OverflowInt(n) {
			r.fail("%d does not fit its column", n)
		}
		v.SetInt(n)
	case reflect.Bool:
		v.SetBool(r.uint() == 1)
	case reflect.Pointer:
		if r.uint() == 1 {
			v.Set(reflect.New(v.Type().Elem()))
			r.value(v.Elem())
		}
	case reflect.Slice:
		n := r.count()
		if n == 0 {
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			r.value(v.Index(i))
		}
	}
}

// leastFitmentBytes is the least that a row takes: common, target, shared length, rest.
const leastFitmentBytes = 4

func (r *blobReader) fitments() rows {
	if name := r.raw(); name != "fitments" {
		r.fail("table %.40q where fitments belong", name)
		return rows{}
	}
	n := r.count()
	size := r.uint()
	if n > len(r.b)/leastFitmentBytes || size > uint64(n)<<10 || size > math.MaxUint32 {
		r.fail("it names %d rows where %d bytes are left", n, len(r.b))
		return rows{}
	}
	if n == 0 {
		return rows{}
	}
	out := rows{packed: make([]packedRow, n)}
	ids := make([]byte, 0, min(int(size), len(r.b)*8))
	var conditions []*Conditions
	var part uint32
	var id []byte
	for i := 0; i < n && r.err == nil; i++ {
		r.rest.After(i)
		head := r.uint()
		if head&1 == 1 {
			part = r.textNumber()
		}
		head >>= 1
		if head == 0 {
			f, all := r.common(conditions)
			out.shared, conditions = append(out.shared, f), all
			head = uint64(len(out.shared))
		}
		if head > uint64(len(out.shared)) {
			r.fail("row kind %d of %d", head, len(out.shared))
			break
		}
		target := r.textNumber()
		same := r.uint()
		if same > uint64(len(id)) {
			r.fail("an id shares %d of %d bytes", same, len(id))
			break
		}
		from := len(ids)
		ids = append(ids, id[:same]...)
		ids = append(ids, r.piece()...)
		id = ids[from:]
		if uint64(len(ids)) > size {
			r.fail("ids are longer than they said")
		}
		out.packed[i] = packedRow{shared: uint32(head - 1), part: part, target: target, idEnd: uint32(len(ids))}
	}
	if r.err != nil {
		return rows{}
	}
	out.ids, out.texts = string(ids), r.texts // one allocation for a million ids
	return out
}

func (r *blobReader) common(conditions []*Conditions) (Fitment, []*Conditions) {
	f := Fitment{Level: Level(r.uint()), Verdict: Verdict(r.uint())}
	for _, v := range []*int16{&f.YearFrom, &f.YearTo, &f.TravelFromMM, &f.TravelToMM} {
		n := r.int()
		if n != int64(int16(n)) {
			r.fail("%d is no year and no travel", n)
		}
		*v = int16(n)
	}
	f.Reason, f.Evidence, f.Source = r.text(), r.text(), r.text()
	n := r.uint()
	if n == uint64(len(conditions)+1) && r.err == nil {
		conditions = append(conditions, r.condition())
	}
	if n > uint64(len(conditions)) {
		r.fail("conditions %d of %d", n, len(conditions))
	} else if n > 0 {
		f.Conditions = conditions[n-1]
	}
	if f.Level < AtMaker || f.Level > AtFork || f.Verdict < Fits || f.Verdict > DoesNotFit {
		r.fail("a row of level %d with verdict %d", f.Level, f.Verdict)
	}
	return f, conditions
}

func (r *blobReader) condition() *Conditions {
	own := &blobReader{b: r.b, err: r.err}
	c := &Conditions{SerialFrom: own.text(), SerialTo: own.text()}
	for _, facts := range []*[]Fact{&c.Must, &c.MustNot} {
		for range own.count() {
			*facts = append(*facts, Fact{Name: own.text(), Value: own.text()})
		}
	}
	for range own.count() {
		c.Requires = append(c.Requires, Requirement{Kind: own.text(), Part: own.text(), Quantity: own.float(), Text: own.text()})
	}
	r.b, r.err = own.b, own.err
	return c
}
