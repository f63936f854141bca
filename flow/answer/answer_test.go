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
	t.Cleanup(func() {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	})
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
// against its share of lines read as expected. A yes read as no, or a no as
// yes, fails at once: the one sends a person home whom the other would not.
func TestLabelled(t *testing.T) {
	r := reader(t)
	for _, loc := range []care.Locale{"en", "es"} {
		for set, least := range map[string]float64{"labelled": 1, "dev": 0.98} {
			name := fmt.Sprintf("%s_%s.tsv", set, loc)
			good, all := map[string]int{}, map[string]int{}
			for _, l := range lines(t, name) {
				got := r.ReadKind(l.kind, loc, at, l.text)
				all[l.kind]++
				if agrees(l.kind, got, l.want) {
					good[l.kind]++
					continue
				}
				t.Logf("%s %s %q: got %s, want %s", l.id, l.kind, l.text, got, l.want)
				if l.kind == "yesno" && flipped(got, l.want) {
					t.Errorf("%s %q: a %s was read as %s", l.id, l.text, l.want, got)
				}
			}
			if len(all) != len(kinds) {
				t.Errorf("%s has %d kinds, want %d", name, len(all), len(kinds))
			}
			for k, n := range all {
				if share := float64(good[k]) / float64(n); share < least {
					t.Errorf("%s %s: %d of %d lines read as expected, want a share of %v", name, k, good[k], n, least)
				}
			}
		}
	}
}

func flipped(got, want string) bool {
	return got == care.Yes && want == care.No || got == care.No && want == care.Yes
}

// TestShoutedAndBare reads the labelled yes and no lines again in capitals, and
// without accents as phones write them: no flip there either.
func TestShoutedAndBare(t *testing.T) {
	r := reader(t)
	bare := strings.NewReplacer("á", "a", "é", "e", "í", "i", "ó", "o", "ú", "u")
	for _, loc := range []care.Locale{"en", "es"} {
		for _, l := range lines(t, fmt.Sprintf("dev_%s.tsv", loc)) {
			if l.kind != "yesno" {
				continue
			}
			for _, text := range []string{strings.ToUpper(l.text), bare.Replace(l.text), l.text + "!!!", "  " + l.text + " "} {
				if got := r.ReadKind("yesno", loc, at, text); flipped(got, l.want) {
					t.Errorf("%s %q: a %s was read as %s", l.id, text, l.want, got)
				}
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
