package catalog

import "forkwright/service/unit"

// Pos is where a row came from, for messages: "forks.csv:12".
type Pos struct {
	File string
	Line int
}

// Published is a figure as its maker published it. Empty when not in our data.
type Published struct {
	Value float64
	Unit  string
}

// Known reports whether the figure is in our data.
func (p Published) Known() bool { return p.Unit != "" }

// SI converts to the SI unit of a dimension; see unit.Quantity.
func (p Published) SI(d unit.Dimension) (float64, error) {
	return unit.Quantity{Value: p.Value, Unit: p.Unit}.SI(d)
}

// Side is left or right as the rider sits on the bicycle.
type Side string

// Leg says which leg of a fork something belongs to.
type Leg string

// The legs. Both stands for a part or figure that each leg has one of.
const (
	Left      Side = "left"
	Right     Side = "right"
	SpringLeg Leg  = "spring"
	DamperLeg Leg  = "damper"
	BothLegs  Leg  = "both"
	NoLeg     Leg  = ""
)

// Maker builds forks or parts.
type Maker struct {
	Pos
	Code    string   `col:"maker,key,required"` // code, as other tables name it
	Name    string   `col:"name,required"`      // as people write it
	Aliases []string `col:"aliases"`            // other ways to write it
}

// Chassis is a fork platform: forks of one chassis share tube diameter and internals.
type Chassis struct {
	Pos
	Code             string   `col:"chassis,key,required"`                                // code
	Maker            string   `col:"maker,required" ref:"makers"`                         // who builds it
	Name             string   `col:"name,required"`                                       // for people
	StanchionMM      float64  `col:"stanchion_mm,required" in:"25..50"`                   // outside diameter of the stanchions
	SpringSide       Side     `col:"spring_side,required" one:"left|right"`               // which leg holds the spring, as the rider sits
	Legs             string   `col:"legs,required" one:"conventional|inverted"`           // inverted: the wide tubes are above
	Crown            string   `col:"crown,required" one:"single|dual"`                    // one crown, or a second one above the head tube
	CapThread        string   `col:"cap_thread,required"`                                 // as M35x1
	BoreMM           float64  `col:"bore_mm,required" in:"18..48"`                        // inside of the spring-side stanchion
	Gland            string   `col:"gland,required" one:"threaded|retaining_ring|pinned"` // how the foot end is closed
	FootThreadSpring string   `col:"foot_thread_spring,required"`                         // thread at the foot of the spring leg, as M10x0.75
	FootThreadDamper string   `col:"foot_thread_damper,required"`                         // thread at the foot of the damper leg
	FootFastener     string   `col:"foot_fastener,required" one:"nut|bolt"`               // what holds the foot of each leg
	Axle             string   `col:"axle,required"`                                       // as 15x110
	DamperLeg        string   `col:"damper_leg,required" one:"sealed|open_bath"`          // sealed damper over a bath, or a damper that works in the bath
	FreeLegVolumeML  *float64 `col:"free_leg_volume_ml" in:"0..500"`                      // air in one lower leg, before oil; absent: not known; 0: vented
	LegAirN          *float64 `col:"leg_air_n" in:"0..200"`                               // maker's datum for the lower-leg air force at 20 % travel
	Aliases          []string `col:"aliases"`                                             // names people use for the platform
}

// Seat is where a wiper seal sits; a seal kit is keyed by it, never by the stanchion alone.
type Seat struct {
	Pos
	Chassis    string  `col:"chassis,key,required" ref:"chassis"`  // the chassis
	Generation string  `col:"seal_generation,key,required"`        // name of the generation, as fork_options uses it
	DiameterMM float64 `col:"diameter_mm,required" in:"30..70"`    // inside of the seat
	DepthMM    float64 `col:"depth_mm,required" in:"2..30"`        // depth of the seat
	Flange     string  `col:"flange,required" one:"flanged|flush"` // whether the seal stands up with a rim or sits flush
	Lip        string  `col:"lip,required" one:"single|double"`    // lips of the seal that the seat is made for
}

