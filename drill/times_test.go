package drill

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// The outside is gonum's empirical quantile: the least value that at least
// that share does not exceed (Hyndman and Fan 1996, definition 1).
func TestPercentileIsTheEmpiricalQuantile(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.SliceOfN(rapid.Int64Range(0, 1_000_000), 1, 300).Draw(r, "times")
		slices.Sort(n)
		var all []time.Duration
		var floats []float64
		for _, v := range n {
			all, floats = append(all, time.Duration(v)), append(floats, float64(v))
		}
		for _, p := range []float64{1, 50, 90, 99, 100} {
			if got, want := float64(percentile(all, p)), stat.Quantile(p/100, stat.Empirical, floats, nil); got != want {
				r.Errorf("percentile %v of %v is %v, want %v", p, n, got, want)
			}
		}
	})
}

func TestTimesOfFewAndOfNone(t *testing.T) {
	if got := timesOf(nil); got != (Times{}) {
		t.Errorf("of none: %+v", got)
	}
	got := timesOf([]time.Duration{3 * time.Second, time.Second, 2 * time.Second})
	if want := (Times{3, Duration(2 * time.Second), Duration(3 * time.Second), Duration(3 * time.Second)}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if data, err := json.Marshal(got); err != nil || string(data) != `{"count":3,"p50":2.000,"p99":3.000,"max":3.000}` {
		t.Errorf("as JSON: %s, %v", data, err)
	}
}
