package fitment

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"hash"
	"slices"
	"strings"
	"sync"
	"time"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// Facts are the facts of a verdict in a canonical form, one a line: codes, row ids and
// conditions, in the order of the answer. Sentences, stated values and the nearest alternative
// are not facts: a release may reword them, and a new part elsewhere changes no verdict.
func Facts(a Answer) []byte { return appendFacts(nil, &a) }

func appendFacts(b []byte, a *Answer) []byte {
	line := func(words ...string) {
		for i, w := range words {
			if i > 0 {
				b = append(b, '\t')
			}
			b = append(b, w...)
		}
		b = append(b, '\n')
	}
	line("verdict", a.Verdict.String())
	if a.Follows != "" {
		line("follows", a.Follows)
	}
	for i := range a.Reasons {
		line("reason", a.Reasons[i].Code, a.Reasons[i].Row, a.Reasons[i].Fact)
	}
	for _, q := range a.Requires {
		line("requires", q.Kind, q.Part, decimal(q.Quantity))
	}
	if a.Question != nil {
		line("question", a.Question.Code)
	}
	return b
}

// Receipt is what was asked and what came of it. It holds no personal data: the masses of
// rider and bicycle are left out, and the verdict it stands for is the one without them.
type Receipt struct {
	SKU         string
	Fork        string // fork id; "" where none was named
	ModelYear   int
	TravelBuilt Travel
	TravelNow   Travel
	Options     map[string]string // those of the fork as owned, not a copy
	Serial      string
	BuiltOn     string
	WheelSize   string
	Use         string
	Revision    int64
	Rules       int
	At          time.Time // to the second
	MassLeftOut bool      // the question named a mass; it was judged without
	Digest      [16]byte  // of Facts
}

// Issue makes the receipt for an answer that has just been given. It judges again only where
// masses weighed in, because a receipt stands for the verdict without them.
func Issue(rev *catalog.Revision, owned *Owned, a Answer, at time.Time) Receipt {
	r := unsigned(rev, owned, a.SKU, at)
	if r.MassLeftOut {
		a = r.judge(rev, withReasons)
	}
	r.Digest = digest(&a)
	return r
}

func unsigned(rev *catalog.Revision, owned *Owned, sku string, at time.Time) Receipt {
	r := Receipt{SKU: sku, Revision: rev.Number(), Rules: RulesVersion, At: at.UTC().Truncate(time.Second)}
	if owned != nil {
		if owned.Fork != nil {
			r.Fork = owned.Fork.ID
		}
		r.ModelYear, r.TravelBuilt, r.TravelNow, r.Options = owned.ModelYear, owned.TravelBuilt, owned.TravelNow, owned.Options
		r.Serial, r.BuiltOn, r.WheelSize, r.Use = owned.Serial, owned.BuiltOn, owned.WheelSize, owned.Use
		r.MassLeftOut = owned.RiderKG != 0 || owned.SystemKG != 0
	}
	return r
}

func digest(a *Answer) [16]byte {
	var room [512]byte
	sum := sha256.Sum256(appendFacts(room[:0], a))
	return [16]byte(sum[:16])
}

// judge asks a revision the receipt's question; the nearest alternative is no fact.
func (r Receipt) judge(rev *catalog.Revision, no detail) Answer {
	part, ok := rev.Part(r.SKU)
	if !ok {
		return notInCatalog(r.SKU)
	}
	owned := &Owned{
		ModelYear: r.ModelYear, TravelBuilt: r.TravelBuilt, TravelNow: r.TravelNow, Options: r.Options,
		Serial: r.Serial, BuiltOn: r.BuiltOn, WheelSize: r.WheelSize, Use: r.Use,
	}
	owned.Fork, _ = rev.Fork(r.Fork)
	return newJudging(rev, owned).judge(part, no)
}

// Change is what a recheck found.
type Change struct {
	Changed  bool
	Was, Is  Answer
	Rows     []string // fitment rows that stand behind the one answer and not the other
	Disputed bool     // the old revision no longer gives the facts of the receipt: the rules have changed
}

// Recheck asks a receipt's question of the revision it names and of another one.
func Recheck(r Receipt, then, now *catalog.Revision) Change {
	c := Change{Was: r.judge(then, withNearest), Is: r.judge(now, withNearest)}
	c.Disputed = digest(&c.Was) != r.Digest
	c.Changed = digest(&c.Is) != r.Digest
	if c.Changed {
		c.Rows = rowsApart(c.Was, c.Is)
	}
	return c
}

func rowsApart(a, b Answer) []string {
	rows := func(x Answer) (out []string) {
		for _, r := range x.Reasons {
			if r.Row != "" {
				out = append(out, r.Row)
			}
		}
		return out
	}
	was, is := rows(a), rows(b)
	apart := slices.DeleteFunc(slices.Concat(was, is), func(id string) bool { return slices.Contains(was, id) && slices.Contains(is, id) })
	if len(apart) == 0 { // the same rows, with other words in them
		apart = slices.Concat(was, is)
	}
	slices.Sort(apart)
	return slices.Compact(apart)
}

