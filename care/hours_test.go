package care

import (
	"strings"
	"testing"
	"time"
)

// week is the Lantern Bay clinic, which is invented.
const week = "Mon-Fri 08:00-12:30 13:30-18:00; Sat 09:00-13:00"

func lanternBay(t *testing.T, closed ...string) Hours {
	t.Helper()
	h, err := ParseHours("Europe/Lisbon", week, closed...)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// local reads a moment on the wall in Lisbon; of two such moments the first.
func local(t *testing.T, s string) time.Time {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", s, zone)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func TestHoursByTheClockOnTheWall(t *testing.T) {
	h := lanternBay(t, "2026-04-25") // a Saturday and a holiday there
	for at, want := range map[string]bool{
		"2026-03-02 07:59": false, "2026-03-02 08:00": true, "2026-03-02 12:29": true, "2026-03-02 12:30": false, "2026-03-02 13:30": true,
		"2026-03-02 17:59": true, "2026-03-02 18:00": false, "2026-03-07 10:00": true, "2026-03-07 13:00": false, "2026-03-08 10:00": false,
		"2026-04-25 10:00": false, "2026-07-01 08:00": true, "2026-07-01 07:59": false,
	} {
		if got := h.Open(local(t, at)); got != want {
			t.Errorf("open at %s: %t, want %t", at, got, want)
		}
	}
	if (Hours{}).Open(local(t, "2026-03-02 10:00")) {
		t.Error("hours that nobody gave are open")
	}
}

// What is counted in opening time stands still while the clinic is shut, and
// ends within its hours. Expected moments were counted by hand on a calendar.
func TestAfterCountsOpeningTime(t *testing.T) {
	h := lanternBay(t, "2026-04-25")
	for _, c := range []struct {
		from string
		d    time.Duration
		want string
	}{
		{"2026-03-02 10:00", time.Hour, "2026-03-02 11:00"},
		{"2026-03-02 12:00", time.Hour, "2026-03-02 14:00"},     // over noon
		{"2026-03-02 17:30", time.Hour, "2026-03-03 08:30"},     // over night
		{"2026-03-02 17:00", time.Hour, "2026-03-03 08:00"},     // not at the moment of closing
		{"2026-03-06 17:30", 4 * time.Hour, "2026-03-07 12:30"}, // Friday to Saturday
		{"2026-03-07 12:00", 4 * time.Hour, "2026-03-09 11:00"}, // Saturday to Monday
		{"2026-04-24 17:00", 2 * time.Hour, "2026-04-27 09:00"}, // over a holiday
		{"2026-03-28 12:00", 2 * time.Hour, "2026-03-30 09:00"}, // over the night in which summer time begins
		{"2026-10-24 12:00", 2 * time.Hour, "2026-10-26 09:00"}, // and ends
	} {
		if got := h.After(local(t, c.from), c.d); !got.Equal(local(t, c.want)) {
			t.Errorf("%v after %s is %s, want %s", c.d, c.from, got, c.want)
		}
	}
}

func TestMorningIsTheNextDayOnWhichItOpens(t *testing.T) {
	h := lanternBay(t, "2026-04-25")
	for from, want := range map[string]string{
		"2026-03-02 03:00": "2026-03-03 08:00", "2026-03-02 23:59": "2026-03-03 08:00", "2026-03-06 10:00": "2026-03-07 09:00",
		"2026-03-07 10:00": "2026-03-09 08:00", "2026-04-24 10:00": "2026-04-27 08:00", "2026-03-28 10:00": "2026-03-30 08:00", "2026-10-24 10:00": "2026-10-26 08:00",
	} {
		if got := h.Morning(local(t, from)); !got.Equal(local(t, want)) {
			t.Errorf("the morning after %s is %s, want %s", from, got, want)
		}
	}
}

// In every zone and over every clock change of a year: what is counted out
// ends within the hours, never early, and an opening that the clock leaves out
// is the first moment after it. Zones and changes come from the time package.
func TestHoursInEveryZoneOverEveryChange(t *testing.T) {
	for _, name := range []string{"Europe/Lisbon", "America/Santiago", "Africa/Cairo", "Asia/Beirut", "America/Havana", "Australia/Lord_Howe", "Pacific/Apia", "Asia/Kathmandu", "UTC"} {
		h, err := ParseHours(name, "Mon-Sun 00:00-01:00 01:30-24:00")
		if err != nil {
			t.Fatal(err)
		}
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		end := time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)
		for at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC); at.Before(end); at = at.Add(307 * time.Minute) {
			for _, d := range []time.Duration{0, time.Hour, 4 * time.Hour} {
				got := h.After(at, d)
				if !h.Open(got) || got.Sub(at) < d || got.Sub(at) > d+4*time.Hour {
					t.Fatalf("%s: %v after %s is %s", name, d, at.In(zone), got.In(zone))
				}
				counted := time.Duration(0)
				for m := at; m.Before(got); m = m.Add(time.Minute) {
					if h.Open(m) {
						counted += time.Minute
					}
				}
				if diff := counted - d; diff < 0 || diff > time.Minute {
					t.Fatalf("%s: %v after %s is %s, which is %v of open minutes", name, d, at.In(zone), got.In(zone), counted)
				}
			}
		}
	}
}

