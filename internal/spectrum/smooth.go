package spectrum

import (
	"math"
	"slices"
)

// SavitzkyGolay fits a quadratic to each point and its neighbours, half to each side, and takes its value there (Savitzky and Golay, Anal. Chem. 36:1627,
// 1964, with the errors of its tables corrected by Steinier et al. 1972: the weights are computed here). At the ends the quadratic of the first and last full
// window goes on. A point that is not a number makes the windows that hold it the point's own value. The points are evenly spaced.
func SavitzkyGolay(y []float64, half int) []float64 {
	n := len(y)
	out := slices.Clone(y)
	if half < 1 || n < 2*half+1 {
		return out
	}
	weights := quadraticWeights(half)
	for i := half; i < n-half; i++ {
		sum := 0.0
		for j, w := range weights {
			sum += float64(w * y[i-half+j])
		}
		if !math.IsNaN(sum) {
			out[i] = sum
		}
	}
	end(out[:half], y[:2*half+1], half, 0)
	end(out[n-half:], y[n-2*half-1:], half, half+1)
	return out
}

// quadraticWeights are what the neighbours weigh: with S₂ = Σj², S₄ = Σj⁴ over −m … m, wⱼ = (S₄ − S₂j²)/((2m+1)S₄ − S₂²).
func quadraticWeights(m int) []float64 {
	n, s2, s4 := moments(m)
	w := make([]float64, 2*m+1)
	for i := range w {
		j := float64(i - m)
		w[i] = (s4 - float64(s2*float64(j*j))) / (float64(n*s4) - float64(s2*s2))
	}
	return w
}

func moments(m int) (n, s2, s4 float64) {
	for j := 1; j <= m; j++ {
		q := float64(j * j)
		s2 += 2 * q
		s4 += float64(2 * q * q)
	}
	return float64(2*m + 1), s2, s4
}

// end gives the values of the quadratic through a full window at the places from `from` on.
func end(out, window []float64, m, from int) {
	n, s2, s4 := moments(m)
	var t0, t1, t2 float64
	for i, v := range window {
		j := float64(i - m)
		t0 += v
		t1 += float64(j * v)
		t2 += float64(float64(j*j) * v)
	}
	if math.IsNaN(t0) {
		return
	}
	det := float64(n*s4) - float64(s2*s2)
	a, b, c := (float64(s4*t0)-float64(s2*t2))/det, t1/s2, (float64(n*t2)-float64(s2*t0))/det
	for i := range out {
		j := float64(from + i - m)
		out[i] = a + float64(b*j) + float64(c*float64(j*j))
	}
}

// runningMedian is the median of each point and its neighbours, half to each side as far as there are any; what is not a number is passed over.
func runningMedian(y []float64, half int) []float64 {
	out := make([]float64, len(y))
	window := make([]float64, 0, 2*half+2) // in order
	put := func(v float64) {
		if !math.IsNaN(v) {
			at, _ := slices.BinarySearch(window, v)
			window = slices.Insert(window, at, v)
		}
	}
	for _, v := range y[:min(half, len(y))] {
		put(v)
	}
	for i := range y {
		if i+half < len(y) {
			put(y[i+half])
		}
		if gone := i - half - 1; gone >= 0 && !math.IsNaN(y[gone]) {
			at, _ := slices.BinarySearch(window, y[gone])
			window = slices.Delete(window, at, at+1)
		}
		if out[i] = math.NaN(); len(window) > 0 && !math.IsNaN(y[i]) {
			out[i] = middle(window)
		}
	}
	return out
}

// median sorts its list.
func median(list []float64) float64 {
	slices.Sort(list)
	return middle(list)
}

// middle is the median of a list that is in order.
func middle(list []float64) float64 {
	n := len(list)
	if n%2 == 1 {
		return list[n/2]
	}
	return (list[n/2-1] + list[n/2]) / 2
}
