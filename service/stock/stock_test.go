package stock

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/quagmt/udecimal"

	"forkwright/service/fault"
)

type fixedParts map[string]Part

func (f fixedParts) BySKU(sku string) (Part, bool) { p, ok := f[sku]; return p, ok }

func (f fixedParts) ByGTIN(gtin string) []Part {
	switch gtin {
	case "1":
		return []Part{f["EACH"]}
	case "2":
		return []Part{f["EACH"], f["PAIR"]}
	}
	return nil
}

var parts = fixedParts{
	"EACH": {SKU: "EACH", Number: 0, Unit: "each"},
	"PAIR": {SKU: "PAIR", Number: 64, Unit: "pair"},
	"OIL":  {SKU: "OIL", Number: 1000, Unit: "mL", Pack: units("250")},
}

func policy(t *testing.T, text string) Policy {
	t.Helper()
	p, err := ParsePolicy([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// one reads one row and says what became of it: "SKU count+ incoming day", a reason, or
// "unknown".
func one(t *testing.T, p Policy, header, row string) string {
	t.Helper()
	place := &Place{Policy: p}
	in := NewIntake(strings.NewReader(header+"\n"+row+"\n"), CSV, parts, place)
	entries, err := in.Next()
	switch {
	case err != nil:
		return fault.CodeOf(err)
	case len(place.Rejects) > 0:
		return place.Rejects[0].Code
	case len(entries) == 0 && place.Counts.Unknown == 1:
		return "unknown"
	}
	e := entries[0]
	text := e.SKU + " " + e.OnHand.String()
	if e.AtLeast {
		text += "+"
	}
	if e.IncomingOn != "" {
		text += " " + e.Incoming.String() + " " + e.IncomingOn
	}
	return text
}

func TestQuantitiesAsDistributorsWriteThem(t *testing.T) {
	for _, c := range []struct{ policy, quantity, want string }{
		{`{}`, "12", "EACH 12"},
		{`{}`, " 007 ", "EACH 7"},
		{`{}`, "12.0", "EACH 12"},
		{`{}`, "-3", "EACH -3"},
		{`{"negative":"zero"}`, "-3", "EACH 0"},
		{`{"negative":"refuse"}`, "-3", "negative"},
		{`{}`, "1.5", "not_whole"},
		{`{}`, "10+", "not_a_number"},
		{`{"capped":true}`, "10+", "EACH 10+"},
		{`{"capped":true}`, "-1+", "negative"},
		{`{"coded":{"low":2,"Many":10,"none":0}}`, "LOW", "EACH 2+"},
		{`{"coded":{"low":2,"Many":10,"none":0}}`, "many", "EACH 10+"},
		{`{"coded":{"low":2,"Many":10,"none":0}}`, "none", "EACH 0"},
		{`{}`, "low", "not_a_number"},
		{`{"decimal":","}`, "\"12,0\"", "EACH 12"},
		{`{"decimal":","}`, "12.0", "not_a_number"},
		{`{}`, "1.234.567", "not_a_number"},
		{`{}`, "1e3", "not_a_number"},
		{`{}`, "0x10", "not_a_number"},
		{`{}`, "+5", "not_a_number"},
		{`{}`, "", "quantity_missing"},
		{`{}`, "999999999", "EACH 999999999"},
		{`{}`, "1000000000", "too_large"},
		{`{}`, "4012345678901", "too_large"},
		{`{}`, "0.0000001", "too_precise"},
	} {
		if got := one(t, policy(t, c.policy), "sku,on_hand", "EACH,"+c.quantity); got != c.want {
			t.Errorf("%s under %s is %s, want %s", c.quantity, c.policy, got, c.want)
		}
	}
}

func TestUnitsAreExactOrRefused(t *testing.T) {
	for _, c := range []struct{ policy, row, want string }{
		{`{}`, "OIL,12,L", "OIL 12000"},
		{`{}`, "OIL,12,bottle", "OIL 3000"},
		{`{}`, "OIL,12,", "OIL 12"},
		{`{"units":"pack"}`, "OIL,12,", "OIL 3000"},
		{`{"units":"pack"}`, "EACH,12,", "EACH 12"},
		{`{"units":"row"}`, "OIL,12,", "unit_missing"},
		{`{"units":"row"}`, "EACH,12,", "EACH 12"},
		{`{}`, "OIL,12,kg", "unknown_unit"},
		{`{}`, "PAIR,4,each", "PAIR 2"},
		{`{}`, "PAIR,5,each", "not_whole"},
		{`{}`, "EACH,3,pair", "EACH 6"},
		{`{}`, "OIL,0.0005,L", "OIL 0.5"},
		{`{}`, "OIL,999999999,L", "too_large"},
	} {
		if got := one(t, policy(t, c.policy), "sku,on_hand,unit", c.row); got != c.want {
			t.Errorf("%s under %s is %s, want %s", c.row, c.policy, got, c.want)
		}
	}
}

func TestRowsAreFoundByTheirCodesAndBadOnesSayWhy(t *testing.T) {
	const header = "sku,gtin,code,on_hand,incoming,incoming_on,bin"
	for _, c := range []struct{ row, want string }{
		{"EACH,,,1,,,", "EACH 1"},
		{",1,,1,,,", "EACH 1"},
		{",2,,1,,,", "ambiguous_gtin"},
		{"EACH,2,,1,,,", "EACH 1"},
		{"PAIR,1,,1,,,", "codes_disagree"},
		{"PAIR,9,,1,,,", "PAIR 1"},
		{"NOBODYS,,,x,,,", "unknown"},
		{",,00123,1,,,", "unknown"},
		{",,,1,,,", "code_missing"},
		{"EACH,,,1,5,2026-05-01,", "EACH 1 5 2026-05-01"},
		{"EACH,,,1,5,,", "date_missing"},
		{"EACH,,,1,5,1.5.2026,", "not_a_date"},
		{"EACH,,,1,5,2026-02-30,", "not_a_date"},
		{"EACH,,,1,-5,2026-05-01,", "negative"},
		{"EACH,,,1,,," + strings.Repeat("b", 61), "bin_too_long"},
		{"EACH,,,1,,,a\tb", "control_character"},
		{"EACH,,,1,,", "malformed_row"},
		{"EACH,,,1,,,,", "malformed_row"},
		{`"EACH",,,"1",,,"a, ""b"""`, "EACH 1"},
		{`"EACH,,,1,,,`, "feed_quotes"},
	} {
		if got := one(t, DefaultPolicy(), header, c.row); got != c.want {
			t.Errorf("%s is %s, want %s", c.row, got, c.want)
		}
	}
}

func TestSeparatorsAndByteOrderMarks(t *testing.T) {
	for _, text := range []string{"sku,on_hand\nEACH,1", "sku;on_hand\r\nEACH;1\r\n", "sku\ton_hand\nEACH\t1\n", "\xef\xbb\xbfsku,on_hand\nEACH,1\n\n\n", "\"sku\",\"on_hand\"\nEACH,1\n", "SKU, On_Hand\nEACH,1\n"} {
		place := &Place{Policy: DefaultPolicy()}
		entries, err := NewIntake(strings.NewReader(text), CSV, parts, place).Next()
		if err != nil || len(entries) != 1 || entries[0].SKU != "EACH" || place.Counts.Read != 1 {
			t.Errorf("%q: %v %v", text, entries, err)
		}
	}
}

func TestNDJSON(t *testing.T) {
	place := &Place{Policy: policy(t, `{"decimal":","}`)}
	in := NewIntake(strings.NewReader(`{"sku":"EACH","on_hand":3}
{"sku":"OIL","on_hand":1.5,"unit":"L"}
{"sku":"PAIR","on_hand":"4,0"}
{"sku":7,"on_hand":1}
{"sku":"EACH","on_hand":1,"nonsense":"none"}
{"sku":"EACH"} {"sku":"EACH"}
[1]
{"sku":"EACH","on_hand":true}
{"sku":"EACH","on_hand":1e2}
`), NDJSON, parts, place)
	entries, err := in.Next()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, fmt.Sprintf("%s %s %t", e.SKU, e.OnHand, e.Keep))
	}
	if diff := cmp.Diff([]string{"EACH 3 false", "OIL 1500 false", "PAIR 4 false"}, got); diff != "" {
		t.Error(diff)
	}
	if place.Counts.Rejected != 6 {
		t.Errorf("%+v", place)
	}
}

// What a feed says a second time is refused, whichever way and in whichever order it names its
// parts; a map remembers what was named.
func TestTheFirstRowOfAPartCounts(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 7))
	for range 200 {
		var feed strings.Builder
		feed.WriteString("sku,gtin,on_hand\n")
		named, want, refused := map[string]bool{}, []string(nil), 0
		for range r.IntN(12) {
			sku, gtin := [...]string{"EACH", "PAIR", "OIL", "EACH"}[r.IntN(4)], ""
			count := [...]string{"4", "many"}[r.IntN(5)/4]
			again := named[sku]
			named[sku] = true
			switch {
			case count == "many":
				refused++
				if !again {
					want = append(want, sku+" 0 true")
				}
			case again:
				refused++
			default:
				want = append(want, sku+" 4 false")
			}
			if sku == "EACH" && r.IntN(2) == 0 {
				sku, gtin = "", "1"
			}
			fmt.Fprintf(&feed, "%s,%s,%s\n", sku, gtin, count)
		}
		place := &Place{Policy: DefaultPolicy()}
		entries, err := NewIntake(strings.NewReader(feed.String()), CSV, parts, place).Next()
		if err != nil && err != io.EOF {
			t.Fatal(err)
		}
		var got []string
		for _, e := range entries {
			got = append(got, fmt.Sprintf("%s %s %t", e.SKU, e.OnHand, e.Keep))
		}
		if diff := cmp.Diff(want, got); diff != "" || place.Counts.Rejected != int64(refused) || int(place.Entries+place.Kept) != len(want) {
			t.Fatalf("%s%s\n%+v, want %d refused", feed.String(), diff, place, refused)
		}
	}
}

