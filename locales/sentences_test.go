package locales

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf16"

	"github.com/BurntSushi/toml"
	"golang.org/x/text/unicode/norm"

	"turnstone/care"
)

// fold drops case and accents.
func fold(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Mn, r) {
			return -1
		}
		return unicode.ToLower(r)
	}, norm.NFD.String(s))
}

// example gives an argument of each type, the longest that is likely.
func example(kind string) string {
	switch argType(kind) {
	case argInt:
		return "128"
	case argNumber:
		return "116123"
	case argName:
		return "Rui of Lantern Bay clinic"
	case argSentence:
		return "@reason.sole_bruise"
	default:
		return "Please come in."
	}
}

// rendered is every sentence of a language with example arguments.
func rendered(t testing.TB, b *Book, locale care.Locale) map[care.SentenceKey]string {
	t.Helper()
	out := map[care.SentenceKey]string{}
	for _, key := range b.Keys() {
		s := care.Sentence{Key: key, Args: map[string]string{}}
		for name, kind := range b.Args(key) {
			s.Args[name] = example(kind)
		}
		text, err := b.Text(locale, s)
		if err != nil {
			t.Fatal(err)
		}
		if strings.TrimSpace(text) == "" || strings.ContainsAny(text, "{}") {
			t.Errorf("%s %s renders as %q", locale, key, text)
		}
		out[key] = text
	}
	return out
}

// doses find a dose, an interval or a daily limit of a medicine.
var doses = map[care.Locale]*regexp.Regexp{
	"en": regexp.MustCompile(`(?i)\b\d+([.,]\d+)?\s*(mg|milligrams?|g|grams?|ml|tablets?|pills?|capsules?)\b|\b(tablets?|pills?|capsules?)\s+(every|a day|per day|daily)\b|\b(one|two|three|four)\s+(tablets?|capsules?)\b|maximum (per|a) day|\b(once|twice|\w+ times) (a|per) day\b|every \w+ hours`),
	"es": regexp.MustCompile(`(?i)\b\d+([.,]\d+)?\s*(mg|miligramos?|g|gramos?|ml|tabletas?|pastillas?|comprimidos?|cápsulas?)\b|\b(tabletas?|pastillas?|comprimidos?|cápsulas?)\s+(cada|al día|por día|diarias?)\b|\b(una|dos|tres|cuatro)\s+(tabletas?|comprimidos?|cápsulas?)\b|máximo (al|por) día|\b(una vez|\w+ veces) (al|por) día\b|cada \w+ horas`),
}

// notBroken finds what must never be said: that nothing is broken, or that the
// person is safe.
var notBroken = map[care.Locale]*regexp.Regexp{
	"en": regexp.MustCompile(`(?i)\b(not|isn't|is n[o']t|nothing is|nothing's) broken\b|\bno (bone|bones) (is|are) broken\b|\byou(r foot| are|'re)? ?(is|are)? ?(safe|fine|ok|okay)\b|\bdon't worry\b|\bdo not worry\b|\bno need to worry\b`),
	"es": regexp.MustCompile(`(?i)\bno (está|esta|hay) (roto|rota|nada roto|fractura)\b|\bestás? (a salvo|fuera de peligro)\b|\bno te preocupes\b|\bno hay (de )?qué preocuparse\b`),
}

func TestHAZ29_NoDoseAnywhere(t *testing.T) {
	for locale, seeded := range map[care.Locale][]string{
		"en": {"Take 500 mg.", "Two tablets every day.", "Take it every 6 hours.", "The maximum per day is on it.", "Three times a day."},
		"es": {"Toma 500 mg.", "Dos comprimidos.", "Tómalo cada 6 horas.", "El máximo al día.", "Tres veces al día."},
	} {
		for _, s := range seeded {
			if !doses[locale].MatchString(s) {
				t.Errorf("%s: the search does not find %q", locale, s)
			}
		}
	}
	b := book(t)
	for _, locale := range b.Locales() {
		for key, text := range rendered(t, b, locale) {
			for l, dose := range doses {
				if hit := dose.FindString(text); hit != "" {
					t.Errorf("%s %s holds a dose (%s): %q", locale, key, l, hit)
				}
			}
		}
	}
}

