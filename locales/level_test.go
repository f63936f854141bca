package locales

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/jdkato/prose/summarize"

	"turnstone/care"
	"turnstone/locales/reading"
)

// The limits. Grade 6 is what is commonly asked of health texts (Eltorai 2015,
// Clin Orthop Relat Res 473:1181-6), 5 of questions on danger; 75 lies in the
// middle of the Spanish band for sixth grade. 15 words a sentence: Arthrosc
// Sports Med Rehabil 2023;5:e1-9. A text that passes is not yet understood.
const (
	highestGrade  = 6.0
	highestDanger = 5.0
	lowestEase    = 75.0
	longestPhrase = 15
	fewWords      = 12 // shorter texts are measured together: a formula needs words
)

// exempt are words without a shorter one that people know. At most twelve a
// language.
var exempt = map[care.Locale][]string{
	"en": {"emergency", "paracetamol", "acetaminophen", "ibuprofen", "naproxen"},
	"es": {"emergencias", "paracetamol", "acetaminofén", "ibuprofeno", "naproxeno"},
}

// screens joins what the person reads at once, by a name for the screen.
func screens(t *testing.T, b *Book, locale care.Locale) map[string]string {
	t.Helper()
	all := rendered(t, b, locale)
	out := map[string]string{}
	join := func(name string, keys ...care.SentenceKey) {
		var lines []string
		for _, k := range keys {
			if all[k] == "" {
				t.Fatalf("no sentence %q", k)
			}
			lines = append(lines, all[k])
		}
		out[name] = strings.Join(lines, "\n")
	}
	for _, f := range protocols(t) {
		for name, facts := range f.questions() {
			ask := care.SentenceKey("ask." + name)
			join("ask."+name, slices.Concat([]care.SentenceKey{"progress", ask}, named(f.labels(b, facts)))...)
			join("why."+name, care.SentenceKey("why."+name), ask)
		}
	}
	var short []string
	for _, key := range b.Keys() {
		area, _, _ := strings.Cut(string(key), ".")
		switch area {
		case "ask", "plain", "example":
			if out[string(key)] == "" {
				join(string(key), key)
			}
		case "firstaid":
			join(string(key), "card.number", key, "card.no_write", "ask.ride")
		case "reason":
			join(string(key), "disposition.same_day", "because.head", key, "limits", "nobody_reads")
		case "place", "label", "why": // names of places; labels and reasons stand with their question
		case "series":
			join(string(key), "disposition.same_day", key, "limits")
		default:
			if len(reading.Words(all[key])) >= fewWords {
				join(string(key), key)
			} else {
				short = append(short, all[key])
			}
		}
	}
	out["the short texts"] = strings.Join(short, "\n")
	return out
}

// named drops the names of countries: they are what they are.
func named(labels []care.SentenceKey) []care.SentenceKey {
	return slices.DeleteFunc(slices.Clone(labels), func(k care.SentenceKey) bool { return strings.HasPrefix(string(k), "label.region.") })
}

// grade is the higher of our own count and that of jdkato/prose 1.2.1.
func grade(text string, free map[string]bool) float64 {
	ours := reading.Count(text, reading.English, free)
	theirs := reading.Count(text, summarize.Syllables, free)
	return max(ours.FleschKincaid(), theirs.FleschKincaid())
}

func TestHAZ17_ReadingLevelOfEveryScreen(t *testing.T) {
	b := book(t)
	for _, locale := range b.Locales() {
		if n := len(exempt[locale]); n == 0 || n > 12 {
			t.Errorf("%s has %d exempt words, want 1 to 12", locale, n)
		}
		free := map[string]bool{}
		for _, w := range exempt[locale] {
			free[w] = true
		}
		var levels []float64
		all := screens(t, b, locale)
		for _, name := range slices.Sorted(maps.Keys(all)) {
			level, bad := measure(b, locale, name, all[name], free)
			levels = append(levels, level)
			if bad {
				t.Errorf("%s: the screen %s is too hard: %.2f\n%s", locale, name, level, all[name])
			}
		}
		slices.Sort(levels)
		whole := strings.Join(slices.Collect(maps.Values(all)), "\n")
		level, _ := measure(b, locale, "", whole, free)
		t.Logf("%s: %d screens from %.2f to %.2f, median %.2f, all together %.2f", locale, len(levels), levels[0], levels[len(levels)-1], levels[len(levels)/2], level)
	}
}

// measure returns the level of a text by the measure of its language, and
// whether it is too hard.
func measure(b *Book, locale care.Locale, name, text string, free map[string]bool) (float64, bool) {
	l, _ := b.Language(locale)
	switch l.Reading {
	case "flesch_kincaid":
		g := grade(text, free)
		danger := strings.HasPrefix(name, "ask.danger") || strings.HasPrefix(name, "plain.") || strings.HasPrefix(name, "firstaid.")
		return g, g > highestGrade || danger && g > highestDanger
	case "fernandez_huerta":
		ease := reading.Count(text, reading.Spanish, free).FernandezHuerta()
		return ease, ease < lowestEase
	}
	return 0, true
}

func TestHAZ17_NoSentenceIsLong(t *testing.T) {
	b := book(t)
	for _, locale := range b.Locales() {
		for key, text := range rendered(t, b, locale) {
			for _, s := range reading.Sentences(text) {
				if n := len(reading.Words(s)); n > longestPhrase {
					t.Errorf("%s %s has a sentence of %d words: %s", locale, key, n, s)
				}
			}
		}
	}
}

// TestExemptWordsAreNeeded keeps the list from growing for nothing.
func TestExemptWordsAreNeeded(t *testing.T) {
	b := book(t)
	for _, locale := range b.Locales() {
		said := map[string]bool{}
		for _, text := range rendered(t, b, locale) {
			for _, w := range reading.Words(text) {
				said[w] = true
			}
		}
		for _, w := range exempt[locale] {
			if !said[w] {
				t.Errorf("%s: nothing says %q any more", locale, w)
			}
		}
	}
}
