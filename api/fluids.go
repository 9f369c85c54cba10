package api

import (
	"context"

	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/fluid"
	"forkwright/service/notice"
	"forkwright/service/unit"
)

// ---- POST /v1/fluids/compare ----------------------------------------------------------------

type compareFluidsIn struct {
	askIn
	Body compareFluidsBody `body:""`
}

// compareFluidsBody asks whether a fluid at hand may stand in for one of the catalog.
type compareFluidsBody struct {
	CatalogRevision revisionNumber `json:"catalog_revision"`
	For             string         `json:"for"`
	AtHand          atHandIn       `json:"at_hand"`
}

// atHandIn is a fluid of the catalog, or what the sheet of another says.
type atHandIn struct {
	SKU          string   `json:"sku"`
	Duty         string   `json:"duty"`
	Viscosity40  *float64 `json:"viscosity_40_mm2_s"`
	Viscosity100 *float64 `json:"viscosity_100_mm2_s"`
}

type comparedFluidsOut struct {
	Verdict     string           `json:"verdict"` // may_stand_in|may_not|not_in_our_data
	Reason      string           `json:"reason,omitempty"`
	Text        string           `json:"text"`
	WhereToLook string           `json:"where_to_look,omitempty"`
	For         comparedFluid    `json:"for"`
	AtHand      comparedFluid    `json:"at_hand"`
	Comparison  []fluidsAtOut    `json:"comparison"`
	Rule        fluidToleranceIs `json:"rule"`
	Cautions    []cautionOut     `json:"cautions"`
}

type comparedFluid struct {
	SKU  string `json:"sku,omitempty"`
	Name string `json:"name,omitempty"`
	fluidOut
}

type fluidsAtOut struct {
	TemperatureC      float64  `json:"temperature_c"`
	ForMM2S           *float64 `json:"for_mm2_s,omitempty"`
	AtHandMM2S        *float64 `json:"at_hand_mm2_s,omitempty"`
	DifferencePercent *float64 `json:"difference_percent,omitempty"`
	TolerancePercent  float64  `json:"tolerance_percent"`
	Within            *bool    `json:"within,omitempty"`
	By                string   `json:"by"` // data_sheet|walther
	State             string   `json:"state"`
}

type fluidToleranceIs struct {
	Text       string `json:"text"`
	Provenance string `json:"provenance"`
}

const fluidRule = "The same duty, and a viscosity within 15 % at 100 and at 40 degC and within 30 % at 20, 0 and -10 degC. The cold figures lie on Walther's line (ASTM D341) through the two of the data sheets; of oils with improvers it is not sure there."

// fluidCautions stand beside every verdict: no viscosity says what a fluid does to seals.
var fluidCautions = []cautionOut{
	{"seals_are_the_makers_word", "Whether seals, bushings and coatings bear a fluid is for the makers of fork, damper and fluid to say; ask them before it goes in.",
		"No viscosity tells what a fluid does to rubber, and a swollen seal can lock or leak."},
	{"never_mix", "Drain and clean first; never mix two fluids.", "Additives of different makers can fall out or foam together."},
}

// compareFluids says whether a fluid at hand may stand in.
func (s *Server) compareFluids(ctx context.Context, who caller.Caller, in compareFluidsIn) (answered[comparedFluidsOut], error) {
	var none answered[comparedFluidsOut]
	a, err := s.ask(ctx, who, in.askIn, int64(in.Body.CatalogRevision))
	if err != nil {
		return none, err
	}
	var wrong fault.Fields
	asked, err := a.fluidAt("/for", in.Body.For, &wrong)
	if err != nil {
		return none, err
	}
	if in.Body.For == "" {
		wrong.Add("/for", "required", "Say which fluid is asked for, by any of its codes.")
	}
	atHand, err := a.atHand(&in.Body.AtHand, &wrong)
	if err != nil {
		return none, err
	}
	if err := wrong.Err(); err != nil {
		return none, err
	}
	got, status := fluid.Compare(compared(asked), compared(atHand))
	if status != fluid.OK {
		return none, wrongField("/at_hand/viscosity_100_mm2_s", "contradiction", "A fluid is thicker at 40 degC than at 100 degC; check the two figures.")
	}
	out := comparedFluidsOut{Verdict: string(got.Verdict), Reason: string(got.Reason), For: asked, AtHand: atHand, Comparison: []fluidsAtOut{},
		Rule: fluidToleranceIs{fluidRule, "common practice, no source"}, Cautions: fluidCautions}
	out.Text, out.WhereToLook = fluidText(got)
	for _, c := range got.At {
		out.Comparison = append(out.Comparison, fluidsAt(c))
	}
	for _, sku := range []string{asked.SKU, atHand.SKU} {
		if sku != "" {
			a.met(notice.Subject{SKU: sku})
		}
	}
	reply := answerTo(a, out)
	reply.CacheControl = "private, no-store"
	return reply, nil
}