func TestHAZ09_NeverNotBrokenNeverSafe(t *testing.T) {
	for locale, seeded := range map[care.Locale][]string{
		"en": {"It is not broken.", "Nothing is broken.", "You are safe.", "It isn't broken.", "Don't worry."},
		"es": {"No está roto.", "No hay nada roto.", "Estás a salvo.", "No te preocupes."},
	} {
		for _, s := range seeded {
			if !notBroken[locale].MatchString(s) {
				t.Errorf("%s: the search does not find %q", locale, s)
			}
		}
	}
	b := book(t)
	for _, locale := range b.Locales() {
		for key, text := range rendered(t, b, locale) {
			for l, never := range notBroken {
				if hit := never.FindString(text); hit != "" {
					t.Errorf("%s %s says (%s) %q", locale, key, l, hit)
				}
			}
		}
	}
}

// TestHAZ29_TheWordsForbiddenToStaffAreForbiddenHere: what the program stops in
// a staff member's reply stands in no sentence of its own. The only exceptions
// are answers that a person gives about an X-ray that was taken.
func TestHAZ29_TheWordsForbiddenToStaffAreForbiddenHere(t *testing.T) {
	answers := []care.SentenceKey{"label.xray_result.no_fracture", "label.xray_since.no_fracture"}
	b := book(t)
	for _, from := range b.Locales() {
		var list struct {
			Rows []struct {
				What    string `toml:"what"`
				Pattern string `toml:"pattern"`
			} `toml:"forbidden"`
		}
		if _, err := toml.DecodeFS(Files, string(from)+"/forbidden.toml", &list); err != nil || len(list.Rows) == 0 {
			t.Fatalf("%s: no forbidden words: %v", from, err)
		}
		for _, row := range list.Rows {
			pattern := regexp.MustCompile("(?i)" + row.Pattern)
			for _, locale := range b.Locales() {
				for key, text := range rendered(t, b, locale) {
					if hit := pattern.FindString(text); hit != "" && !slices.Contains(answers, key) {
						t.Errorf("%s %s holds %s: %q", locale, key, row.What, hit)
					}
				}
			}
		}
	}
}

// TestHAZ09_TheFirstMessageSaysWhatThisIs asks for the three statements that
// every talk begins with.
func TestHAZ09_TheFirstMessageSaysWhatThisIs(t *testing.T) {
	b := book(t)
	want := map[care.Locale][]string{
		"en": {"program, not a clinician", "Nobody may be reading", "In an emergency call", "don't write"},
		"es": {"programa, no un profesional de salud", "Quizá nadie lea", "En una emergencia llama", "no escribas"},
	}
	for _, locale := range b.Locales() {
		all := rendered(t, b, locale)
		for _, key := range []care.SentenceKey{"intro", "intro.unknown"} {
			for _, part := range want[locale] {
				if !strings.Contains(all[key], part) {
					t.Errorf("%s %s lacks %q", locale, key, part)
				}
			}
		}
	}
}

// TestHAZ10_SafetyNetItemsPresent: every ending names the signs to come back
// for, in every language (numb or cold toes, growing pain, calf, fever, breath).
func TestHAZ10_SafetyNetItemsPresent(t *testing.T) {
	b := book(t)
	items := map[care.Locale][]string{
		"en": {"numb", "cold", "blue", "calf", "fever", "breathing", "chest pain", "emergency department"},
		"es": {"dormidos", "fríos", "azules", "pantorrilla", "fiebre", "aire", "pecho", "urgencias"},
	}
	for _, locale := range b.Locales() {
		all := rendered(t, b, locale)
		for _, key := range []care.SentenceKey{"say.care_come_back", "say.protect", "day_14.no_reply"} {
			for _, item := range items[locale] {
				if !strings.Contains(all[key], item) {
					t.Errorf("%s %s does not name %q", locale, key, item)
				}
			}
		}
		if !strings.Contains(all["say.care_come_back"], "4") {
			t.Errorf("%s: the list does not speak of four steps", locale)
		}
	}
}

