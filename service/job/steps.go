package job

import (
	"fmt"
	"strings"

	"forkwright/service/catalog"
)

// stepRule writes some steps of the sheet where the plan calls for them.
type stepRule struct {
	when  func(*plan) bool
	write func(*plan)
}

// stepRules is the bench sheet, from top to bottom.
var stepRules = []stepRule{
	{always, (*plan).identify},
	{opensSomething, (*plan).lookOver},
	{holdsAir, (*plan).releaseAir},
	{holdsBumpAir, (*plan).releaseBumpStop},
	{opensKnob, (*plan).noteClicks},
	{opensLowers, (*plan).takeLowersOff},
	{opensCap, (*plan).openCap},
	{takesStockOut, (*plan).bagStock},
	{takesCoilOut, (*plan).bagCoil},
	{servicesAir, (*plan).serviceAir},
	{changesTravel, (*plan).changeTravel},
	{opensDamper, (*plan).openDamper},
	{opensLowers, (*plan).clean},
	{fitsCoil, (*plan).fitCartridge},
	{takesCoilOut, (*plan).refitStock},
	{servicesLowers, (*plan).renewSeals},
	{opensLowers, (*plan).putLowersOn},
	{checksDry, (*plan).dryCheck},
	{putsSpringIn, (*plan).springIn},
	{setsPreload, (*plan).spacersIn},
	{opensCap, (*plan).closeCap},
	{setsBump, (*plan).setBumpStop},
	{refillsAir, (*plan).inflate},
	{opensKnob, (*plan).knobsBack},
	{otherWork, (*plan).otherOperations},
	{always, (*plan).finish},
}

func always(*plan) bool           { return true }
func opensSomething(p *plan) bool { return len(p.opens) > 0 }
func opensLowers(p *plan) bool    { return p.opened(Lowers) }
func opensCap(p *plan) bool       { return p.opened(Cap) }
func opensDamper(p *plan) bool    { return p.opened(Damper) }
func opensKnob(p *plan) bool      { return p.opened(Lowers) || p.opened(Damper) }
func holdsAir(p *plan) bool       { return p.fitted == nil && opensSomething(p) }
func takesStockOut(p *plan) bool  { return p.coil != nil && p.fitted == nil }
func takesCoilOut(p *plan) bool {
	return p.does(RefitStock) || (p.coil != nil && p.fitted != nil)
}
func servicesAir(p *plan) bool    { return p.does(ServiceAir) }
func changesTravel(p *plan) bool  { return p.does(ChangeTravel) }
func fitsCoil(p *plan) bool       { return p.coil != nil }
func servicesLowers(p *plan) bool { return p.does(ServiceLower) }
func checksDry(p *plan) bool      { return fitsCoil(p) || changesTravel(p) }
func putsSpringIn(p *plan) bool   { return p.cartridge() != nil && (fitsCoil(p) || p.spring != nil) }
func setsPreload(p *plan) bool    { return p.preload != nil }
func refillsAir(p *plan) bool     { return p.cartridge() == nil && opensSomething(p) }
func otherWork(p *plan) bool      { return true }

func holdsBumpAir(p *plan) bool {
	return p.fitted != nil && p.airBumpStop(p.fitted) && (opensSomething(p) || p.does(SetBumpStop))
}

func setsBump(p *plan) bool {
	c := p.cartridge()
	return c != nil && p.airBumpStop(c) && (opensCap(p) || p.does(SetBumpStop))
}

func (p *plan) airBumpStop(c *catalog.CoilCartridge) bool {
	b, ok := p.rev.BumpStop(c.BumpStop)
	return ok && b.Medium == "air"
}

// steps writes the bench sheet. Over the counter there is none, but its figures and cautions
// stay: somebody will do the work.
func (p *plan) steps() {
	for _, r := range stepRules {
		if r.when(p) {
			r.write(p)
		}
	}
	if p.q.Counter {
		p.bill.Steps = nil
	}
}

// step adds a step. Words in braces are filled from args (pairs of name and value); {side} is
// the side of the leg.
func (p *plan) step(code string, leg catalog.Leg, text string, args ...string) *Step {
	s := Step{Code: code, Leg: leg, Side: p.side(leg), Args: map[string]string{}}
	if s.Side != "" {
		s.Args["side"] = string(s.Side)
	}
	for i := 0; i+1 < len(args); i += 2 {
		s.Args[args[i]] = args[i+1]
	}
	pairs := make([]string, 0, 2*len(s.Args))
	for k, v := range s.Args {
		pairs = append(pairs, "{"+k+"}", v)
	}
	s.Text = strings.NewReplacer(pairs...).Replace(text)
	p.bill.Steps = append(p.bill.Steps, s)
	return &p.bill.Steps[len(p.bill.Steps)-1]
}

