package answer

import (
	"math"
	"strings"
)

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

// clock returns the hour said and the hour that a part of the day stands for,
// each in minutes after midnight, or -1.
func (m *moment) clock() (hour, part float64) {
	hour, part = -1, -1
	for i, k := range m.ms {
		switch k.label {
		case "#":
			if t := m.ts[k.from]; hour < 0 && m.unit == "" && (strings.Contains(t.word, ":") || t.num <= 24 && m.beside(i)) {
				hour = clockHour(t, "at")
			}
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

// beside reports whether a day or a part of one stands right behind mark i:
// "8 last night", "11 yesterday morning".
func (m *moment) beside(i int) bool {
	return i+1 < len(m.ms) && m.ms[i+1].from == m.ms[i].to && m.ms[i+1].with("clock", "day", "last")
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
