package answer

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// Minutes in the units that people count in. A month is a twelfth of the mean
// Gregorian year (365.2425 days).
var unitMinutes = map[string]float64{
	"minute": 1, "hour": 60, "day": 1440, "week": 7 * 1440, "month": 30.436875 * 1440, "year": 365.2425 * 1440,
	"second": 1.0 / 60,
}

// A moment is what a reply says of when.
type moment struct {
	l      *language
	ts     []token
	ms     []mark
	at     time.Time
	length float64 // minutes before now
	unit   string  // the largest unit of the length, empty without one
	last   bool    // the length was "last week", "last month"
	day    float64 // days before today
	hasDay bool
}

// since reads how long before at something was, as an ISO 8601 duration.
func (l *language) since(ts []token, at time.Time) (string, verdict) {
	if s, ok := isoDuration(ts); ok {
		return s, read
	}
	m, got := l.moment(ts, at)
	if got != read {
		return "", got
	}
	if v, own, ok := m.back(); !ok {
		return "", rejected
	} else if !own {
		return writeMinutes(v), read
	}
	return m.writeLength(), read
}

// moment puts together what a reply says of when.
func (l *language) moment(ts []token, at time.Time) (*moment, verdict) {
	ts = clockTokens(ts)
	times := labelled("#", "unit", "day", "weekday", "clock", "hour", "month", "feast", "weekend", "length", "monthday")
	all := looseHours(l.found("since", ts), ts)
	ms, withdrawn := settle(all, ts, times)
	if withdrawn {
		return nil, rejected
	}
	m := &moment{l: l, ts: ts, ms: dropDenied(ms, times), at: at}
	m.lengths()
	m.days()
	if m.unit == "" && !m.hasDay && len(m.ms) < len(all) {
		m.unitFrom(all)
	}
	if m.hasDay && m.unit != "" && have(m.ms, "for") {
		m.unit, m.length = "", 0 // "yesterday, I rested for an hour"
	}
	if v, _, _ := m.back(); v > maxAge*unitMinutes["year"] {
		return nil, rejected // longer than a life
	}
	if _, _, ok := m.back(); ok || m.hasDay {
		return m, read
	}
	if have(all, "ask", "pass", "#", "unit", "ahead") {
		return nil, rejected
	}
	return nil, nothing
}

// looseHours gives back the number of an hour that a unit follows: "about 2" is
// a clock time, "about 2 hours" is not.
func looseHours(ms []mark, ts []token) []mark {
	for i, m := range ms {
		if m.label == "hour" && m.value == "at" && i+1 < len(ms) && ms[i+1].label == "unit" && ms[i+1].from == m.to && ts[m.to-1].isNum {
			ms[i] = mark{label: "#", from: m.to - 1, to: m.to}
		}
	}
	return ms
}

// dropDenied removes a time that stands right behind a negation.
func dropDenied(ms []mark, times func(mark) bool) []mark {
	var out []mark
	for i, m := range ms {
		if i > 0 && times(m) && ms[i-1].label == "not" && ms[i-1].to == m.from {
			continue
		}
		out = append(out, m)
	}
	return out
}

// lengths reads the first length of time: "2 hours", "an hour and a half",
// "1 week and 3 days", "2 or 3 days" (the middle), "last week".
func (m *moment) lengths() {
	end, half := -1, m.l.numbers.halfAt(m.ts)
	for i := 0; i < len(m.ms); i++ {
		if m.ms[i].label == "length" && m.unit == "" {
			m.unit, m.length = "minute", decimal(m.ms[i].value)
			continue
		}
		if m.orMore(i, end) {
			continue
		}
		if t := m.ts[m.ms[i].from]; m.ms[i].label == "#" && t.digit && strings.Contains(t.word, "h") && m.unit == "" {
			m.unit, m.length = "hour", t.num*60 // 1h30
			continue
		}
		v, k, ok := m.quantity(i)
		if !ok || k >= len(m.ms) || m.ms[k].label != "unit" || m.ms[k].from-m.ms[k-1].to > 1 {
			v, k, ok = m.bareUnit(i)
		}
		if !ok {
			continue
		}
		unit := m.ms[k].value
		to := m.ms[k].to
		if half(to) > 0 {
			v += 0.5
			to += 2
		}
		span := v * unitMinutes[unit]
		switch {
		case m.unit == "":
			m.unit, m.length = unit, span
		case m.ms[i].from-end <= 1 && unitMinutes[unit] < unitMinutes[m.unit]:
			m.length += span
		case m.ms[i].from-end <= 1 && unit == m.unit:
			m.length = (m.length + span) / 2
		}
		end, i = to, k
	}
}

// orMore reads the second half of "an hour or two": the middle of both.
func (m *moment) orMore(i, end int) bool {
	if m.unit == "" || i == 0 || m.ms[i].label != "#" || m.ms[i-1].label != "or" || m.ms[i-1].from-end > 1 {
		return false
	}
	if i+1 < len(m.ms) && m.ms[i+1].label == "unit" {
		return false
	}
	m.length = (m.length + m.ts[m.ms[i].from].num*unitMinutes[m.unit]) / 2
	return true
}

// unitFrom reads a bare number after a correction in the unit said before it:
// "2 days, sorry, 3".
func (m *moment) unitFrom(all []mark) {
	n, u := -1, ""
	for i, k := range m.ms {
		if k.label == "#" {
			n = i
		} else if k.with("hour", "clock") {
			return
		}
	}
	for _, k := range all {
		if n >= 0 && k.label == "unit" && k.from < m.ms[n].from {
			u = k.value
		}
	}
	if u != "" {
		m.unit, m.length = u, m.ts[m.ms[n].from].num*unitMinutes[u]
	}
}

