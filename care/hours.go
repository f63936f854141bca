package care

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Hours are the hours in which a clinic is open, by the clock on its own wall.
// The zero Hours are not known: nobody is ever said to be there.
type Hours struct {
	zone   *time.Location
	week   [7][]span
	closed []string // dates on which it stays shut
}

// A span of a day; the end is not in it.
type span struct{ from, to time.Duration }

const day = 24 * time.Hour

var weekdays = []string{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"}

// dateForm is how a day is written.
const dateForm = "2006-01-02"

// ParseHours reads opening hours such as "Mon-Fri 08:00-12:30 13:30-18:00; Sat
// 09:00-13:00" in a zone, and the dates on which the clinic stays shut. Every
// fault comes at once.
func ParseHours(zone, week string, closed ...string) (Hours, error) {
	var h Hours
	var faults []error
	var err error
	if h.zone, err = time.LoadLocation(zone); err != nil || zone == "" {
		faults = append(faults, fmt.Errorf("the clinic's time zone %q is not known; write it as Europe/Lisbon", zone))
	}
	for part := range strings.SplitSeq(week, ";") {
		if strings.TrimSpace(part) != "" {
			faults = append(faults, h.part(part))
		}
	}
	for _, date := range closed {
		if _, err := time.Parse(dateForm, date); err != nil {
			faults = append(faults, fmt.Errorf("%q is no day; write it as 2026-12-25", date))
		}
		h.closed = append(h.closed, date)
	}
	if !h.Known() {
		faults = append(faults, errors.New("the clinic is never open; write its hours as \"Mon-Fri 08:00-18:00; Sat 09:00-13:00\""))
	}
	if err := errors.Join(faults...); err != nil {
		return Hours{}, err
	}
	return h, nil
}

// ReadHours reads a whole text about opening hours: its zone, hours of days, and
// the days on which the clinic stays shut, one a line or with semicolons between
// them, such as "zone Europe/Lisbon; Mon-Fri 08:00-18:00; closed 2026-12-25".
// What stands behind # is a remark.
func ReadHours(text string) (Hours, error) {
	var zone string
	var week, closed []string
	for line := range strings.SplitSeq(text, "\n") {
		line, _, _ = strings.Cut(line, "#")
		for part := range strings.SplitSeq(line, ";") {
			words := strings.Fields(part)
			switch {
			case len(words) == 0:
			case words[0] == "zone" && len(words) == 2 && zone == "":
				zone = words[1]
			case words[0] == "closed" && len(words) > 1:
				closed = append(closed, words[1:]...)
			default:
				week = append(week, part)
			}
		}
	}
	return ParseHours(zone, strings.Join(week, ";"), closed...)
}

// part reads the hours of some days.
func (h *Hours) part(text string) error {
	words := strings.Fields(text)
	first, last, ranged := strings.Cut(words[0], "-")
	from, to := slices.Index(weekdays, first), slices.Index(weekdays, last)
	if !ranged {
		to = from
	}
	if from < 0 || to < 0 || len(words) == 1 {
		return fmt.Errorf("%q is not understood; write days and times, as in \"Mon-Fri 08:00-18:00\"", strings.TrimSpace(text))
	}
	for _, w := range words[1:] {
		s, err := parseSpan(w)
		if err != nil {
			return err
		}
		for d := from; ; d = (d + 1) % len(weekdays) {
			h.week[d] = append(h.week[d], s)
			if d == to {
				break
			}
		}
	}
	for d, spans := range h.week {
		slices.SortFunc(spans, func(a, b span) int { return cmp.Compare(a.from, b.from) })
		for i := 1; i < len(spans); i++ {
			if spans[i].from < spans[i-1].to {
				return fmt.Errorf("%s has hours that overlap; write each hour once", weekdays[d])
			}
		}
	}
	return nil
}

func parseSpan(text string) (span, error) {
	open, shut, _ := strings.Cut(text, "-")
	from, err1 := clockTime(open)
	to, err2 := clockTime(shut)
	if err := errors.Join(err1, err2); err != nil || from >= to {
		return span{}, fmt.Errorf("%q is no opening time; write it as 08:00-18:00, and split what goes past midnight at 24:00", text)
	}
	return span{from, to}, nil
}

func clockTime(text string) (time.Duration, error) {
	if text == "24:00" {
		return day, nil
	}
	at, err := time.Parse("15:04", text)
	if err != nil {
		return 0, err
	}
	return time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute, nil
}

// Daily are hours that are the same every day.
func Daily(zone *time.Location, from, to time.Duration) Hours {
	h := Hours{zone: zone}
	for d := range h.week {
		h.week[d] = []span{{from, to}}
	}
	return h
}

// Known reports whether there is any hour at which the clinic is open.
func (h Hours) Known() bool {
	return h.zone != nil && slices.ContainsFunc(h.week[:], func(s []span) bool { return len(s) > 0 })
}

// Day is the date on the clinic's wall, for what is told by the day.
func (h Hours) Day(at time.Time) string {
	if h.zone == nil {
		return at.UTC().Format(dateForm)
	}
	return at.In(h.zone).Format(dateForm)
}

// Week is when the week began that a moment lies in: a Monday, as in ISO 8601,
// on the clinic's wall.
func (h Hours) Week(at time.Time) time.Time {
	zone := h.zone
	if zone == nil {
		zone = time.UTC
	}
	y, m, d := at.In(zone).Date()
	since := (int(at.In(zone).Weekday()) + 6) % 7 // days since Monday
	return time.Date(y, m, d-since, 0, 0, 0, 0, zone)
}

// Clock is the time of day on the clinic's wall.
func (h Hours) Clock(at time.Time) string {
	if h.zone == nil {
		return at.UTC().Format("15:04 MST")
	}
	return at.In(h.zone).Format("15:04")
}

// Open reports whether the clinic is open at a moment.
func (h Hours) Open(at time.Time) bool {
	open, _ := h.stretch(at)
	return open
}

// After is the first moment within the hours at which the clinic was open for
// d since at.
func (h Hours) After(at time.Time, d time.Duration) time.Time {
	for range h.stretches() {
		open, until := h.stretch(at)
		if open && until.Sub(at) > d {
			return at.Add(d)
		}
		if open {
			d -= until.Sub(at)
		}
		at = until
	}
	return at
}

// Morning is when the clinic opens on the next day on which it does.
func (h Hours) Morning(at time.Time) time.Time {
	today := h.Day(at)
	for range h.stretches() {
		if h.Open(at) && h.Day(at) != today {
			return at
		}
		_, at = h.stretch(at)
	}
	return at
}

// stretches bounds how far a search goes: more than a year of days on which
// the clinic stays shut are no hours.
func (h Hours) stretches() int {
	if !h.Known() {
		return 0
	}
	return 400 * 8
}

// stretch tells whether the clinic is open at a moment, and until when that is
// sure: the next opening, closing, midnight or clock change. It goes by the
// clock on the wall, so that an hour that a clock change leaves out or repeats
// is left out or repeated.
func (h Hours) stretch(at time.Time) (open bool, until time.Time) {
	if !h.Known() {
		return false, at.Add(day)
	}
	local := at.In(h.zone)
	hour, minute, sec := local.Clock()
	clock := time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute + time.Duration(sec)*time.Second + time.Duration(local.Nanosecond())
	next := day
	if !slices.Contains(h.closed, local.Format(dateForm)) {
		for _, s := range h.week[local.Weekday()] {
			if clock < s.from {
				next = s.from
				break
			}
			if clock < s.to {
				open, next = true, s.to
				break
			}
		}
	}
	until = at.Add(next - clock)
	if _, change := local.ZoneBounds(); !change.IsZero() && change.Before(until) {
		until = change
	}
	return open, until
}
