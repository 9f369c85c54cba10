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
	Code    string   `col:"maker,key,required"`
	Name    string   `col:"name,required"`
	Aliases []string `col:"aliases"`
}

// Chassis is a fork platform: forks of one chassis share tube diameter and internals.
type Chassis struct {
	Pos
	Code             string   `col:"chassis,key,required"`
	Maker            string   `col:"maker,required" ref:"makers"`
	Name             string   `col:"name,required"`
	StanchionMM      float64  `col:"stanchion_mm,required" in:"25..50"`
	SpringSide       Side     `col:"spring_side,required" one:"left|right"`
	Legs             string   `col:"legs,required" one:"conventional|inverted"`
	Crown            string   `col:"crown,required" one:"single|dual"`
	CapThread        string   `col:"cap_thread,required"`                                 // as M35x1
	BoreMM           float64  `col:"bore_mm,required" in:"18..48"`                        // inside of the spring-side stanchion
	Gland            string   `col:"gland,required" one:"threaded|retaining_ring|pinned"` // how the foot end is closed: threaded|retaining_ring|pinned
	FootThreadSpring string   `col:"foot_thread_spring,required"`
	FootThreadDamper string   `col:"foot_thread_damper,required"`
	FootFastener     string   `col:"foot_fastener,required" one:"nut|bolt"`
	Axle             string   `col:"axle,required"` // as 15x110
	DamperLeg        string   `col:"damper_leg,required" one:"sealed|open_bath"`
	FreeLegVolumeML  *float64 `col:"free_leg_volume_ml" in:"0..500"` // air in one lower leg, before oil; absent: not known; 0: vented
	LegAirN          *float64 `col:"leg_air_n" in:"0..200"`          // maker's datum for the lower-leg air force at 20 % travel
	Aliases          []string `col:"aliases"`
}

// Seat is where a wiper seal sits; a seal kit is keyed by it, never by the stanchion alone.
type Seat struct {
	Pos
	Chassis    string  `col:"chassis,key,required" ref:"chassis"`
	Generation string  `col:"seal_generation,key,required"`
	DiameterMM float64 `col:"diameter_mm,required" in:"30..70"`
	DepthMM    float64 `col:"depth_mm,required" in:"2..30"`
	Flange     string  `col:"flange,required" one:"flanged|flush"`
	Lip        string  `col:"lip,required" one:"single|double"`
}

// Damper is a damper option of forks.
type Damper struct {
	Pos
	Code    string   `col:"damper,key,required"`
	Maker   string   `col:"maker,required" ref:"makers"`
	Name    string   `col:"name,required"`
	Aliases []string `col:"aliases"`
}

// Adjuster is one knob of a damper with its number of clicks and where they are counted from.
type Adjuster struct {
	Pos
	Damper    string `col:"damper,key,required" ref:"dampers"`
	Adjuster  string `col:"adjuster,key,required" one:"rebound|compression|low_speed_rebound|high_speed_rebound|low_speed_compression|high_speed_compression|lockout|hydraulic_bottom_out"` // rebound|compression|low_speed_rebound|high_speed_compression|…
	Clicks    int    `col:"clicks,required" in:"1..60"`
	Reference string `col:"reference,required" one:"from_closed|from_open"`
}

// Fork is a fork as sold: one model of one chassis over a span of model years.
type Fork struct {
	Pos
	ID         string   `col:"fork,key,required"`
	Chassis    string   `col:"chassis,required" ref:"chassis"`
	Model      string   `col:"model,required"` // shared by the forks of a model, as in "Ridgeline 34"
	Name       string   `col:"name,required"`  // with variant, as a person would say it
	YearFrom   int16    `col:"year_from,required" in:"1990..2100"`
	YearTo     int16    `col:"year_to,required" in:"1990..2100"`
	WheelSizes []string `col:"wheel_sizes,required" one:"20|24|26|27.5|28|29"`
	TravelsMM  []int    `col:"travels_mm,required" in:"60..250"` // offered as built
	Dampers    []string `col:"dampers" ref:"dampers"`
	Uses       []string `col:"uses" one:"trail|enduro|downhill|cross_country|jump|assisted"`
	Aliases    []string `col:"aliases"`
}

