package flow

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/flow/answer"
)

// zoneWait is how long the person has to say what time it is there before the
// checks are planned by the server's zone (common practice, no source).
const zoneWait = time.Hour

// wantsZone reports whether the person is to be asked what time it is there:
// somebody set the zone for a whole server, and checks are about to be planned.
func (t *turn) wantsZone() bool {
	return t.ep.ZoneAsk && t.answering() && t.ep.Aside.What == "" && t.ep.Doubt == "" && !t.ep.Open && !t.ep.InjuredAt.IsZero() && t.mayAsk()
}

// zoneSaid reads the answer to "is it about 14:20 where you are?". A time in
// it is the answer.
func (t *turn) zoneSaid(text string) error {
	if _, ok := readClock(text); ok {
		return t.clockSaid(text)
	}
	r := t.f.set.Reader.Read(answer.Question{Kind: care.YesNo, Locale: t.ep.Locale, At: t.now.In(t.zone)}, text)
	if r.OK {
		return t.zoneAnswered(r.Values[0])
	}
	if t.ep.Tries++; t.ep.Tries < unreadable {
		t.say("reask")
		t.show()
		return nil
	}
	return t.zoneAnswered(care.Unsure)
}

func (t *turn) zoneAnswered(value string) error {
	t.ep.Tries = 0
	if value == care.No {
		t.ep.Aside = care.Aside{What: care.AsideClock}
		t.show()
		return nil
	}
	return t.zoneKnown(t.ep.Zone, value == care.Yes)
}

// clockSaid reads what time it is there. Words without a time keep the zone
// that is known.
func (t *turn) clockSaid(text string) error {
	clock, ok := readClock(text)
	if !ok {
		return t.zoneKnown(t.ep.Zone, false)
	}
	return t.zoneKnown(zoneAt(clock, t.now, t.zone), true)
}

func (t *turn) zoneKnown(zone string, sure bool) error {
	loc, err := t.f.zone(zone)
	if err != nil {
		return err
	}
	t.ep.Zone, t.zone = zone, loc
	t.ep.ZoneSet, t.ep.ZoneAsk, t.ep.Aside = t.ep.ZoneSet || sure, false, care.Aside{}
	t.planChecks()
	t.say("zone.kept")
	t.show()
	return nil
}

// A clock is a time of day; half is one that may be in the afternoon as well.
type clock struct {
	minutes int
	half    bool
}

var clockWords = regexp.MustCompile(`(?i)(?:^|[^0-9:.,])([01]?[0-9]|2[0-3])(?:[:.h]\s?([0-5][0-9]))?\s*h?\s*(a\.?\s?m\b\.?|p\.?\s?m\b\.?)?(?:[^0-9:]|$)`)

// readClock finds a time of day such as 14:20, 2.20 pm or 9 am.
func readClock(text string) (clock, bool) {
	m := clockWords.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return clock{}, false
	}
	h, err := strconv.Atoi(m[1])
	if err != nil {
		return clock{}, false
	}
	mins := 0
	if m[2] != "" {
		if mins, err = strconv.Atoi(m[2]); err != nil {
			return clock{}, false
		}
	}
	switch mark := strings.ToLower(m[3]); {
	case mark != "" && (h > 12 || h == 0):
		return clock{}, false
	case strings.HasPrefix(mark, "p"):
		h = h%12 + 12
	case strings.HasPrefix(mark, "a"):
		h %= 12
	default:
		return clock{minutes: h*60 + mins, half: h >= 1 && h <= 12}, true
	}
	return clock{minutes: h*60 + mins}, true
}

// Zones whose clocks are not whole hours from UTC (IANA time zone database).
var brokenZones = []string{
	"America/St_Johns", "Pacific/Marquesas", "Asia/Tehran", "Asia/Kabul", "Asia/Kolkata", "Asia/Kathmandu", "Asia/Yangon",
	"Australia/Eucla", "Australia/Darwin", "Australia/Adelaide", "Australia/Lord_Howe", "Pacific/Chatham",
}

// near is how many minutes a told time may be from the clock.
const near = 20

// zoneAt is a zone in which it is now about that time: the known one, with
// its changes of the clock, if it fits, else of those that fit the one whose
// clock is nearest to it.
func zoneAt(told clock, now time.Time, known *time.Location) string {
	best, name := 2*day, known.String()
	here := offset(now, known)
	for _, z := range append([]string{known.String()}, everyZone()...) {
		loc, err := time.LoadLocation(z)
		if err != nil {
			continue // a zone that this machine's data lacks
		}
		local := now.In(loc)
		apart := told.minutes - local.Hour()*60 - local.Minute()
		fits := around(apart, day) <= near || told.half && around(apart, day/2) <= near
		if far := abs(offset(now, loc) - here); fits && far < best {
			best, name = far, z
		}
	}
	return name
}

const day = 24 * 60 // minutes

// everyZone names a zone for each offset in use. The sign of Etc/GMT is that
// of POSIX: west is positive.
func everyZone() []string {
	var zones []string
	for h := -12; h <= 14; h++ {
		zones = append(zones, fmt.Sprintf("Etc/GMT%+d", -h))
	}
	return append(zones, brokenZones...)
}

func offset(now time.Time, loc *time.Location) int {
	_, seconds := now.In(loc).Zone()
	return seconds / 60
}

// around is the distance of n from a multiple of whole.
func around(n, whole int) int {
	n = ((n % whole) + whole) % whole
	return min(n, whole-n)
}

func abs(n int) int { return max(n, -n) }
