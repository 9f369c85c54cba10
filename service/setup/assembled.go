package setup

import (
	"math"
	"slices"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/spring"
)

// Assembly is a coil cartridge as it is put together. Nothing about a rider is in it: it is what
// the bench knows.
type Assembly struct {
	Fork       string   // id; empty: the cartridge by itself
	Cartridge  string   // SKU
	Spring     string   // SKU
	TravelMM   float64  // less than the cartridge's with a travel spacer; 0: the cartridge's
	Preload    int      // setting; 0: not said, the least is taken
	BumpKPa    *float64 // air bump stop, gauge, fork extended; nil: not said, chosen by the rule of Recommend
	Damper     string   // code; empty: not known
	Discipline string   // as in Question; empty: not said
	SagPercent *float64 // target; nil: by discipline
}

// Assembled is what follows of an assembly before anybody sits on it.
type Assembled struct {
	TravelMM    float64
	Setup       Setup   // its Sag is empty
	SlowEndN    float64 // force that reaches full travel when it is pressed slowly; Setup.EndN is that of a fast stroke
	PreloadSaid bool
	BumpSaid    bool
	Fault       string // why it must not be ridden; empty: nothing speaks against it
	Target      Target
	Clicks      []Click
	Cautions    []Caution    // of the hardware
	Curve       spring.Curve // a fast stroke
}

// SagRange is the sag within the tolerance of the target, in mm.
func (a *Assembled) SagRange() (low, high float64) {
	half := a.Target.TolerancePoints / 100 * a.TravelMM
	return a.Target.MM - half, a.Target.MM + half
}

// Assemble works out an assembly with the model of Recommend. It fails with a fault of kind
// Invalid for what the catalog does not hold.
func Assemble(rev *catalog.Revision, in Assembly) (Assembled, error) {
	cartridge, ok := rev.Coil(in.Cartridge)
	if !ok {
		return Assembled{}, unknownPart("/cartridge", "unknown_cartridge", "The catalog has no coil cartridge %q.", in.Cartridge)
	}
	q := Question{Cartridge: in.Cartridge, Damper: in.Damper, Discipline: in.Discipline, SagPercent: in.SagPercent,
		Hardware: &Hardware{Springs: []GivenSpring{{SKU: in.Spring}}}}
	if f, ok := rev.Fork(in.Fork); ok {
		q.Owned = &fitment.Owned{Fork: f}
	}
	a := Answer{Target: target(&q)}
	w := &work{rev: rev, q: &q, at: surround(&q.Conditions), a: &a}
	r, err := rigOf(rev, &q, cartridge, w.at, in.TravelMM)
	if err != nil {
		return Assembled{}, err
	}
	c, err := r.chosen(w, &in)
	if err != nil {
		return Assembled{}, err
	}
	a.Target.MM = a.Target.Percent / 100 * r.travel
	w.lists(r)
	built := r.setup(w, c)
	w.engineer(r, &built)
	w.hardwareCautions(r, &built)
	w.when(in.TravelMM > 0 && in.TravelMM < float64(cartridge.TravelMM), "travel_spacer")
	slow := r.fork(&c, spring.Slow)
	out := Assembled{
		TravelMM: r.travel, Setup: built, SlowEndN: slow.EndN(), PreloadSaid: in.Preload != 0, BumpSaid: in.BumpKPa != nil, Target: a.Target,
		Clicks: clicksFor(rev, in.Cartridge, in.Damper, built.Spring.RateNPerMM), Cautions: a.Cautions, Curve: r.fork(&c, r.exponent),
	}
	if c.Reason.Rejected() {
		out.Fault = r.why(&built).Text
	}
	return out, nil
}

func unknownPart(at, code, text, sku string) error {
	var f fault.Fields
	f.Add(at, code, text, sku)
	return f.Err()
}

// chosen is the one candidate that an assembly is, judged as in a search.
func (r *rig) chosen(w *work, in *Assembly) (Candidate, error) {
	x := pair{}
	if in.Preload != 0 {
		x.preload = int16(slices.IndexFunc(r.preloads, func(p preload) bool { return p.number == in.Preload }))
		if x.preload < 0 {
			return Candidate{}, unknownPart("/preload", "no_such_preload", "Cartridge %s has no such preload setting.", in.Cartridge)
		}
	}
	k := &r.coils[0]
	x.p, x.reason = r.preloads[x.preload].of(k)
	r.bind(k, &x)
	coilEnd := k.rate * (r.travel + x.p)
	c := Candidate{Preload: x.preload, PreloadMM: x.p, MarginMM: x.margin, Reason: x.reason}
	c.Bump = r.stopAt(w, in.BumpKPa, coilEnd)
	if c.Reason == Fine {
		c.Reason = r.stops[c.Bump].reason
	}
	return c, nil
}

// stopAt is the setting of the bump stop at a pressure, which need not be one that the part lists;
// without a pressure it is the one that the rule of choice puts first.
func (r *rig) stopAt(w *work, kPa *float64, coilEndN float64) int16 {
	if kPa == nil || !r.stop.air {
		order := make([]int16, len(r.stops))
		r.rankStops(order, coilEndN, w.a.Target.EndSharePercent/100)
		return order[0]
	}
	const same = 0.05 // kPa: a pressure that was written in another unit
	i := slices.IndexFunc(r.stops, func(s stopSetting) bool { return math.Abs(s.kPa-*kPa) < same })
	if i < 0 {
		r.stops = append(r.stops, r.pumped(*kPa, w.at))
		i = len(r.stops) - 1
	}
	return int16(i)
}
