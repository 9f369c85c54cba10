package job

// The cautions, each at the step where the hand is. Trade custom, no published source; the
// makers' manuals and a qualified technician decide.
var cautions = map[string]Caution{
	"stored_air": {Text: "Let all air out before any cap is loosened: main chamber, then the valve once more after the fork has been cycled with the lockout open. Keep face and hands clear of valve and cap.",
		Reason: "Air under pressure can throw a cap or a valve core."},
	"charged_negative": {Text: "If the fork pulls itself down after the air is out, stop and do not open it. Inflate it again, cycle it, and let the air out slowly.",
		Reason: "The negative chamber is still charged and would let go into your hands."},
	"bump_stop_air": {Text: "Let the air out of the bump stop before the cap is loosened, and press its valve a second time.",
		Reason: "The chamber of the bump stop is under pressure of its own."},
	"eye_protection": {Text: "Wear eye protection from here on.", Reason: "Parts, oil and air can come out at speed."},
	"coil_released": {Text: "Let the fork stand at full extension, with no strap and no weight on it, before the cap is loosened.",
		Reason: "A coil that is held compressed throws the cap when the thread ends."},
	"worn_parts": {Text: "If the coating is worn through, a bushing has play, the crown creaks or a tube is scored, stop: the fork is not to be converted. Tell the customer.",
		Reason: "New parts cure none of these, and a cracked crown or tube can fail while riding."},
	"travel_limit": {Text: "Never build in more travel than the fork and the frame allow.",
		Reason: "Past the limit the crown and the frame carry loads they were not made for; approvals and warranties may end."},
	"clicks_first": {Text: "Count the clicks from closed and write them down before the knob comes off.",
		Reason: "The setting is lost when the knob turns on its shaft."},
	"free_the_rod": {Text: "Leave the fastener on by two turns while the rod is freed with a soft hammer.",
		Reason: "The blow lands on the fastener and not on the thread of the rod."},
	"no_mixing": {Text: "Keep the foot fasteners apart by side, and use none from another fork.",
		Reason: "Threads and lengths differ by side and model; the wrong one strips the rod or works loose."},
	"crush_washers": {Text: "Fit new crush washers.", Reason: "A crush washer seals only once."},
	"brake_clean":   {Text: "Keep brake rotor and pads away from oil and solvent.", Reason: "An oiled brake does not stop the bicycle."},
	"no_bare_jaws":  {Text: "Never clamp a stanchion in bare vise jaws.", Reason: "A scratched stanchion cuts the seals and leaks."},
	"solvent":       {Text: "Use solvent with gloves and fresh air, away from flames.", Reason: "Its vapor burns and harms."},
	"ring_seated":   {Text: "Reuse the retaining ring only if it is straight and sharp-edged, and turn it in its groove to see that it sits all round.", Reason: "The ring alone holds the spring side in the tube."},
	"gland_pinned":  {Text: "Drive the pins only as the fork maker's manual shows.", Reason: "A pin that is driven the wrong way splits the tube end."},
	"compare_marks": {Text: "Compare the mark on the cartridge with the fork and with the travel before it goes in.",
		Reason: "A cartridge of another travel tops out inside or lets the coil bind."},
	"seats_dry": {Text: "Seal seats and the outside of the seals stay dry and clean; a little grease goes on the inner lip only.",
		Reason: "A greased seat lets the seal walk out."},
	"foam_soaked": {Text: "Foam rings go in soaked, square and unpinched.", Reason: "A dry or pinched ring leaves the seal and bushing dry."},
	"indicator_ring": {Text: "The travel indicator ring goes on before the lower legs.",
		Reason: "It cannot be put on afterwards."},
	"legs_extended": {Text: "Close the foot fasteners with both legs fully extended.",
		Reason: "Otherwise a vacuum forms that holds the fork down."},
	"oil_measured": {Text: "Measure the oil, and pour it into the leg it is for.",
		Reason: "Too much keeps the fork from full travel; too little leaves the bushings dry."},
	"open_bath_leg": {Text: "The damper leg of this fork is an open bath: its oil is part of the damping. Use only what the fork maker states, by volume and by kind.",
		Reason: "With the small amount of a sealed leg the fork has no damping."},
	"inverted_legs": {Text: "This fork is built upside down: where oil and foam rings sit and which way the seals face is as the fork maker's manual shows.",
		Reason: "Seals that face the wrong way let the oil run onto the brake."},
	"torque_owner": {Text: "A torque belongs to the part that is tightened: that of the kit's cap and nut to the kit's maker, that of all others to the fork's maker. Where none is printed, look it up; do not guess.",
		Reason: "A foreign torque strips a hollow rod or lets it come loose while riding."},
	"torque_unusual": {Text: "This torque is outside what is usual for such a fastener. Check it against the maker's own paper before you use it.",
		Reason: "A slip in the catalog would break the part."},
	"bind_is_calculated": {Text: "Check the full travel with nothing to spring it, foot fasteners tight and the wheel in: no tire on the crown, no cable or frame in the way. Extend both legs again afterwards.",
		Reason: "Coil bind is only calculated, and whether tire, cable or frame touch can only be seen."},
	"spring_mark": {Text: "Read the mark on the spring; do not judge it by its look.",
		Reason: "Neighboring rates differ by less than a caliper can tell."},
	"no_pressure_here": {Text: "Pressure is set by the setup sheet or the maker's chart, never past the figure on the fork.",
		Reason: "A chamber past its limit can burst or push its seal out."},
	"old_seals": {Text: "A stock assembly that has lain in a bag needs its seals looked at and, if dry or marked, renewed before it carries a rider.",
		Reason: "Seals dry out and take a set; the air side would leak while riding."},
	"damper_manual": {Text: "The damper is opened, filled and bled only as its maker's manual says, by a technician who knows it.",
		Reason: "A damper that is put together wrong can lock or lose its damping, and some hold gas under high pressure."},
	"before_riding": {Text: "Check axle, brake caliper and headset before the first ride, and read the sag again after the first rides. All figures are starting values; the makers' manuals and a qualified technician decide.",
		Reason: "What was loosened for this job is what the rider hangs on to."},
}

// caution notes a caution in the bill once and returns its code.
func (p *plan) caution(code string) string {
	for _, c := range p.bill.Cautions {
		if c.Code == code {
			return code
		}
	}
	c := cautions[code]
	c.Code = code
	p.bill.Cautions = append(p.bill.Cautions, c)
	return code
}