// healthWords betray what the talk is about to somebody who looks on.
var healthWords = map[care.Locale]*regexp.Regexp{
	"en": regexp.MustCompile(`(?i)ankle|foot|feet|pain|hurt|injur|health|clinic|doctor|nurse|medic|emergency|danger|sign|walk|swell|check|care|better|worse|ill|sick`),
	"es": regexp.MustCompile(`(?i)tobillo|pie\b|dolor|duele|lesi|salud|clínica|médic|enferm|medicin|emergencia|urgencia|peligro|señal|camin|hinch|cuidad|mejor|peor|herid`),
}

func TestHAZ14_FirstLineNeutral(t *testing.T) {
	if !healthWords["en"].MatchString("Your ankle check is due.") || !healthWords["es"].MatchString("¿Cómo sigue tu tobillo?") {
		t.Fatal("the search finds nothing")
	}
	b := book(t)
	for _, locale := range b.Locales() {
		all := rendered(t, b, locale)
		for _, key := range []care.SentenceKey{"neutral", "neutral.again", "cmd.hidden", "label.read"} {
			for l, words := range healthWords {
				if hit := words.FindString(all[key]); hit != "" {
					t.Errorf("%s %s betrays (%s) %q", locale, key, l, hit)
				}
			}
		}
	}
}

func TestHAZ17_OneQuestionMarkPerAsk(t *testing.T) {
	b := book(t)
	for _, locale := range b.Locales() {
		for key, text := range rendered(t, b, locale) {
			if !strings.HasPrefix(string(key), "ask.") && !strings.HasPrefix(string(key), "plain.") {
				continue
			}
			if n := strings.Count(text, "?"); n != 1 {
				t.Errorf("%s %s has %d question marks", locale, key, n)
			}
			if n := strings.Count(text, "¿"); locale == "es" && n != 1 {
				t.Errorf("%s %s has %d opening question marks", locale, key, n)
			}
		}
	}
}

// TestHAZ17_HelpExistsForEachFlag: whoever asks why gets an answer of its own
// for every question, and every reason is a whole sentence on one line.
func TestHAZ17_HelpExistsForEachFlag(t *testing.T) {
	b := book(t)
	for _, f := range protocols(t) {
		for name := range f.questions() {
			if !b.Has(care.SentenceKey("why." + name)) {
				t.Errorf("nothing says why %s is asked", name)
			}
		}
	}
	for _, locale := range b.Locales() {
		for key, text := range rendered(t, b, locale) {
			if strings.HasPrefix(string(key), "reason.") && (strings.Contains(text, "\n") || !strings.HasSuffix(text, ".")) {
				t.Errorf("%s %s is no sentence on one line: %q", locale, key, text)
			}
		}
	}
}

// TestHAZ18_EmergencyScreenEveryLocale: all of the card is there in every
// language, and differs from the base language where it has words at all.
func TestHAZ18_EmergencyScreenEveryLocale(t *testing.T) {
	b := book(t)
	base := rendered(t, b, "en")
	for _, locale := range b.Locales()[1:] {
		for key, text := range rendered(t, b, locale) {
			class, _ := b.Class(key)
			if class == care.ClassDanger && text == base[key] && !slices.Contains([]care.SentenceKey{"place.000", "card.place"}, key) {
				t.Errorf("%s %s stands in English: %q", locale, key, text)
			}
		}
	}
}

// TestHAZ18_NoSilentFallback: a language that is not there gives an error, and
// never the text of another one.
func TestHAZ18_NoSilentFallback(t *testing.T) {
	b := book(t)
	for _, locale := range []care.Locale{"", "fr", "ES", "es-MX", "e"} {
		if got, err := b.Text(locale, care.Sentence{Key: "label.yes"}); err == nil || got != "" {
			t.Errorf("%q gave %q", locale, got)
		}
	}
}