func (p *plan) care(s *Step, codes ...string) {
	for _, c := range codes {
		s.Cautions = append(s.Cautions, p.caution(c))
	}
}

func (p *plan) with(s *Step, name, place string) Figure {
	f := p.figure(name, place, s.Leg)
	s.Figures = append(s.Figures, f.ID)
	if name == "torque" && f.State == "" && unusualTorque(place, f.SI) {
		p.care(s, "torque_unusual")
	}
	return f
}

// unusualTorque: 10-35 N m at a top cap, 3-12 N m at a foot. From memory, no source; it only
// asks for a second look.
func unusualTorque(place string, nm float64) bool {
	switch place {
	case "top_cap":
		return nm < 10 || nm > 35
	case "foot":
		return nm < 3 || nm > 12
	}
	return false
}

func (p *plan) identify() {
	s := p.step("check_fork", "", "Compare fork and order: {fork}, model year {year}. Spring side is {spring_side}, damper side {damper_side}, as the rider sits.",
		"fork", p.rev.MakerName(p.fork)+" "+p.fork.Name, "year", yearText(p.q.Owned.ModelYear),
		"spring_side", string(p.side(catalog.SpringLeg)), "damper_side", string(p.side(catalog.DamperLeg)))
	s.Tick = true
	s = p.step("check_travel", "", "Measure the travel as it is now and write it down. The job is for {travel}.", "travel", travelText(p.travel()))
	s.Tick = true
	if c := p.cartridge(); c != nil {
		code := "check_cartridge"
		s = p.step(code, catalog.SpringLeg, "Read the mark on the cartridge: it must be {mark}, for {travel} travel.", "mark", c.Mark, "travel", travelText(c.TravelMM))
		s.Tick = true
		p.care(s, "compare_marks")
	}
}

func yearText(y int) string {
	if y == 0 {
		return "not stated"
	}
	return fmt.Sprint(y)
}

func travelText(mm int) string {
	if mm == 0 {
		return "not stated"
	}
	return fmt.Sprintf("%d mm", mm)
}

func (p *plan) lookOver() {
	s := p.step("look_over", "", "Look over stanchions, bushings, crown and steerer tube before anything is opened.")
	s.Tick = true
	p.care(s, "worn_parts", "no_bare_jaws")
}

func (p *plan) releaseAir() {
	s := p.step("release_air", catalog.SpringLeg, "Let all air out of the {side} leg, cycle the fork with the lockout open, and press the valve again.")
	p.care(s, "eye_protection", "stored_air", "charged_negative")
}

func (p *plan) releaseBumpStop() {
	s := p.step("release_bump_stop", catalog.SpringLeg, "Let the air out of the bump stop in the {side} leg.")
	p.care(s, "eye_protection", "bump_stop_air")
}

func (p *plan) noteClicks() {
	s := p.step("note_clicks", catalog.DamperLeg, "Count the clicks of each knob on the {side} leg, write them here, then take the knob off.")
	s.Tick = true
	p.care(s, "clicks_first")
}

func (p *plan) takeLowersOff() {
	for _, leg := range []catalog.Leg{catalog.SpringLeg, catalog.DamperLeg} {
		s := p.step("loosen_foot", leg, "Loosen the {fastener} at the foot of the {side} leg and free the rod.", "fastener", "foot "+p.chassis.FootFastener)
		p.with(s, "socket_before", "foot")
		p.care(s, "eye_protection", "free_the_rod", "no_mixing")
	}
	s := p.step("lower_legs_off", "", "Set a tray below, draw the lower legs off and let the old oil drain.")
	p.care(s, "brake_clean")
	if p.chassis.Legs == "inverted" {
		p.care(s, "inverted_legs")
	}
}

func (p *plan) openCap() {
	s := p.step("open_cap", catalog.SpringLeg, "Unscrew the top cap of the {side} leg.")
	p.with(s, "socket_before", "top_cap")
	if p.fitted != nil {
		p.care(s, "eye_protection", "coil_released")
	} else {
		p.care(s, "stored_air")
	}
	if !p.opened(Lowers) {
		p.step("lowers_stay", "", "The lower legs stay on: no oil, no seals and no washers are needed.")
	}
}