// Damper is a damper option of forks.
type Damper struct {
	Pos
	Code    string   `col:"damper,key,required"`         // code
	Maker   string   `col:"maker,required" ref:"makers"` // who builds it
	Name    string   `col:"name,required"`               // as printed on it
	Aliases []string `col:"aliases"`                     // other names
}

// Adjuster is one knob of a damper with its number of clicks and where they are counted from.
type Adjuster struct {
	Pos
	Damper    string `col:"damper,key,required" ref:"dampers"`                                                                                                                              // the damper
	Adjuster  string `col:"adjuster,key,required" one:"rebound|compression|low_speed_rebound|high_speed_rebound|low_speed_compression|high_speed_compression|lockout|hydraulic_bottom_out"` // which knob
	Clicks    int    `col:"clicks,required" in:"1..60"`                                                                                                                                     // clicks from end to end
	Reference string `col:"reference,required" one:"from_closed|from_open"`                                                                                                                 // the end that clicks are counted from
}

// Fork is a fork as sold: one model of one chassis over a span of model years.
type Fork struct {
	Pos
	ID         string   `col:"fork,key,required"`                                            // id, as answers name it
	Chassis    string   `col:"chassis,required" ref:"chassis"`                               // its platform
	Model      string   `col:"model,required"`                                               // shared by the forks of a model, as in "Ridgeline 34"
	Name       string   `col:"name,required"`                                                // with variant, as a person would say it
	YearFrom   int16    `col:"year_from,required" in:"1990..2100"`                           // first model year
	YearTo     int16    `col:"year_to,required" in:"1990..2100"`                             // last model year
	WheelSizes []string `col:"wheel_sizes,required" one:"20|24|26|27.5|28|29"`               // wheels it was built for, in inches
	TravelsMM  []int    `col:"travels_mm,required" in:"60..250"`                             // offered as built
	Dampers    []string `col:"dampers" ref:"dampers"`                                        // dampers it was sold with
	Uses       []string `col:"uses" one:"trail|enduro|downhill|cross_country|jump|assisted"` // what it was built for; empty: not known, no limit
	Aliases    []string `col:"aliases"`                                                      // nicknames
}

// ForkOption says that a fork was built with a value of a fact, always or in part of its
// years. Two values in one year, split by date or serial, are a running change.
type ForkOption struct {
	Pos
	Fork       string `col:"fork,key,required" ref:"forks"` // the fork
	Fact       string `col:"fact,key,required"`             // as seal_generation, tube, crown, damper, foot_thread
	Value      string `col:"value,key,required"`            // the value
	YearFrom   int16  `col:"year_from" in:"1990..2100"`     // 0: from the first year
	YearTo     int16  `col:"year_to" in:"1990..2100"`       // 0: to the last year
	DateFrom   string `col:"date_from"`                     // production date, yyyy-mm-dd
	DateTo     string `col:"date_to"`                       // last production date
	SerialFrom string `col:"serial_from"`                   // first serial number
	SerialTo   string `col:"serial_to"`                     // last serial number
}

// Limit is a hard limit stated by the fork's maker. No fitment row can lift it.
type Limit struct {
	Pos
	Fork        string  `col:"fork,key,required" ref:"forks"`                                   // the fork
	WheelSize   string  `col:"wheel_size,key" one:"20|24|26|27.5|28|29"`                        // empty: every wheel size
	Use         string  `col:"use,key" one:"trail|enduro|downhill|cross_country|jump|assisted"` // empty: every use
	MaxTravelMM int     `col:"max_travel_mm" in:"60..250"`                                      // longest travel; empty: no such limit
	MaxRiderKG  float64 `col:"max_rider_kg" in:"40..250"`                                       // heaviest rider, kitted
	MaxSystemKG float64 `col:"max_system_kg" in:"60..350"`                                      // heaviest rider and bicycle
	Source      string  `col:"source,required"`                                                 // where it is published
}

// Mark is etched, printed or boxed with a fork and names it.
type Mark struct {
	Pos
	Fork  string `col:"fork,key,required" ref:"forks"`                              // the fork
	Mark  string `col:"mark,key,required"`                                          // as it reads
	Place string `col:"place,required" one:"crown|stanchion|steerer|lower_leg|box"` // where it stands
}

