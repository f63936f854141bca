package answer

import (
	"math"
	"slices"
	"strings"
)

// Heights that are believed, in centimetres, and the exact inch (international
// yard and pound agreement of 1959: 1 in = 2.54 cm).
const (
	minHeight = 90
	maxHeight = 230
	inch      = 2.54
)

// height reads a body height in whole centimetres.
func (l *language) height(ts []token) (string, verdict) {
	ms := l.found("height", ts)
	ms, _ = settle(ms, ts, labelled("#", "unit"))
	ms = slices.DeleteFunc(ms, labelled("and"))
	seen, cm := false, 0.0
	for i := 0; i < len(ms); i++ {
		h, n := heightAt(ms, ts, i, l.numbers.halfAt(ts))
		if n == 0 {
			seen = seen || ms[i].label == "#"
			continue
		}
		i += n - 1
		h = math.Round(h)
		seen = true
		switch {
		case h < minHeight || h > maxHeight:
		case cm == 0:
			cm = h
		case math.Abs(cm-h) > 2:
			return "", rejected // two heights: a range, or two people
		}
	}
	switch {
	case cm > 0:
		return whole(cm), read
	case seen || have(ms, "pass", "ask"):
		return "", rejected
	}
	return "", nothing
}

// heightAt reads a height that begins with mark i, and how many marks it takes;
// half tells whether "and a half" stands at a token.
func heightAt(ms []mark, ts []token, i int, half func(int) float64) (cm float64, n int) {
	unit := func(k int) string {
		if k < len(ms) && ms[k].label == "unit" {
			return ms[k].value
		}
		return ""
	}
	num := func(k int) (float64, bool) {
		if k >= len(ms) || ms[k].label != "#" {
			return 0, false
		}
		return ts[ms[k].from].num, true
	}
	v, ok := num(i)
	if !ok {
		if unit(i) != "m" {
			return 0, 0
		}
		h, n := metres(1+half(ms[i].to), i+1, num, unit) // "a metre eighty"
		if h == 100 {
			return 0, 0
		}
		return h, n + 1
	}
	next, two := num(i + 1)
	near := two && ms[i+1].from-ms[i].to <= 1
	switch unit(i + 1) {
	case "cm":
		if v < 2.4 && v > 1 { // "1.60 cm"
			v *= 100
		}
		return v, 2
	case "m":
		h, k := metres(v+half(ms[i+1].to), i+2, num, unit)
		return h, 2 + k
	case "ft":
		h, k := feet(v+half(ms[i+1].to), i+2, num, unit, ts[ms[i].from])
		return h, 2 + k
	case "in":
		return v * inch, 2
	}
	return bareHeight(v, ts[ms[i].from], next, near, num, unit, i)
}

// metres reads what follows a number of metres: "m 72", "y medio".
func metres(v float64, k int, num func(int) (float64, bool), unit func(int) string) (float64, int) {
	x, ok := num(k)
	if !ok || v != math.Trunc(v) || x < 1 || x >= 100 {
		return v * 100, 0
	}
	n := 1
	switch unit(k + 1) {
	case "cm":
		n = 2
	case "":
	default:
		return v * 100, 0
	}
	if x < 10 && n == 1 {
		x *= 10
	}
	return v*100 + x, n
}

// feet reads what follows a number of feet: inches, or nothing. "5.9 feet" is
// said of five feet nine.
func feet(v float64, k int, num func(int) (float64, bool), unit func(int) string, t token) (float64, int) {
	if h, ok := pointed(t); ok && !strings.HasSuffix(t.raw, ".5") {
		return h, 0
	}
	x, ok := num(k)
	if !ok || x >= 12 || v != math.Trunc(v) {
		return v * 12 * inch, 0
	}
	n := 1
	switch unit(k + 1) {
	case "in":
		n = 2
	case "":
	default:
		return v * 12 * inch, 0
	}
	return (v*12 + x) * inch, n
}

// bareHeight reads numbers without a unit.
func bareHeight(v float64, t token, next float64, near bool, num func(int) (float64, bool), unit func(int) string, i int) (float64, int) {
	whole := v == math.Trunc(v) && !strings.ContainsAny(t.raw, ".,")
	switch {
	case whole && near && v >= 3 && v <= 7 && next < 12:
		n := 2
		if unit(i+2) == "in" {
			n = 3
		}
		return (v*12 + next) * inch, n
	case whole && near && (v == 1 || v == 2) && next >= 10 && next < 100 && next == math.Trunc(next):
		n := 2
		if u := unit(i + 2); u == "m" || u == "cm" {
			n = 3
		}
		return v*100 + next, n
	case v >= 100 && v <= maxHeight:
		return v, 1
	case !whole && v > 1 && v < 2.4:
		return v * 100, 1
	}
	if h, ok := pointed(t); ok {
		return h, 1
	}
	return 0, 0
}

// pointed reads feet and inches written with a point: 5.9, 4.10.
func pointed(t token) (float64, bool) {
	f, in, ok := strings.Cut(strings.ReplaceAll(t.raw, ",", "."), ".")
	if !ok || len(f) != 1 || f < "3" || f > "7" || len(in) > 2 {
		return 0, false
	}
	inches := numberToken(in).num
	if inches >= 12 || (len(in) == 2 && in[0] == '0') {
		return 0, false
	}
	return (numberToken(f).num*12 + inches) * inch, true
}