// ForkOption says that a fork was built with a value of a fact, always or in part of its
// years. Two values in one year, split by date or serial, are a running change.
type ForkOption struct {
	Pos
	Fork       string `col:"fork,key,required" ref:"forks"`
	Fact       string `col:"fact,key,required"` // seal_generation|tube|crown|foot_fastener|…
	Value      string `col:"value,key,required"`
	YearFrom   int16  `col:"year_from" in:"1990..2100"` // 0: from the first year
	YearTo     int16  `col:"year_to" in:"1990..2100"`
	DateFrom   string `col:"date_from"` // production date, yyyy-mm-dd
	DateTo     string `col:"date_to"`
	SerialFrom string `col:"serial_from"`
	SerialTo   string `col:"serial_to"`
}

// Limit is a hard limit stated by the fork's maker. No fitment row can lift it.
type Limit struct {
	Pos
	Fork        string  `col:"fork,key,required" ref:"forks"`
	WheelSize   string  `col:"wheel_size,key" one:"20|24|26|27.5|28|29"`                        // empty: every wheel size
	Use         string  `col:"use,key" one:"trail|enduro|downhill|cross_country|jump|assisted"` // empty: every use
	MaxTravelMM int     `col:"max_travel_mm" in:"60..250"`
	MaxRiderKG  float64 `col:"max_rider_kg" in:"40..250"`
	MaxSystemKG float64 `col:"max_system_kg" in:"60..350"`
	Source      string  `col:"source,required"`
}

// Mark is etched, printed or boxed with a fork and names it.
type Mark struct {
	Pos
	Fork  string `col:"fork,key,required" ref:"forks"`
	Mark  string `col:"mark,key,required"`
	Place string `col:"place,required" one:"crown|stanchion|steerer|lower_leg|box"`
}

// FactText is the ten-second question for a fact (value empty) or the text of one of its values.
type FactText struct {
	Pos
	Fact  string `col:"fact,key,required"`
	Value string `col:"value,key"`
	Lang  string `col:"lang,key,required"`
	Text  string `col:"text,required"`
}

// Figure is a torque, volume, socket or other number that belongs to one thing, with the
// unit as published, who published it and where.
type Figure struct {
	Pos
	OwnerKind string  `col:"owner_kind,key,required" one:"chassis|fork|part|damper"`
	Owner     string  `col:"owner,key,required"`
	Figure    string  `col:"figure,key,required" one:"torque|socket_before|socket_after|oil_volume|foam_soak|air_pressure_max"`
	Place     string  `col:"place,key" one:"top_cap|foot|bath|axle|gland"`
	Leg       Leg     `col:"leg,key" one:"spring|damper|both"`
	Value     float64 `col:"value,required"`
	Unit      string  `col:"unit,required"`
	Publisher string  `col:"publisher,required"`
	Source    string  `col:"source,required"`
}

// Part is anything that can be on a bill.
type Part struct {
	Pos
	SKU          string   `col:"sku,key,required"`
	Kind         string   `col:"kind,required"`
	Maker        string   `col:"maker" ref:"makers"`
	GTIN         string   `col:"gtin"`                                   // 8, 12, 13 or 14 digits
	Unit         string   `col:"unit,required" one:"each|pair|mL|g|min"` // unit of sale and of its quantities: each|pair|mL|g|min
	PackQuantity float64  `col:"pack_quantity" in:"0.1..100000"`         // how many units one package holds; 0: sold singly
	Leg          Leg      `col:"leg" one:"spring|damper|both"`           // for which leg
	Status       string   `col:"status,required" one:"active|discontinued|superseded"`
	SupersededBy string   `col:"superseded_by" ref:"parts"`     // sku
	TaxCategory  string   `col:"tax_category" one:"S|Z|E|AE|O"` // S|Z|E|AE|O; empty: S
	TaxClass     string   `col:"tax_class"`                     // standard|reduced|…; empty: standard
	Aliases      []string `col:"aliases"`                       // other codes printed on it or its box
}