// FactText is the ten-second question for a fact (value empty) or the text of one of its values.
type FactText struct {
	Pos
	Fact  string `col:"fact,key,required"` // the fact
	Value string `col:"value,key"`         // the value whose text this is; empty: the question
	Lang  string `col:"lang,key,required"` // language of the text, as en
	Text  string `col:"text,required"`     // the question or text
}

// Figure is a torque, volume, socket or other number that belongs to one thing, with the
// unit as published, who published it and where.
type Figure struct {
	Pos
	OwnerKind string  `col:"owner_kind,key,required" one:"chassis|fork|part|damper"`                                            // what the figure belongs to
	Owner     string  `col:"owner,key,required"`                                                                                // its code, id or SKU
	Figure    string  `col:"figure,key,required" one:"torque|socket_before|socket_after|oil_volume|foam_soak|air_pressure_max"` // what the number is; before and after: the socket for the old and the new part
	Place     string  `col:"place,key" one:"top_cap|foot|bath|axle|gland"`                                                      // of the fastener or the fluid
	Leg       Leg     `col:"leg,key" one:"spring|damper|both"`                                                                  // which leg; empty: no matter
	Value     float64 `col:"value,required"`                                                                                    // as published
	Unit      string  `col:"unit,required"`                                                                                     // as published
	Publisher string  `col:"publisher,required"`                                                                                // who published it
	Source    string  `col:"source,required"`                                                                                   // where
}

// Part is anything that can be on a bill.
type Part struct {
	Pos
	SKU          string   `col:"sku,key,required"`                                     // code
	Kind         string   `col:"kind,required"`                                        // one of the kinds of words.go
	Maker        string   `col:"maker" ref:"makers"`                                   // who makes it
	GTIN         string   `col:"gtin"`                                                 // 8, 12, 13 or 14 digits
	Unit         string   `col:"unit,required" one:"each|pair|mL|g|min"`               // unit of sale and of its quantities
	PackQuantity float64  `col:"pack_quantity" in:"0.1..100000"`                       // how many units one package holds; 0: sold singly
	Leg          Leg      `col:"leg" one:"spring|damper|both"`                         // for which leg
	Status       string   `col:"status,required" one:"active|discontinued|superseded"` // a bill takes active parts only; superseded: superseded_by speaks for it
	SupersededBy string   `col:"superseded_by" ref:"parts"`                            // sku
	TaxCategory  string   `col:"tax_category" one:"S|Z|E|AE|O"`                        // of EN 16931; empty: S
	TaxClass     string   `col:"tax_class"`                                            // of the seller's rates, as standard or reduced; empty: standard
	LeadDays     int16    `col:"lead_days" in:"1..365"`                                // calendar days from an order until it is here; 0: nobody knows
	Aliases      []string `col:"aliases"`                                              // other codes printed on it or its box

	Number int32 // its place among the parts of its revision, which gives it
}

// Text is a name by language: of a part, operation, job, item, tool, caution.
type Text struct {
	Pos
	Of   string `col:"of,key,required" one:"part|operation|opening|job|item|spring_family|tool|caution|condition"` // what is named
	Code string `col:"code,key,required"`                                                                          // code of what is named
	Lang string `col:"lang,key,required"`                                                                          // language, as en; English may not be missing
	Text string `col:"text,required"`                                                                              // the name
}

// Content is one part in the box of a kit. A slot is a choice: one of the parts that share
// the slot's name, the default marked.
type Content struct {
	Pos
	Kit      string  `col:"kit,key,required" ref:"parts"`       // SKU of the kit
	Part     string  `col:"part,key,required" ref:"parts"`      // SKU of what is in it
	Quantity float64 `col:"quantity,required" in:"0.01..10000"` // how many, in the part's unit
	Slot     string  `col:"slot"`                               // name of a choice; empty: no choice
	Default  bool    `col:"default"`                            // the one of the slot that comes unless another is asked for
}

