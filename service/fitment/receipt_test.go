package fitment

import (
	"encoding/base64"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

var (
	key    = []byte("a key of the tests, thirty-two b")
	oldKey = []byte("an older key of the tests, 32 by")
	noon   = time.Date(2026, 3, 1, 12, 0, 0, 5, time.FixedZone("", 3600))
)

func issued(rev *catalog.Revision, o *Owned, sku string) Receipt {
	return Issue(rev, o, Judge(rev, o, sku), noon)
}

func sealed(r Receipt, key []byte) string { return NewSealer(key).Seal(r) }

func TestASealerServesManyAtOnce(t *testing.T) {
	rev := small()
	sealer := NewSealer(key)
	var all sync.WaitGroup
	for _, r := range []Receipt{issued(rev, owned(t, rev, "tarn"), "C-160"), issued(rev, owned(t, rev, "tarn", option("tube", "thick"), serial("T5")), "K-G1")} {
		want := sealed(r, key)
		all.Go(func() {
			for range 500 {
				if got := sealer.Seal(r); got != want {
					t.Errorf("sealed beside others it is %s, alone %s", got, want)
					return
				}
			}
		})
	}
	all.Wait()
}

func TestAReceiptComesBackAsItWas(t *testing.T) {
	rev := small()
	o := owned(t, rev, "tarn", built(160), option("tube", "thick"), option("seal_generation", "g2"), serial("T5"), builtOn("2021-05-05"), usedFor("trail"))
	r := issued(rev, o, "C-160")
	token := sealed(r, key)
	got, err := Open(" "+token+"\n", key)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(r, got); diff != "" {
		t.Error(diff)
	}
	if sealed(got, key) != token {
		t.Error("sealed again it is another token")
	}
	if len(token) > 200 {
		t.Errorf("%d characters", len(token))
	}
	if got.Revision != 7 || got.Rules != RulesVersion || !got.At.Equal(noon.Truncate(time.Second)) {
		t.Errorf("%+v", got)
	}
	if _, err := Open(sealed(r, oldKey), key, oldKey); err != nil {
		t.Errorf("an older key that is still honored: %v", err)
	}
}

func TestATamperedReceiptIsRefused(t *testing.T) {
	rev := small()
	token := sealed(issued(rev, owned(t, rev, "tarn"), "C-160"), key)
	for name, bad := range map[string]string{
		"empty": "", "prefix": "fr2." + token[4:], "cut": token[:len(token)-3], "other key": sealed(issued(rev, owned(t, rev, "tarn"), "C-160"), oldKey),
		"padding": token + "=", "nonsense": "fr1.@@@", "short": "fr1.AAAA",
	} {
		if _, err := Open(bad, key); fault.As(err) == nil || fault.As(err).Kind != fault.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
	b, err := base64.RawURLEncoding.DecodeString(token[len(tokenPrefix):])
	if err != nil {
		t.Fatal(err)
	}
	for i := range b {
		b[i] ^= 1
		if _, err := Open(tokenPrefix+base64.RawURLEncoding.EncodeToString(b), key); fault.CodeOf(err) != "receipt_forged" {
			t.Fatalf("byte %d changed: %v", i, err)
		}
		b[i] ^= 1
	}
}

func TestAReceiptHoldsNoMass(t *testing.T) {
	rev := small()
	light := issued(rev, owned(t, rev, "tarn"), "S-40")
	for name, mass := range map[string]func(*Owned){"rider": rider(131), "system": func(o *Owned) { o.SystemKG = 147 }} {
		heavy := issued(rev, owned(t, rev, "tarn", mass), "S-40")
		if !heavy.MassLeftOut || light.MassLeftOut {
			t.Errorf("%s: it does not say that a mass was left out", name)
		}
		heavy.MassLeftOut = false
		if diff := cmp.Diff(light, heavy); diff != "" {
			t.Errorf("%s: the mass has left a trace:\n%s", name, diff)
		}
	}
}

func TestRecheck(t *testing.T) {
	for _, c := range []struct {
		claim  string
		change func(*catalog.Tables)
		want   bool
		rows   []string
	}{
		{"nothing", func(*catalog.Tables) {}, false, nil},
		{"another part", rows(row("y", "S-50", catalog.AtMaker, "ostra", catalog.Fits)), false, nil},
		{"another reason to fit", rows(row("y", "S-40", catalog.AtFork, "tarn", catalog.Fits)), true, []string{"r-s40", "y"}},
		{"an exclusion", rows(row("x", "S-40", catalog.AtFork, "tarn", catalog.DoesNotFit)), true, []string{"r-s40", "x"}},
		{"a row gone", only(), true, []string{"r-s40"}},
		{"a new name", func(t *catalog.Tables) {
			t.Texts = append(t.Texts, catalog.Text{Of: "part", Code: "S-40", Lang: "en", Text: "Spring"})
		}, false, nil},
		{"the fork gone", func(t *catalog.Tables) { t.Forks = t.Forks[1:] }, true, []string{"r-s40"}},
		{"a limit", func(t *catalog.Tables) {
			t.Forks[0].TravelsMM = []int{160}
			t.Limits[1].MaxTravelMM = 150
			t.Limits[0].MaxTravelMM = 150
		}, true, []string{"r-s40"}},
	} {
		then, now := small(), small(c.change)
		r := issued(then, owned(t, then, "tarn"), "S-40")
		got := Recheck(r, then, now)
		if diff := cmp.Diff(c.rows, got.Rows); diff != "" || got.Changed != c.want || got.Disputed {
			t.Errorf("%s: changed %v, disputed %v, rows (-want +got)\n%s", c.claim, got.Changed, got.Disputed, diff)
		}
	}
	then := small()
	r := issued(then, owned(t, then, "tarn"), "S-40")
	r.Digest[0] ^= 1
	if got := Recheck(r, then, then); !got.Disputed || !got.Changed {
		t.Errorf("rules that give other facts for the same revision: %+v", got)
	}
}

func TestFactsAreCodesAndRowsOnly(t *testing.T) {
	rev := small()
	got := string(Facts(Judge(rev, owned(t, rev, "tarn", now(150, Measured)), "C-160")))
	if want := "verdict\tdoes_not_fit\nreason\tother_travel_now\tr-c160\ttravel_now\n"; got != want {
		t.Errorf("%q", got)
	}
	got = string(Facts(Judge(rev, owned(t, rev, "tarn", year(2021)), "K-G1")))
	if !strings.HasPrefix(got, "verdict\tunknown\n") || !strings.HasSuffix(got, "question\tseal_generation\n") {
		t.Errorf("%q", got)
	}
}

func FuzzOpen(f *testing.F) {
	rev := small()
	fork, _ := rev.Fork("tarn")
	for _, o := range []*Owned{nil, {Fork: fork}, {Fork: fork, ModelYear: 2021, Options: map[string]string{"a": "b"}}} {
		f.Add(issued(rev, o, "C-160").appendTo(nil))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		token := tokenPrefix + base64.RawURLEncoding.EncodeToString(append(body, mac(body, key)...))
		r, err := Open(token, key)
		if err != nil {
			return
		}
		again, err := Open(sealed(r, key), key)
		if err != nil || fmt.Sprint(again) != fmt.Sprint(r) {
			t.Fatalf("%+v became %+v: %v", r, again, err)
		}
	})
}
