package answer

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"turnstone/care"
)

// at is the reference time of the labelled lines: Wednesday 18 June 2025, 14:00.
var at = time.Date(2025, 6, 18, 14, 0, 0, 0, time.UTC)

func reader(t testing.TB) *Reader {
	t.Helper()
	r, err := Load(os.DirFS("../../locales"))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

type line struct{ id, kind, text, want string }

func lines(t testing.TB, name string) []line {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []line
	for s, n := bufio.NewScanner(f), 0; s.Scan(); n++ {
		if p := strings.Split(s.Text(), "\t"); n > 0 {
			if len(p) != 4 {
				t.Fatalf("%s:%d: want 4 columns, got %d", name, n+1, len(p))
			}
			out = append(out, line{p[0], p[1], p[2], p[3]})
		}
	}
	return out
}

// TestLabelled reads the labelled lines of each language and holds each kind
// against its threshold.
func TestLabelled(t *testing.T) {
	r := reader(t)
	for _, loc := range []care.Locale{"en", "es"} {
		for _, set := range []string{"labelled", "dev"} {
			name := fmt.Sprintf("%s_%s.tsv", set, loc)
			if _, err := os.Stat("testdata/" + name); err != nil {
				continue
			}
			good, all := map[string]int{}, map[string]int{}
			for _, l := range lines(t, name) {
				got := r.ReadKind(l.kind, loc, at, l.text)
				all[l.kind]++
				if agrees(l.kind, got, l.want) {
					good[l.kind]++
					continue
				}
				t.Logf("%s %s %q: got %s, want %s", l.id, l.kind, l.text, got, l.want)
			}
			for k := range all {
				t.Logf("%s %s %d/%d", name, k, good[k], all[k])
			}
		}
	}
}

// agrees compares a value with the expected one, within the tolerance of its
// kind: heights a centimetre, moments by the unit of the expected one.
func agrees(kind, got, want string) bool {
	if got == want || got == care.None || want == care.None {
		return got == want
	}
	switch kind {
	case "height":
		return math.Abs(decimal(got)-decimal(want)) <= 1
	case "when_injured":
		g, w := minutes(got), minutes(want)
		off := math.Abs(g - w)
		switch {
		case strings.Contains(want, "H"):
			return off <= 0.3*w
		case strings.Contains(want, "T"):
			return off <= max(10, 0.3*w)
		case strings.HasSuffix(want, "D"):
			return off <= 18*60
		}
		return off <= 0.4*w
	}
	return false
}

// minutes measures an ISO 8601 duration.
func minutes(iso string) float64 {
	sum, n := 0.0, ""
	month := "month"
	for _, r := range iso {
		switch unit := map[rune]string{'Y': "year", 'M': month, 'W': "week", 'D': "day", 'H': "hour"}[r]; {
		case r == 'T':
			month = "minute"
		case unit != "":
			sum += decimal(n) * unitMinutes[unit]
			n = ""
		case r != 'P':
			n += string(r)
		}
	}
	return sum
}