// CoilCartridge replaces a fork's spring side with a coil.
type CoilCartridge struct {
	Pos
	SKU          string  `col:"sku,key,required" ref:"parts"`                 // the part
	TravelMM     int     `col:"travel_mm,required" in:"60..250"`              // travel that it gives
	SpringFamily string  `col:"spring_family,required" ref:"spring_families"` // springs that go into it
	BumpStop     string  `col:"bump_stop" ref:"bump_stops"`                   // sku
	TopCap       string  `col:"top_cap" ref:"parts"`                          // sku
	FootNut      string  `col:"foot_nut" ref:"parts"`                         // sku
	Mark         string  `col:"mark,required"`                                // etched on it
	BoreMM       float64 `col:"bore_mm,required" in:"18..48"`                 // inside of the tube around the coil
	ShaftMM      float64 `col:"shaft_mm,required" in:"5..30"`                 // what runs inside the coil
}

// Preload is one preload setting of a cartridge: the cavity that it leaves for the spring at
// full extension. Installed preload is the spring's free length less the cavity.
type Preload struct {
	Pos
	Cartridge string  `col:"cartridge,key,required" ref:"coil_cartridges"` // the cartridge
	Setting   int     `col:"setting,key,required" in:"1..20"`              // 1 is the least
	CavityMM  float64 `col:"cavity_mm,required" in:"100..600"`             // length for the spring at full extension
	Spacer    string  `col:"spacer" ref:"parts"`                           // sku; empty: none
	Spacers   int     `col:"spacers" in:"0..20"`                           // how many of them
}

// Handling says what fitting a cartridge does with the things around it.
type Handling struct {
	Pos
	Cartridge string  `col:"cartridge,key,required" ref:"cartridges"`                      // coil or air cartridge
	Action    string  `col:"action,key,required" one:"includes|reuses|sets_aside|forbids"` // what happens to the item
	Item      string  `col:"item,key,required"`                                            // sku, or a stock item that texts name with of = item
	Quantity  float64 `col:"quantity,required" in:"0.01..10000"`                           // how many
	Leg       Leg     `col:"leg" one:"spring|damper|both"`                                 // in which leg
	Condition string  `col:"condition"`                                                    // for reuses: what to look at
}

// Spring is a coil.
type Spring struct {
	Pos
	SKU          string  `col:"sku,key,required" ref:"parts"`                                  // the part
	Family       string  `col:"family,required"`                                               // springs of one family are interchangeable
	Rate         float64 `col:"rate,required"`                                                 // as published
	RateUnit     string  `col:"rate_unit,required"`                                            // N/mm, lbf/in or kgf/mm
	FreeLengthMM float64 `col:"free_length_mm,required" in:"100..600"`                         // length without load
	WireMM       float64 `col:"wire_mm,required" in:"2..9"`                                    // wire diameter
	MeanMM       float64 `col:"mean_diameter_mm,required" in:"12..45"`                         // mean coil diameter
	ActiveCoils  float64 `col:"active_coils,required" in:"2..80"`                              // coils that move
	TotalCoils   float64 `col:"total_coils,required" in:"3..85"`                               // all coils
	Ends         string  `col:"ends,required" one:"plain|plain_ground|squared|squared_ground"` // how the ends are made
	SleeveMM     float64 `col:"sleeve_mm" in:"0.1..3"`                                         // wall of a sleeve around the coil
	Material     string  `col:"material,required"`                                             // wire grade, as EN10270-2-FDSiCr
	Mark         string  `col:"mark"`                                                          // etched on the coil
}

// AirCartridge is an air spring side.
type AirCartridge struct {
	Pos
	SKU            string  `col:"sku,key,required" ref:"parts"`            // the part
	TravelMM       int     `col:"travel_mm,required" in:"60..250"`         // travel that it gives
	Mark           string  `col:"mark,required"`                           // etched on it
	PistonMM2      float64 `col:"piston_area_mm2,required" in:"200..2000"` // area of the piston
	VolumeML       float64 `col:"volume_ml,required" in:"40..600"`         // main chamber at full extension
	NegativeMM2    float64 `col:"negative_area_mm2" in:"100..2000"`        // area of the negative chamber
	NegativeML     float64 `col:"negative_volume_ml" in:"2..400"`          // negative chamber at full extension; empty: none
	EqualizeMM     float64 `col:"equalize_mm" in:"0.5..80"`                // travel at which the chambers equalize
	Spacer         string  `col:"spacer" ref:"parts"`                      // sku
	SpacerML       float64 `col:"spacer_ml" in:"1..100"`                   // volume of one spacer
	SpacersMax     int     `col:"spacers_max" in:"0..20"`                  // most spacers
	PressureMin    float64 `col:"pressure_min"`                            // least gauge pressure
	PressureMax    float64 `col:"pressure_max,required"`                   // greatest gauge pressure
	PressureUnit   string  `col:"pressure_unit,required"`                  // of both, as psi
	SelfEqualizing bool    `col:"self_equalizing"`                         // whether the negative chamber fills by itself
}