// Text is a name by language: of a part, operation, job, item, tool, caution.
type Text struct {
	Pos
	Of   string `col:"of,key,required" one:"part|operation|opening|job|item|spring_family|tool|caution|condition"` // part|operation|job|item|spring_family
	Code string `col:"code,key,required"`
	Lang string `col:"lang,key,required"`
	Text string `col:"text,required"`
}

// Content is one part in the box of a kit. A slot is a choice: one of the parts that share
// the slot's name, the default marked.
type Content struct {
	Pos
	Kit      string  `col:"kit,key,required" ref:"parts"`
	Part     string  `col:"part,key,required" ref:"parts"`
	Quantity float64 `col:"quantity,required" in:"0.01..10000"`
	Slot     string  `col:"slot"`
	Default  bool    `col:"default"`
}

// CoilCartridge replaces a fork's spring side with a coil.
type CoilCartridge struct {
	Pos
	SKU          string  `col:"sku,key,required" ref:"parts"`
	TravelMM     int     `col:"travel_mm,required" in:"60..250"`
	SpringFamily string  `col:"spring_family,required" ref:"spring_families"`
	BumpStop     string  `col:"bump_stop" ref:"bump_stops"` // sku
	TopCap       string  `col:"top_cap" ref:"parts"`        // sku
	FootNut      string  `col:"foot_nut" ref:"parts"`       // sku
	Mark         string  `col:"mark,required"`
	BoreMM       float64 `col:"bore_mm,required" in:"18..48"` // inside of the tube around the coil
	ShaftMM      float64 `col:"shaft_mm,required" in:"5..30"` // what runs inside the coil
}

// Preload is one preload setting of a cartridge: the cavity that it leaves for the spring at
// full extension. Installed preload is the spring's free length less the cavity.
type Preload struct {
	Pos
	Cartridge string  `col:"cartridge,key,required" ref:"coil_cartridges"`
	Setting   int     `col:"setting,key,required" in:"1..20"` // 1 is the least
	CavityMM  float64 `col:"cavity_mm,required" in:"100..600"`
	Spacer    string  `col:"spacer" ref:"parts"` // sku; empty: none
	Spacers   int     `col:"spacers" in:"0..20"`
}

// Handling says what fitting a cartridge does with the things around it.
type Handling struct {
	Pos
	Cartridge string  `col:"cartridge,key,required" ref:"cartridges"`
	Action    string  `col:"action,key,required" one:"includes|reuses|sets_aside|forbids"`
	Item      string  `col:"item,key,required"` // sku, or a stock item that texts name (of = item)
	Quantity  float64 `col:"quantity,required" in:"0.01..10000"`
	Leg       Leg     `col:"leg" one:"spring|damper|both"`
	Condition string  `col:"condition"` // for reuses: what to look at
}

// Spring is a coil.
type Spring struct {
	Pos
	SKU          string  `col:"sku,key,required" ref:"parts"`
	Family       string  `col:"family,required"`
	Rate         float64 `col:"rate,required"`
	RateUnit     string  `col:"rate_unit,required"`
	FreeLengthMM float64 `col:"free_length_mm,required" in:"100..600"`
	WireMM       float64 `col:"wire_mm,required" in:"2..9"`
	MeanMM       float64 `col:"mean_diameter_mm,required" in:"12..45"`
	ActiveCoils  float64 `col:"active_coils,required" in:"2..80"`
	TotalCoils   float64 `col:"total_coils,required" in:"3..85"`
	Ends         string  `col:"ends,required" one:"plain|plain_ground|squared|squared_ground"`
	SleeveMM     float64 `col:"sleeve_mm" in:"0.1..3"` // wall of a sleeve around the coil
	Material     string  `col:"material,required"`
	Mark         string  `col:"mark"` // etched on the coil
}

