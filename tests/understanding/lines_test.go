package understanding

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/flow/answer"
	"turnstone/locales"
	"turnstone/safety"
)

// parts are the two parts of the lines: those that whoever tuned could see,
// and those that nobody did.
var parts = []string{"tuning", "unseen"}

// A line of a corpus: a message with its class, or an answer with its value.
type line struct{ id, kind, text, expected string }

func read(t *testing.T, name string) []line {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "corpus", name))
	if err != nil {
		t.Fatal(err)
	}
	var all []line
	for i, row := range strings.Split(strings.TrimRight(string(data), "\n"), "\n")[1:] {
		c := strings.Split(row, "\t")
		if len(c) != 4 {
			t.Fatalf("%s:%d has %d cells", name, i+2, len(c))
		}
		l := line{id: c[0], text: c[1], kind: c[2], expected: c[3]}
		if strings.HasPrefix(name, "answers") {
			l.kind, l.text = c[1], c[2]
		}
		all = append(all, l)
	}
	return all
}

func say(t *testing.T, what string, r Rate) {
	t.Helper()
	low, high := r.Wilson()
	xlow, xhigh := r.Exact()
	t.Logf("%-34s %4d/%-4d = %.4f   Wilson %.4f-%.4f   exact %.4f-%.4f", what, r.K, r.N, r.Value(), low, high, xlow, xhigh)
}

// A floor is what is reached today, so that no change makes it worse.
type floor struct{ ambulance, urgent, alarms, answers float64 }

// The aim is ambulance found 0.99, urgent 0.95, false escalation 0.05 and
// answers 0.95, on the lines that nobody tuned on. It is not reached: what is
// reached is written here and in docs/understanding.md, and is only ever
// changed for the better, or when lines of new writers join the part.
var floors = map[string]floor{
	"en/tuning": {0.99, 0.98, 0.025, 0.94},
	"es/tuning": {0.99, 0.97, 0.02, 0.92},
	"en/unseen": {0.956, 0.96, 0.072, 0.975},
	"es/unseen": {0.97, 0.98, 0.055, 0.97},
}

// flips are the answers known to be read the wrong way round. Any other fails.
var flips = map[string]bool{
	"a2e0014": true, // a yes, then an excuse that sounds like a correction
}

func TestHAZ02_DangerIsFound(t *testing.T) {
	screen, err := safety.LoadScreen(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	for _, lang := range []string{"en", "es"} {
		for _, part := range parts {
			t.Run(lang+"/"+part, func(t *testing.T) {
				measureMessages(t, screen, lang, floors[lang+"/"+part], read(t, fmt.Sprintf("messages_%s_%s.tsv", lang, part)))
			})
		}
	}
}

func measureMessages(t *testing.T, screen *safety.Screen, lang string, least floor, lines []line) {
	found, bySign := map[string]Rate{}, map[string]Rate{}
	for _, l := range lines {
		got := screen.Read(l.text, care.Locale(lang)).Class().String()
		right := got == l.expected || l.expected == "urgent" && got == "ambulance"
		if l.expected == "none" {
			right = got != "none" // counted as false escalation
		}
		add(found, l.expected, right)
		add(bySign, l.kind, right != (l.expected == "none"))
		if right == (l.expected == "none") {
			t.Logf("missed %s %s: want %s, got %s: %s", l.id, l.kind, l.expected, got, l.text)
		}
	}
	for _, sign := range slices.Sorted(maps.Keys(bySign)) {
		say(t, sign, bySign[sign])
	}
	say(t, "ambulance found", found["ambulance"])
	say(t, "urgent found", found["urgent"])
	say(t, "false escalation", found["none"])
	if v := found["ambulance"].Value(); v < least.ambulance {
		t.Errorf("ambulance found %.4f, at least %.2f is needed", v, least.ambulance)
	}
	if v := found["urgent"].Value(); v < least.urgent {
		t.Errorf("urgent found %.4f, at least %.2f is needed", v, least.urgent)
	}
	if v := found["none"].Value(); v > least.alarms {
		t.Errorf("false escalation %.4f, at most %.2f is allowed", v, least.alarms)
	}
}

func add(m map[string]Rate, key string, hit bool) {
	r := m[key]
	r.N++
	if hit {
		r.K++
	}
	m[key] = r
}

// reference is the moment of the labelled answers.
var reference = time.Date(2025, 6, 18, 14, 0, 0, 0, time.UTC)

// Answers are read as meant, and a yes is not read for a no.
func TestHAZ03_AnswersAreReadAsMeant(t *testing.T) {
	reader, err := answer.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	for _, lang := range []string{"en", "es"} {
		for _, part := range parts {
			t.Run(lang+"/"+part, func(t *testing.T) {
				measureAnswers(t, reader, lang, floors[lang+"/"+part], read(t, fmt.Sprintf("answers_%s_%s.tsv", lang, part)))
			})
		}
	}
}

func measureAnswers(t *testing.T, reader *answer.Reader, lang string, least floor, lines []line) {
	byKind := map[string]Rate{}
	var all Rate
	for _, l := range lines {
		got := reader.ReadKind(l.kind, care.Locale(lang), reference, l.text)
		right := same(t, l, got)
		add(byKind, l.kind, right)
		all.N++
		if right {
			all.K++
		} else {
			t.Logf("missed %s %s: want %s, got %s: %s", l.id, l.kind, l.expected, got, l.text)
		}
		if l.kind == "yesno" && (l.expected == "yes" && got == "no" || l.expected == "no" && got == "yes") && !flips[l.id] {
			t.Errorf("flip %s: want %s, got %s: %s", l.id, l.expected, got, l.text)
		}
	}
	for _, kind := range slices.Sorted(maps.Keys(byKind)) {
		say(t, kind, byKind[kind])
	}
	say(t, "answers", all)
	if all.Value() < least.answers {
		t.Errorf("answers read as meant %.4f, at least %.2f is needed", all.Value(), least.answers)
	}
}

// same compares with the tolerance of the kind.
func same(t *testing.T, l line, got string) bool {
	t.Helper()
	if l.expected == "none" || got == "none" {
		return got == l.expected
	}
	switch l.kind {
	case "height":
		return near(number(t, l.expected), got, 1)
	case "when_injured":
		return sameTime(t, l.expected, got)
	default:
		return got == l.expected
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func near(want float64, got string, tolerance float64) bool {
	v, err := strconv.ParseFloat(got, 64)
	return err == nil && v >= want-tolerance && v <= want+tolerance
}

// sameTime: the unit of the expected value sets the tolerance. Minutes: 30 %,
// at least 10 minutes. Hours: 30 %. Days: 18 hours. Longer: 40 %.
func sameTime(t *testing.T, want, got string) bool {
	t.Helper()
	w, err := care.ParseDuration(want)
	if err != nil {
		t.Fatal(err)
	}
	g, err := care.ParseDuration(got)
	if err != nil {
		return false
	}
	a, b := reference.Sub(w.Before(reference)), reference.Sub(g.Before(reference))
	var tolerance time.Duration
	switch {
	case strings.HasPrefix(want, "PT") && !strings.Contains(want, "H"):
		tolerance = max(a*3/10, 10*time.Minute)
	case strings.HasPrefix(want, "PT"):
		tolerance = a * 3 / 10
	case strings.HasSuffix(want, "D") || strings.Contains(want, "DT"):
		tolerance = 18 * time.Hour
	default:
		tolerance = a * 4 / 10
	}
	return (a - b).Abs() <= tolerance
}
