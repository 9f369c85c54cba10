package setup

import (
	"forkwright/service/fitment"
	"forkwright/service/spring"
)

// Question is all that a setup depends on beside the catalog. Pointers and zero values mean
// "not said"; what is not said is assumed, and the answer says with what and why.
type Question struct {
	Owned     *fitment.Owned // the fork; may be nil when Hardware says enough
	Cartridge string         // SKU of a coil or air cartridge; empty: one of those that fit
	Damper    string         // code; empty: the option of the fork, or its only damper

	Rider      Rider
	Bicycle    Bicycle
	Discipline string   // trail|enduro|downhill|cross_country|jump|assisted|park; empty: not said
	Stance     string   // standing|seated; empty: standing
	SagPercent *float64 // target; empty: by discipline
	Tolerance  *float64 // percentage points of sag that are good enough; empty: 3

	Load       Overrides
	Hardware   *Hardware
	Conditions Conditions
	Measured   *Measured
	WhatIf     *WhatIf

	DampingNSPerM *float64 // axial damping, for the engineering part only
	WithCurve     bool
	CurvePoints   int // at least spring.MinPoints
}

// Rider is who rides. MassIs must be said: the gear is half a spring step.
type Rider struct {
	MassKG float64
	MassIs string   // kitted|bare
	GearKG *float64 // worn and carried, added to a bare mass
}

// Bicycle is the complete bicycle.
type Bicycle struct {
	MassKG float64 // 0: not said
	Frame  Frame
}

// Frame holds frame figures; zero means not known.
type Frame struct {
	ChainstayMM  float64 // horizontal, bottom bracket to rear axle
	WheelbaseMM  float64
	GripAheadMM  float64 // grip ahead of the bottom bracket
	HeadAngleDeg float64 // from the horizontal
}

// Overrides replace the defaults of the load, so that a hand calculation can be replayed.
type Overrides struct {
	FrontShareRider   *float64
	FrontShareBicycle *float64
	UnsprungKG        *float64
	LowerLegAirN      *float64 // at the target sag
	HandShare         *float64
	FrictionN         *float64
	AxialN            *float64 // the axial load itself; nothing of the above but leg air and friction is used then
}

// Conditions are where the fork is ridden, where its pressures are set and where its lower
// legs were closed.
type Conditions struct {
	AltitudeM       *float64 // ridden; empty: sea level
	TemperatureC    *float64 // ridden; empty: 20
	SetAltitudeM    *float64 // where pressures are set; empty: where it is ridden
	SetTemperatureC *float64
	ClosedAltitudeM *float64 // where the lower legs were closed; empty: sea level
}

// Hardware are figures given in the question instead of, or on top of, those of the catalog.
type Hardware struct {
	TravelMM float64
	Springs  []GivenSpring
	Preloads []GivenPreload
	BumpStop *GivenBumpStop
	NoBump   bool // the cartridge's bump stop is left out
	Air      *GivenAir
	Legs     *GivenLegs
	BoreMM   float64 // around the coil
	ShaftMM  float64 // inside the coil
	Exponent *float64
}

// GivenSpring is a coil by SKU, by rate, or by the geometry from which a rate follows.
type GivenSpring struct {
	SKU          string
	RateNPerMM   float64
	FreeLengthMM float64
	SolidMM      float64
	GapSumMM     float64 // sum of the least gaps; 0: from geometry, where given
	WireMM       float64
	MeanMM       float64
	ActiveCoils  float64
	TotalCoils   float64
	Ends         spring.Ends
	SleeveMM     float64
	Material     string
	ShearMPa     float64
}

// GivenPreload is one preload setting: exactly one of the three is said.
type GivenPreload struct {
	MM       *float64 // length by which the spring is shortened at full extension
	CavityMM *float64 // length that is left for the spring at full extension
	ForceN   *float64 // at full extension
}

// GivenBumpStop is an air bump stop by its chamber, or an elastomer by its table.
type GivenBumpStop struct {
	BoreMM         float64
	AreaMM2        float64 // instead of the bore
	VolumeML       float64
	ContactMM      float64
	ContactShare   float64   // of the travel, instead of a length; both 0: two thirds
	GaugesKPa      []float64 // settings on offer; empty: not pumped, or steps up to MaxKPa
	MaxKPa         float64
	PeakMaxKPa     float64 // gauge, at full travel
	RatioMax       float64
	BodyMM         float64
	DeflectionsMM  []float64 // elastomer
	ForcesN        []float64
	WantedEndForce *float64 // N at full travel: adds the pressure that gives it to the settings
}

// GivenAir is an air main spring.
type GivenAir struct {
	PistonMM2   float64
	VolumeML    float64
	NegativeMM2 float64
	NegativeML  float64
	EqualizeMM  float64
	SpacerML    float64
	SpacersMax  int
	MinKPa      float64
	MaxKPa      float64
	GaugeKPa    *float64 // evaluate this pressure instead of searching for one
	Spacers     *int
}

// GivenLegs is the air in the lower legs, where the chassis does not say it.
type GivenLegs struct {
	Legs         int // 0: two
	StanchionMM  float64
	FreePerLegML float64
	OilPerLegML  float64
}

// Measured is a sag that was read, with the spring that was in the fork. It replaces the
// estimate of the load.
type Measured struct {
	Spring    string  // SKU
	RateN     float64 // N/mm, instead of the SKU
	Setting   int     // preload setting of the cartridge
	Preload   *GivenPreload
	BumpKPa   *float64 // the bump stop as pumped; only needed for a sag past its contact
	GaugeKPa  *float64 // air spring: as pumped where it is set, with the spacers of Hardware.Air or Spacers
	Spacers   *int     // air spring: volume spacers that were in
	SagMM     float64  // eased or bounced; for both, the mean of the two readings unless they are given
	EasedMM   float64  // for both
	BouncedMM float64  // for both
	How       string   // eased|bounced|both
}

// The ways of reading a sag.
const (
	Eased   = "eased"   // weight eased on: friction holds the fork up
	Bounced = "bounced" // settled after a bounce: friction holds the fork down
	Both    = "both"    // both readings
)
