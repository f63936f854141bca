package locales

import (
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/nyaruka/phonenumbers"

	"turnstone/care"
)

func numbers(t testing.TB) *Numbers {
	t.Helper()
	n, err := LoadNumbers(Files)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// unlisted are the emergency numbers that the library's data lack, each with
// the reason why we hold it all the same. The list is short and open.
var unlisted = map[string]string{
	"PE 106": "ambulance service of the Ministry of Health, written source in emergency.toml; the data list 105, 116 and 117",
}

// TestHAZ06_NumbersPlausible asks a library that we did not write
// (github.com/nyaruka/phonenumbers 1.8.1, metadata of libphonenumber) whether
// each number is an emergency number of its region, and no crisis line is one.
func TestHAZ06_NumbersPlausible(t *testing.T) {
	n := numbers(t)
	used := map[string]bool{}
	for _, region := range n.Regions() {
		number, _ := n.Emergency(region)
		row := region + " " + number
		if _, open := unlisted[row]; open {
			used[row] = true
			if phonenumbers.IsEmergencyNumber(number, region) {
				t.Errorf("%s: the library lists it now: take it off the list of exceptions", row)
			}
			continue
		}
		if !phonenumbers.IsEmergencyNumber(number, region) {
			t.Errorf("%s: the library knows no such emergency number", row)
		}
		if line, ok := n.Crisis(region); ok && phonenumbers.IsEmergencyNumber(line, region) {
			t.Errorf("%s: the crisis line %s is an emergency number", region, line)
		}
	}
	if len(used) != len(unlisted) {
		t.Errorf("exceptions %v are not all used: %v", slices.Collect(maps.Keys(unlisted)), used)
	}
}

// TestHAZ06_PlacesWorkWhereTheySay asks the same library about the numbers for
// an unknown region, in each region that they name.
func TestHAZ06_PlacesWorkWhereTheySay(t *testing.T) {
	n := numbers(t)
	for _, p := range n.places {
		for _, region := range p.Regions {
			if !phonenumbers.IsEmergencyNumber(p.Number, region) {
				t.Errorf("%s is no emergency number in %s", p.Number, region)
			}
		}
		if len(p.Regions) == 0 {
			t.Errorf("%s names no region to check it in", p.Number)
		}
	}
}

// TestHAZ06_RenderAllLocalesAllCountries renders the first line of the card for
// every region in every language: the exact digits, and nothing unfilled.
func TestHAZ06_RenderAllLocalesAllCountries(t *testing.T) {
	b, n := book(t), numbers(t)
	digits := regexp.MustCompile(`^[0-9]{2,6}$`)
	for _, locale := range b.Locales() {
		for _, region := range n.Regions() {
			number, ok := n.Emergency(region)
			if !ok || !digits.MatchString(number) {
				t.Fatalf("%s has no number: %q", region, number)
			}
			for key, args := range b.withNumber() {
				got, err := b.Text(locale, care.Sentence{Key: key, Args: map[string]string{args: number}})
				if err != nil {
					t.Errorf("%s %s %s: %v", locale, region, key, err)
				}
				if strings.Count(got, number) != 1 || strings.ContainsAny(got, "{}<>") || strings.Contains(got, "no value") {
					t.Errorf("%s %s %s: the number %s is not there once:\n%s", locale, region, key, number, got)
				}
				if at := lintRunes(got); len(at) > 0 {
					t.Errorf("%s %s %s: %v", locale, region, key, at)
				}
			}
		}
	}
}

// withNumber lists the sentences whose only argument is a number to call.
func (b *Book) withNumber() map[care.SentenceKey]string {
	out := map[care.SentenceKey]string{}
	for key, s := range b.plain {
		for name, kind := range s.args {
			if kind == argNumber && len(s.args) == 1 {
				out[key] = name
			}
		}
	}
	return out
}

func TestHAZ06_UnknownCountryNeverGuesses(t *testing.T) {
	b, n := book(t), numbers(t)
	for _, region := range []string{"", "XX", "us", "USA", "en", "es", "Europe/Lisbon", "unknown", "other"} {
		if number, ok := n.Emergency(region); ok || number != "" {
			t.Errorf("region %q got the number %q", region, number)
		}
		if number, ok := n.Crisis(region); ok || number != "" {
			t.Errorf("region %q got the crisis line %q", region, number)
		}
		if zone, ok := n.Zone(region); ok || zone != "" {
			t.Errorf("region %q got the zone %q", region, zone)
		}
	}
	want := map[string]bool{"112": true, "911": true, "999": true, "000": true, "111": true}
	for _, locale := range b.Locales() {
		got := map[string]bool{}
		for _, s := range n.Places() {
			text, err := b.Text(locale, s)
			if err != nil {
				t.Errorf("%s: %v", locale, err)
			}
			number, _, _ := strings.Cut(text, ":")
			got[number] = true
		}
		if !maps.Equal(got, want) {
			t.Errorf("%s lists %v, want %v", locale, got, want)
		}
	}
}

// TestCrisisLinesAreThoseThatWereRead names the lines once more, as they stand
// in their sources. The row says where each was read.
func TestCrisisLinesAreThoseThatWereRead(t *testing.T) {
	n := numbers(t)
	want := map[string]string{
		"US": "988", "PR": "988", "CA": "988", "GB": "116123", "IE": "116123", "ES": "024", "AU": "131114", "NZ": "1737", "BR": "188",
	}
	got := map[string]string{}
	for _, region := range n.Regions() {
		if line, ok := n.Crisis(region); ok {
			got[region] = line
		}
	}
	if !maps.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestZonesAreOfRegionsWithOneClock(t *testing.T) {
	n := numbers(t)
	// Each of these has more than one clock in the IANA zone table (zone.tab).
	for _, region := range []string{"US", "CA", "MX", "ES", "PT", "AU", "NZ", "BR", "CL"} {
		if zone, ok := n.Zone(region); ok {
			t.Errorf("%s has several clocks, and got %s", region, zone)
		}
	}
	for region, want := range map[string]string{"GB": "Europe/London", "CO": "America/Bogota", "PR": "America/Puerto_Rico", "DO": "America/Santo_Domingo"} {
		if zone, ok := n.Zone(region); !ok || zone != want {
			t.Errorf("%s: got %q, want %q", region, zone, want)
		}
	}
}

func TestStaleNamesRowsToReadAgain(t *testing.T) {
	n := numbers(t)
	if got := n.Stale(time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)); len(got) > 0 {
		t.Errorf("stale a week after they were read: %v", got)
	}
	got := n.Stale(time.Date(2027, 6, 1, 0, 0, 0, 0, time.UTC))
	if want := len(n.emergency) + len(n.crisis); len(got) != want || got[0] != "numbers/emergency.toml: AR" {
		t.Errorf("got %v, want all %d rows", got, want)
	}
}

func TestLoadNumbersNamesFileLineAndRemedy(t *testing.T) {
	good := "[[region]]\ncode = \"NZ\"\nnumber = \"111\"\nreaches = \"all\"\nsource = \"a page\"\ndate = \"2026-11-25\"\nchecked_by = \"somebody\"\n"
	place := "[[place]]\nnumber = \"111\"\nlabel = \"place.111\"\nregions = [\"NZ\"]\n"
	change := func(from, to string) string { return strings.Replace(good, from, to, 1) + place }
	tests := []struct{ name, emergency, crisis, want string }{
		{"a bare number", change(`"111"`, `111`), "", "numbers/emergency.toml:"},
		{"a number with signs", change(`"111"`, `"1-1-1"`), "", `numbers/emergency.toml:2: region NZ has the number "1-1-1"`},
		{"a long number", change(`"111"`, `"0800543354"`), "", `region NZ has the number "0800543354"`},
		{"other digits", change(`"111"`, `"١١١"`), "", `region NZ has the number`},
		{"a code in small letters", change(`"NZ"`, `"nz"`), "", `region code "nz"`},
		{"a region twice", good + good + place, "", `region code "NZ": write two capital letters, each region once`},
		{"no source", change(`"a page"`, `""`), "", `region NZ: say what the number reaches, the source`},
		{"a date that is none", change(`2026-11-25`, `25/11/2026`), "", `region NZ: date is "25/11/2026"`},
		{"an unknown zone", change("checked_by", "zone = \"Pacific/Nowhere\"\nchecked_by"), "", `region NZ: no time zone "Pacific/Nowhere"`},
		{"an unknown key", change("checked_by", "chcked_by"), "", `nothing reads "region.chcked_by"`},
		{"no place", good, "", "there must be a [[region]] and a [[place]]"},
		{"a place without its region", good + strings.Replace(place, `["NZ"]`, `["AU"]`, 1), "", `place 111: no region "AU"`},
		{"a crisis line of an unknown region", good + place, strings.Replace(good, `"NZ"`, `"AU"`, 1), `numbers/crisis.toml:2: region "AU" has no emergency number`},
		{"a place among the crisis lines", good + place, place, "a place belongs into numbers/emergency.toml"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			files := fstest.MapFS{emergencyFile: {Data: []byte(tt.emergency)}, crisisFile: {Data: []byte(tt.crisis)}}
			if _, err := LoadNumbers(files); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
		})
	}
	if _, err := LoadNumbers(fstest.MapFS{}); err == nil {
		t.Error("an empty folder gave numbers")
	}
	if _, err := LoadNumbers(fs.FS(fstest.MapFS{emergencyFile: {Data: []byte(good + place)}, crisisFile: {}})); err != nil {
		t.Errorf("a region without a crisis line is no fault: %v", err)
	}
}
