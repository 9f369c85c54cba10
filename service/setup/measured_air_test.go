package setup_test

import (
	"testing"

	"forkwright/service/fault"
	"forkwright/service/setup"
)

// A sag predicted for a pressure, read back at that pressure, is the load that it came from.
func TestMeasuredSagOfAnAirSpring(t *testing.T) {
	q := worked()
	q.Hardware = &setup.Hardware{TravelMM: 150, Air: &setup.GivenAir{PistonMM2: 700, VolumeML: 190, NegativeMM2: 600, NegativeML: 30, EqualizeMM: 4, MaxKPa: 1500}}
	first := ask(t, empty(), q)
	q.Load.AxialN, q.Load.FrictionN = nil, ptr(0)
	q.Measured = &setup.Measured{GaugeKPa: ptr(first.Air.GaugeKPa), SagMM: first.Target.MM, How: setup.Both}
	again := ask(t, empty(), q)
	near(t, "load", again.Load.SpringN, first.Load.SpringN, 1e-6)
	near(t, "pressure", again.Air.GaugeKPa, first.Air.GaugeKPa, 1e-6)
	q.Measured.SagMM += 5
	if deeper := ask(t, empty(), q); deeper.Air.GaugeKPa <= first.Air.GaugeKPa {
		t.Errorf("a deeper sag is a heavier rider: %v kPa", deeper.Air.GaugeKPa)
	}
	q.Measured.GaugeKPa = nil
	if _, err := setup.Recommend(empty(), q); err == nil || fault.As(err).Fields[0].Pointer != "/measured/gauge_kpa" {
		t.Errorf("without a pressure: %v", err)
	}
}
