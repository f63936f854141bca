package drill

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"
)

// Times are how long things took, counted from their planned instants.
type Times struct {
	N   int      `json:"count"`
	P50 Duration `json:"p50"`
	P99 Duration `json:"p99"`
	Max Duration `json:"max"`
}

// A Duration is told in seconds.
type Duration time.Duration

// MarshalJSON writes seconds with three digits behind the point.
func (d Duration) MarshalJSON() ([]byte, error) {
	return fmt.Appendf(nil, "%.3f", time.Duration(d).Seconds()), nil
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (d *Duration) UnmarshalJSON(data []byte) error {
	s, err := strconv.ParseFloat(string(data), 64)
	*d = Duration(math.Round(s*1000)) * Duration(time.Millisecond)
	return err
}

func (d Duration) String() string {
	return fmt.Sprintf("%.2f s", time.Duration(d).Seconds())
}

func timesOf(all []time.Duration) Times {
	slices.Sort(all)
	t := Times{N: len(all), P50: Duration(percentile(all, 50)), P99: Duration(percentile(all, 99))}
	if t.N > 0 {
		t.Max = Duration(all[t.N-1])
	}
	return t
}

// percentile is the nearest rank: the least of the sorted values that at least
// p percent of them do not exceed. Nothing is interpolated, so that each
// figure is one that somebody waited. Of no values it is 0.
func percentile(sorted []time.Duration, p float64) time.Duration {
	if len(sorted) == 0 {
		return 0
	}
	rank := int(math.Ceil(p / 100 * float64(len(sorted))))
	return sorted[max(rank, 1)-1]
}
