package setup

import (
	"forkwright/service/spring"
)

// isoPressN is the load with which a fork is pressed for tire clearance (ISO 4210-6, through
// the national text TBIS 4210-6:2019, clause 5.1).
const isoPressN = 2800

var cautions = map[string]Caution{
	"starting_values": {Text: "These are starting values. The manuals of the makers of fork and kit, and a qualified technician, decide.",
		Reason: "The share of the weight on the front wheel is known to a few hundredths only, and each hundredth is two percent of rate."},
	"read_sag": {Text: "Read the sag twice on level ground, once with the weight eased on and once after a bounce, and give both back here.",
		Reason: "Friction lets the fork rest anywhere in a band; two readings take most of the uncertainty out."},
	"bump_stop_air": {Text: "Let the air out of the bump stop, and press its valve a second time, before any cap is loosened.",
		Reason: "Its chamber stays under pressure when the fork stands at full extension."},
	"coil_stored": {Text: "Let the fork stand at full extension, unstrapped and unloaded, before the cap is loosened; keep the face away.",
		Reason: "Even the least preload pushes the cap off when the thread ends."},
	"air_stored": {Text: "Never pump past the figure on the fork, and let out all air before anything is opened.",
		Reason: "A chamber past its limit can throw a cap or push out a seal."},
	"pump_hose": {Text: "A pump that is put on again shows less than was pumped in: its hose fills from the chamber first. That is no leak.",
		Reason: "The chamber is small; 4 to 8 mL of hose take a good part of its pressure."},
	"harsh_contact": {Text: "The force jumps where the bump stop begins; it may feel harsh. A lower pressure makes the jump smaller.",
		Reason: "A step above 100 to 120 N is felt (from memory)."},
	"high_compression": {Text: "The bump stop is compressed more than 6 to 1. Check its volume and bore.",
		Reason: "Those that are built are compressed 2 to 4 times; a slip in a figure is more likely."},
	"pressure_limit_unknown": {Text: "The greatest pressure of this bump stop is not in our data. See the part or its maker's sheet before pumping.",
		Reason: "A chamber past its limit can burst."},
	"dynamic_gap": {Text: "At speed the coils come closer than they should within the last millimeters of travel.",
		Reason: "The static gap holds, but not the half as much again that is asked for in fast use (EN 13906-1)."},
	"bind_not_checked": {Text: "Whether the coil binds was not checked: its free or solid length is not known.",
		Reason: "A coil that goes solid before full travel can break the cartridge."},
	"gaps_not_known": {Text: "The least gap between the coils is not known; only solid length was checked.",
		Reason: "Coils should not come close to touching at full travel."},
	"vent_legs": {Text: "Legs that were closed low down push out up here. If the fork feels stiff at the start, a technician can vent the lower legs; mind the seal lip.",
		Reason: "Thin air outside lets the trapped air carry part of the rider."},
	"stress": {Text: "The wire would be stressed more than such springs are run at. Check wire, diameter, coils and rate.",
		Reason: "A figure is more likely wrong than the spring."},
	"clearance_test": {Text: "This setup needs more than 2800 N to reach full travel. For a clearance check take the air out of the bump stop, or spring and bump stop out.",
		Reason: "The usual press for tire clearance would stop short of full travel and prove nothing."},
	"dry_travel": {Text: "Check the full travel dry, with spring and bump stop out and the wheel in: nothing may touch crown, frame or tire.",
		Reason: "That the coil does not bind is a calculation; that nothing touches can only be seen."},
	"chart_differs": {Text: "The kit maker's chart says another rate than is computed here, outside the band. Ask which posture and mass the chart means.",
		Reason: "The chart is the maker's own datum; neither corrects the other."},
	"fit_not_settled": {Text: "Whether this cartridge fits the fork is not settled; answer the question first.",
		Reason: "A setup for a cartridge that does not fit is of no use."},
	"travel_spacer": {Text: "The cartridge goes in with its travel spacer; measure with the spacer in how far the cap shortens the spring, and say that preload if it is another.",
		Reason: "The preload listed is that of the cartridge at its own travel."},
	"preload_assumed": {Text: "No preload was said; none is assumed. Measure how far the cap shortens the spring.",
		Reason: "A bare cap often holds a spring some millimeters short, and every millimeter is one of sag."},
	"inverted_legs": {Text: "On a fork with its stanchions below, measure sag where they show, below the upper tubes.",
		Reason: "Marks and rings of a conventional fork sit elsewhere."},
}

// caution notes a caution once.
func (w *work) caution(code string) {
	for i := range w.a.Cautions {
		if w.a.Cautions[i].Code == code {
			return
		}
	}
	c := cautions[code]
	c.Code = code
	w.a.Cautions = append(w.a.Cautions, c)
}

// when notes a caution where it applies.
func (w *work) when(applies bool, code string) {
	if applies {
		w.caution(code)
	}
}

func (w *work) coilCautions(r *rig, best *Setup) {
	w.caution("starting_values")
	w.when(w.q.Measured == nil || w.q.Measured.How != Both, "read_sag")
	w.caution("coil_stored")
	w.hardwareCautions(r, best)
	w.caution("dry_travel")
	w.when(w.a.MassChart != nil && w.a.MassChart.State == "" && !w.a.MassChart.InBand, "chart_differs")
	w.places(w.a.Load.LegPushN > 0 || r.legAir.inCurve && r.legAir.air.SealedAtKPa > r.legAir.air.AmbientKPa)
}

// hardwareCautions are about what was put together, whoever rides it.
func (w *work) hardwareCautions(r *rig, best *Setup) {
	w.when(r.assumed, "preload_assumed")
	if b := best.Bump; b != nil && b.Medium == "air" {
		w.caution("bump_stop_air")
		w.when(b.SetKPa > 0, "pump_hose")
		w.when(b.MaxKPa == 0, "pressure_limit_unknown")
		w.when(b.Harsh, "harsh_contact")
		w.when(b.Ratio > ratioToCheck+1e-9, "high_compression")
	}
	switch b := best.Bind; {
	case b == nil:
		w.caution("bind_not_checked")
	default:
		w.when(!b.GapsKnown, "gaps_not_known")
		w.when(b.GapsKnown && b.MarginMM >= 0 && b.DynamicMarginMM < 0, "dynamic_gap")
	}
	w.when(w.a.Engineering.StressStatus == spring.ImplausibleWire, "stress")
	w.when(best.EndN > isoPressN, "clearance_test")
}

func (w *work) airCautions(*airRig, *AirSetup) {
	w.caution("starting_values")
	w.caution("read_sag")
	w.caution("air_stored")
	w.places(w.a.Load.LegPushN > 0)
}

func (w *work) places(legsPush bool) {
	w.when(w.at.high && legsPush, "vent_legs")
	if o := w.q.Owned; o != nil && o.Fork != nil {
		if c := w.rev.ChassisOf(o.Fork); c != nil {
			w.when(c.Legs == "inverted", "inverted_legs")
		}
	}
}
