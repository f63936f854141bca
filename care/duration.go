package care

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// A Duration is a length of time as ISO 8601-1:2019 writes it, such as PT3H,
// P2D or P1M. Days and weeks are elapsed time (24 h a day); years and months
// are calendar time.
type Duration struct {
	Years, Months int
	Elapsed       time.Duration
}

// ParseDuration reads an ISO 8601 duration of whole numbers. Signs and
// fractions are refused.
func ParseDuration(s string) (Duration, error) {
	var d Duration
	rest, ok := strings.CutPrefix(s, "P")
	date, clock, hasClock := strings.Cut(rest, "T")
	if !ok || rest == "" || hasClock && clock == "" {
		return d, fmt.Errorf("%q is no ISO 8601 duration; write PT90M, PT50H or P2D", s)
	}
	err := parts(date, "YMWD", func(n int, unit byte) {
		switch unit {
		case 'Y':
			d.Years = n
		case 'M':
			d.Months = n
		case 'W':
			d.Elapsed += time.Duration(n) * 7 * day
		case 'D':
			d.Elapsed += time.Duration(n) * day
		}
	})
	if err == nil {
		err = parts(clock, "HMS", func(n int, unit byte) {
			d.Elapsed += time.Duration(n) * map[byte]time.Duration{'H': time.Hour, 'M': time.Minute, 'S': time.Second}[unit]
		})
	}
	if err != nil {
		return Duration{}, fmt.Errorf("%q is no ISO 8601 duration: %w", s, err)
	}
	return d, nil
}

// Before is the moment d before at.
func (d Duration) Before(at time.Time) time.Time {
	return at.AddDate(-d.Years, -d.Months, 0).Add(-d.Elapsed)
}

// most keeps a number small enough that no sum of units overflows.
const most = 99_999

func parts(s, units string, each func(n int, unit byte)) error {
	for s != "" {
		i := strings.IndexFunc(s, func(r rune) bool { return r < '0' || r > '9' })
		if i <= 0 {
			return fmt.Errorf("a number and a unit of %s must follow each other", units)
		}
		at := strings.IndexByte(units, s[i])
		n, err := strconv.Atoi(s[:i])
		if at < 0 || err != nil || n > most {
			return fmt.Errorf("%q does not fit here", s[:i+1])
		}
		each(n, s[i])
		units, s = units[at+1:], s[i+1:]
	}
	return nil
}
