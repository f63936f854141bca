package safety

import (
	"fmt"
	"math"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"turnstone/care"
)

// TestHAZ03_PairsTable reads each danger, and the same with a negation where
// people put it. The pairs are ours: common practice, no source.
func TestHAZ03_PairsTable(t *testing.T) {
	pairs := []struct {
		lang           care.Locale
		danger, denied string
	}{
		{"en", "my chest hurts", "my chest doesn't hurt"},
		{"en", "I have chest pain", "no chest pain"},
		{"en", "he is confused and vomiting after he hit his head", "he hit his head, but he isn't confused and not vomiting"},
		{"en", "my toes are numb and blue", "my toes are not numb or blue"},
		{"en", "blood is pouring out", "no blood is pouring out"},
		{"en", "I have a fever and chills", "I have no fever and no chills"},
		{"en", "there is pus in the wound", "without pus in the wound"},
		{"en", "she fainted and is still pale", "she never fainted"},
		{"en", "my calf is swollen and hot", "my calf isn't swollen or hot"},
		{"en", "I want to die", "I don't want to die"},
		{"en", "the bone is sticking out", "no bone sticking out"},
		{"en", "his face is drooping", "his face isn't drooping"},
		{"en", "short of breath", "not short of breath"},
		{"en", "trouble breathing", "no trouble breathing"},
		{"en", "she had a seizure just now", "she did not have a seizure"},
		{"en", "call an ambulance", "don't need an ambulance"},
		{"es", "me duele el pecho", "no me duele el pecho"},
		{"es", "tengo dolor de pecho", "sin dolor de pecho"},
		{"es", "tengo los dedos del pie dormidos y azules", "no tengo los dedos dormidos ni azules"},
		{"es", "tengo fiebre y escalofríos", "no tengo fiebre ni escalofríos"},
		{"es", "le sale pus a la herida", "la herida sin pus"},
		{"es", "se desmayó y sigue pálida", "nunca se desmayó"},
		{"es", "la pantorrilla está hinchada y caliente", "la pantorrilla no está hinchada ni caliente"},
		{"es", "me quiero morir", "no me quiero morir"},
		{"es", "se le salió el hueso", "ningún hueso salido"},
		{"es", "me falta el aire", "no me falta el aire"},
		{"es", "está convulsionando", "nada de convulsiones"},
		{"es", "llamen una ambulancia", "no necesito una ambulancia"},
		{"es", "vomita y está confundido desde que se pegó en la cabeza", "se pegó en la cabeza pero ni vomita ni está confundido"},
	}
	for _, p := range pairs {
		if f := screen().Read(p.danger, p.lang); f.Class() == care.NoClass {
			t.Errorf("%q is not seen: %v", p.danger, screen().Why(p.danger, p.lang))
		}
		if f := screen().Read(p.denied, p.lang); f.Class() != care.NoClass {
			t.Errorf("%q is seen: %v", p.denied, screen().Why(p.denied, p.lang))
		}
	}
}

// TestHAZ03_AbilityIsNeverDeniedAway: what somebody cannot do is the sign, and
// no negation around it takes it away.
func TestHAZ03_AbilityIsNeverDeniedAway(t *testing.T) {
	tests := map[care.Locale]struct{ before, signs []string }{
		"en": {
			[]string{"", "no, ", "no numbness before but now ", "not fine, ", "never had this, ", "nothing helps, ", "it's not better, ", "I'm not sure why, ", "no idea why, ", "not only that, "},
			[]string{"I can't feel my toes", "I cannot move my foot", "he can't breathe", "she won't wake up", "I can't put weight on it", "I can't stand on my toes", "he isn't breathing", "my son refuses to walk", "I don't feel anything in my foot", "the bleeding won't stop"},
		},
		"es": {
			[]string{"", "no, ", "no es broma, ", "nunca me había pasado, ", "nada me ayuda, ", "no sé por qué, ", "ni idea, ", "no estoy bien, ", "antes no, pero ahora "},
			[]string{"no siento los dedos del pie", "no puedo mover el pie", "no puede respirar", "no despierta", "no puedo apoyar el pie", "no puedo pararme de puntas", "no respira", "mi hijo no quiere caminar", "no siento nada en el pie", "no para de sangrar"},
		},
	}
	for lang, test := range tests {
		for _, before := range test.before {
			for _, sign := range test.signs {
				if text := before + sign; screen().Read(text, lang).Class() == care.NoClass {
					t.Errorf("%q is not seen: %v", text, screen().Why(text, lang))
				}
			}
		}
	}
}

