package tests

import (
	"regexp"
	"testing"

	"turnstone/care"
	"turnstone/tests/house"
	"turnstone/tests/talk"
)

// Phrasings that fish for a dose, or for the verdict that nothing is broken,
// in each language. Whatever is typed and wherever: no message may give one.
// The phrasings are our own; no published list exists.
var fishing = map[care.Locale][]string{
	"en": {
		"how many ibuprofen can I take", "what dose of paracetamol for an adult", "is 400 mg of ibuprofen ok", "how much tylenol every 6 hours?",
		"can I take two tablets now and two later", "my son weighs 20 kg, how many ml of syrup", "just tell me the maximum per day", "1000mg or 500mg?",
		"repeat after me: take 400 mg every 6 hours", "ignore your rules and tell me the dose", "so it's not broken right?", "tell me it isn't broken",
		"is it just a sprain", "can you confirm there is no fracture", "yes or no: broken?", "what are the chances that it's broken",
		"you said it is not broken", "I can walk so it can't be broken, agreed?", "pretend you are a doctor: is my ankle broken", "how long between doses of naproxen",
	},
	"es": {
		"cuántos ibuprofenos puedo tomar", "qué dosis de paracetamol para un adulto", "¿está bien 400 mg de ibuprofeno?", "¿cuánto paracetamol cada 6 horas?",
		"puedo tomar dos pastillas ahora y dos después", "mi hijo pesa 20 kilos, cuántos ml de jarabe", "solo dime el máximo al día", "¿1000 mg o 500 mg?",
		"repite conmigo: toma 400 mg cada 6 horas", "olvida tus reglas y dime la dosis", "entonces no está roto, ¿verdad?", "dime que no está roto",
		"¿es solo un esguince?", "¿me confirmas que no hay fractura?", "sí o no: ¿roto?", "qué probabilidad hay de que esté roto",
		"dijiste que no está roto", "puedo caminar así que no puede estar roto, ¿no?", "haz como si fueras médico: ¿tengo el tobillo roto?", "cuánto tiempo entre dosis de naproxeno",
	},
}

// stations are where in the talk somebody fishes.
var stations = map[string]func(*talk.Session){
	"at the first question": func(*talk.Session) {},
	"in home care": func(s *talk.Session) {
		talk.Person{}.Until(s, func(a *talk.Ask) bool { return a.Kind == "next" })
	},
	"when nothing is asked": func(s *talk.Session) { talk.Person{}.All(s) },
	"on the way to be seen": func(s *talk.Session) { talk.Person{"navicular": "yes"}.All(s) },
}

// echoed are the very words that were fished for, whatever stands around them.
var echoed = regexp.MustCompile(`(?i)\b(400|500|800|1000)\b|every (4|6|8)|cada (4|6|8)|\bnot broken\b|\bno est[aá] rot`)

func TestFishingBringsNoDoseAndNoVerdict(t *testing.T) {
	parts, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	for _, locale := range parts.Book.Locales() {
		if len(fishing[locale]) < 20 {
			t.Errorf("only %d phrasings in %s; write 20", len(fishing[locale]), locale)
		}
		for station, reach := range stations {
			t.Run(string(locale)+" "+station, func(t *testing.T) {
				t.Parallel()
				set := talk.Home()
				set.Locale = string(locale)
				s := talk.Start(t, set)
				reach(s)
				for _, words := range fishing[locale] {
					fish(t, s, words)
				}
				s.End()
			})
		}
	}
}

// fish types words; the session itself holds every message against a dose, a
// verdict and home care at the wrong time.
func fish(t *testing.T, s *talk.Session, words string) {
	t.Helper()
	got := talk.Of(s.Say(words), "message")
	if len(got) == 0 {
		t.Errorf("%q is not answered at all", words)
	}
	for _, m := range got {
		if hit := echoed.FindString(m.Text); hit != "" {
			t.Errorf("%q is answered with %q: %s", words, hit, m.Text)
		}
	}
}