func (p *plan) bagStock() {
	p.step("take_stock_out", catalog.SpringLeg, "Take the stock spring side out of the {side} leg ({gland}).", "gland", glandWords(p.chassis.Gland))
	s := p.step("bag_and_label", "", "Bag and label for the customer: {items}. Write fork, date and this sheet's number on the bag.", "items", p.itemsOf(p.coil, "sets_aside", "forbids"))
	s.Tick = true
}

func (p *plan) bagCoil() {
	s := p.step("bag_coil", catalog.SpringLeg, "Take the cartridge ({cartridge}) out of the {side} leg and keep it together with its spring, spacers, cap and foot nut, bagged and labeled.", "cartridge", p.name(p.fitted.SKU))
	s.Tick = true
}

// itemsOf lists what handling a cartridge does with the things around it, in words.
func (p *plan) itemsOf(c *catalog.CoilCartridge, actions ...string) string {
	var out []string
	for _, action := range actions { // names hold commas of their own
		for _, h := range p.rev.Handlings(c.SKU) {
			if h.Action == action {
				out = append(out, p.name(h.Item))
			}
		}
	}
	if len(out) == 0 {
		return "the stock parts that come out"
	}
	return strings.Join(out, "; ")
}

func glandWords(gland string) string {
	switch gland {
	case "retaining_ring":
		return "held by a retaining ring"
	case "pinned":
		return "held by pins"
	}
	return "held by a thread"
}

func (p *plan) serviceAir() {
	s := p.step("service_air", catalog.SpringLeg, "Take the air spring of the {side} leg apart, clean it, renew its seals and grease them as its maker's manual shows.")
	p.care(s, "charged_negative", "old_seals")
}

func (p *plan) changeTravel() {
	s := p.step("change_travel", catalog.SpringLeg, "Change the travel of the {side} leg with the parts on this sheet.")
	s.Tick = true
	p.care(s, "travel_limit")
}

func (p *plan) openDamper() {
	s := p.step("open_damper", catalog.DamperLeg, "Open the damper of the {side} leg, renew its oil and seals and bleed it as its maker's manual says.")
	p.care(s, "damper_manual")
}

func (p *plan) clean() {
	s := p.step("clean", "", "Clean and dry stanchions, bushings, seal seats and all parts that go back in.")
	p.care(s, "solvent")
}

func (p *plan) fitCartridge() {
	s := p.step("fit_cartridge", catalog.SpringLeg, "Fit the cartridge ({cartridge}) into the {side} leg ({gland}), without its spring and bump stop for now.", "cartridge", p.name(p.coil.SKU), "gland", glandWords(p.chassis.Gland))
	p.care(s, "compare_marks", "travel_limit")
	p.gland(s)
}

func (p *plan) refitStock() {
	if p.coil != nil {
		return // one cartridge for another: nothing of the stock spring comes back
	}
	s := p.step("refit_stock", catalog.SpringLeg, "Put the stock spring side back into the {side} leg ({gland}).", "gland", glandWords(p.chassis.Gland))
	p.care(s, "old_seals")
	p.gland(s)
}

func (p *plan) gland(s *Step) {
	switch p.chassis.Gland {
	case "retaining_ring":
		p.care(s, "ring_seated")
	case "pinned":
		p.care(s, "gland_pinned")
	case "threaded":
		p.with(s, "torque", "gland")
		p.care(s, "torque_owner")
	}
}

func (p *plan) renewSeals() {
	s := p.step("renew_seals", catalog.BothLegs, "Press in the new wiper seals and lay in the soaked foam rings, both legs.")
	s.Tick = true
	p.care(s, "seats_dry", "foam_soaked")
}

func (p *plan) putLowersOn() {
	s := p.step("indicator_ring", "", "See that the travel indicator ring is on its stanchion.")
	s.Tick = true
	p.care(s, "indicator_ring")
	p.step("lower_legs_on", "", "Push the lower legs on, straight, until the rods show at the feet but do not stand out.")
	for _, leg := range []catalog.Leg{catalog.SpringLeg, catalog.DamperLeg} {
		s = p.step("oil", leg, "Pour measured oil into the {side} leg.")
		p.with(s, "oil_volume", "bath")
		p.with(s, "foam_soak", "bath")
		s.Tick = true
		p.care(s, "oil_measured", "brake_clean")
		if leg == catalog.DamperLeg && p.chassis.DamperLeg == "open_bath" {
			p.care(s, "open_bath_leg")
		}
	}
	for _, leg := range []catalog.Leg{catalog.SpringLeg, catalog.DamperLeg} {
		s = p.step("close_foot", leg, "With a new crush washer, close the foot of the {side} leg and tighten it, using {fastener}.", "fastener", p.footFastener(leg))
		p.with(s, "socket_after", "foot")
		p.with(s, "torque", "foot")
		s.Tick = true
		p.care(s, "crush_washers", "legs_extended", "no_mixing", "torque_owner")
	}
}

