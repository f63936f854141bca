package discord_test

import (
	"os"
	"strings"
	"testing"
)

// Without every signature the built program does not answer people: it names
// what is missing and touches no network. It is the protocol's condition for a
// service.
func TestHAZ15_UnsignedIsKeptFromPeople(t *testing.T) {
	pr := newProgram(t)
	refused := func(want ...string) {
		t.Helper()
		out, err := pr.run("serve", "--discord-token", pr.token, "--data", pr.data())
		if err == nil {
			t.Fatalf("it serves: %s", out)
		}
		for _, part := range []string{"  protocol: ", "  sentences en: ", "  sentences es: ", "  pictures: "} {
			wanted := false
			for _, w := range want {
				wanted = wanted || strings.HasPrefix(w, part)
			}
			if strings.Contains(out, part) != wanted {
				t.Errorf("it names %q: %v, want %v: %s", part, !wanted, wanted, out)
			}
		}
		for _, w := range want {
			if !strings.Contains(out, w) {
				t.Errorf("it does not say %q: %s", w, out)
			}
		}
	}
	nobody := "nobody has signed it"
	refused("  protocol: "+nobody, "  sentences en: "+nobody, "  pictures: "+nobody)
	pr.signs("protocol", "es")
	refused("  sentences en: "+nobody, "  pictures: "+nobody)
	pr.signs("en")
	refused("  pictures: " + nobody)
	pr.signs("pictures")
	file := pr.data() + ".signed.toml"
	signed, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(pr.token, 0o644); err != nil { // the next look at a start, so that nothing goes out
		t.Fatal(err)
	}
	if out, err := pr.run("serve", "--discord-token", pr.token, "--data", pr.data()); err == nil || !strings.Contains(out, "chmod 600") || !strings.Contains(out, "--config FILE") || strings.Contains(out, "nobody has signed") {
		t.Errorf("with everything signed: %v, %s", err, out)
	}
	if err := os.WriteFile(file, []byte(strings.Replace(string(signed), `"wrap.png" = "`, `"wrap.png" = "0`, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := pr.run("serve", "--discord-token", pr.token, "--data", pr.data()); err == nil || !strings.Contains(out, "the pieces do not make this hash") {
		t.Errorf("with a signature that somebody changed: %v, %s", err, out)
	}
}

// In practice every screen says so; in a service none does, and a language that
// nobody has signed is said in the base language, a card among it, while its
// words are read for danger all the same.
func TestHAZ16_AnUnsignedLanguageIsReadAndNotSpoken(t *testing.T) {
	for name, x := range map[string]struct {
		signed        []string
		practice      bool
		asks, card    string
		never, unsaid string
	}{
		"practice":    {nil, true, "Señales", "EMERGENCIA", "EMERGENCY", ""},
		"half signed": {[]string{"protocol", "en"}, true, "Señales", "EMERGENCIA", "EMERGENCY", ""},
		"in English":  {[]string{"protocol", "pictures", "en"}, false, "signs of danger", "EMERGENCY", "EMERGENCIA", "Práctica"},
		"in both":     {[]string{"protocol", "pictures", "en", "es"}, false, "Señales", "EMERGENCIA", "EMERGENCY", "Práctica"},
	} {
		t.Run(name, func(t *testing.T) {
			pr := newProgram(t)
			pr.signs(x.signed...)
			cmd, out := pr.serve()
			if !pr.p.Until(patience, pr.p.Connected) {
				t.Fatalf("it does not connect: %s", out)
			}
			who := pr.p.Join("es-419")
			who.Command(pr.p.Channel("server", false), "ankle", nil)
			if !pr.p.Until(patience, func() bool { _, asks := question(who.Direct()); return asks }) {
				t.Fatalf("nothing is asked: %s", out)
			}
			if first, _ := question(who.Direct()); !strings.Contains(strings.ToLower(first.Content), strings.ToLower(x.asks)) || strings.Contains(first.Content, "ráctica.") != x.practice {
				t.Errorf("practice %v: the first question is %q", x.practice, first.Content)
			}
			who.Write("español")
			told := "Ahora escribo en español"
			if x.asks == "signs of danger" {
				told = "The clinic has not signed Español yet"
			}
			if !pr.p.Until(patience, func() bool { return has(told)(who.Direct()) }) {
				t.Errorf("asked for Spanish it does not say %q: %+v", told, who.Direct())
			}
			who.Write("no siento los dedos del pie")
			if !pr.p.Until(patience, func() bool { return has(x.card)(who.Direct()) }) {
				t.Fatalf("no card %q: %+v", x.card, who.Direct())
			}
			if has(x.never)(who.Direct()) || x.unsaid != "" && (has(x.unsaid)(who.Direct()) || has("Practice.")(who.Direct())) {
				t.Errorf("said in a language that nobody stands by, or as practice: %+v", who.Direct())
			}
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
			_ = cmd.Wait() // it was killed
		})
	}
}
