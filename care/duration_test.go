package care

import (
	"testing"
	"time"
)

// Forms of ISO 8601-1:2019, 5.5.2 (durations with designators): whole numbers,
// units in falling order, T before the time part.
func TestDurationsAsISO8601WritesThem(t *testing.T) {
	for s, want := range map[string]Duration{
		"PT50H": {Elapsed: 50 * time.Hour}, "P2D": {Elapsed: 2 * day}, "P3W": {Elapsed: 21 * day}, "P1DT2H30M": {Elapsed: day + 150*time.Minute},
		"PT0S": {}, "P1Y2M": {Years: 1, Months: 2}, "PT90M": {Elapsed: 90 * time.Minute}, "P1Y2M3W4DT5H6M7S": {
			Years: 1, Months: 2, Elapsed: 25*day + 5*time.Hour + 6*time.Minute + 7*time.Second,
		},
	} {
		if got, err := ParseDuration(s); err != nil || got != want {
			t.Errorf("%s: %+v, %v; want %+v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "P", "PT", "50H", "P1H", "PT1D", "P-1D", "-P1D", "P1.5D", "P1D2W", "PT1S1M", "P1", "PT5", "P1DT", "p1d", "P1D ", "P999999999999999999D"} {
		if got, err := ParseDuration(s); err == nil {
			t.Errorf("%q is taken for %+v", s, got)
		}
	}
}

// A calendar month before a moment keeps the day; a day is 24 h.
func TestDurationBefore(t *testing.T) {
	at := time.Date(2026, 3, 31, 12, 0, 0, 0, time.UTC)
	for s, want := range map[string]time.Time{
		"P1Y": time.Date(2025, 3, 31, 12, 0, 0, 0, time.UTC), "P2D": time.Date(2026, 3, 29, 12, 0, 0, 0, time.UTC), "PT30M": at.Add(-30 * time.Minute),
	} {
		d, err := ParseDuration(s)
		if err != nil {
			t.Fatal(err)
		}
		if got := d.Before(at); !got.Equal(want) {
			t.Errorf("%s before %s is %s, want %s", s, at, got, want)
		}
	}
}

// Nothing decided can't be written down: a zero must not become "home".
func TestHAZ04_ZeroValuesFailToMarshal(t *testing.T) {
	if text, err := Disposition(0).MarshalText(); err == nil {
		t.Errorf("zero is written as %q", text)
	}
	for d := Home; d <= Ambulance; d++ {
		text, err := d.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var back Disposition
		if err := back.UnmarshalText(text); err != nil || back != d {
			t.Errorf("%s comes back as %s, %v", d, back, err)
		}
	}
}

// Every sign has its class, and the quiet one has none.
func TestSignsHaveTheirClass(t *testing.T) {
	n := map[Class]int{}
	for _, s := range Signs() {
		n[s.Class()]++
		if (Finding{Sign: s, Doubtful: true}).Class() != NoClass {
			t.Errorf("a doubtful %s has a class", s)
		}
	}
	if n[AmbulanceNow] != 18 || n[Urgent] != 13 || n[NoClass] != 1 {
		t.Errorf("classes: %v", n)
	}
}
