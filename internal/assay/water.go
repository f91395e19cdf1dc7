package assay

import (
	"math"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Temperatures of water that are taken, in degrees Celsius; from warm on a caution is due.
const coldest, warmest, warm = 0.0, 40.0, 30.0

// WaterDensity is the density of air-free water in g/cm³ at a temperature in degrees Celsius, 0 to 40: G. S. Kell, J. Chem. Eng. Data 20:97 (1975).
// Later formulas (Jones & Harris 1992, CIPM 2001) differ by 6 parts in a million at most, and air dissolved in the water by 4, both far below what
// weighing a stone can see. One reprint of this formula has two digits of the denominator exchanged; 16.879850 is right.
func WaterDensity(celsius float64) float64 {
	t, n := celsius, 0.0
	for _, c := range [...]float64{-280.54253e-12, 105.56302e-9, -46.170461e-6, -7.9870401e-3, 16.945176, 999.83952} {
		n = float64(n*t) + c
	}
	return n / (1 + float64(16.879850e-3*t)) / 1000
}

// water gives density and its standard uncertainty at a stated temperature, which is taken as good to 0.5 °C; at one that nobody stated, 20 °C within
// 5 °C either way.
func water(celsius *float64) (density, u float64, stated bool, f *fault.Error) {
	t, ut := 20.0, 5/math.Sqrt(3)
	if celsius != nil {
		t, ut = *celsius, 0.5
		if !(t >= coldest && t <= warmest) { // so written, NaN is refused too
			return 0, 0, false, fault.New(fault.InvalidField, "waterTemperatureCelsius", "found %v, accepted is a temperature from %v to %v °C", t, coldest, warmest)
		}
	}
	above, below := min(t+0.5, warmest), max(t-0.5, coldest)
	slope := (WaterDensity(above) - WaterDensity(below)) / (above - below)
	return WaterDensity(t), math.Abs(slope * ut), celsius != nil, nil
}

// warmWater is the caution that water of a temperature calls for; nil: none.
func warmWater(celsius *float64) []string {
	if celsius == nil || *celsius < warm {
		return nil
	}
	return []string{"Warm water and sudden changes of temperature can crack opal; water of the room's temperature tells the same."}
}
