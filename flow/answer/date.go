package answer

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// dateParts is a date as far as it was said; 0 means not said.
type dateParts struct{ year, month, day int }

// dates finds a date in a reply: 2025-06-15 (ISO 8601), 6/15 or 15/6 in the
// order of the language, "june 15", "15 de junio de 1987", a year.
func dates(l *language, ts []token, at time.Time) dateParts {
	var d dateParts
	ms := l.found("since", ts)
	for i := range ts {
		t := ts[i]
		if t.digit && t.num >= 1900 && t.num <= float64(at.Year()) && t.num == math.Trunc(t.num) || !t.digit && t.isNum && t.num >= 1900 && t.num <= 2100 {
			d.year = int(t.num)
		}
		if d.month == 0 && i+2 < len(ts) && t.isNum && ts[i+1].glued && strings.ContainsAny(ts[i+1].word, "/-.") && ts[i+2].glued && ts[i+2].isNum {
			l.numericDate(ts, i, &d)
		}
	}
	for _, m := range ms {
		if m.label == "month" && d.month == 0 {
			d.month = int(decimal(m.value))
			d.day = dayNear(ts, m)
		}
	}
	return d
}

// numericDate reads a/b, a/b/c or c-b-a from token i on.
func (l *language) numericDate(ts []token, i int, d *dateParts) {
	a, b := int(ts[i].num), int(ts[i+2].num)
	third := 0
	if i+4 < len(ts) && ts[i+3].word == ts[i+1].word && ts[i+4].isNum {
		third = int(ts[i+4].num)
	}
	if ts[i+1].word == "-" && third == 0 {
		return // a span of numbers
	}
	switch {
	case a >= 1900 && third > 0:
		d.year, d.month, d.day = a, b, third
		return
	case third > 0 && third < 100:
		third += 2000
	}
	if third > 0 {
		d.year = third
	}
	d.month, d.day = a, b
	if l.dayFirst && b <= 12 || a > 12 {
		d.month, d.day = b, a
	}
	if d.month < 1 || d.month > 12 || d.day < 1 || d.day > 31 {
		d.month, d.day = 0, 0
	}
}

// dayNear finds the day of the month beside its name.
func dayNear(ts []token, m mark) int {
	for _, k := range []int{m.to, m.to + 1, m.from - 1, m.from - 2, m.from - 3} {
		if k >= 0 && k < len(ts) && ts[k].isNum && ts[k].num >= 1 && ts[k].num <= 31 && ts[k].num == math.Trunc(ts[k].num) {
			return int(ts[k].num)
		}
	}
	return 0
}

// date reads a date, a day of the month, a month or a year as days before
// today; the latest past one where the year was not said.
func (m *moment) date() bool {
	d := dates(m.l, m.ts, m.at)
	for _, k := range m.ms {
		switch {
		case k.label == "feast" && d.month == 0:
			mm, dd, _ := strings.Cut(k.value, "-")
			d.month, d.day = int(decimal(mm)), int(decimal(dd))
		case k.label == "monthday" && d.month == 0:
			d.day = int(m.numberIn(k))
		}
	}
	y, mo, day := m.at.Date()
	switch {
	case d.month > 0 && d.day == 0 && d.month == int(mo) && d.year == 0:
		m.setDay(float64(day) / 2)
		return true
	case d.month > 0:
		if d.day == 0 {
			d.day = 15
		}
		return m.setDate(d, y, 12)
	case d.day >= 1 && d.day <= 31:
		d.month = int(mo)
		if d.day > day {
			d.month--
		}
		return m.setDate(d, y, 0)
	case d.year > 0 && d.year < y:
		return m.setDate(dateParts{d.year, 7, 1}, y, 0)
	}
	return false
}

// setDate sets the day from a date; turn is how many months lie between one
// such date and the next.
func (m *moment) setDate(d dateParts, year, turn int) bool {
	if d.year == 0 {
		d.year = year
	} else {
		turn = 0
	}
	noon := func(y, mo, day int) time.Time { return time.Date(y, time.Month(mo), day, 12, 0, 0, 0, time.UTC) }
	y, mo, day := m.at.Date()
	today := noon(y, int(mo), day)
	then := noon(d.year, d.month, d.day)
	if then.After(today) && turn > 0 {
		then = noon(d.year, d.month-turn, d.day)
	}
	if then.After(today) {
		return false
	}
	m.setDay(math.Round(today.Sub(then).Hours() / 24))
	return true
}

// numberIn returns the first number within a mark.
func (m *moment) numberIn(k mark) float64 {
	for _, t := range m.ts[k.from:k.to] {
		if t.isNum {
			return t.num
		}
	}
	return 0
}

// isoDuration reads a duration that is written as ISO 8601 has it.
func isoDuration(ts []token) (string, bool) {
	var b strings.Builder
	for i, t := range ts {
		if i > 0 && !t.glued {
			return "", false
		}
		b.WriteString(strings.ToUpper(t.word))
	}
	s := b.String()
	body, ok := strings.CutPrefix(s, "P")
	if !ok || len(ts) < 3 || len(s) > 24 {
		return "", false
	}
	days, clock, timed := strings.Cut(body, "T")
	if timed && clock == "" || !isoPart(days, "YMWD") || !isoPart(clock, "HMS") {
		return "", false
	}
	return s, true
}

// isoPart checks numbers each followed by a letter, in the order of letters.
func isoPart(s, letters string) bool {
	digits := 0
	for _, r := range s {
		if r >= '0' && r <= '9' {
			digits++
			continue
		}
		_, after, ok := strings.Cut(letters, string(r))
		if !ok || digits == 0 {
			return false
		}
		letters, digits = after, 0
	}
	return digits == 0
}

// decimal reads a value of the language data, which was checked when loaded.
func decimal(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0
	}
	return v
}

// checkValue checks a value of a phrase table by the label it stands under.
func checkValue(label, v string) error {
	switch label {
	case "unit", "name":
		return nil
	case "clock":
		if _, err := time.Parse("15:04", v); err != nil {
			return fmt.Errorf("%q is no clock time: write it as 09:00", v)
		}
		return nil
	case "feast":
		if _, err := time.Parse("01-02", v); err != nil {
			return fmt.Errorf("%q is no month and day: write it as 12-25", v)
		}
		return nil
	case "hour":
		if v == "at" || v == "am" || v == "pm" {
			return nil
		}
	}
	if _, err := strconv.ParseFloat(v, 64); err != nil {
		return fmt.Errorf("%q under %q is no number: write one, such as \"1\"", v, label)
	}
	return nil
}
