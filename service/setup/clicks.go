package setup

import (
	"cmp"

	"forkwright/service/catalog"
	"forkwright/service/spring"
)

const whereClicks = "The kit maker has no table for this damper in our data. Start in the middle of the range and follow the damper maker's manual."

const whichDamper = "Say which damper the fork has: it is written on the knob or the leg."

func (w *work) clicks(rate float64) {
	damper := cmp.Or(w.q.Damper, w.q.Owned.Damper())
	if damper == "" && w.a.Fork == "" {
		return // no fork was named, so none has knobs to set
	}
	w.a.Clicks = clicksFor(w.rev, w.a.Cartridge, damper, rate)
}

// clicksFor reads the maker's table for spring family and damper. What is not in it stays unknown;
// beyond its rows the end row is held and said so.
func clicksFor(rev *catalog.Revision, cartridge, damper string, rate float64) (out []Click) {
	if damper == "" {
		return []Click{{State: NotInOurData, WhereToLook: whichDamper}}
	}
	family := ""
	if c, ok := rev.Coil(cartridge); ok {
		family = c.SpringFamily
	}
	rows := rev.Clicks(family, damper)
	for _, adj := range rev.Adjusters(damper) {
		out = append(out, clickOf(damper, &adj, rows, rate))
	}
	if len(out) == 0 {
		return []Click{{Damper: damper, State: NotInOurData, WhereToLook: whereClicks}}
	}
	return out
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
