package setup

import (
	"iter"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/spring"
)

// Status says what kind of answer it is. Beside those below, it is the code of a Reason where
// nothing that could be built may be ridden.
type Status string

// The statuses. All but OK are refusals: they say by how much, and what comes nearest.
const (
	OK            Status = "ok"
	RiderTooLight Status = "rider_too_light" // even the softest choice sags too little
	RiderTooHeavy Status = "rider_too_heavy" // even the stiffest choice sags too much
	GapInRange    Status = "gap_in_range"    // the target lies between two choices, both too far off
	ForkLimit     Status = "fork_limit"      // past a limit of the fork's maker; no spring cures it
	DoesNotFit    Status = "does_not_fit"    // the cartridge asked for
	NotSettled    Status = "not_settled"     // a question has to be answered first
	NoCartridge   Status = "no_cartridge"    // the catalog has none for this fork
	WheelLifts    Status = "wheel_would_lift"
	DoesNotExtend Status = "does_not_extend" // an air spring that pulls itself down
)

// NotInOurData is the state of what the catalog does not hold.
const NotInOurData = "not_in_our_data"

// Answer is a setup with all it stands on, or a refusal.
type Answer struct {
	CatalogRevision int64
	Fork            string // id, where one was named
	Cartridge       string // SKU
	Kind            string // coil|air
	TravelMM        float64

	Status  Status
	Text    string
	Refusal *Refusal
	Fit     *fitment.Answer // of the cartridge, where fork and cartridge are known

	Question *fault.Question

	Target    Target
	Load      Load
	Needed    Needed
	WayToErr  string // softer|stiffer
	ErrText   string
	Evaluated int // candidates evaluated, all of them

	Candidates []Candidate // best first
	Springs    []Spring
	Preloads   []Preload
	Bumps      []BumpSetting

	Recommended *Setup // nil in a refusal
	Nearest     *Setup // in a refusal: the best of what was evaluated, with its faults
	Neighbor    *Neighbor
	Trim        []Change // what other preloads and the next rates would do
	Measured    *FromMeasured
	WhatIfs     *WhatIfs // asked for; no part of the recommendation
	MassChart   *ChartFigure
	Clicks      []Click
	Air         *AirSetup
	Curves      []Series
	Engineering Engineering
	Cautions    []Caution

	Alternatives []Alternative // other cartridges that fit
}

// Refusal says by how much it does not work.
type Refusal struct {
	Code string
	Text string
	By   float64 // in Unit; 0 where there is no such figure
	Unit string
	Have float64
	Want float64
}

// Target is the sag that is aimed at.
type Target struct {
	Percent         float64
	MM              float64
	TolerancePoints float64
	EndSharePercent float64 // end force of the bump stop over the coil's that suits the discipline
	Provenance      Provenance
	Source          string
}

// Needed is the rate that would meet the target exactly, with the band of the load (friction
// left out: it blurs a reading, it does not change the rider).
type Needed struct {
	RateNPerMM, LowNPerMM, HighNPerMM float64
	PreloadMM                         float64
	Status                            spring.Status
}

// Spring is a spring of the search.
type Spring struct {
	SKU        string
	RateNPerMM float64
	Published  catalog.Published // as its maker wrote it
}

// Preload is a preload setting of the search.
type Preload struct {
	Setting  int // 1 is the least
	CavityMM float64
	MM       float64 // where it was given as a length
	ForceN   float64 // where it was given as a force
	Spacers  int
	Spacer   string // SKU
}

// BumpSetting is a setting of the bump stop, with all that does not depend on the coil.
type BumpSetting struct {
	SetKPa          float64 // gauge, where it is set
	RiddenKPa       float64 // gauge, where it is ridden
	StepN           float64 // jump of the force at contact
	EndLowN         float64 // at full travel, by the band of the exponent
	EndN            float64
	EndHighN        float64
	Ratio           float64 // compression over the stroke
	PeakKPa         float64 // gauge, at full travel
	Reason          Reason
	Harsh           bool // the step at contact may feel harsh
	Published       catalog.Published
	AfterHose4MLKPa float64 // what a pump shows when a hose of 4 mL is joined again
	AfterHose8MLKPa float64
}

// SagFigure is a sag with its band: shares, leg air and friction together.
type SagFigure struct {
	MM, LowMM, HighMM                float64
	Percent, LowPercent, HighPercent float64
}

// Setup is one candidate in full.
type Setup struct {
	Candidate             Candidate
	Spring                Spring
	Preload               Preload
	PreloadMM             float64
	PreloadN              float64 // at full extension
	Sag                   SagFigure
	Bind                  *Bind // nil where the spring's lengths are not known
	Bump                  *BumpDetail
	StartN                float64
	EndLowN               float64 // force that reaches full travel, by the band of the exponent
	EndN                  float64
	EndHighN              float64
	Energy                spring.Energy // to full travel, fast stroke
	EnergyLow, EnergyHigh float64
	Elements              []Element
}