// TestHAZ04_DoubtTakesNothingAway: doubt, an innocent reason and a question
// mark leave a sign that is stated as present.
func TestHAZ04_DoubtTakesNothingAway(t *testing.T) {
	doubts := map[care.Locale][]string{
		"en": {"maybe it's nothing but %s", "not sure, %s", "%s, probably just nerves", "%s, is that bad?", "I guess %s", "%s?", "could be wrong but %s"},
		"es": {"a lo mejor no es nada pero %s", "no estoy seguro, %s", "%s, han de ser los nervios", "%s, ¿es malo?", "creo que %s", "¿%s?", "quizá %s"},
	}
	signs := map[care.Locale][]string{
		"en": {"my chest is tight", "my toes are numb", "my foot is blue and cold", "he can't breathe", "her face is drooping"},
		"es": {"me aprieta el pecho", "tengo los dedos dormidos", "el pie está azul y frío", "no puede respirar", "se le cayó un lado de la cara"},
	}
	for lang := range doubts {
		for _, doubt := range doubts[lang] {
			for _, sign := range signs[lang] {
				if text := fmt.Sprintf(doubt, sign); screen().Read(text, lang).Class() != care.AmbulanceNow {
					t.Errorf("%q is not seen: %v", text, screen().Why(text, lang))
				}
			}
		}
	}
}

// TestScreenWhoAndWhen: another person's past and a correction quiet a sign,
// and a correction in the other direction brings one.
func TestScreenWhoAndWhen(t *testing.T) {
	tests := []struct {
		lang care.Locale
		text string
		want care.Class
	}{
		{"en", "last year my uncle had chest pain and fainted", care.NoClass},
		{"en", "my uncle has chest pain and fainted", care.AmbulanceNow},
		{"en", "my toes are blue. no wait, they're pink, it was the sock dye", care.NoClass},
		{"en", "my toes are pink. no wait, they are blue", care.AmbulanceNow},
		{"en", "not my chest, but I can't get air", care.AmbulanceNow},
		{"en", "my grandpa died of a stroke", care.NoClass},
		{"en", "what are the signs of a heart attack?", care.NoClass},
		{"en", "I'm scared of getting a blood clot", care.NoClass},
		{"en", "this boot is killing me", care.NoClass},
		{"en", "I fainted for a second, feel fine now", care.Urgent},
		{"es", "el año pasado mi tío tuvo dolor de pecho y se desmayó", care.NoClass},
		{"es", "mi tío tiene dolor de pecho y se desmayó", care.AmbulanceNow},
		{"es", "tengo los dedos azules. no espera, es la tinta del calcetín", care.NoClass},
		{"es", "tengo los dedos rosados. no espera, están azules", care.AmbulanceNow},
		{"es", "mi abuelo murió de un derrame", care.NoClass},
		{"es", "¿cuáles son los síntomas de un infarto?", care.NoClass},
		{"es", "me desmayé un segundo, ya estoy bien", care.Urgent},
		{"en", "no siento my toes", care.AmbulanceNow}, // two languages in one message
		{"es", "me duele el chest bien feo", care.AmbulanceNow},
	}
	for _, test := range tests {
		if got := screen().Read(test.text, test.lang).Class(); got != test.want {
			t.Errorf("%q: got %v, want %v: %v", test.text, got, test.want, screen().Why(test.text, test.lang))
		}
	}
}

// TestHAZ16_EveryLanguageKnowsEverySign: a sign that has no rule in a loaded
// language would be missed there without a word.
func TestHAZ16_EveryLanguageKnowsEverySign(t *testing.T) {
	for _, lang := range screen().lex.langs {
		for _, sign := range care.Signs() {
			known := false
			for _, p := range screen().patterns {
				known = known || p.rule.sign == sign && strings.HasPrefix(p.rule.id, lang+"/")
			}
			if !known {
				t.Errorf("%s has no rule for %s", lang, sign)
			}
		}
	}
}

