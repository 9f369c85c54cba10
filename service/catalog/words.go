package catalog

import "fmt"

// Kinds of parts. Closed kinds fit only where a row says so; open kinds fit unless a row
// excludes them; the rest need no fork.
const (
	KindCoilCartridge = "coil_cartridge"
	KindAirCartridge  = "air_cartridge"
	KindAirSpringPart = "air_spring_part"
	KindSpring        = "spring"
	KindBumpStop      = "bump_stop"
	KindPreloadSpacer = "preload_spacer"
	KindTravelSpacer  = "travel_spacer"
	KindSealKit       = "seal_kit"
	KindServiceKit    = "service_kit"
	KindFoamRing      = "foam_ring"
	KindCrushWasher   = "crush_washer"
	KindFootNut       = "foot_nut"
	KindTopCap        = "top_cap"
	KindRetainingRing = "retaining_ring"
	KindORing         = "o_ring"
	KindAdapter       = "adapter"
	KindFluid         = "fluid"
	KindGrease        = "grease"
	KindTool          = "tool"
	KindLabor         = "labor"
	KindAccessory     = "accessory" // needs no fork
)

var kindIsClosed = map[string]bool{
	KindCoilCartridge: true, KindAirCartridge: true, KindAirSpringPart: true, KindSpring: true,
	KindBumpStop: true, KindPreloadSpacer: true, KindTravelSpacer: true, KindSealKit: true,
	KindServiceKit: true, KindFoamRing: true, KindCrushWasher: true, KindFootNut: true,
	KindTopCap: true, KindRetainingRing: true, KindORing: true, KindAdapter: true,
	KindFluid: false, KindGrease: false, KindTool: false, KindLabor: false, KindAccessory: false,
}

// KindKnown reports whether a word is a kind of part.
func KindKnown(kind string) bool { _, ok := kindIsClosed[kind]; return ok }

// KindClosed reports whether parts of a kind fit only where a row says so.
func KindClosed(kind string) bool { return kindIsClosed[kind] }

var verdictNames = [...]string{
	Fits: "fits", FitsWith: "fits_with", DoesNotFit: "does_not_fit",
	Unknown: "unknown", NotInCatalog: "not_in_catalog", NotForkRelated: "not_fork_related",
}

// String is the stable code of a verdict.
func (v Verdict) String() string {
	if int(v) < len(verdictNames) && verdictNames[v] != "" {
		return verdictNames[v]
	}
	return fmt.Sprintf("verdict(%d)", uint8(v))
}

// ParseVerdict reads a verdict that a row may give.
func ParseVerdict(s string) (Verdict, bool) {
	for _, v := range []Verdict{Fits, FitsWith, DoesNotFit} {
		if verdictNames[v] == s {
			return v, true
		}
	}
	return 0, false
}

var levelNames = [...]string{AtMaker: "maker", AtChassis: "chassis", AtModel: "model", AtFork: "fork"}

// String is the word of a level in the catalog's tables.
func (l Level) String() string {
	if int(l) < len(levelNames) && levelNames[l] != "" {
		return levelNames[l]
	}
	return fmt.Sprintf("level(%d)", uint8(l))
}

// ParseLevel reads the word of a level.
func ParseLevel(s string) (Level, bool) {
	for l := AtMaker; l <= AtFork; l++ {
		if levelNames[l] == s {
			return l, true
		}
	}
	return 0, false
}

// RequirementKnown reports whether a word is a kind of requirement.
func RequirementKnown(kind string) bool {
	switch kind {
	case "travel_spacer", "adapter", "renew", "remove", "part":
		return true
	}
	return false
}
