package spectrum

import "math"

// The asymmetry of the baseline: how much a point above it weighs, against one below.
const asymmetry = 0.001

// baselineRounds bounds the iteration; it ends before once no point changes sides.
const baselineRounds = 50

// AsymmetricBaseline is the smooth curve z that runs below the bands of y: it minimises
//
//	Σ wᵢ (yᵢ − zᵢ)² + λ Σ (zᵢ₋₁ − 2zᵢ + zᵢ₊₁)²   with wᵢ = p where yᵢ > zᵢ, else 1 − p
//
// by solving for z and setting w anew until no w changes, 50 times at the most (asymmetric least squares: Eilers and Boelens 2005, after Eilers, Anal. Chem.
// 75:3631, 2003). A y that is not a number has no weight, and z runs through. The points are evenly spaced. λ is in squared points squared; p is between 0
// and 1. With fewer than three numbers z is y's mean.
func AsymmetricBaseline(y []float64, lambda, p float64) []float64 {
	n := len(y)
	z := make([]float64, n)
	w := make([]float64, n)
	known := 0
	sum := 0.0
	for i, v := range y {
		if !math.IsNaN(v) {
			w[i] = 1
			sum += v
			known++
		}
	}
	if known < 3 {
		for i := range z {
			z[i] = sum / float64(max(known, 1))
		}
		return z
	}
	s := solver{d: make([]float64, n), e: make([]float64, n), f: make([]float64, n)}
	for range baselineRounds {
		s.solve(z, y, w, lambda)
		changed := false
		for i, v := range y {
			if math.IsNaN(v) {
				continue
			}
			next := 1 - p
			if v > z[i] {
				next = p
			}
			if next != w[i] {
				w[i], changed = next, true
			}
		}
		if !changed {
			break
		}
	}
	return z
}

// solver solves (W + λ DᵀD) z = W y, where D takes second differences: a symmetric system with five diagonals, by its factors L·D·Lᵀ.
type solver struct{ d, e, f []float64 }

func (s *solver) solve(z, y, w []float64, lambda float64) {
	n := len(y)
	for i := range n {
		// The diagonals of DᵀD: 1 5 6 … 6 5 1; −2 −4 … −4 −2; 1 … 1.
		a, b, c := 6.0, -4.0, 1.0
		switch i {
		case 0, n - 1:
			a = 1
		case 1, n - 2:
			a = 5
		}
		if n == 3 && i == 1 {
			a = 4
		}
		if i == 0 || i == n-2 {
			b = -2
		}
		if i >= n-1 {
			b = 0
		}
		if i >= n-2 {
			c = 0
		}
		d := w[i] + float64(lambda*a)
		e, f := float64(lambda*b), float64(lambda*c)
		v := 0.0
		if w[i] != 0 {
			v = float64(w[i] * y[i])
		}
		if i >= 1 {
			// s.e holds Lᵢ₊₁,ᵢ and s.f Lᵢ₊₂,ᵢ; s.d the diagonal.
			d -= float64(s.d[i-1] * float64(s.e[i-1]*s.e[i-1]))
			e -= float64(s.d[i-1] * float64(s.e[i-1]*s.f[i-1]))
			v -= float64(s.e[i-1] * z[i-1])
		}
		if i >= 2 {
			d -= float64(s.d[i-2] * float64(s.f[i-2]*s.f[i-2]))
			v -= float64(s.f[i-2] * z[i-2])
		}
		s.d[i], s.e[i], s.f[i], z[i] = d, e/d, f/d, v
	}
	for i := range n {
		z[i] /= s.d[i]
	}
	for i := n - 2; i >= 0; i-- {
		z[i] -= float64(s.e[i] * z[i+1])
		if i+2 < n {
			z[i] -= float64(s.f[i] * z[i+2])
		}
	}
}

// stiffness is the λ at which a wave of the given length in points passes into the baseline by half.
func stiffness(points float64) float64 {
	q := 2 * math.Sin(math.Pi/max(points, 4))
	return 1 / float64(float64(q*q)*float64(q*q))
}

// rubberBand is what a band stretched below a curve would touch: its lower convex hull. A steep wing that bends upwards, as that of water beside the C–H
// bands, is its own hull and is taken off whole, which no stiff curve could do. Points that are not numbers are passed over.
func rubberBand(y []float64) []float64 {
	var touch []int
	for i, v := range y {
		if math.IsNaN(v) {
			continue
		}
		for len(touch) > 1 {
			a, b := touch[len(touch)-2], touch[len(touch)-1]
			// b stays if it lies below the line from a to i.
			if float64((y[b]-y[a])*float64(i-a)) < float64((v-y[a])*float64(b-a)) {
				break
			}
			touch = touch[:len(touch)-1]
		}
		touch = append(touch, i)
	}
	out := make([]float64, len(y))
	if len(touch) == 0 {
		return out
	}
	for i := range touch[0] {
		out[i] = y[touch[0]]
	}
	for k := 1; k < len(touch); k++ {
		a, b := touch[k-1], touch[k]
		for i := a; i < b; i++ {
			out[i] = y[a] + float64((y[b]-y[a])*float64(i-a)/float64(b-a))
		}
	}
	for i := touch[len(touch)-1]; i < len(y); i++ {
		out[i] = y[touch[len(touch)-1]]
	}
	return out
}