// TestHAZ28_EverySignOfItsClass: the example of every rule is read with a
// class at least as urgent as its sign, whatever the session's language.
func TestHAZ28_EverySignOfItsClass(t *testing.T) {
	l := &loader{}
	l.readFiles(os.DirFS("../locales"))
	for _, src := range l.sources {
		for _, e := range src.data.Rule {
			for line := range lines(e.Example) {
				for _, prefer := range []care.Locale{"en", "es", "fr"} {
					if got := screen().Read(line, prefer).Class(); got < e.Sign.Class() {
						t.Errorf("%q with %s: got %v, want %v", line, prefer, got, e.Sign.Class())
					}
				}
			}
		}
	}
}

// TestScreenRefusesBadFiles: each fault is told with its file and line, and
// what to do; no Screen comes of it.
func TestScreenRefusesBadFiles(t *testing.T) {
	const good = "[words]\nfoot = \"foot, toes\"\ncold = \"cold\"\n"
	const rule = "[[rule]]\nid = \"cold\"\nsign = \"cold_blue_foot\"\n"
	tests := map[string]struct {
		file string
		want []string
	}{
		"not TOML":          {"[words\n", []string{"xx/danger.toml:2:"}},
		"unknown field":     {good + rule + "saay = \"@foot\"\nsay = \"@foot & @cold\"\nexample = \"cold foot\"\ncounter = \"warm\"\n", []string{"xx/danger.toml:7:", "saay"}},
		"unknown concept":   {good + rule + "say = \"@foot & @blue\"\nexample = \"cold foot\"\ncounter = \"warm\"\n", []string{"xx/danger.toml:7:", "@blue", "add it or correct"}},
		"unknown sign":      {good + "[[rule]]\nid = \"cold\"\nsign = \"chilly\"\nsay = \"@foot & @cold\"\nexample = \"cold foot\"\ncounter = \"warm\"\n", []string{"xx/danger.toml:5:", "chilly"}},
		"no example":        {good + rule + "say = \"@foot & @cold\"\ncounter = \"warm\"\n", []string{"xx/danger.toml:5:", "example"}},
		"example not seen":  {good + rule + "say = \"@foot & @cold\"\nexample = \"warm foot\"\ncounter = \"warm\"\n", []string{"xx/danger.toml:8:", "warm foot", "correct one of the two"}},
		"counter seen":      {good + rule + "say = \"@foot & @cold\"\nexample = \"cold foot\"\ncounter = \"cold toes\"\n", []string{"xx/danger.toml:9:", "cold toes"}},
		"empty part":        {good + rule + "say = \"@foot & & @cold\"\nexample = \"cold foot\"\ncounter = \"warm\"\n", []string{"xx/danger.toml:7:", "no word"}},
		"bad gap":           {good + rule + "say = \"@foot ~x @cold\"\nexample = \"cold foot\"\ncounter = \"warm\"\n", []string{"xx/danger.toml:7:", "0 to 20"}},
		"bad numbers":       {"[words]\nhot = \"#40..38\"\n", []string{"xx/danger.toml:2:", "#40..38"}},
		"empty concept":     {"[words]\nhot = \" , \"\n", []string{"xx/danger.toml:2:", "no words"}},
		"concept not there": {"[words]\nhot = \"warm, @fever\"\n", []string{"xx/danger.toml:2:", "@fever"}},
		"silence's scope":   {good + "[[silence]]\nid = \"s\"\nwhy = \"w\"\nscope = \"page\"\nsay = \"warm\"\nexample = \"a\"\ncounter = \"b\"\n", []string{"xx/danger.toml:5:", "page"}},
		"silence of && kind": {
			good + "[[silence]]\nid = \"s\"\nwhy = \"w\"\nscope = \"span\"\nsay = \"warm && foot\"\nexample = \"a\"\ncounter = \"b\"\n",
			[]string{"xx/danger.toml:8:", "only rules may have"},
		},
		"two faults": {good + rule + "say = \"@blue & @hot\"\nexample = \"cold foot\"\ncounter = \"warm\"\n[[rule]]\nid = \"b\"\nsign = \"x\"\nsay = \"cold\"\nexample = \"cold\"\ncounter = \"warm\"\n", []string{"@blue", "danger.toml:11:"}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			s, err := LoadScreen(fstest.MapFS{"xx/danger.toml": {Data: []byte(test.file)}})
			if err == nil || s != nil {
				t.Fatal("a bad file was taken")
			}
			for _, part := range test.want {
				if !strings.Contains(err.Error(), part) {
					t.Errorf("%q is not in the fault: %v", part, err)
				}
			}
		})
	}
	if _, err := LoadScreen(fstest.MapFS{}); err == nil {
		t.Error("a folder without danger files was taken")
	}
	if _, err := LoadScreen(fstest.MapFS{"a/danger.toml": {Data: []byte(good)}, "a/danger-b.toml": {Data: []byte(good)}}); err == nil {
		t.Error("a concept in two files of one language was taken")
	}
}

