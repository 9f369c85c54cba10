package api

import (
	"forkwright/service/setup"
)

// whatIfIn asks what slope, brake or leaning ahead would do; it changes no recommendation.
type whatIfIn struct {
	SlopeDeg           *float64 `json:"slope_deg"` // down positive
	BrakingG           *float64 `json:"braking_g"`
	LeanForwardMM      *float64 `json:"lean_forward_mm"`
	MassCenterAheadMM  float64  `json:"mass_center_ahead_mm"`
	MassCenterHeightMM float64  `json:"mass_center_height_mm"`
}

type whatIfOut struct {
	Text               string          `json:"text"`
	MassKG             float64         `json:"mass_kg"`
	MassCenterAheadMM  float64         `json:"mass_center_ahead_mm"`
	AheadProvenance    string          `json:"mass_center_ahead_provenance"`
	MassCenterHeightMM *float64        `json:"mass_center_height_mm,omitempty"`
	WheelbaseMM        float64         `json:"wheelbase_mm"`
	Cases              []whatIfCaseOut `json:"cases"`
}

// whatIfCaseOut has no figures where a wheel would lift, and stands nowhere where nothing is
// recommended.
type whatIfCaseOut struct {
	What     string   `json:"what"` // level|slope|braking|lean_forward
	Value    float64  `json:"value"`
	Unit     string   `json:"unit,omitempty"`
	Status   string   `json:"status"` // ok|rear_wheel_would_lift|front_wheel_would_lift|topped_out|bottomed
	WheelN   *float64 `json:"wheel_n,omitempty"`
	BrakeN   *float64 `json:"brake_n,omitempty"`
	AxialN   *float64 `json:"axial_n,omitempty"`
	SpringN  *float64 `json:"spring_n,omitempty"`
	StandsMM *float64 `json:"stands_mm,omitempty"`
	Percent  *float64 `json:"stands_percent,omitempty"`
	ChangeMM *float64 `json:"change_mm,omitempty"`
}

func whatIfOf(x *setup.WhatIfs) *whatIfOut {
	if x == nil {
		return nil
	}
	out := &whatIfOut{Text: x.Text, MassKG: short(x.MassKG), MassCenterAheadMM: short(x.AheadMM), AheadProvenance: string(x.AheadIs),
		MassCenterHeightMM: figureIf(x.HeightMM), WheelbaseMM: short(x.WheelbaseMM)}
	for _, c := range x.Cases {
		y := whatIfCaseOut{What: c.What, Value: short(c.Value), Unit: c.Unit, Status: string(c.Status)}
		if c.Status != setup.RearLifts && c.Status != setup.FrontLifts {
			y.WheelN, y.BrakeN, y.AxialN, y.SpringN = finite(c.WheelN), finite(c.BrakeN), finite(c.AxialN), finite(c.Spring)
		}
		if c.Stands {
			y.StandsMM, y.Percent, y.ChangeMM = finite(c.MM), finite(c.Percent), finite(c.ChangeMM)
		}
		out.Cases = append(out.Cases, y)
	}
	return out
}