func TestGunzipNeedsTheWholeOfIt(t *testing.T) {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	for i := range 10_000 {
		fmt.Fprintf(z, "line %d\n", i)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	whole := b.Bytes()
	for _, n := range []int{0, 5, len(whole) / 2, len(whole) - 8, len(whole) - 1} {
		if _, err := io.ReadAll(Gunzip(bytes.NewReader(whole[:n]))); fault.CodeOf(err) != "gzip_incomplete" {
			t.Errorf("%d of %d bytes: %v", n, len(whole), err)
		}
	}
	got, err := io.ReadAll(Gunzip(bytes.NewReader(whole)))
	if err != nil || !bytes.HasPrefix(got, []byte("line 0\n")) {
		t.Errorf("whole: %v", err)
	}
	damaged := slices.Clone(whole)
	damaged[len(damaged)-6] ^= 1 // the checksum
	if _, err := io.ReadAll(Gunzip(bytes.NewReader(damaged))); fault.CodeOf(err) != "gzip_damaged" {
		t.Errorf("damaged: %v", err)
	}
}

func TestOverdue(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	at := func(text string) time.Time {
		t.Helper()
		x, err := time.ParseInLocation("2006-01-02 15:04", text, berlin)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	closed := at("2026-05-05 00:00")
	for _, c := range []struct {
		name, due, asOf, now string
		closed               *time.Time
		since                string
	}{
		{"tonight's came", "02:30", "2026-05-04 01:00", "2026-05-04 12:00", nil, ""},
		{"last night's, before tonight's is due", "02:30", "2026-05-03 01:00", "2026-05-04 02:29", nil, ""},
		{"last night's, when tonight's is due", "02:30", "2026-05-03 01:00", "2026-05-04 02:30", nil, "2026-05-04 02:30"},
		{"days ago", "02:30", "2026-05-01 01:00", "2026-05-04 12:00", nil, "2026-05-02 02:30"},
		{"never", "02:30", "", "2026-05-04 12:00", nil, "2026-05-04 02:30"},
		{"none expected", "", "", "2026-05-04 12:00", nil, ""},
		{"closed", "02:30", "2026-05-01 01:00", "2026-05-05 12:00", &closed, ""},
		{"open again", "02:30", "2026-05-01 01:00", "2026-05-06 12:00", &closed, "2026-05-02 02:30"},
		{"in the hour that spring leaves out", "02:30", "2026-03-28 01:00", "2026-03-29 12:00", nil, "2026-03-29 03:30"},
	} {
		s := Schedule{DueBy: c.due, Zone: berlin, ClosedUntil: c.closed}
		var asOf *time.Time
		if c.asOf != "" {
			x := at(c.asOf)
			asOf = &x
		}
		since, overdue := s.Overdue(asOf, at(c.now))
		got := ""
		if overdue {
			got = since.In(berlin).Format("2006-01-02 15:04")
		}
		if got != c.since {
			t.Errorf("%s: overdue since %q, want %q", c.name, got, c.since)
		}
	}
}

func day(n int) string { return fmt.Sprintf("2026-05-%02d", n) }

func dayOf(n int) *time.Time {
	d := time.Date(2026, 5, n, 0, 0, 0, 0, time.UTC)
	return &d
}

func n(i int) udecimal.Decimal { return udecimal.MustFromInt64(int64(i), 0) }

func TestStorefrontGetsAWord(t *testing.T) {
	for _, c := range []struct {
		name   string
		levels []Level
		want   string
	}{
		{"none anywhere", nil, "no "},
		{"three are few", []Level{{OnHand: n(3)}}, "few "},
		{"four are not", []Level{{OnHand: n(2)}, {OnHand: n(2)}}, "yes "},
		{"at least two may be many", []Level{{OnHand: n(2), AtLeast: true}}, "yes "},
		{"promised ones are not there", []Level{{OnHand: n(5), Promised: n(5)}}, "no "},
		{"oversold here does not lessen there", []Level{{OnHand: n(-9)}, {OnHand: n(4)}}, "yes "},
		{"the first day", []Level{{Incoming: n(1), IncomingOn: dayOf(9)}, {Incoming: n(1), IncomingOn: dayOf(7)}}, "date 2026-05-07"},
		{"a day that is past", []Level{{Incoming: n(1), IncomingOn: dayOf(3)}}, "no "},
		{"all that comes is promised", []Level{{Promised: n(5), Incoming: n(5), IncomingOn: dayOf(9)}}, "no "},
	} {
		word, on, _ := ForStorefront(c.levels, day(4))
		if got := word + " " + on; got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// TestPlanAgreesWithBruteForce compares with a search over days and sets of locations that
// counts pieces one by one.
func TestPlanAgreesWithBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 7))
	places := []string{"a", "b", "c", "d"}
	skus := []string{"S", "T", "U"}
	short, later, ordered := 0, 0, 0
	for range 3000 {
		var levels []Level
		away := []int{r.IntN(2) * r.IntN(4), r.IntN(2) * r.IntN(4), r.IntN(2) * r.IntN(4), 0}
		for i, p := range places {
			for _, s := range skus {
				l := Level{Location: p, SKU: s, OnHand: n(r.IntN(5) - 1), Promised: n(r.IntN(3)), DaysAway: away[i]}
				if r.IntN(2) == 0 {
					l.Incoming, l.IncomingOn = n(r.IntN(5)), dayOf(2+r.IntN(8))
				}
				if r.IntN(5) > 0 {
					levels = append(levels, l)
				}
			}
		}
		r.Shuffle(len(levels), func(i, j int) { levels[i], levels[j] = levels[j], levels[i] })
		var needs []Need
		for range 1 + r.IntN(3) {
			needs = append(needs, Need{skus[r.IntN(3)], n(1 + r.IntN(4))})
		}
		lead := map[string]int{}
		for _, s := range skus {
			if r.IntN(4) == 0 {
				lead[s] = r.IntN(8)
			}
		}
		plan := Source(needs, Supply{levels, places, day(4), lead})
		wantDay, wantSet := brute(needs, levels, places, lead)
		if plan.Ready != wantDay {
			t.Fatalf("ready %q, brute force says %q\n%v\n%v\n%v", plan.Ready, wantDay, needs, levels, lead)
		}
		checkShares(t, plan, needs, levels, lead)
		if slices.ContainsFunc(plan.Shares, func(s Share) bool { return s.Way == Ordered && s.On != "" }) {
			ordered++
		}
		if wantDay == "" {
			short++
			continue
		}
		if wantDay > day(4) {
			later++
		}
		if len(lead) == 0 && len(plan.From) > len(wantSet) {
			t.Fatalf("from %v, and %v are enough", plan.From, wantSet)
		}
	}
	if short < 100 || later < 100 || ordered < 100 {
		t.Errorf("only %d plans were short, %d had to wait and %d ordered", short, later, ordered)
	}
}

// pieces is how many of a part from a location are here on a day.
func pieces(levels []Level, place, sku string, on int) int {
	for _, l := range levels {
		if l.Location != place || l.SKU != sku || on < 4+l.DaysAway {
			continue
		}
		have := int(l.OnHand.InexactFloat64()) - int(l.Promised.InexactFloat64())
		if l.IncomingOn != nil && l.IncomingOn.Day() >= 4 && l.IncomingOn.Day()+l.DaysAway <= on {
			have += int(l.Incoming.InexactFloat64())
		}
		return max(have, 0)
	}
	return 0
}

func brute(needs []Need, levels []Level, places []string, lead map[string]int) (ready string, from []string) {
	for on := 4; on < 20; on++ {
		for size := 0; size <= len(places); size++ {
			for set := range 1 << len(places) {
				var chosen []string
				for i, p := range places {
					if set>>i&1 == 1 {
						chosen = append(chosen, p)
					}
				}
				if len(chosen) == size && all(needs, levels, chosen, on, lead) {
					return day(on), chosen
				}
			}
		}
	}
	return "", nil
}

func all(needs []Need, levels []Level, chosen []string, on int, lead map[string]int) bool {
	want := map[string]int{}
	for _, x := range needs {
		want[x.SKU] += int(x.Quantity.InexactFloat64())
	}
	for sku, q := range want {
		if days, ok := lead[sku]; ok && on >= 4+days {
			continue
		}
		for _, p := range chosen {
			q -= pieces(levels, p, sku, on)
		}
		if q > 0 {
			return false
		}
	}
	return true
}

// checkShares: the shares are what is needed, nobody gives more than there is on that day, and
// nothing is ordered of which enough lies somewhere in time.
func checkShares(t *testing.T, plan Plan, needs []Need, levels []Level, lead map[string]int) {
	t.Helper()
	sum := map[string]int{}
	given := map[[2]string]int{}
	for _, s := range plan.Shares {
		q := int(s.Quantity.InexactFloat64())
		sum[s.SKU] += q
		if plan.Ready != "" && (s.On == "" || s.On > plan.Ready) {
			t.Fatalf("a share of %q for a job on %s", s.On, plan.Ready)
		}
		if s.Way == Ordered {
			continue
		}
		given[[2]string{s.Location, s.SKU}] += q
		var on int
		_, _ = fmt.Sscanf(s.On, "2026-05-%d", &on)
		if has := pieces(levels, s.Location, s.SKU, on); given[[2]string{s.Location, s.SKU}] > has {
			t.Fatalf("%s gives %d of %s by %s and has %d", s.Location, given[[2]string{s.Location, s.SKU}], s.SKU, s.On, has)
		}
	}
	for _, s := range plan.Shares {
		if days, ok := lead[s.SKU]; s.Way == Ordered && s.On != "" && (!ok || s.On != day(4+days)) {
			t.Fatalf("%s is ordered for %s, and takes %d days", s.SKU, s.On, days)
		}
	}
	for _, x := range needs {
		sum[x.SKU] -= int(x.Quantity.InexactFloat64())
	}
	for sku, rest := range sum {
		if rest != 0 {
			t.Fatalf("%s: %d too many or too few: %+v", sku, rest, plan)
		}
	}
	if (len(plan.Short) > 0) != (plan.Ready == "") {
		t.Fatalf("ready %q and short of %v", plan.Ready, plan.Short)
	}
}

func TestPlanOfWhatIsAnnouncedForNoDay(t *testing.T) {
	levels := []Level{{Location: "a", SKU: "S", OnHand: n(1), Promised: n(2), Incoming: n(3)}}
	plan := Source([]Need{{"S", n(4)}}, Supply{Levels: levels, Preferred: []string{"b", "a"}, Today: day(4)})
	want := []Share{{SKU: "S", Location: "a", Quantity: n(2), Way: Arriving}, {SKU: "S", Location: "b", Quantity: n(2), Way: Ordered}}
	if diff := cmp.Diff(want, plan.Shares); diff != "" || plan.Ready != "" {
		t.Errorf("ready %q; (-want +got):\n%s", plan.Ready, diff)
	}
}

// TestPlanOverManyPlaces: a hundred places, each with one piece, and one that has them all.
func TestPlanOverManyPlaces(t *testing.T) {
	var levels []Level
	var places []string
	for i := range 100 {
		places = append(places, fmt.Sprintf("place-%02d", i))
		levels = append(levels, Level{Location: places[i], SKU: "S", OnHand: n(1)})
	}
	levels[40].OnHand = n(50)
	plan := Source([]Need{{"S", n(50)}}, Supply{Levels: levels, Preferred: places, Today: day(4)})
	if plan.Ready != day(4) || !slices.Equal(plan.From, []string{"place-40"}) {
		t.Errorf("ready %q from %v", plan.Ready, plan.From)
	}
	plan = Source([]Need{{"S", n(120)}}, Supply{Levels: levels, Preferred: places, Today: day(4), LeadDays: map[string]int{"S": 3}})
	sum := udecimal.Zero
	for _, x := range plan.Shares {
		sum = sum.Add(x.Quantity)
	}
	if plan.Ready != day(7) || !sum.Equal(n(120)) {
		t.Errorf("ready %q with %s", plan.Ready, sum)
	}
}

func TestPolicyIsCheckedWhole(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{`{"bad_row_share": 2}`, "/policy/bad_row_share"},
		{`{"decimal": "x"}`, "/policy/decimal"},
		{`{"coded": {"low": -1}}`, "/policy/coded/low"},
		{`{"negative": "maybe"}`, "/policy/negative"},
		{`{"units": "boxes"}`, "/policy/units"},
		{`{"guard_least_lines": -1}`, "/policy/guard_least_lines"},
		{`{"nonsense": 1}`, "/policy"},
		{`[]`, "/policy"},
	} {
		_, err := ParsePolicy([]byte(c.text))
		f := fault.As(err)
		if f == nil || f.Fields[0].Pointer != c.want {
			t.Errorf("%s: %v, want it at %s", c.text, err, c.want)
		}
	}
}

// FuzzIntake: whatever comes, the counts add up and nothing breaks.
func FuzzIntake(f *testing.F) {
	for _, s := range []string{"sku,on_hand\nEACH,1\n", "sku;gtin;on_hand\n;1;\"2\"\n", "{\"sku\":\"EACH\",\"on_hand\":1}\n", "\xff\xfe"} {
		f.Add(s, true)
		f.Add(s, false)
	}
	f.Fuzz(func(t *testing.T, text string, csv bool) {
		format := NDJSON
		if csv {
			format = CSV
		}
		place := &Place{Policy: DefaultPolicy()}
		in := NewIntake(strings.NewReader(text), format, parts, place)
		var kept, entries int64
		for {
			batch, err := in.Next()
			if err != nil {
				break
			}
			for _, e := range batch {
				entries++
				if e.Keep {
					kept++
				}
				if strings.ContainsAny(e.Bin+e.SKU, "\x00\n\t") {
					t.Fatalf("%+v would break what follows", e)
				}
			}
		}
		c := place.Counts
		if c.Read != entries-kept+c.Rejected+c.Unknown {
			t.Fatalf("%+v, %d entries of which %d only keep", c, entries, kept)
		}
	})
}