// TestClassesFitTheKeys keeps text out of a class that the gate lets through
// too far: home care and reassurance, first aid and cards, questions.
func TestClassesFitTheKeys(t *testing.T) {
	b := book(t)
	prefixes := map[string][]care.SentenceClass{
		"ask.": {care.ClassAsk}, "plain.": {care.ClassAsk}, "why.": {care.ClassAsk}, "example.": {care.ClassAsk}, "label.": {care.ClassAsk},
		"card.": {care.ClassDanger}, "firstaid.": {care.ClassDanger}, "place.": {care.ClassDanger}, "fault.card": {care.ClassDanger},
		"reason.": {care.ClassDisposition}, "because.": {care.ClassDisposition}, "disposition.": {care.ClassDisposition}, "told.": {care.ClassDisposition},
		"say.care_": {care.ClassHomeCare}, "say.crutch_": {care.ClassProtect}, "series.": {care.ClassProtect}, "cold_timer.on": {care.ClassHomeCare}, "cold_timer.off": {care.ClassInform},
		"check.better_": {care.ClassReassure, care.ClassHomeCare, care.ClassProtect}, "home.": {care.ClassReassure},
		"staff.": {care.ClassStaff}, "cmd.": {care.ClassInform},
	}
	for _, prefix := range slices.Sorted(maps.Keys(prefixes)) {
		found := 0
		for _, key := range b.Keys() {
			if !strings.HasPrefix(string(key), prefix) {
				continue
			}
			found++
			if class, _ := b.Class(key); !slices.Contains(prefixes[prefix], class) {
				t.Errorf("%s has class %s, want %v", key, class, prefixes[prefix])
			}
		}
		if found == 0 {
			t.Errorf("no sentence begins with %s", prefix)
		}
	}
}

// hardWords are words that a person outside the trade need not know.
var hardWords = map[care.Locale]*regexp.Regexp{
	"en": regexp.MustCompile(`(?i)\b(fractures?|malleol\w*|navicular|metatarsal|weight.bearing|bear weight|radiograph\w*|lateral|medial|syndesmo\w*|tibia|fibula|elevat\w*|ambulat\w*|symptoms?|triage|disposition|red flags?|compress\w*)\b`),
	"es": regexp.MustCompile(`(?i)(\bfracturas?|\bmal[eé]olo|navicular|metatars|radiol|sindesmosis|\btibia|peron[eé]|elevar|s[ií]ntomas?|triaje|compresi[oó]n|\bcarga de peso)`),
}

func TestNoWordsOfTheTrade(t *testing.T) {
	b := book(t)
	for _, locale := range b.Locales() {
		for key, text := range rendered(t, b, locale) {
			if hit := hardWords[locale].FindString(text); hit != "" {
				t.Errorf("%s %s says %q", locale, key, hit)
			}
		}
	}
}

// TestI18N05_SentencesFitEveryPlatform: no sentence is longer than the
// narrowest platform takes in one message, 1,024 UTF-16 units or bytes.
func TestI18N05_SentencesFitEveryPlatform(t *testing.T) {
	const narrowest = 1024
	b := book(t)
	for _, locale := range b.Locales() {
		for key, text := range rendered(t, b, locale) {
			if n := max(len(utf16.Encode([]rune(text))), len(text)); n > narrowest {
				t.Errorf("%s %s has %d units", locale, key, n)
			}
		}
	}
}

// TestLabelsAreShort: 45 characters fit a button on a narrow screen (common
// practice, no source).
func TestLabelsAreShort(t *testing.T) {
	const short = 45
	b := book(t)
	for _, locale := range b.Locales() {
		for key, text := range rendered(t, b, locale) {
			if n := len([]rune(text)); strings.HasPrefix(string(key), labelPrefix) && n > short {
				t.Errorf("%s %s has %d characters, more than %d: shorten it", locale, key, n, short)
			}
		}
	}
}
