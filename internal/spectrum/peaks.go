package spectrum

import (
	"math"
	"slices"
)

// Peak is one peak of a curve from which the baseline was taken.
type Peak struct {
	// Position is where it is highest, in cm⁻¹, between the points by a parabola through the three that are highest.
	Position float64
	// Height is how high it stands over the baseline, Prominence how far it stands out from the higher of its two feet.
	Height, Prominence float64
	// Width is how wide it is at half its prominence, in cm⁻¹.
	Width float64
	// Area is what lies above the line between its feet, in ordinates times cm⁻¹. A foot is where the curve is lowest before it rises again, half a width
	// or more from the top.
	Area float64

	at int // the point that is highest
}

// peaks finds the maxima of evenly spaced points that stand out by at least what least holds at their place. Prominence and width are those that topography uses: from a peak one
// goes down to each side up to the next higher point; the higher of the two lowest points on the ways is the foot.
func peaks(x, y, least []float64) []Peak {
	n := len(y)
	if n < 3 {
		return nil
	}
	// Prominences of all maxima in two passes: a stack holds what is not yet covered by something higher, with the lowest point since the one below it.
	type open struct {
		at  int
		low float64
	}
	lowest := func(order func(int) int) []float64 {
		out := make([]float64, n)
		var stack []open
		for k := range n {
			i := order(k)
			v := y[i]
			if out[i] = v; math.IsNaN(v) { // nothing is known beyond
				stack = stack[:0]
				continue
			}
			for len(stack) > 0 && y[stack[len(stack)-1].at] <= v {
				out[i] = min(out[i], stack[len(stack)-1].low)
				stack = stack[:len(stack)-1]
			}
			stack = append(stack, open{i, out[i]})
		}
		return out
	}
	left, right := lowest(func(k int) int { return k }), lowest(func(k int) int { return n - 1 - k })

	var list []Peak
	h := (x[n-1] - x[0]) / float64(n-1)
	for i := 1; i < n-1; i++ {
		if math.IsNaN(y[i]) || math.IsNaN(y[i-1]) || !(y[i] > y[i-1]) {
			continue
		}
		j := i // a top may be flat
		for j+1 < n && y[j+1] == y[i] {
			j++
		}
		if j+1 == n || math.IsNaN(y[j+1]) || y[j+1] > y[i] {
			continue
		}
		top := (i + j) / 2
		p := Peak{Position: x[top], Height: y[top], at: top}
		p.Prominence = y[top] - max(left[top], right[top])
		i = j
		if !(p.Prominence >= least[top]) {
			continue
		}
		level := y[top] - p.Prominence/2
		a, b := crossing(y, top, -1, level), crossing(y, top, 1, level)
		p.Width = (b - a) * h
		p.Area = area(y, h, top, int(math.Ceil(max(1, (b-a)/2))))
		if i > 0 && top+1 < n && i == top {
			if d := y[top-1] - float64(2*y[top]) + y[top+1]; d < 0 {
				p.Position += float64(h * 0.5 * (y[top-1] - y[top+1]) / d)
			}
		}
		list = append(list, p)
	}
	return list
}

// crossing is where the curve falls to a level on its way from a top, in points.
func crossing(y []float64, top, step int, level float64) float64 {
	i := top
	for i+step >= 0 && i+step < len(y) && y[i] > level && !math.IsNaN(y[i+step]) {
		i += step
	}
	if y[i] < level && y[i-step] != y[i] {
		return float64(i) - float64(float64(step)*(level-y[i])/(y[i-step]-y[i]))
	}
	return float64(i)
}

// area is what lies above the line between the feet of a peak.
func area(y []float64, h float64, top, least int) float64 {
	foot := func(step int) int {
		i := top
		for i+step >= 0 && i+step < len(y) && !math.IsNaN(y[i+step]) && (y[i+step] <= y[i] || (i-top)*step < least) {
			i += step
		}
		return i
	}
	a, b := foot(-1), foot(1)
	return h * overChord(y[a:b+1])
}

// overChord sums what lies between a curve and the line between its ends, by the trapezoidal rule with a step of one.
func overChord(y []float64) float64 {
	n := len(y) - 1
	if n < 1 {
		return 0
	}
	sum := 0.0
	for _, v := range y {
		sum += v
	}
	return sum - (y[0]+y[n])/2 - float64(float64(n)*(y[0]+y[n])/2)
}

// strongest keeps the n peaks that stand out most, in order of position.
func strongest(list []Peak, n int) []Peak {
	if len(list) <= n {
		return list
	}
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b Peak) int {
		switch {
		case a.Prominence > b.Prominence:
			return -1
		case a.Prominence < b.Prominence:
			return 1
		}
		return 0
	})
	list = list[:n]
	slices.SortFunc(list, func(a, b Peak) int {
		if a.Position < b.Position {
			return -1
		}
		return 1
	})
	return list
}