// AirCartridge is an air spring side.
type AirCartridge struct {
	Pos
	SKU            string  `col:"sku,key,required" ref:"parts"`
	TravelMM       int     `col:"travel_mm,required" in:"60..250"`
	Mark           string  `col:"mark,required"`
	PistonMM2      float64 `col:"piston_area_mm2,required" in:"200..2000"`
	VolumeML       float64 `col:"volume_ml,required" in:"40..600"`
	NegativeMM2    float64 `col:"negative_area_mm2" in:"100..2000"`
	NegativeML     float64 `col:"negative_volume_ml" in:"2..400"`
	EqualizeMM     float64 `col:"equalize_mm" in:"0.5..80"`
	Spacer         string  `col:"spacer" ref:"parts"` // sku
	SpacerML       float64 `col:"spacer_ml" in:"1..100"`
	SpacersMax     int     `col:"spacers_max" in:"0..20"`
	PressureMin    float64 `col:"pressure_min"`
	PressureMax    float64 `col:"pressure_max,required"`
	PressureUnit   string  `col:"pressure_unit,required"`
	SelfEqualizing bool    `col:"self_equalizing"`
}

// BumpStop works at the end of the stroke.
type BumpStop struct {
	Pos
	SKU          string    `col:"sku,key,required" ref:"parts"`
	Medium       string    `col:"medium,required" one:"air|elastomer"`
	BoreMM       float64   `col:"bore_mm" in:"8..40"`
	BodyMM       float64   `col:"body_mm,required" in:"8..42"` // outside diameter, against the coil's inside
	VolumeML     float64   `col:"volume_ml" in:"0.5..200"`     // at contact
	ContactShare float64   `col:"contact_share" in:"0.2..1"`   // of travel; 0: from contact_mm
	ContactMM    float64   `col:"contact_mm" in:"20..240"`
	Settings     []float64 `col:"settings"` // gauge pressures offered, least first
	PressureMax  float64   `col:"pressure_max"`
	PeakMax      float64   `col:"peak_pressure_max"`
	PressureUnit string    `col:"pressure_unit"`
	RatioMax     float64   `col:"ratio_max" in:"1.1..20"`
}

// BumperPoint is one point of an elastomer's force table.
type BumperPoint struct {
	Pos
	BumpStop     string  `col:"bump_stop,key,required" ref:"bump_stops"`
	DeflectionMM float64 `col:"deflection_mm,key,required" in:"0..100"`
	ForceN       float64 `col:"force_n,required" in:"0..8000"`
}

// SealKit is keyed by the seat it fits.
type SealKit struct {
	Pos
	SKU         string  `col:"sku,key,required" ref:"parts"`
	StanchionMM float64 `col:"stanchion_mm,required" in:"25..50"`
	DiameterMM  float64 `col:"diameter_mm,required" in:"30..70"`
	DepthMM     float64 `col:"depth_mm,required" in:"2..30"`
	Flange      string  `col:"flange,required" one:"flanged|flush"`
	Lip         string  `col:"lip,required" one:"single|double"`
	Generation  string  `col:"seal_generation,required"`
}

// Fluid is an oil or a grease.
type Fluid struct {
	Pos
	SKU          string   `col:"sku,key,required" ref:"parts"`
	Duty         string   `col:"duty,required" one:"bath|damper|grease"`
	Viscosity40  *float64 `col:"viscosity_40_mm2_s" in:"1..1000"`
	Viscosity100 *float64 `col:"viscosity_100_mm2_s" in:"0.5..200"`
}