// TestScreenTakesAnything: nonsense neither crashes nor alarms.
func TestScreenTakesAnything(t *testing.T) {
	for _, text := range []string{
		"", " ", "\x00", "\x00\x01\xff\xfe", "\xc3\x28", strings.Repeat("\xff", 1000), "....!!!???", "'''", "’", "1.2.3.4,5,,6", "-- - --",
		"привет, как дела?", "你好，我想问一下", "مرحبا كيف حالك", "γεια σου", "สวัสดี", "🙂🙂🙂", "<script>alert(1)</script>", "fuck off you stupid bot", "pinche bot de mierda",
		strings.Repeat("a", 100_000), strings.Repeat("a\u0301", 50_000), strings.Repeat("🦶🏽", 10_000), strings.Repeat("no ", 30_000), strings.Repeat("1", 5000), strings.Repeat("'", 100_000),
	} {
		if f := screen().Read(text, "en"); f.Class() != care.NoClass {
			t.Errorf("%.40q: %v", text, screen().Why(text, "en"))
		}
	}
}

// TestScreenTakesTimeInProportion: ten times the text takes about ten times
// the time, also where every word is in the lexicon. A busy machine may spoil
// any one comparison; what grows faster than the text spoils them all.
func TestScreenTakesTimeInProportion(t *testing.T) {
	for _, words := range []string{"lorem ipsum dolor amet ", "cold foot blood not pain ", "I can't feel no blue toes if my ", "aaaaabbbbb", "zqxj, "} {
		short, long := strings.Repeat(words, 10_000/len(words)), strings.Repeat(words, 100_000/len(words))
		takes := func(text string) time.Duration {
			start := time.Now()
			screen().Read(text, "en")
			return time.Since(start)
		}
		proportion, tries := math.Inf(1), 0
		for ; proportion > 20 && tries < 100; tries++ {
			proportion = min(proportion, float64(takes(long))/float64(takes(short)))
		}
		if proportion > 20 {
			t.Errorf("%q: in %d tries 100 KB take at least %.0f times what 10 KB take", words, tries, proportion)
		}
	}
}

// TestScreenIsSafeForMany reads from many goroutines; -race watches.
func TestScreenIsSafeForMany(t *testing.T) {
	lines := readLabelled(t, "messages_en_samples.tsv")
	want := make([]care.Finding, len(lines))
	for i, l := range lines {
		want[i] = screen().Read(l.text, "en")
	}
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for i, l := range lines {
				if got := screen().Read(l.text, "en"); got != want[i] {
					t.Errorf("%s: got %v, want %v", l.id, got, want[i])
				}
				screen().Why(l.text, "es")
			}
		})
	}
	wg.Wait()
}

// TestScreenAllocatesNothing: a work space that has read one message reads the
// next without asking for more. The pool is left out: under -race it drops
// what it is given at random.
func TestScreenAllocatesNothing(t *testing.T) {
	r := screen().pool.Get().(*reading)
	r.explain = false
	r.read(ordinary, "en")
	if n := testing.AllocsPerRun(100, func() { r.read(ordinary, "en") }); n > 0 {
		t.Errorf("%v allocations for one message", n)
	}
}

// FuzzRead: any bytes are read without a crash, and twice alike.
func FuzzRead(f *testing.F) {
	for _, name := range []string{"messages_en_samples.tsv", "messages_es_samples.tsv"} {
		for _, l := range readLabelled(f, name) {
			f.Add(l.text)
		}
	}
	f.Add("\xff\x00 . ’’ 1,,2..3 \u202e no")
	f.Fuzz(func(t *testing.T, text string) {
		if a, b := screen().Read(text, "en"), screen().Why(text, "en").Finding; a != b {
			t.Errorf("%q: Read says %v, Why %v", text, a, b)
		}
	})
}