// Bind is how far the coil is from bind, mm.
type Bind struct {
	FreeMM, BlockMM, GapSumMM float64
	BindAtMM                  float64 // travel at which the coils touch
	GapAtMM                   float64 // travel at which the least gap is used up
	MarginMM                  float64 // GapAtMM less the travel
	DynamicMarginMM           float64 // the same with half as much gap again
	GapsKnown                 bool
	Status                    spring.Status
}

// BumpDetail is the bump stop in the recommended setting.
type BumpDetail struct {
	SKU       string
	Medium    string // air|elastomer
	ContactMM float64
	BumpSetting
	EndSharePercent float64
	MaxKPa          float64 // 0: not in our data
	PeakMaxKPa      float64
	RatioMax        float64
	Rule            string // how the setting was chosen
	Unlisted        bool   // the part lists no settings: even steps up to its greatest pressure
	Start           string // pressure to start from, in words
}

// Element is where a part of the spring side takes over.
type Element struct {
	Name   string // coil|air_spring|lower_leg_air|bump_stop
	FromMM float64
	StepN  float64 // jump of the force there
	EndN   float64 // its part of the end force, fast stroke
}

// Neighbor is the next spring beside the recommended one.
type Neighbor struct {
	Setup    Setup
	Stiffer  bool
	CoinToss bool
	Text     string
}

// Change is what another preload or rate would do to the sag.
type Change struct {
	What      string // preload|softer|stiffer
	Spring    Spring
	Preload   Preload
	PreloadMM float64
	Sag       SagFigure
	DeltaMM   float64 // against the setup it is trim of
	Reason    Reason  // why it must not be ridden
	Text      string
}

// ChartFigure is the kit maker's own figure beside the computed one.
type ChartFigure struct {
	State       string // not_in_our_data where there is no chart, or no row for this mass
	RateNPerMM  float64
	Published   catalog.Published
	MassFromKG  float64
	MassToKG    float64
	MassIs      string
	Source      string
	Difference  float64 // computed less chart, N/mm
	Percent     float64
	InBand      bool
	WhereToLook string
}

// Click is the setting of one adjuster.
type Click struct {
	Damper      string
	Adjuster    string
	State       string // not_in_our_data, or empty
	Clicks      int
	Exact       float64
	Max         int
	Reference   spring.Reference
	Status      spring.Status // ok|below_table|above_table: the end row is held, never extrapolated
	Source      string
	WhereToLook string
}

// AirSetup is an air spring set for a sag.
type AirSetup struct {
	GaugeKPa        float64 // where it is set
	RiddenKPa       float64
	LowKPa          float64 // by the band of the load
	HighKPa         float64
	MinKPa, MaxKPa  float64 // limits of the part; 0: not in our data
	Spacers         int
	SpacersMax      int
	Spacer          string // SKU
	Sag             SagFigure
	StartN          float64 // force at full extension
	EndLowN         float64
	EndN            float64
	EndHighN        float64
	EndSharePercent float64 // end force beyond a straight line through the sag, over that line
	Energy          spring.Energy
	Status          Status
	Choices         []AirChoice
}

// AirChoice is one number of volume spacers.
type AirChoice struct {
	Spacers         int
	GaugeKPa        float64
	StartN, EndN    float64
	EndSharePercent float64
	Status          Status
}

// FromMeasured is the load that explains a measured sag, and what would change it.
type FromMeasured struct {
	Spring            Spring
	PreloadMM         float64
	SagMM             float64
	How               string
	SpringN           float64 // what the spring side carries
	LowN, HighN       float64
	FrictionN         float64 // from two readings, where both were taken
	AxialN            float64 // with the lower-leg air put back
	ImpliedRiderShare float64
	ShareStatus       spring.Status
	EstimateN         float64 // what the defaults would have said
	DifferenceN       float64
	Changes           []Change
	Text              string
}

// Series is one force-travel curve. It is sampled by who shows it: a picture shows two of three,
// and no energy.
type Series struct {
	Name     string // recommended|recommended_slow|neighbor
	Exponent float64
	Curve    spring.Curve
	Steps    int // as were asked for
}

// Points yields the curve at even steps, as many as were asked for, and at least 161.
func (s *Series) Points() iter.Seq[spring.Point] { return s.Curve.Sample(s.Steps) }

// Engineering is for engineering eyes only and belongs in no customer's answer: real dampers
// are not linear, and nothing published was found for bicycles.
type Engineering struct {
	SprungMassKG          float64
	FrequencyHz           float64
	CriticalDampingNSPerM float64
	DampingRatio          float64 // of the damping that was given
	StressMPa             float64 // uncorrected, at full travel
	CorrectedStressMPa    float64
	TensileMPa            float64
	StressShare           float64
	StressStatus          spring.Status
	Index                 float64
	RateFromGeometry      float64
	GeometryDifference    float64 // share of the catalog rate
	RateAtTemperature     float64
	SurgeHz               float64 // of the coil, where its wire is known
	BucklesUnguidedAtMM   float64
}

// Caution is a warning with its reason.
type Caution struct {
	Code, Text, Reason string
}

// Alternative is another cartridge that fits.
type Alternative struct {
	SKU      string
	Kind     string
	Verdict  catalog.Verdict
	TravelMM float64
	Status   Status
}
