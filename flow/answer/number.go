package answer

import (
	"math"
	"strconv"
)

// numberData is the [numbers] table of a language.
type numberData struct {
	Words    map[string]float64 `toml:"words"`    // word and value, tens and hundreds too
	Times    map[string]float64 `toml:"times"`    // words that multiply what stands before them
	Glue     []string           `toml:"glue"`     // what may stand between tens and units in one word
	Tens     []string           `toml:"tens"`     // words between tens and units
	Hundreds []string           `toml:"hundreds"` // words between hundreds and the rest
	Half     []string           `toml:"half"`     // rows of words that add a half
	Point    []string           `toml:"point"`    // the word for the decimal point
	Soft     []string           `toml:"soft"`     // words for one that often are no number
	Ordinals map[string]int     `toml:"ordinals"` // first, second, ...; -1 is the last
	Suffixes []string           `toml:"suffixes"` // letters glued to a digit in an ordinal
}

// numbers is numberData made ready.
type numbers struct {
	words, times map[string]float64
	tens         map[string]bool
	hundreds     map[string]bool
	point        map[string]bool
	soft         map[string]bool
	half         book
}

func newNumbers(d numberData) (*numbers, error) {
	n := &numbers{
		words: map[string]float64{}, times: map[string]float64{}, tens: setOf(d.Tens),
		hundreds: setOf(d.Hundreds), point: setOf(d.Point), soft: setOf(d.Soft),
	}
	for w, v := range d.Words {
		n.words[fold(w)] = v
	}
	for w, v := range d.Times {
		n.times[fold(w)] = v
	}
	for tw, tv := range d.Words {
		for uw, uv := range d.Words {
			if tv < 20 || tv > 90 || math.Mod(tv, 10) != 0 || uv < 1 || uv > 9 {
				continue
			}
			for _, g := range d.Glue {
				if w := fold(tw + g + uw); n.words[w] == 0 {
					n.words[w] = tv + uv
				}
			}
		}
	}
	for _, h := range d.Half {
		if err := n.half.add("half", "", h, nil); err != nil {
			return nil, err
		}
	}
	return n, nil
}

func setOf(ws []string) map[string]bool {
	m := map[string]bool{}
	for _, w := range ws {
		m[fold(w)] = true
	}
	return m
}

// value returns the value of a number word, as written or as corrected.
func (n *numbers) value(t token) (float64, bool) {
	if t.sign || t.digit {
		return 0, false
	}
	if v, ok := n.words[t.word]; ok {
		return v, true
	}
	v, ok := n.words[t.alt]
	return v, ok && t.alt != ""
}

// merge joins number words into one token each ("twenty six", "ciento setenta y
// dos"), and adds halves ("6 y media", "6 1/2") and spoken decimals.
func (n *numbers) merge(ts []token) []token {
	var out []token
	for i := 0; i < len(ts); {
		t, j := ts[i], i+1
		if v, ok := n.value(t); ok {
			v, j = n.words3(ts, i, v)
			t = token{word: t.word, raw: t.raw, alt: t.alt, num: v, isNum: true, soft: j == i+1 && n.soft[t.word], glued: t.glued}
			for _, more := range ts[i+1 : j] {
				t.word += " " + more.word
			}
		}
		if t.isNum {
			t.num, j = n.fraction(ts, t, j)
		}
		out = append(out, t)
		i = j
	}
	return out
}

// words3 reads tens and units, hundreds and thousands from i on; v is the value
// of the word at i. It returns the value and the index after it.
func (n *numbers) words3(ts []token, i int, v float64) (float64, int) {
	j := i + 1
	for j < len(ts) {
		if m, ok := n.times[ts[j].word]; ok && v < m && v > 0 && !ts[j].sign {
			v, j = v*m, j+1
			continue
		}
		room := magnitude(v)
		k := j
		if (room == 10 && n.tens[ts[k].word]) || (room >= 100 && n.hundreds[ts[k].word]) {
			k++
		}
		if room < 10 || v == 10 || k >= len(ts) {
			break
		}
		next, ok := n.value(ts[k])
		if !ok || next <= 0 || next >= room {
			break
		}
		v, j = v+next, k+1
	}
	return v, j
}

// magnitude is the largest power of ten that divides a whole v, up to 1000.
func magnitude(v float64) float64 {
	m := 1.0
	for m < 1000 && v > 0 && math.Mod(v, m*10) == 0 {
		m *= 10
	}
	return m
}

// fraction adds to the number t what follows it at j: "and a half", "1/2",
// "point five".
func (n *numbers) fraction(ts []token, t token, j int) (float64, int) {
	if j >= len(ts) || t.num != math.Trunc(t.num) {
		return t.num, j
	}
	if m := n.half.scan(ts[j:min(j+6, len(ts))]); len(m) > 0 && m[0].from == 0 {
		return t.num + 0.5, j + m[0].to
	}
	if j+2 < len(ts) && t.digit && !ts[j].glued && ts[j].isNum && ts[j+1].word == "/" && ts[j+2].isNum {
		if p := ts[j].num / ts[j+2].num; p > 0 && p < 1 && ts[j+2].num <= 8 {
			return t.num + p, j + 3
		}
	}
	if j+1 < len(ts) && n.point[ts[j].word] && !ts[j].sign {
		d, ok := n.value(ts[j+1])
		if ts[j+1].isNum {
			d, ok = ts[j+1].num, true
		}
		if ok && d >= 0 && d < 10 && d == math.Trunc(d) {
			return t.num + d/10, j + 2
		}
	}
	return t.num, j
}

// halfAt returns a function that is 0.5 at tokens where "and a half" begins.
func (n *numbers) halfAt(ts []token) func(int) float64 {
	return func(i int) float64 {
		if m := n.half.scan(ts[i:min(i+5, len(ts))]); len(m) > 0 && m[0].from == 0 {
			return 0.5
		}
		return 0
	}
}

// whole writes a number without a fraction.
func whole(v float64) string { return strconv.Itoa(int(v)) }