// BumpStop works at the end of the stroke.
type BumpStop struct {
	Pos
	SKU          string    `col:"sku,key,required" ref:"parts"`        // the part
	Medium       string    `col:"medium,required" one:"air|elastomer"` // what it is made of
	BoreMM       float64   `col:"bore_mm" in:"8..40"`                  // of an air bump stop: its piston's diameter
	BodyMM       float64   `col:"body_mm,required" in:"8..42"`         // outside diameter, against the coil's inside
	VolumeML     float64   `col:"volume_ml" in:"0.5..200"`             // at contact
	ContactShare float64   `col:"contact_share" in:"0.2..1"`           // of travel; 0: from contact_mm
	ContactMM    float64   `col:"contact_mm" in:"20..240"`             // travel at which it begins, where contact_share is empty
	Settings     []float64 `col:"settings"`                            // gauge pressures offered, least first
	PressureMax  float64   `col:"pressure_max"`                        // greatest starting pressure
	PeakMax      float64   `col:"peak_pressure_max"`                   // greatest pressure at full travel
	PressureUnit string    `col:"pressure_unit"`                       // of all its pressures
	RatioMax     float64   `col:"ratio_max" in:"1.1..20"`              // greatest compression ratio
}

// BumperPoint is one point of an elastomer's force table.
type BumperPoint struct {
	Pos
	BumpStop     string  `col:"bump_stop,key,required" ref:"bump_stops"` // SKU of the elastomer
	DeflectionMM float64 `col:"deflection_mm,key,required" in:"0..100"`  // how far it is pressed
	ForceN       float64 `col:"force_n,required" in:"0..8000"`           // force then
}

// SealKit is keyed by the seat it fits.
type SealKit struct {
	Pos
	SKU         string  `col:"sku,key,required" ref:"parts"`        // the part
	StanchionMM float64 `col:"stanchion_mm,required" in:"25..50"`   // stanchion that it seals on
	DiameterMM  float64 `col:"diameter_mm,required" in:"30..70"`    // outside, in the seat
	DepthMM     float64 `col:"depth_mm,required" in:"2..30"`        // depth of seat that it needs
	Flange      string  `col:"flange,required" one:"flanged|flush"` // as the seat's
	Lip         string  `col:"lip,required" one:"single|double"`    // as the seat's
	Generation  string  `col:"seal_generation,required"`            // as the seat's
}

// Fluid is an oil or a grease.
type Fluid struct {
	Pos
	SKU          string   `col:"sku,key,required" ref:"parts"`           // the part
	Duty         string   `col:"duty,required" one:"bath|damper|grease"` // what it is for
	Viscosity40  *float64 `col:"viscosity_40_mm2_s" in:"1..1000"`        // kinematic, at 40 degC; empty: not published
	Viscosity100 *float64 `col:"viscosity_100_mm2_s" in:"0.5..200"`      // kinematic, at 100 degC; empty: not published
}

// ClickRow is a row of the maker's click table for a spring family in a damper.
type ClickRow struct {
	Pos
	Family   string  `col:"spring_family,key,required" ref:"spring_families"` // springs that the row is for
	Damper   string  `col:"damper,key,required" ref:"dampers"`                // the damper
	Adjuster string  `col:"adjuster,key,required"`                            // which of its knobs
	Rate     float64 `col:"rate,key,required"`                                // rate of the spring; between two rows the clicks are interpolated
	RateUnit string  `col:"rate_unit,required"`                               // unit of the rate
	Clicks   int     `col:"clicks,required" in:"0..60"`                       // from the adjuster's reference
	Source   string  `col:"source,required"`                                  // where it is published
}

