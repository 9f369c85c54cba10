package notice

import (
	"testing"
	"time"

	"forkwright/service/fault"
)

var (
	morning = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	noon    = morning.Add(4 * time.Hour)
)

func stop(change func(*Notice)) Notice {
	n := Notice{ID: "n1", Kind: StopSale, Effect: Block, SKU: "CC-1", Text: "Retaining ring may come loose.", From: morning}
	if change != nil {
		change(&n)
	}
	return n
}

func TestNoticesTouchWhatTheyName(t *testing.T) {
	for name, c := range map[string]struct {
		notice Notice
		sub    Subject
		now    time.Time
		want   bool
	}{
		"its part":                            {stop(nil), Subject{SKU: "CC-1"}, noon, true},
		"another part":                        {stop(nil), Subject{SKU: "CC-2"}, noon, false},
		"before it starts":                    {stop(nil), Subject{SKU: "CC-1"}, morning.Add(-time.Nanosecond), false},
		"at the moment it starts":             {stop(nil), Subject{SKU: "CC-1"}, morning, true},
		"at the moment it ends":               {stop(func(n *Notice) { n.Until = noon }), Subject{SKU: "CC-1"}, noon, false},
		"a serial inside":                     {stop(func(n *Notice) { n.SerialFrom, n.SerialTo = "A100", "A200" }), Subject{SKU: "CC-1", Serial: "A150"}, noon, true},
		"a serial outside":                    {stop(func(n *Notice) { n.SerialFrom, n.SerialTo = "A100", "A200" }), Subject{SKU: "CC-1", Serial: "A201"}, noon, false},
		"a short serial, counted as a number": {stop(func(n *Notice) { n.SerialFrom, n.SerialTo = "A90", "A200" }), Subject{SKU: "CC-1", Serial: "A150"}, noon, true},
		"a serial not known":                  {stop(func(n *Notice) { n.SerialFrom, n.SerialTo = "A100", "A200" }), Subject{SKU: "CC-1"}, noon, true},
		"part and fork, another fork":         {stop(func(n *Notice) { n.Fork = "f1" }), Subject{SKU: "CC-1", Fork: "f2"}, noon, false},
		"a row behind the answer":             {stop(func(n *Notice) { n.SKU, n.Row = "", "R7" }), Subject{SKU: "CC-9", Rows: []string{"R1", "R7"}}, noon, true},
		"a fork, whatever the part":           {stop(func(n *Notice) { n.SKU, n.Fork = "", "f1" }), Subject{SKU: "CC-9", Fork: "f1"}, noon, true},
		"another batch":                       {stop(func(n *Notice) { n.Batch = "B1" }), Subject{SKU: "CC-1", Batch: "B2"}, noon, false},
	} {
		if got := len(NewSet([]Notice{c.notice}, 1, c.now).On(c.sub, c.now)) == 1; got != c.want {
			t.Errorf("%s: touched %v, want %v", name, got, c.want)
		}
	}
}

func TestABlockBeatsAYesAndOldNewsIsAWarning(t *testing.T) {
	set := NewSet([]Notice{stop(nil), stop(func(n *Notice) { n.ID, n.Effect, n.Kind = "n0", Warn, Bulletin })}, 3, noon)
	on := set.On(Subject{SKU: "CC-1"}, noon)
	if len(on) != 2 || on[0].Effect != Block {
		t.Fatalf("blocks come first: %+v", on)
	}
	for _, c := range []struct {
		fit  Decision
		on   []Notice
		now  time.Time
		want Decision
	}{
		{OK, nil, noon, OK},
		{OK, on, noon, BlockOf},
		{OK, on[1:], noon, WarnOf},
		{Ask, on[1:], noon, Ask},
		{BlockOf, on[1:], noon, BlockOf},
		{OK, nil, noon.Add(StaleAfter), OK},
		{OK, nil, noon.Add(StaleAfter + time.Second), WarnOf},
		{Ask, nil, noon.Add(time.Hour), Ask},
	} {
		if got := set.Decide(c.fit, c.on, c.now); got != c.want {
			t.Errorf("%s with %d notices: %s, want %s", c.fit, len(c.on), got, c.want)
		}
	}
}

func TestCheckNamesEachWrongMember(t *testing.T) {
	if err := stop(nil).Check(); err != nil {
		t.Fatal(err)
	}
	for want, n := range map[string]Notice{
		"/kind":      stop(func(n *Notice) { n.Kind = "rumor" }),
		"/effect":    stop(func(n *Notice) { n.Effect = "" }),
		"/sku":       stop(func(n *Notice) { n.SKU = "" }),
		"/text":      stop(func(n *Notice) { n.Text = " " }),
		"/serial_to": stop(func(n *Notice) { n.SerialFrom = "A1" }),
		"/until":     stop(func(n *Notice) { n.Until = morning }),
	} {
		f := fault.As(n.Check())
		if f == nil || len(f.Fields) != 1 || f.Fields[0].Pointer != want {
			t.Errorf("%s: %+v", want, f)
		}
	}
}
