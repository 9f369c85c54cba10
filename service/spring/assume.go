package spring

// Assumed is a figure used where nobody stated one. Value, range and source are shown to
// whoever relies on it.
type Assumed struct {
	Value, Low, High float64
	Unit             string
	Source           string
}

// shortWheelbaseMM divides older, steeper bicycles from long modern ones.
const shortWheelbaseMM = 1130

// AssumedStandingShare is the rider's share on the front wheel standing on level pedals; zero
// wheelbase means unknown. With frame figures use Frame.StandingShare instead.
func AssumedStandingShare(wheelbaseMM float64) Assumed {
	if wheelbaseMM > 0 && wheelbaseMM < shortWheelbaseMM {
		return Assumed{0.42, 0.39, 0.45, "", "derived for a wheelbase under 1130 mm; weight on the hands from memory"}
	}
	return Assumed{0.39, 0.36, 0.42, "", "derived for a long modern frame; weight on the hands from memory"}
}

// AssumedSeatedShare is the rider's share seated on the flat.
func AssumedSeatedShare() Assumed {
	return Assumed{0.37, 0.33, 0.41, "", "common practice, no source; lies between two published measurements, 0.335 and 0.40"}
}

// AssumedHands is the share of the weight on the hands in Frame.StandingShare.
func AssumedHands() Assumed { return Assumed{0.10, 0.05, 0.15, "", "from memory"} }

// AssumedBikeShare is the bicycle's share on its front wheel.
func AssumedBikeShare() Assumed {
	return Assumed{0.47, 0.42, 0.50, "", "common practice; a published measurement says about even"}
}

// AssumedUnsprung is the front unsprung mass in kg.
func AssumedUnsprung() Assumed { return Assumed{3.5, 2.8, 4.5, "kg", "from memory"} }

// AssumedHeadAngle is in degrees from the horizontal.
func AssumedHeadAngle() Assumed { return Assumed{66, 62, 71, "deg", "from memory"} }

// AssumedGear is what a rider wears and carries, in kg, when the mass was said bare.
func AssumedGear() Assumed { return Assumed{4, 2, 8, "kg", "common practice, no source"} }

// AssumedLegAir is the force of the air in sealed lower legs at 20 % of the travel, in N,
// where the fork's free leg volume is not known; 0 for legs vented into the stanchion.
func AssumedLegAir() Assumed {
	return Assumed{25, 0, 35, "N", "derived; leg volumes from memory"}
}

// AssumedFriction is the breakaway friction in N that widens a sag reading.
func AssumedFriction() Assumed { return Assumed{25, 15, 50, "N", "from memory"} }

// AssumedStroke is the polytropic exponent of a fast stroke.
func AssumedStroke() Assumed {
	return Assumed{Stroke, StrokeLow, StrokeHigh, "", "common practice, no source; measured suspensions lie between 1 and 1.4"}
}