// fluidAt is a fluid of the catalog.
func (a *asking) fluidAt(at, code string, wrong *fault.Fields) (comparedFluid, error) {
	sku, err := a.skuOf(at, code, wrong)
	if err != nil || sku == "" {
		return comparedFluid{}, err
	}
	f, ok := a.rev.Fluid(sku)
	if !ok {
		wrong.Add(at, "not_a_fluid", "%s is no fluid; name an oil, or a grease.", sku)
		return comparedFluid{}, nil
	}
	return comparedFluid{sku, a.partName(sku), fluidOut{f.Duty, f.Viscosity40, f.Viscosity100}}, nil
}

func (a *asking) atHand(in *atHandIn, wrong *fault.Fields) (comparedFluid, error) {
	const at = "/at_hand"
	if in.SKU != "" {
		if in.Duty != "" || in.Viscosity40 != nil || in.Viscosity100 != nil {
			wrong.Add(at, "given_twice", "Name a fluid of the catalog, or give the figures of another; not both.")
		}
		return a.fluidAt(at+"/sku", in.SKU, wrong)
	}
	if in.Duty == "" {
		wrong.Add(at+"/duty", "required", "Name the fluid at hand by its sku, or say what its maker sells it for and the viscosities of its data sheet.")
	}
	oneOf(wrong, at+"/duty", "duty", in.Duty, []string{"bath", "damper", "grease"})
	for _, v := range []struct {
		name        string
		v           *float64
		least, most float64
	}{{"viscosity_40_mm2_s", in.Viscosity40, 1, 1000}, {"viscosity_100_mm2_s", in.Viscosity100, 0.5, 200}} {
		if v.v != nil && !(*v.v >= v.least && *v.v <= v.most) {
			wrong.Add(at+"/"+v.name, "out_of_range", "%v lies outside %v to %v mm2/s; correct the value.", unit.Round(*v.v, 6), v.least, v.most)
		}
	}
	return comparedFluid{fluidOut: fluidOut{in.Duty, in.Viscosity40, in.Viscosity100}}, nil
}

func compared(f comparedFluid) fluid.Fluid {
	return fluid.Fluid{Duty: f.Duty, At40: f.Viscosity40, At100: f.Viscosity100}
}

func fluidText(got fluid.Comparisons) (text, look string) {
	switch got.Reason {
	case fluid.OtherDuty:
		return "It is made for another duty and does not stand in.", ""
	case fluid.Grease:
		return "Greases cannot be compared by viscosity; take the one that is asked for, or ask its maker.", "the makers' sheets on thickener and rubber"
	case fluid.ViscosityDiffers:
		return "Its viscosity is too far off and it does not stand in; the comparison says at which temperature.", ""
	case fluid.ViscosityMissing:
		return "Nothing speaks against it so far, but a viscosity is not in our data; without it nothing is promised.", "the data sheets of both fluids, kinematic viscosity at 40 and 100 degC"
	}
	return "By duty and viscosity it may stand in. Ask the makers about seals before it goes in.", ""
}

func fluidsAt(c fluid.Comparison) fluidsAtOut {
	out := fluidsAtOut{TemperatureC: c.TempC, ForMM2S: figureIf(c.For), AtHandMM2S: figureIf(c.AtHand), TolerancePercent: short(100 * c.Tolerance), By: "walther", State: known}
	if c.Measured {
		out.By = "data_sheet"
	}
	if !c.Known {
		out.State = catalogMisses
		return out
	}
	out.DifferencePercent, out.Within = finite(100*c.Difference), &c.Within
	return out
}

const catalogMisses = "not_in_our_data"
