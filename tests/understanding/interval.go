// Package understanding measures how well typed words are understood, on
// lines that several people wrote and labelled. A part of the lines was kept
// from whoever tuned the words; the figures to quote are of that part.
package understanding

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Rate is k of n with its two-sided 95 % intervals.
type Rate struct{ K, N int }

// Value is k/n; without a trial it is not a number.
func (r Rate) Value() float64 { return float64(r.K) / float64(r.N) }

// Exact is the Clopper-Pearson interval.
func (r Rate) Exact() (low, high float64) {
	const tail = 0.025
	low, high = 0, 1
	if r.K > 0 {
		low = distuv.Beta{Alpha: float64(r.K), Beta: float64(r.N - r.K + 1)}.Quantile(tail)
	}
	if r.K < r.N {
		high = distuv.Beta{Alpha: float64(r.K + 1), Beta: float64(r.N - r.K)}.Quantile(1 - tail)
	}
	return low, high
}

// Wilson is the score interval (Newcombe 1998, method 3).
func (r Rate) Wilson() (low, high float64) {
	const z = 1.959963984540054
	n, p := float64(r.N), r.Value()
	mid := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	return max(mid-half, 0), min(mid+half, 1)
}
