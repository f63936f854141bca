package answer

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"turnstone/care"
)

// TestHeightsInFeet checks every height in feet and inches that is believed
// against the exact inch of 2.54 cm (international yard and pound agreement,
// 1959), in five ways of writing.
func TestHeightsInFeet(t *testing.T) {
	r := reader(t)
	for f := 3; f <= 7; f++ {
		for in := 0; in < 12; in++ {
			want := "none"
			if cm := int(float64(f*12+in)*2.54 + 0.5); cm >= 90 && cm <= 230 {
				want = strconv.Itoa(cm)
			}
			for _, form := range []string{"%d'%d", "%d'%d\"", "%d %d", "%d-%d", "%d ft %d in"} {
				text := fmt.Sprintf(form, f, in)
				if got := r.ReadKind("height", "en", at, text); got != want {
					t.Errorf("%q: got %s, want %s", text, got, want)
				}
			}
		}
	}
}

// TestHeightsInMetres checks every centimetre in each of four ways of writing.
func TestHeightsInMetres(t *testing.T) {
	r := reader(t)
	for cm := 100; cm <= 230; cm++ {
		for _, text := range []string{strconv.Itoa(cm), fmt.Sprintf("%d cm", cm), fmt.Sprintf("%d.%02d m", cm/100, cm%100), fmt.Sprintf("%d,%02d", cm/100, cm%100)} {
			got := r.ReadKind("height", "es", at, text)
			if cm%100 == 0 && strings.Contains(text, ",") && cm == 100 {
				continue // "1,00" alone may be anything
			}
			if got != strconv.Itoa(cm) {
				t.Errorf("%q: got %s", text, got)
			}
		}
	}
}

// TestScaleNumbers checks the scale's own numbers, in digits and out of ten.
func TestScaleNumbers(t *testing.T) {
	r := reader(t)
	for n := 0; n <= 20; n++ {
		alone, outOf := strconv.Itoa(n), strconv.Itoa(min(n, 10))
		if n > 10 {
			alone = "none" // out of range, alone
		}
		for text, want := range map[string]string{strconv.Itoa(n): alone, fmt.Sprintf("%d/10", n): outOf, fmt.Sprintf("%d out of 10", n): outOf} {
			if got := r.ReadKind("scale0to10", "en", at, text); got != want {
				t.Errorf("%q: got %s, want %s", text, got, want)
			}
		}
	}
}

// TestISODurations takes durations as ISO 8601-1:2019, 5.5.2 writes them and
// leaves the rest.
func TestISODurations(t *testing.T) {
	r := reader(t)
	for text, want := range map[string]string{
		"PT30M": "PT30M", "PT3H": "PT3H", "P2D": "P2D", "P3W": "P3W", "P1Y2M3DT4H5M6S": "P1Y2M3DT4H5M6S", "P": "none", "PT": "none", "P3": "none", "PTH": "none",
	} {
		if got := r.ReadKind("when_injured", "en", at, text); got != want {
			t.Errorf("%q: got %s, want %s", text, got, want)
		}
	}
}

// TestDateOrder reads the same digits in the order of each language (CLDR, short
// date formats of English in the United States and of Spanish).
func TestDateOrder(t *testing.T) {
	r := reader(t)
	for _, c := range []struct {
		loc        care.Locale
		text, want string
	}{{"en", "6/5", "P13D"}, {"es", "5/6", "P13D"}, {"en", "2025-06-05", "P13D"}, {"es", "2025-06-05", "P13D"}, {"es", "13/6", "P5D"}, {"en", "6/13", "P5D"}} {
		if got := r.ReadKind("when_injured", c.loc, at, c.text); got != c.want {
			t.Errorf("%s %q: got %s, want %s", c.loc, c.text, got, c.want)
		}
	}
}

