package understanding

import (
	"math"
	"testing"
)

// Source: Newcombe 1998, Statistics in Medicine 17:857-872, table I, methods 3
// (Wilson) and 5 (exact); 299/299 by 1-sided 0.05^(1/n) is common practice.
func TestIntervalsAgainstNewcombe(t *testing.T) {
	for _, row := range []struct {
		r                        Rate
		wLow, wHigh, xLow, xHigh float64
	}{
		{Rate{81, 263}, 0.2553, 0.3662, 0.2527, 0.3676},
		{Rate{15, 148}, 0.0624, 0.1605, 0.0578, 0.1617},
		{Rate{0, 20}, 0, 0.1611, 0, 0.1684},
		{Rate{1, 29}, 0.0061, 0.1718, 0.0009, 0.1776},
		{Rate{10, 10}, 0.7225, 1, 0.6915, 1},
	} {
		wl, wh := row.r.Wilson()
		xl, xh := row.r.Exact()
		for i, pair := range [][2]float64{{wl, row.wLow}, {wh, row.wHigh}, {xl, row.xLow}, {xh, row.xHigh}} {
			if math.Abs(pair[0]-pair[1]) > 0.00006 {
				t.Errorf("%v, figure %d: got %.5f, want %.4f", row.r, i, pair[0], pair[1])
			}
		}
	}
}
