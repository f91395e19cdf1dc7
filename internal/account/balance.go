package account

import (
	"math"
	"math/bits"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// The balance rule. What comes out of a split, cut, combination, count or second weighing is compared with what went in:
//
//	in = Σ out + loss + unexplained
//
// with the combined standard uncertainty u of all weighings (each has its scale's step d over √12, GUM 4.3.7; differences combine in
// quadrature) and a moisture allowance h, a share of the mass going in. A gain of more than 3u + h is mass that was made; between 3u and
// 3u + h water may explain it; within ±3u it is balanced; the same bounds hold for losses, which are told but never refused.
//
// Masses are whole micrograms below 10^14, so their float64 values are exact, and √ is exact by IEEE 754: every machine judges alike.
// Products are converted explicitly, so that no compiler fuses them with a sum.

// verdict of a balance.
type verdict uint8

const (
	even    verdict = iota // within ±3u
	gained                 // up to 3u + h: water may explain it
	made                   // beyond: mass was made
	dried                  // a loss up to 3u + h
	missing                // a loss beyond
)

// balance is one comparison.
type balance struct {
	in, out   int64   // out with the stated loss
	variance  float64 // of in − out
	allowance int64   // h
}

// gain is what came out more than went in; negative: a loss.
func (b balance) gain() int64 { return b.out - b.in }

// u is the combined standard uncertainty.
func (b balance) u() float64 { return math.Sqrt(b.variance) }

func (b balance) verdict() verdict {
	g, u3 := float64(b.gain()), float64(3*b.u())
	switch limit := u3 + float64(b.allowance); {
	case g > limit:
		return made
	case g > u3:
		return gained
	case -g > limit:
		return missing
	case -g > u3:
		return dried
	}
	return even
}

// coarse tells whether u is more than the given share of the mass going in: then a balance can't tell.
func (b balance) coarse(ppm int64) bool {
	return float64(b.u()*1e6) > float64(float64(ppm)*float64(b.in))
}

// stepVariance is the variance of one weighing on a scale with this step.
func stepVariance(step int64) float64 { return float64(step) * float64(step) / 12 }

// share gives a share in parts per million of a mass, rounded down.
func share(mass, ppm int64) int64 {
	return mass/1_000_000*ppm + mass%1_000_000*ppm/1_000_000
}

// partsPerMillion gives part/whole in parts per million, rounded to the nearest; 0 where whole is.
func partsPerMillion(part, whole int64) int64 {
	if whole <= 0 {
		return 0
	}
	negative := part < 0
	if negative {
		part = -part
	}
	hi, lo := bits.Mul64(uint64(part), 1_000_000)
	if hi >= uint64(whole) {
		return math.MaxInt64
	}
	q, r := bits.Div64(hi, lo, uint64(whole))
	if r >= uint64(whole)-r {
		q++
	}
	if q > math.MaxInt64 {
		q = math.MaxInt64
	}
	if negative {
		return -int64(q)
	}
	return int64(q)
}

// portion gives mass·part/whole, rounded down; part is at most whole.
func portion(mass, part, whole int64) int64 {
	if whole <= 0 {
		return 0
	}
	hi, lo := bits.Mul64(uint64(mass), uint64(part))
	q, _ := bits.Div64(hi, lo, uint64(whole))
	return int64(q)
}

// earns says which allowance two weighings earn: one stone that drank between them, or dried.
func earns(before, after opal.Moisture) Earned {
	switch {
	case before == opal.Dry && after == opal.Soaked:
		return EarnedSoaked
	case before == after && (before == opal.Dry || before == opal.Room):
		return EarnedSame
	}
	return EarnedUnclear
}

// allowance gives the largest moisture allowance among those earned, of a mass of this material.
func allowance(p *opal.Policy, kind opal.MaterialKind, earned Earned, mass int64) int64 {
	if kind != opal.Hydrophane && kind != opal.UnknownKind {
		return share(mass, p.OtherMaterial)
	}
	var ppm int64
	if earned&EarnedSame != 0 {
		ppm = max(ppm, p.HydrophaneSameMoisture)
	}
	if earned&EarnedUnclear != 0 {
		ppm = max(ppm, p.HydrophaneUnclearMoisture)
	}
	if earned&EarnedSoaked != 0 {
		ppm = max(ppm, p.HydrophaneSoakedAfterDry)
	}
	return share(mass, ppm)
}