// Opening in the hour that a spring night leaves out is the moment after it.
func TestAnOpeningThatTheClockLeavesOut(t *testing.T) {
	h, err := ParseHours("Europe/Lisbon", "Sun 01:30-05:00")
	if err != nil {
		t.Fatal(err)
	}
	got := h.Morning(local(t, "2026-03-28 10:00"))
	if want := time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC); !got.Equal(want) { // 01:00 WET becomes 02:00 WEST
		t.Errorf("it opens at %s, want %s", got, want)
	}
}

func TestHoursThatCannotBeRead(t *testing.T) {
	for text, says := range map[string]string{
		"": "never open", "Mon": "not understood", "Mun 08:00-18:00": "not understood", "Mon 18:00-08:00": "no opening time", "Mon 8-18": "no opening time",
		"Mon 08:00-12:00 11:00-13:00": "overlap", "Mon-Xyz 08:00-18:00": "not understood", "Mon 08:00": "no opening time", "Mon 08:00-25:00": "no opening time",
	} {
		if _, err := ParseHours("Europe/Lisbon", text); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, want %q", text, err, says)
		}
	}
	_, err := ParseHours("Lisbon", "Mon 08:00-18:00", "25 April")
	if err == nil || !strings.Contains(err.Error(), "time zone") || !strings.Contains(err.Error(), "no day") {
		t.Errorf("both faults come at once: %v", err)
	}
}

func TestHoursAsOneText(t *testing.T) {
	text := "# Lantern Bay clinic\nzone Europe/Lisbon\n\nMon-Fri 08:00-12:30 13:30-18:00 # lunch\nSat 09:00-13:00\nclosed 2026-12-25 2027-01-01\n"
	for _, written := range []string{text, "zone Europe/Lisbon; Mon-Fri 08:00-12:30 13:30-18:00; Sat 09:00-13:00; closed 2026-12-25; closed 2027-01-01"} {
		h, err := ReadHours(written)
		if err != nil {
			t.Fatal(err)
		}
		for at, open := range map[string]bool{"2026-12-24T11:00:00Z": true, "2026-12-24T13:00:00Z": false, "2026-12-25T11:00:00Z": false, "2026-12-26T11:00:00Z": true, "2026-12-26T14:00:00Z": false} {
			moment, err := time.Parse(time.RFC3339, at)
			if err != nil {
				t.Fatal(err)
			}
			if h.Open(moment) != open {
				t.Errorf("at %s it is open: %v", at, !open)
			}
		}
	}
	for _, bad := range []string{"", "Mon-Fri 08:00-18:00", "zone Europe/Lisbon", "zone Europe/Lisbon; closed tomorrow; Mon 08:00-09:00", "zone A; zone B; Mon 08:00-09:00"} {
		if _, err := ReadHours(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
