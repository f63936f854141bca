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
	ts = clockTokens(ts)
	times := labelled("#", "unit", "day", "weekday", "clock", "hour", "month", "feast", "weekend", "length", "monthday")
	all := looseHours(l.found("since", ts), ts)
	ms, withdrawn := settle(all, ts, times)
	if withdrawn {
		return "", rejected
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
	if s, ok := m.answer(); ok {
		return s, read
	}
	if have(all, "ask", "pass", "#", "unit", "ahead") {
		return "", rejected
	}
	return "", nothing
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

// clockTokens joins 10:30 and 10h30 into one number of hours.
func clockTokens(ts []token) []token {
	var out []token
	for i := 0; i < len(ts); i++ {
		t := ts[i]
		if i+2 < len(ts) && t.digit && ts[i+1].glued && ts[i+2].glued && ts[i+2].digit && len(ts[i+2].word) == 2 &&
			(ts[i+1].word == ":" || ts[i+1].word == "h") && ts[i+2].num < 60 && t.num < 25 {
			t.num += ts[i+2].num / 60
			t.word += ts[i+1].word + ts[i+2].word
			i += 2
		}
		out = append(out, t)
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

// answer puts together what was said.
func (m *moment) answer() (string, bool) {
	hour, part := m.clock()
	if m.unit != "" && (unitMinutes[m.unit] < 1440 || !m.hasDay && hour < 0 && part < 0 || unitMinutes[m.unit] > 7*1440) {
		return m.writeLength(), true
	}
	if m.unit != "" && m.length == math.Trunc(m.length/1440)*1440 {
		if m.hasDay || (hour < 0 && part < 0) {
			return m.writeLength(), true
		}
		m.setDay(m.length / 1440)
	}
	if hour < 0 && part < 0 {
		if !m.hasDay || m.day == 0 {
			return "", false
		}
		return writeMinutes(m.day * 1440), true
	}
	return writeMinutes(max(0, m.before(hour, part))), true
}

// clock returns the hour said and the hour that a part of the day stands for,
// each in minutes after midnight, or -1.
func (m *moment) clock() (hour, part float64) {
	hour, part = -1, -1
	for _, k := range m.ms {
		switch k.label {
		case "clock":
			h, mm, _ := strings.Cut(k.value, ":")
			part = decimal(h)*60 + decimal(mm)
		case "hour":
			for i := k.from; i < k.to; i++ {
				if m.ts[i].isNum && hour < 0 {
					hour = clockHour(m.ts[i], k.value)
				}
			}
		}
	}
	return hour, part
}

// clockHour reads an hour as said: "9", "9:30", "9.30", with am, pm, or minutes
// before or after. An hour that may be of the morning or the evening comes back
// with half a minute added.
func clockHour(t token, value string) float64 {
	v := t.num * 60
	if h, mm, ok := strings.Cut(t.raw, "."); ok && t.digit && len(mm) == 2 && decimal(mm) < 60 {
		v = decimal(h)*60 + decimal(mm)
	}
	if v >= 25*60 {
		return -1
	}
	open := v < 13*60 && v >= 60 && !strings.HasPrefix(t.raw, "0")
	switch value {
	case "am", "pm":
		v = math.Mod(v, 720)
		if value == "pm" {
			v += 720
		}
		open = false
	case "at":
	default:
		v += decimal(value)
	}
	v = math.Round(v)
	if open {
		v = math.Mod(v, 720) + 0.5
	}
	return v
}

// before returns the minutes between the said time and now.
func (m *moment) before(hour, part float64) float64 {
	today := float64(m.at.Hour()*60 + m.at.Minute())
	back := m.day * 1440
	if hour < 0 {
		return m.beforePart(part, today, back)
	}
	if hour == math.Trunc(hour) {
		if d := today - hour + back; d >= 0 {
			return d
		}
		return today - hour + back + 1440
	}
	hour -= 0.5
	switch {
	case part >= 1080 && hour < 300:
		back -= 1440 // "last night at 2" is after midnight
		if !m.hasDay && today-hour+back < 0 {
			back += 1440
		}
	case part >= 720, part < 0 && m.hasDay && m.day > 0 && hour < 420:
		hour += 720
	case part < 0 && (!m.hasDay || m.day == 0) && today >= hour+720:
		hour += 720
	case part < 0 && !m.hasDay && today < hour:
		hour += 720
	}
	d := today - hour + back
	if d < 0 {
		d += 1440
	}
	return d
}

// beforePart takes a part of the day at its clock time. One that has begun
// today counts as half gone; one still to come today was yesterday's.
func (m *moment) beforePart(part, today, back float64) float64 {
	if part == 0 && m.hasDay && m.day > 0 {
		back -= 1440 // midnight ends the day
	}
	d := today - part + back
	switch {
	case d >= 0:
		return d
	case part < 1080 && today > part-180:
		return (today - (part - 180)) / 2
	case m.hasDay:
		return 0
	}
	return d + 1440
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