// TestWeekdays reads each weekday as the latest past one, on every day of a week.
func TestWeekdays(t *testing.T) {
	r := reader(t)
	for d := range 7 {
		now := at.AddDate(0, 0, d)
		for back := 1; back <= 7; back++ {
			day := strings.ToLower(now.AddDate(0, 0, -back).Weekday().String())
			if got, want := r.ReadKind("when_injured", "en", now, "on "+day), fmt.Sprintf("P%dD", back); got != want {
				t.Errorf("%q on a %v: got %s, want %s", day, now.Weekday(), got, want)
			}
		}
	}
}

// TestAgeFromBirth compares ages from a date of birth with the calendar.
func TestAgeFromBirth(t *testing.T) {
	r := reader(t)
	for y := 1930; y < 2025; y += 5 {
		for m := 1; m <= 12; m++ {
			want := at.Year() - y
			if time.Month(m) > at.Month() || time.Month(m) == at.Month() && 20 > at.Day() {
				want--
			}
			text := fmt.Sprintf("born %s 20 %d", time.Month(m), y)
			if got := r.ReadKind("age_years", "en", at, text); got != strconv.Itoa(want) {
				t.Errorf("%q: got %s, want %d", text, got, want)
			}
		}
	}
}

// TestLongReplies reads 100 KB of words without an answer and without delay.
func TestLongReplies(t *testing.T) {
	r := reader(t)
	for kind := range kinds {
		for _, unit := range []string{"no ", "a", "7", "yes, ", "sí no ", "((((", "🤷", "a few hours and "} {
			text := strings.Repeat(unit, 100_000/len(unit))
			if kind == "choice" {
				text = "options: a|b ;; " + text
			}
			start := time.Now()
			r.ReadKind(kind, "en", at, text)
			if d := time.Since(start); d > time.Second {
				t.Errorf("%s of %q took %v", kind, unit, d)
			}
		}
	}
}

// TestLoadRefusals checks that a bad file is refused with its place and a remedy.
func TestLoadRefusals(t *testing.T) {
	good, err := os.ReadFile("../../locales/en/answers.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, old, new, want string }{
		{"no TOML", "[numbers]", "[numbers", "correct the TOML"},
		{"unknown table", "[numbers.words]", "[numbers.wordz]", "nothing reads"},
		{"unknown section", "[say.side]", "[say.sides]", "no part of the reader"},
		{"unknown label", "\nverdict = ", "\nverdicts = ", "unknown \"verdicts\""},
		{"missing label", "\nverdict = ", "\nverdicts = ", "lacks \"verdict\""},
		{"unknown set", "\"<neg> .. (sure|certain|positive)\"", "\"<negz> .. sure\"", "no set is called"},
		{"open bracket", "\"<neg> .. (sure|certain|positive)\"", "\"(sure|certain\"", "open bracket"},
		{"nothing to match", "\"<neg> .. (sure|certain|positive)\"", "\"sure?\"", "match nothing"},
		{"gap first", "\"<neg> .. (sure|certain|positive)\"", "\".. sure\"", "begins with a gap"},
		{"two labels", "\"nope\", ", "\"yep\", ", "keep one"},
		{"no date order", "\"month_day\"", "\"year_first\"", "date_order"},
		{"bad clock", "\"12:00\" = [", "\"25:00\" = [", "no clock time"},
		{"bad feast", "\"12-25\" = [", "\"13-25\" = [", "no month and day"},
		{"bad number", "\n\"0.25\" = [", "\n\"quarter\" = [", "no number"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bad := strings.Replace(string(good), c.old, c.new, 1)
			if bad == string(good) {
				t.Fatalf("the data no longer holds %q", c.old)
			}
			_, err := Load(fstest.MapFS{"en/answers.toml": {Data: []byte(bad)}})
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "en/answers.toml:") {
				t.Errorf("got %v, want a fault with its line and %q", err, c.want)
			}
		})
	}
	if _, err := Load(fstest.MapFS{}); err == nil || !strings.Contains(err.Error(), "give one") {
		t.Errorf("an empty folder: got %v", err)
	}
}