// MassRow is a row of the kit maker's own chart from rider mass to spring rate.
type MassRow struct {
	Pos
	Family     string  `col:"spring_family,key,required" ref:"spring_families"` // springs that the chart is for
	TravelMM   int     `col:"travel_mm,key" in:"60..250"`                       // 0: every travel
	MassFromKG float64 `col:"mass_from_kg,key" in:"0..200"`                     // lightest rider of the row
	MassToKG   float64 `col:"mass_to_kg,required" in:"20..250"`                 // heaviest rider of the row
	MassIs     string  `col:"mass_is,required" one:"kitted|bare"`               // whether the chart's masses are kitted or bare
	Rate       float64 `col:"rate,required"`                                    // rate the chart names
	RateUnit   string  `col:"rate_unit,required"`                               // unit of the rate
	Source     string  `col:"source,required"`                                  // where it is published
}

// Opening is an assembly that a job opens, with the labor of opening and closing it once.
type Opening struct {
	Pos
	Opening string  `col:"opening,key,required" one:"cap|lowers|damper"` // the assembly
	Minutes float64 `col:"minutes,required" in:"0..240"`                 // to open and close it
	Labor   string  `col:"labor,required" ref:"parts"`                   // sku of kind labor
}

// Operation is something done at the bench; it opens assemblies and takes minutes of its own.
type Operation struct {
	Pos
	Operation string   `col:"operation,key,required"`       // code
	Opens     []string `col:"opens" ref:"openings"`         // assemblies that are opened for it
	Minutes   float64  `col:"minutes,required" in:"0..480"` // beyond opening and closing
	Labor     string   `col:"labor,required" ref:"parts"`   // sku of kind labor
}

// Job is a set of operations that a customer asks for by one name.
type Job struct {
	Pos
	Job        string   `col:"job,key,required"`                     // code, as POST /v1/bills takes it
	Operations []string `col:"operations,required" ref:"operations"` // what is done
}

// Need is what an opened assembly, or an operation, asks for on a chassis or fork. Exactly one
// of Opening and Operation is set; Part is a SKU, or Kind a kind to be resolved by fitment.
type Need struct {
	Pos
	TargetKind string  `col:"target_kind,key,required" one:"any|chassis|fork"`       // how wide the need reaches
	Target     string  `col:"target,key"`                                            // chassis or fork; empty for any
	Opening    string  `col:"opening,key" ref:"openings"`                            // asked for whenever this is opened
	Operation  string  `col:"operation,key" ref:"operations"`                        // asked for whenever this is done
	Leg        Leg     `col:"leg,key" one:"spring|damper|both"`                      // for which leg
	Part       string  `col:"part,key" ref:"parts"`                                  // sku
	Kind       string  `col:"kind,key"`                                              // kind of part that fitment resolves
	Quantity   float64 `col:"quantity" in:"0.01..10000"`                             // 0 for fluids: the figure of the leg's bath says it
	Role       string  `col:"role,required" one:"consumable|never_reuse|reuse|tool"` // role on the bill
	Condition  string  `col:"condition"`                                             // for reuse: what to look at
}

// PartRule says that a part needs or excludes another, whatever the fork.
type PartRule struct {
	Pos
	Part   string `col:"part,key,required" ref:"parts"`          // the part
	Rule   string `col:"rule,key,required" one:"needs|excludes"` // what it does
	Other  string `col:"other,key,required" ref:"parts"`         // the other part
	Reason string `col:"reason,required"`                        // for people
}

// Level says how wide a fitment row reaches, from a maker's every fork to one fork.
type Level uint8

// The levels, the least specific first.
const (
	AtMaker Level = iota + 1
	AtChassis
	AtModel
	AtFork
)

// Verdict is the answer to "does it fit".
type Verdict uint8

// The verdicts a row can give (the first three) and an answer can give (all).
const (
	Fits Verdict = iota + 1
	FitsWith
	DoesNotFit
	Unknown
	NotInCatalog
	NotForkRelated
)

