package bench

import (
	"fmt"
	"strings"

	"forkwright/api/page/chart"
	"forkwright/service/catalog"
	"forkwright/service/job"
	"forkwright/service/setup"
	"forkwright/service/unit"
)

// setup puts the figures of a setup on the sheet, or room to write them.
func (l *layout) setup() {
	a := l.in.Setup
	if a == nil {
		for _, name := range []string{"Spring fitted, by its mark", "Preload spacers", "Bump stop set to", "Sag measured, mm"} {
			l.add(name, "")
		}
		return
	}
	if a.Status != setup.OK {
		l.out.SetupNote = a.Text
	}
	chosen := a.Recommended
	if chosen == nil && a.Nearest != nil {
		chosen = a.Nearest
		l.out.SetupNote = strings.TrimSpace(l.out.SetupNote + " The figures below are the nearest that could be built, with its faults; do not build it without settling this first.")
	}
	if chosen != nil {
		l.coil(chosen)
		l.compareSpring(chosen.Spring.SKU)
	}
	if a.Air != nil {
		l.air(a.Air)
	}
	for _, c := range a.Clicks {
		l.click(c)
	}
	l.add("Sag measured", "")
	if c, ok := chart.OfSetup(a, l.in.Units); ok {
		l.out.Chart = &c
	}
	for _, c := range a.Cautions {
		l.out.Cautions = append(l.out.Cautions, l.caution(c.Code, c.Text, c.Reason))
	}
}

// compareSpring says so where the work order brings another spring than the setup asks for.
func (l *layout) compareSpring(sku string) {
	for _, x := range l.in.Bill.Lines {
		brought := x.Role == job.New || x.Role == job.Included || x.Role == job.CustomerSupplied
		if sku != "" && brought && x.Kind == catalog.KindSpring && x.SKU != sku {
			l.out.SetupNote = strings.TrimSpace(l.out.SetupNote + fmt.Sprintf(" The order brings the spring %s and the setup asks for %s: settle which before the leg is closed.", x.SKU, sku))
		}
	}
}

func (l *layout) rateUnit() string {
	if l.system() == unit.Imperial {
		return "lbf/in"
	}
	return "N/mm"
}

func (l *layout) add(name, value string) {
	l.out.Setup = append(l.out.Setup, Fact{name, value})
}

func (l *layout) coil(s *setup.Setup) {
	text := l.show(s.Spring.RateNPerMM, unit.Rate)
	if p := s.Spring.Published; p.Known() && label(p.Unit) != label(l.rateUnit()) {
		text = published(p) + " (" + text + ")"
	}
	if s.Spring.SKU != "" {
		text += ", " + s.Spring.SKU
	}
	l.add("Spring", text)
	text = fmt.Sprintf("setting %d", s.Preload.Setting)
	if s.Preload.Setting == 0 {
		text = l.show(s.PreloadMM, unit.Length)
	}
	switch s.Preload.Spacers {
	case 0:
		text += ", no spacer"
	case 1:
		text += ", 1 spacer"
	default:
		text += fmt.Sprintf(", %d spacers", s.Preload.Spacers)
	}
	l.add("Preload", text)
	l.sag(s.Sag)
	if b := s.Bump; b != nil {
		l.bump(b)
	}
	l.add("End force", l.show(s.EndN, unit.Force)+", "+l.band(s.EndLowN, s.EndHighN, unit.Force))
	if b := s.Bind; b != nil {
		l.add("Travel left before the coil's least gaps are used up", l.show(b.MarginMM, unit.Length))
	}
}

func (l *layout) bump(b *setup.BumpDetail) {
	switch {
	case b.Published.Known() && b.Medium == "air":
		l.add("Bump stop, fork extended", published(b.Published)+" ("+l.show(b.SetKPa, unit.Pressure)+")")
	case b.Medium == "air":
		l.add("Bump stop, fork extended", l.show(b.SetKPa, unit.Pressure))
	}
	l.add("Bump stop begins at", l.show(b.ContactMM, unit.Length)+" of travel")
}

func (l *layout) air(a *setup.AirSetup) {
	l.add("Air pressure", l.show(a.GaugeKPa, unit.Pressure)+", "+l.band(a.LowKPa, a.HighKPa, unit.Pressure))
	if a.MaxKPa > 0 {
		l.add("Highest pressure of the part", l.show(a.MaxKPa, unit.Pressure))
	}
	l.add("Volume spacers", fmt.Sprint(a.Spacers))
	l.sag(a.Sag)
	l.add("End force", l.show(a.EndN, unit.Force)+", "+l.band(a.EndLowN, a.EndHighN, unit.Force))
}

func (l *layout) sag(s setup.SagFigure) {
	l.add("Sag", fmt.Sprintf("%s, %s %%, %s", l.show(s.MM, unit.Length), number(s.Percent, 0), l.band(s.LowMM, s.HighMM, unit.Length)))
}

func (l *layout) click(c setup.Click) {
	name := strings.ReplaceAll(c.Adjuster, "_", " ")
	name = strings.ToUpper(name[:min(1, len(name))]) + name[min(1, len(name)):]
	if c.State != "" {
		look := "not in our data"
		if c.WhereToLook != "" {
			look += "; see " + c.WhereToLook
		}
		l.add(name, look)
		return
	}
	l.add(name, fmt.Sprintf("%d clicks %s (of %d)", c.Clicks, strings.ReplaceAll(string(c.Reference), "_", " "), c.Max))
}

func (l *layout) system() unit.System {
	if l.in.Units == unit.Imperial {
		return unit.Imperial
	}
	return unit.Metric
}

func (l *layout) show(si float64, d unit.Dimension) string {
	return strings.ReplaceAll(unit.Display(si, d, l.system()), " ", "\u00a0")
}

func (l *layout) band(low, high float64, d unit.Dimension) string {
	from, _, _ := strings.Cut(l.show(low, d), "\u00a0")
	return "band " + from + "–" + l.show(high, d)
}

func published(p catalog.Published) string { return number(p.Value, 3) + "\u00a0" + label(p.Unit) }