const tokenPrefix = "fr1."

const macSize = 16

// Sealer makes tokens of receipts with one key. It is safe for concurrent use.
type Sealer struct {
	key  []byte
	idle sync.Pool // of *press
}

// press is what one token is made with: the keyed hash and room for the bytes.
type press struct {
	mac hash.Hash
	buf []byte
}

// NewSealer takes the key that signs.
func NewSealer(key []byte) *Sealer { return &Sealer{key: key} }

// Seal writes a receipt as a token that only a holder of the key can make.
func (s *Sealer) Seal(r Receipt) string {
	p, ok := s.idle.Get().(*press)
	if !ok {
		p = &press{mac: hmac.New(sha256.New, s.key)}
	}
	defer s.idle.Put(p)
	b := r.appendTo(append(p.buf[:0], tokenPrefix...))
	p.mac.Reset()
	p.mac.Write(b)
	signed := len(b) + macSize
	b = p.mac.Sum(b)[:signed]
	b = append(b, tokenPrefix...)
	p.buf = base64.RawURLEncoding.AppendEncode(b, b[len(tokenPrefix):signed])
	return string(p.buf[signed:])
}

func mac(b, key []byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(tokenPrefix))
	h.Write(b)
	return h.Sum(nil)[:macSize]
}

// Open reads a token and verifies that it was sealed with one of the keys; the newest comes
// first, and older ones stay for as long as their receipts are to be honored.
func Open(token string, keys ...[]byte) (Receipt, error) {
	text, ok := strings.CutPrefix(strings.TrimSpace(token), tokenPrefix)
	b, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if !ok || err != nil || len(b) < macSize {
		return Receipt{}, fault.Wrap(err, fault.Invalid, "receipt_unreadable", "this is not a receipt of ours: send the token exactly as it was given")
	}
	body, sum := b[:len(b)-macSize], b[len(b)-macSize:]
	if !slices.ContainsFunc(keys, func(key []byte) bool { return hmac.Equal(sum, mac(body, key)) }) {
		return Receipt{}, fault.New(fault.Invalid, "receipt_forged", "the receipt's signature does not hold: it was changed, or is not from this service")
	}
	r, err := decodeReceipt(body)
	if err != nil {
		return Receipt{}, fault.Wrap(err, fault.Invalid, "receipt_unreadable", "this receipt is of a form that this release does not know")
	}
	return r, nil
}

func (r Receipt) appendTo(b []byte) []byte {
	text := func(s string) { b = append(binary.AppendUvarint(b, uint64(len(s))), s...) }
	num := func(n int64) { b = binary.AppendVarint(b, n) }
	for _, s := range [...]string{r.SKU, r.Fork, r.Serial, r.BuiltOn, r.WheelSize, r.Use, string(r.TravelBuilt.How), string(r.TravelNow.How)} {
		text(s)
	}
	for _, n := range [...]int64{int64(r.ModelYear), int64(r.TravelBuilt.MM), int64(r.TravelNow.MM), r.Revision, int64(r.Rules), r.At.Unix(), int64(one(r.MassLeftOut))} {
		num(n)
	}
	num(int64(len(r.Options)))
	names := make([]string, 0, 8)
	for name := range r.Options {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		text(name)
		text(r.Options[name])
	}
	return append(b, r.Digest[:]...)
}

func decodeReceipt(b []byte) (r Receipt, err error) {
	text := func() string {
		n, size := binary.Uvarint(b)
		if size <= 0 || n > uint64(len(b)-size) {
			err = fmt.Errorf("text cut short")
			b = nil
			return ""
		}
		s := string(b[size : size+int(n)])
		b = b[size+int(n):]
		return s
	}
	num := func() int64 {
		n, size := binary.Varint(b)
		if size <= 0 {
			err = fmt.Errorf("number cut short")
			b = nil
			return 0
		}
		b = b[size:]
		return n
	}
	r.SKU, r.Fork, r.Serial, r.BuiltOn, r.WheelSize, r.Use = text(), text(), text(), text(), text(), text()
	r.TravelBuilt.How, r.TravelNow.How = How(text()), How(text())
	r.ModelYear, r.TravelBuilt.MM, r.TravelNow.MM = int(num()), int(num()), int(num())
	r.Revision, r.Rules, r.At, r.MassLeftOut = num(), int(num()), time.Unix(num(), 0).UTC(), num() != 0
	for range num() {
		if err != nil {
			return r, err
		}
		if r.Options == nil {
			r.Options = map[string]string{}
		}
		name := text()
		r.Options[name] = text()
	}
	if err == nil && len(b) != len(r.Digest) {
		err = fmt.Errorf("%d bytes where the digest should be", len(b))
	}
	copy(r.Digest[:], b)
	return r, err
}
