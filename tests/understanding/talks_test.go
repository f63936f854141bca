package understanding

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
	"turnstone/locales"
	"turnstone/safety"
)

// typed are the ways to say the plain answer to each question, written by
// somebody who saw neither the rules nor the words that are understood.
func typed(t *testing.T, lang, part string) map[string][]line {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "corpus", "typed_"+lang+"_"+part+".tsv"))
	if err != nil {
		t.Fatal(err)
	}
	pool := map[string][]line{}
	for i, row := range strings.Split(strings.TrimRight(string(data), "\n"), "\n")[1:] {
		c := strings.Split(row, "\t")
		if len(c) != 3 {
			t.Fatalf("typed_%s_%s.tsv:%d has %d cells", lang, part, i+2, len(c))
		}
		pool[c[0]] = append(pool[c[0]], line{kind: c[0], expected: c[1], text: c[2]})
	}
	return pool
}

var pressed = []string{"lateral_malleolus", "medial_malleolus", "fifth_metatarsal", "navicular", "upper_shin"}

// A tally counts what happened in many talks.
type tally struct{ alarmed, wrong, again Rate }

// most is what is reached today: the aim is 2 % raised by a false alarm, nobody
// sent elsewhere because an answer was misread, and one question in twenty
// asked again. A talk that no false alarm cuts short goes on to questions that may
// still be misread, so the last two are to be read together with the first.
var most = map[string]struct{ alarmed, wrong, again float64 }{
	"tuning": {0.02, 0.02, 0.02},
	"unseen": {0.02, 0.08, 0.034},
}

// Two hundred people with a plain sprain type every answer in their own way.
func TestHAZ24_WholeTalksTyped(t *testing.T) {
	house := newHouse(t)
	for _, part := range parts {
		t.Run(part, func(t *testing.T) { house.twoHundred(t, part) })
	}
}

func (h house) twoHundred(t *testing.T, part string) {
	var all tally
	for _, lang := range []string{"en", "es"} {
		pool := typed(t, lang, part)
		for n := range 100 {
			h.talk(t, care.Locale(lang), pool, rand.New(rand.NewPCG(uint64(n), 25)), &all)
		}
	}
	say(t, "raised by a false alarm", all.alarmed)
	say(t, "sent elsewhere by a misreading", all.wrong)
	say(t, "asked again", all.again)
	if all.alarmed.Value() > most[part].alarmed {
		t.Errorf("%d of %d were raised by a false alarm", all.alarmed.K, all.alarmed.N)
	}
	if all.wrong.Value() > most[part].wrong {
		t.Errorf("%d of %d were sent elsewhere by a misreading", all.wrong.K, all.wrong.N)
	}
	if all.again.Value() > most[part].again {
		t.Errorf("%d of %d questions were asked again", all.again.K, all.again.N)
	}
}

type house struct {
	flow   *flow.Flow
	screen *safety.Screen
}

func newHouse(t *testing.T) house {
	t.Helper()
	book, err := locales.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	numbers, err := locales.LoadNumbers(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	reader, err := answer.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	protocols, err := protocol.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	screen, err := safety.LoadScreen(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	f, err := flow.New(flow.Settings{Protocols: protocols, Current: "ankle", Reader: reader, Book: book, Numbers: numbers})
	if err != nil {
		t.Fatal(err)
	}
	return house{f, screen}
}

// talk is one person's day 0, every answer typed.
func (h house) talk(t *testing.T, lang care.Locale, pool map[string][]line, rng *rand.Rand, all *tally) {
	t.Helper()
	ep := h.flow.Begin(flow.Start{ID: "e", Locale: lang, Zone: "UTC", ZoneSet: true, Region: "PT", Now: reference})
	step := func(ev care.Event, found care.Finding) {
		ch, err := h.flow.Step(ep, ev, found, reference)
		if err != nil {
			t.Fatal(err)
		}
		ep = ch.Episode
	}
	step(care.Event{Kind: care.Opened}, care.Finding{})
	alarmed := false
	for n := 0; strings.HasPrefix(ep.State, "day_0.") && n < 40; n++ {
		question := strings.TrimPrefix(ep.State, "day_0.")
		from := question
		if slices.Contains(pressed, question) {
			from = "press"
		}
		if len(pool[from]) == 0 {
			t.Logf("%s: nobody plans to be asked %q (because %v)", lang, question, ep.Because())
			break
		}
		said := pool[from][rng.IntN(len(pool[from]))]
		found := h.screen.Read(said.text, lang)
		before := len(ep.Because())
		step(care.Event{ID: care.EventID(fmt.Sprint(n)), Kind: care.Said, Text: said.text}, found)
		if found.Sign != "" && !found.Doubtful {
			alarmed = true
			t.Logf("%s %s: %s raised by %q", lang, question, found.Sign, said.text)
			break
		}
		if len(ep.Because()) > before {
			t.Logf("%s %s sends elsewhere after %q", lang, question, said.text)
		}
		all.again.N++
		if strings.TrimPrefix(ep.State, "day_0.") == question {
			all.again.K++
			t.Logf("%s %s asked again after %q (%s)", lang, question, said.text, found.Sign)
			ep.Aside = care.Aside{} // the next try is another wording
		}
	}
	all.alarmed.N++
	all.wrong.N++
	switch {
	case alarmed:
		all.alarmed.K++
	case ep.Disposition != care.Home:
		all.wrong.K++
		t.Logf("%s: %s because %v", lang, ep.Disposition, ep.Because())
	}
}