// footFastener names what closes a foot: the cartridge's own nut on its rod, else the fork's.
func (p *plan) footFastener(leg catalog.Leg) string {
	if c := p.cartridge(); c != nil && leg == catalog.SpringLeg && c.FootNut != "" {
		return fmt.Sprintf("the cartridge's own: %s (%s)", p.name(c.FootNut), c.FootNut)
	}
	return "the fork's own foot " + p.chassis.FootFastener
}

func (p *plan) dryCheck() {
	without := "with spring and bump stop out"
	if p.cartridge() == nil {
		without = "with all air out"
	}
	s := p.step("dry_travel_check", "", "Put the wheel in, push the fork through its whole travel {without}, measure it ({travel}), and extend both legs again.", "without", without, "travel", travelText(p.travel()))
	s.Tick = true
	p.care(s, "bind_is_calculated", "travel_limit")
}

func (p *plan) springIn() {
	which, mark := "the spring that belongs to it", ""
	if p.spring != nil {
		which = p.name(p.spring.SKU) + " (" + p.spring.SKU + ")"
		if p.spring.Mark != "" {
			mark = ", marked " + p.spring.Mark
		}
	}
	s := p.step("spring_in", catalog.SpringLeg, "Grease the coil lightly and put it into the {side} leg: {spring}{mark}.", "spring", which, "mark", mark)
	s.Tick = true
	p.care(s, "spring_mark")
}

func (p *plan) spacersIn() {
	x := p.preload
	if x.Spacers == 0 || x.Spacer == "" {
		p.step("preload", catalog.SpringLeg, "Preload setting {setting}: no spacer in the {side} leg. Keep the spacers for trim.", "setting", fmt.Sprint(x.Setting)).Tick = true
		return
	}
	p.step("preload", catalog.SpringLeg, "Preload setting {setting} in the {side} leg: {count} × {spacer}.", "setting", fmt.Sprint(x.Setting), "count", fmt.Sprint(x.Spacers), "spacer", p.name(x.Spacer)).Tick = true
}

func (p *plan) closeCap() {
	s := p.step("close_cap", catalog.SpringLeg, "Extend the fork fully, start the top cap of the {side} leg by hand and tighten it.")
	p.with(s, "socket_after", "top_cap")
	p.with(s, "torque", "top_cap")
	s.Tick = true
	p.care(s, "torque_owner", "coil_released")
}

func (p *plan) setBumpStop() {
	setting := "the pressure of the setup sheet"
	if b := p.q.BumpStop; b != nil && b.Known() {
		setting = number(b.Value) + " " + b.Unit
	}
	s := p.step("set_bump_stop", catalog.SpringLeg, "Fill the bump stop in the {side} leg to {setting}, at full extension.", "setting", setting)
	p.with(s, "air_pressure_max", "bump_stop")
	s.Tick = true
	p.care(s, "no_pressure_here")
}

func (p *plan) inflate() {
	s := p.step("inflate", catalog.SpringLeg, "Inflate the {side} leg in small steps, cycling the fork in between so that the negative chamber fills.")
	p.with(s, "air_pressure_max", "top_cap")
	p.care(s, "no_pressure_here")
}

func (p *plan) knobsBack() {
	s := p.step("knobs_back", catalog.DamperLeg, "Put the knob back on the {side} leg and set the clicks that were written down, or those of the setup sheet.")
	s.Tick = true
}

// knownOperations have steps of their own.
var knownOperations = []string{FitCoil, SwapSpring, SetPreload, SetBumpStop, ServiceLower, ServiceAir, ChangeTravel, RefitStock}

func (p *plan) otherOperations() {
	for _, op := range p.ops {
		known := false
		for _, k := range knownOperations {
			known = known || op.Operation == k
		}
		if !known {
			text, _ := p.rev.Name("operation", op.Operation)
			p.step("operation", "", "{operation}: as the makers' manuals say.", "operation", text).Tick = true
		}
	}
}

func (p *plan) finish() {
	s := p.step("before_riding", "", "Cycle the fork, look for oil at both feet, and check axle, brake caliper and headset. Hand over the bag of parts and this sheet.")
	s.Tick = true
	p.care(s, "before_riding")
}
