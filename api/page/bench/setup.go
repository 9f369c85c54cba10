package bench

import (
	"fmt"
	"strings"

	"forkwright/api/page/chart"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/job"
	"forkwright/service/setup"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// Assemble works out what a bill puts together, with the shop's own sag targets by discipline.
// Where it cannot be, why says so in a sentence; both are empty for a job that leaves no coil in
// the fork.
func Assemble(rev *catalog.Revision, bill *job.Bill, sagTargets map[string]float64) (built *setup.Assembled, why string) {
	b := bill.Built
	switch {
	case b == nil:
		return nil, ""
	case b.Spring == "":
		return nil, "No spring is chosen in this order, so there are no figures and no chart. Choose it by the setup and write here what was fitted."
	case rev == nil:
		return nil, fmt.Sprintf("Catalog revision %d, from which this was quoted, is no longer kept, so there are no figures and no chart.", bill.CatalogRevision)
	}
	in := setup.Assembly{Fork: bill.Fork, Cartridge: b.Cartridge, Spring: b.Spring, TravelMM: float64(b.TravelMM), Preload: b.Preload, Damper: b.Damper, Discipline: b.Use}
	if own, ok := sagTargets[b.Use]; ok {
		in.SagPercent = &own
	}
	if b.BumpStop != nil {
		if kPa, err := b.BumpStop.SI(unit.Pressure); err == nil {
			in.BumpKPa = &kPa
		}
	}
	a, err := setup.Assemble(rev, in)
	if err != nil {
		return nil, "The figures cannot be worked out: " + fault.As(err).Text
	}
	return &a, ""
}

// setup puts on the sheet what is put together, and room to write what is read off it.
func (l *layout) setup() {
	l.out.SetupNote = l.in.WhyNot
	b := l.in.Bill.Built
	if b == nil {
		l.blanks("Air pressure", "Volume spacers")
		return
	}
	l.add("Cartridge", strings.Join(nonEmpty(l.name(b.Cartridge), b.Cartridge), ", "))
	a := l.in.Assembled
	if a == nil {
		l.blanks("Spring fitted, by its mark", "Preload spacers", "Bump stop set to")
		return
	}
	if a.Fault != "" {
		l.out.SetupNote = a.Fault + " Do not build it before this is settled."
	}
	l.coil(a)
	l.forces(a)
	l.aim(a)
	for _, c := range a.Clicks {
		l.click(c)
	}
	l.blanks()
	c := chart.OfAssembled(a, l.in.Units)
	l.out.Chart = &c
	for _, c := range a.Cautions {
		if !l.told[c.Code] {
			l.out.Cautions = append(l.out.Cautions, l.caution(c.Code, c.Text, c.Reason))
		}
	}
}

// blanks are written by hand; the sag always is.
func (l *layout) blanks(names ...string) {
	length := "mm"
	if l.system() == unit.Imperial {
		length = "in"
	}
	for _, name := range append(names, "Sag measured, "+length+", weight eased on", "Sag measured, "+length+", after a bounce") {
		l.add(name, "")
	}
}

func (l *layout) add(name, value string) {
	l.out.Setup = append(l.out.Setup, Fact{name, value})
}

func (l *layout) coil(a *setup.Assembled) {
	s := &a.Setup
	l.add("Spring", strings.Join(nonEmpty(rates(s.Spring), s.Spring.SKU), ", "))
	text := fmt.Sprintf("setting %d, %s: %s, %s", s.Preload.Setting, spacers(s.Preload.Spacers), l.show(s.PreloadMM, unit.Length), l.show(s.PreloadN, unit.Force))
	if !a.PreloadSaid {
		text += "; not in the order, the least is taken"
	}
	l.add("Preload", text)
	l.add("Fork travel", l.show(a.TravelMM, unit.Length))
	if b := s.Bump; b != nil {
		l.bump(b, a)
	}
	if b := s.Bind; b != nil && b.MarginMM >= 0 {
		l.add("In hand before the coils come too close", l.show(b.MarginMM, unit.Length)+" of travel")
	}
}

// rates writes a rate as its maker does, then in the other unit.
func rates(s setup.Spring) string {
	p := s.Published
	other, decimals := "lbf/in", 1
	if label(p.Unit) == other {
		other, decimals = "N/mm", 2
	}
	return published(p) + " (" + number(unit.From(s.RateNPerMM, unit.Rate, other), decimals) + "\u00a0" + other + ")"
}

func spacers(n int) string {
	switch n {
	case 0:
		return "no spacer"
	case 1:
		return "1 spacer"
	}
	return fmt.Sprintf("%d spacers", n)
}

func (l *layout) bump(b *setup.BumpDetail, a *setup.Assembled) {
	if b.Medium == "air" {
		text := pressures(b.Published, b.SetKPa)
		if asked := l.in.Bill.Built.BumpStop; asked != nil {
			text = pressures(*asked, b.SetKPa)
		}
		if !a.BumpSaid {
			text += ", a starting value; not in the order"
		}
		l.add("Bump stop, fork extended", text)
	}
	l.add("Bump stop begins at", l.show(b.ContactMM, unit.Length)+" of travel, for the last "+l.show(a.TravelMM-b.ContactMM, unit.Length))
}

// pressures writes a gauge pressure as it was given, then in the units that pumps show.
func pressures(p catalog.Published, kPa float64) string {
	var other []string
	for _, o := range []struct {
		unit     string
		decimals int
	}{{"psi", 0}, {"bar", 1}, {"kPa", 0}} {
		if o.unit != p.Unit {
			other = append(other, number(unit.From(kPa, unit.Pressure, o.unit), o.decimals)+"\u00a0"+o.unit)
		}
	}
	return published(p) + " (" + strings.Join(other, ", ") + ")"
}

func (l *layout) forces(a *setup.Assembled) {
	s := &a.Setup
	l.add("Force at the start", l.show(s.StartN, unit.Force))
	l.add("Force at full travel, pressed slowly", l.show(a.SlowEndN, unit.Force))
	l.add("Force at full travel, in a fast stroke", l.show(s.EndN, unit.Force)+", "+l.band(s.EndLowN, s.EndHighN, unit.Force))
}

func (l *layout) aim(a *setup.Assembled) {
	t := a.Target
	low, high := a.SagRange()
	l.add("Sag to aim at", fmt.Sprintf("%s (%s\u00a0%%); %s (%s–%s\u00a0%%) is good enough", l.show(t.MM, unit.Length), number(t.Percent, 1),
		l.span(low, high, unit.Length), number(t.Percent-t.TolerancePoints, 1), number(t.Percent+t.TolerancePoints, 1)))
}

func (l *layout) click(c setup.Click) {
	name := strings.ReplaceAll(c.Adjuster, "_", " ")
	if name == "" {
		name = "clicks"
	}
	name = strings.ToUpper(name[:1]) + name[1:]
	if c.State != "" {
		l.add(name, strings.TrimSpace("not in our data. "+c.WhereToLook))
		return
	}
	text := fmt.Sprintf("%d clicks %s (of %d)", c.Clicks, strings.ReplaceAll(string(c.Reference), "_", " "), c.Max)
	if c.Status != spring.OK {
		text += "; the chart ends before this rate, its last row is held"
	}
	l.add(name+", to start with", text)
}

func (l *layout) system() unit.System {
	if l.in.Units == unit.Imperial {
		return unit.Imperial
	}
	return unit.Metric
}

func (l *layout) show(si float64, d unit.Dimension) string {
	if d == unit.Length && l.system() == unit.Metric {
		return number(si, 1) + "\u00a0mm"
	}
	return strings.ReplaceAll(unit.Display(si, d, l.system()), " ", "\u00a0")
}

// span is two values with one unit.
func (l *layout) span(low, high float64, d unit.Dimension) string {
	from, _, _ := strings.Cut(l.show(low, d), "\u00a0")
	return from + "–" + l.show(high, d)
}

func (l *layout) band(low, high float64, d unit.Dimension) string {
	return "between " + l.span(low, high, d)
}

func published(p catalog.Published) string { return number(p.Value, 3) + "\u00a0" + label(p.Unit) }