// quantity reads a number, an amount word, or two of them with an "or".
func (m *moment) quantity(i int) (v float64, next int, ok bool) {
	one := func(k int) (float64, bool) {
		if k >= len(m.ms) {
			return 0, false
		}
		switch m.ms[k].label {
		case "#":
			return m.ts[m.ms[k].from].num, true
		case "amount":
			return decimal(m.ms[k].value), true
		}
		return 0, false
	}
	v, ok = one(i)
	if !ok {
		return 0, i, false
	}
	k := i + 1
	if k < len(m.ms) && m.ms[k].label == "or" {
		k++
	}
	if w, two := one(k); two && m.ms[k].from-m.ms[i].to <= 1 && k+1 < len(m.ms) && m.ms[k+1].label == "unit" {
		if m.ms[i].label == "amount" && m.ms[k].label == "amount" || v == 1 && m.ms[k-1].label != "or" {
			return w * min(v, 1), k + 1, true // "half an", "a few"
		}
		return (v + w) / 2, k + 1, true
	}
	return v, i + 1, true
}

// bareUnit reads a unit without a number: "last week", "hora y media".
func (m *moment) bareUnit(i int) (v float64, k int, ok bool) {
	if m.ms[i].label != "unit" {
		return 0, 0, false
	}
	to := m.ms[i].to
	if m.l.numbers.halfAt(m.ts)(to) > 0 {
		return 1, i, true
	}
	near := func(k int) bool {
		return k >= 0 && k < len(m.ms) && m.ms[k].label == "last" &&
			(m.ms[k].to == m.ms[i].from || m.ms[k].from == m.ms[i].to)
	}
	if near(i-1) || near(i+1) {
		m.last = true
		return 1, i, true
	}
	return 0, 0, false
}

// days reads a named day, a weekday, a date, a feast or a weekend, in that
// order. Two weekdays with an "or" give the middle.
func (m *moment) days() {
	var week []float64
	for _, k := range m.ms {
		switch k.label {
		case "day":
			m.setDay(decimal(k.value))
		case "weekday":
			week = append(week, m.weekday(int(decimal(k.value))))
		}
	}
	switch {
	case m.hasDay:
	case len(week) > 1 && have(m.ms, "or"):
		m.setDay((week[0] + week[1]) / 2)
	case len(week) > 0:
		m.setDay(week[0])
		if m.last && m.unit == "week" {
			m.day = m.weekBefore(week[0])
			m.unit = ""
		}
	case m.date():
	case have(m.ms, "weekend"):
		m.setDay(math.Mod(float64(m.at.Weekday())+6, 7) + 0.5)
	}
}

func (m *moment) setDay(d float64) { m.day, m.hasDay = d, true }

// weekday returns the days back to the latest past one.
func (m *moment) weekday(w int) float64 {
	return float64((int(m.at.Weekday())-w+6)%7 + 1)
}

// weekBefore moves a weekday into the week before this one (weeks begin on
// Monday, ISO 8601).
func (m *moment) weekBefore(d float64) float64 {
	if d <= math.Mod(float64(m.at.Weekday())+6, 7) {
		return d + 7
	}
	return d
}

// back returns the minutes from the moment to now; own means that they were
// said as a length, which is written in its own unit.
func (m *moment) back() (minutes float64, own, ok bool) {
	hour, part := m.clock()
	timed := hour >= 0 || part >= 0
	size := unitMinutes[m.unit]
	switch {
	case m.unit == "":
	case size < 1440, size > 7*1440, m.hasDay, !timed, m.length != math.Trunc(m.length/1440)*1440:
		return m.length, true, true
	default:
		m.setDay(m.length / 1440) // "two days ago in the morning"
	}
	if timed {
		return max(0, m.before(hour, part)), false, true
	}
	return m.day * 1440, false, m.hasDay && m.day > 0
}

// daysBack counts the calendar days from the moment to today.
func (m *moment) daysBack() float64 {
	if m.hasDay {
		return m.day
	}
	v, _, _ := m.back()
	return max(0, math.Ceil((v-float64(m.at.Hour()*60+m.at.Minute()))/1440))
}

// writeLength writes a length in its own unit where it is whole.
func (m *moment) writeLength() string {
	n := m.length / unitMinutes[m.unit]
	letter := map[string]string{"week": "W", "month": "M", "year": "Y"}[m.unit]
	if letter != "" && math.Abs(n-math.Round(n)) < 1e-9 {
		return "P" + whole(math.Round(n)) + letter
	}
	return writeMinutes(m.length)
}

// writeMinutes writes minutes, hours or days, whichever fits.
func writeMinutes(v float64) string {
	n := int(math.Round(v))
	switch {
	case n > 0 && n%1440 == 0:
		return "P" + strconv.Itoa(n/1440) + "D"
	case n >= 4*1440:
		return "P" + strconv.Itoa(n/1440) + "DT" + strconv.Itoa(n%1440/60) + "H"
	case n >= 60 && n%60 == 0:
		return "PT" + strconv.Itoa(n/60) + "H"
	case n > 120:
		return "PT" + strconv.Itoa(n/60) + "H" + strconv.Itoa(n%60) + "M"
	}
	return "PT" + strconv.Itoa(n) + "M"
}
