package setup

import (
	"forkwright/service/catalog"
	"forkwright/service/spring"
)

const whereClicks = "The kit maker has no table for this damper in our data. Start in the middle of the range and follow the damper maker's manual."

// clicks reads the maker's table for spring family and damper. What is not in it stays unknown;
// beyond its rows the end row is held and said so.
func (w *work) clicks(rate float64) {
	family := ""
	if c, ok := w.rev.Coil(w.a.Cartridge); ok {
		family = c.SpringFamily
	}
	damper := w.damper()
	if damper == "" {
		if w.a.Fork != "" {
			w.a.Clicks = []Click{{State: NotInOurData, WhereToLook: "Say which damper the fork has: it is written on the knob or the leg."}}
		}
		return
	}
	rows := w.rev.Clicks(family, damper)
	for _, adj := range w.rev.Adjusters(damper) {
		w.a.Clicks = append(w.a.Clicks, clickOf(damper, &adj, rows, rate))
	}
	if len(w.a.Clicks) == 0 {
		w.a.Clicks = []Click{{Damper: damper, State: NotInOurData, WhereToLook: whereClicks}}
	}
}

func (w *work) damper() string {
	o := w.q.Owned
	switch {
	case w.q.Damper != "":
		return w.q.Damper
	case o == nil || o.Fork == nil:
		return ""
	case o.Options["damper"] != "":
		return o.Options["damper"]
	case len(o.Fork.Dampers) == 1:
		return o.Fork.Dampers[0]
	}
	return ""
}

func clickOf(damper string, adj *catalog.Adjuster, rows []catalog.ClickRow, rate float64) Click {
	c := Click{Damper: damper, Adjuster: adj.Adjuster, Max: adj.Clicks, Reference: spring.Reference(adj.Reference)}
	t := spring.ClickTable{Max: adj.Clicks, Reference: c.Reference}
	for i := range rows {
		if rows[i].Adjuster == adj.Adjuster {
			t.Rates, t.Clicks = append(t.Rates, rows[i].RateNPerMM()), append(t.Clicks, float64(rows[i].Clicks))
			c.Source = rows[i].Source
		}
	}
	s := t.For(rate)
	c.Status = s.Status
	switch s.Status {
	case spring.OK, spring.BelowTable, spring.AboveTable:
		c.Clicks, c.Exact = s.Clicks, s.Exact
	default:
		c.State, c.Status, c.WhereToLook = NotInOurData, "", whereClicks
	}
	return c
}