// Fact is a fact with a value, as "tube=thick".
type Fact struct{ Name, Value string }

// Requirement is a machine-readable condition of a fits_with.
type Requirement struct {
	Kind     string // travel_spacer|adapter|renew|remove|part
	Part     string // sku; empty where the text alone says it
	Quantity float64
	Text     string
}

// Conditions are what few rows have, kept apart so that a million rows stay small.
type Conditions struct {
	SerialFrom, SerialTo string
	Must, MustNot        []Fact
	Requires             []Requirement
}

// Fitment is one row of evidence: this part, on these forks, with this verdict.
type Fitment struct {
	Pos
	ID           string // stable, named in answers
	Part         string
	Level        Level
	Verdict      Verdict
	Target       string // maker, chassis, "maker/model" or fork, by Level
	YearFrom     int16  // 0: open
	YearTo       int16
	TravelFromMM int16 // of the travel now; 0: open
	TravelToMM   int16
	Reason       string // stable code
	Evidence     string
	Source       string
	*Conditions
}

// PriceList is a list of prices for one audience in one currency.
type PriceList struct {
	Pos
	List       string `col:"list,key,required"`                          // code
	Currency   string `col:"currency,required"`                          // ISO 4217
	Audience   string `col:"audience,required" one:"buying|recommended"` // buying: what the trade pays; recommended: retail
	Basis      string `col:"basis,required" one:"net|gross"`             // whether tax is in the prices
	ValidFrom  string `col:"valid_from,required"`                        // first day, yyyy-mm-dd
	ValidUntil string `col:"valid_until"`                                // last day; empty: no end
}

// Price is the price of a part on a list, as exact decimal text.
type Price struct {
	Pos
	List         string  `col:"list,key,required" ref:"price_lists"` // the list
	SKU          string  `col:"sku,key,required" ref:"parts"`        // the part
	MinQuantity  float64 `col:"min_quantity,key" in:"0.01..100000"`  // from this quantity on; empty: any
	Amount       string  `col:"price,required"`                      // exact decimal, as 12.50
	BaseQuantity float64 `col:"base_quantity" in:"0.01..100000"`     // 0: 1
}

// Tables is a catalog as read: the fitment part and the price part, which have digests of
// their own in a revision.
type Tables struct {
	Makers         []Maker         `table:"makers"`
	Chassis        []Chassis       `table:"chassis"`
	Seats          []Seat          `table:"seats"`
	Dampers        []Damper        `table:"dampers"`
	Adjusters      []Adjuster      `table:"adjusters"`
	Forks          []Fork          `table:"forks"`
	ForkOptions    []ForkOption    `table:"fork_options"`
	Limits         []Limit         `table:"limits"`
	Marks          []Mark          `table:"marks"`
	FactTexts      []FactText      `table:"facts"`
	Figures        []Figure        `table:"figures"`
	Parts          []Part          `table:"parts"`
	Texts          []Text          `table:"texts"`
	Contents       []Content       `table:"contents"`
	CoilCartridges []CoilCartridge `table:"coil_cartridges"`
	Preloads       []Preload       `table:"preloads"`
	Handlings      []Handling      `table:"handlings"`
	Springs        []Spring        `table:"springs"`
	AirCartridges  []AirCartridge  `table:"air_cartridges"`
	BumpStops      []BumpStop      `table:"bump_stops"`
	BumperPoints   []BumperPoint   `table:"bumper_points"`
	SealKits       []SealKit       `table:"seal_kits"`
	Fluids         []Fluid         `table:"fluids"`
	ClickRows      []ClickRow      `table:"click_tables"`
	MassRows       []MassRow       `table:"mass_charts"`
	Openings       []Opening       `table:"openings"`
	Operations     []Operation     `table:"operations"`
	Jobs           []Job           `table:"jobs"`
	Needs          []Need          `table:"needs"`
	PartRules      []PartRule      `table:"part_rules"`
	Fitments       []Fitment       `table:"fitments"`

	PriceLists []PriceList `table:"price_lists"`
	Prices     []Price     `table:"prices"`
}