// ClickRow is a row of the maker's click table for a spring family in a damper.
type ClickRow struct {
	Pos
	Family   string  `col:"spring_family,key,required" ref:"spring_families"`
	Damper   string  `col:"damper,key,required" ref:"dampers"`
	Adjuster string  `col:"adjuster,key,required"`
	Rate     float64 `col:"rate,key,required"`
	RateUnit string  `col:"rate_unit,required"`
	Clicks   int     `col:"clicks,required" in:"0..60"`
	Source   string  `col:"source,required"`
}

// MassRow is a row of the kit maker's own chart from rider mass to spring rate.
type MassRow struct {
	Pos
	Family     string  `col:"spring_family,key,required" ref:"spring_families"`
	TravelMM   int     `col:"travel_mm,key" in:"60..250"` // 0: every travel
	MassFromKG float64 `col:"mass_from_kg,key" in:"0..200"`
	MassToKG   float64 `col:"mass_to_kg,required" in:"20..250"`
	MassIs     string  `col:"mass_is,required" one:"kitted|bare"`
	Rate       float64 `col:"rate,required"`
	RateUnit   string  `col:"rate_unit,required"`
	Source     string  `col:"source,required"`
}

// Opening is an assembly that a job opens, with the labor of opening and closing it once.
type Opening struct {
	Pos
	Opening string  `col:"opening,key,required" one:"cap|lowers|damper"`
	Minutes float64 `col:"minutes,required" in:"0..240"`
	Labor   string  `col:"labor,required" ref:"parts"` // sku of kind labor
}

// Operation is something done at the bench; it opens assemblies and takes minutes of its own.
type Operation struct {
	Pos
	Operation string   `col:"operation,key,required"`
	Opens     []string `col:"opens" ref:"openings"`
	Minutes   float64  `col:"minutes,required" in:"0..480"`
	Labor     string   `col:"labor,required" ref:"parts"`
}

// Job is a set of operations that a customer asks for by one name.
type Job struct {
	Pos
	Job        string   `col:"job,key,required"`
	Operations []string `col:"operations,required" ref:"operations"`
}

// Need is what an opened assembly, or an operation, asks for on a chassis or fork. Exactly one
// of Opening and Operation is set; Part is a SKU, or Kind a kind to be resolved by fitment.
type Need struct {
	Pos
	TargetKind string  `col:"target_kind,key,required" one:"any|chassis|fork"`
	Target     string  `col:"target,key"`
	Opening    string  `col:"opening,key" ref:"openings"`
	Operation  string  `col:"operation,key" ref:"operations"`
	Leg        Leg     `col:"leg,key" one:"spring|damper|both"`
	Part       string  `col:"part,key" ref:"parts"`
	Kind       string  `col:"kind,key"`
	Quantity   float64 `col:"quantity" in:"0.01..10000"` // 0 for fluids: the figure of the leg's bath says it
	Role       string  `col:"role,required" one:"consumable|never_reuse|reuse|tool"`
	Condition  string  `col:"condition"`
}

// PartRule says that a part needs or excludes another, whatever the fork.
type PartRule struct {
	Pos
	Part   string `col:"part,key,required" ref:"parts"`
	Rule   string `col:"rule,key,required" one:"needs|excludes"`
	Other  string `col:"other,key,required" ref:"parts"`
	Reason string `col:"reason,required"`
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
	List       string `col:"list,key,required"`
	Currency   string `col:"currency,required"`
	Audience   string `col:"audience,required" one:"buying|recommended"`
	Basis      string `col:"basis,required" one:"net|gross"`
	ValidFrom  string `col:"valid_from,required"`
	ValidUntil string `col:"valid_until"`
}

// Price is the price of a part on a list, as exact decimal text.
type Price struct {
	Pos
	List         string  `col:"list,key,required" ref:"price_lists"`
	SKU          string  `col:"sku,key,required" ref:"parts"`
	MinQuantity  float64 `col:"min_quantity,key" in:"0.01..100000"`
	Amount       string  `col:"price,required"`
	BaseQuantity float64 `col:"base_quantity" in:"0.01..100000"` // 0: 1
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
