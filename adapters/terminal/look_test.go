package terminal

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/care"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with testdata; escape characters are written as \e there.
func golden(t *testing.T, name, got string) {
	t.Helper()
	got = strings.ReplaceAll(got, "\x1b", `\e`)
	file := filepath.Join("testdata", name+".txt")
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s: got\n%s\nwant\n%s", file, got, want)
	}
}

// looks are the three ways to draw, at a window's width.
func looks(width int) map[string]look {
	return map[string]look{
		"plain":   {size: size(width, 30)},
		"framed":  {framed: true, size: size(width, 30)},
		"colored": {framed: true, colored: true, size: size(width, 30)},
	}
}

var widths = []int{40, 80, 120}

func TestPagesAtEachWidthInEachLook(t *testing.T) {
	pages := []page{
		{
			text:     "Question 13 of about 24.\nFind the knob of bone on the outer side of your ankle. Press the same spot on the good foot first, then compare.\nIs the bone itself sore?",
			question: "Is the bone itself sore?",
			picture:  "Picture: the outer side of the ankle.",
			choices:  []string{"Yes", "No", "Not sure"},
		},
		{text: "Where are you?", choices: strings.Fields("one two three four five six seven eight nine " + strings.Repeat("x", 90))},
		{text: "Call 112 now.\nAsk for an ambulance. Say where you are.\nIs somebody with you who can take you now?", card: true, headline: "EMERGENCY: GET HELP NOW", choices: []string{"Yes", "No"}},
		{text: "腫れていますか？痛みがひどくて歩けないときはここに書いてください。\nEs duele aqui\u0301 👩‍⚕️.", card: true, headline: "EMERGENCIA: PIDE AYUDA YA"},
	}
	for _, width := range widths {
		for name, l := range looks(width) {
			var all []string
			for _, p := range pages {
				all = append(all, l.draw(p))
			}
			got := strings.Join(all, "\n")
			golden(t, fmt.Sprintf("%s-%d", name, width), got)
			for line := range strings.SplitSeq(uncolored(got), "\n") {
				if n := columns(line); n > min(width-1, readable) {
					t.Errorf("%s at %d: %d columns: %s", name, width, n, line)
				}
			}
		}
	}
}

func uncolored(text string) string {
	return strings.NewReplacer(bold, "", boldRed, "", reversed, "", normal, "").Replace(text)
}

func TestHAZ07_CardCannotBeMissedInAnyLookWidthOrLanguage(t *testing.T) {
	b := book(t)
	for _, locale := range b.Locales() {
		headline, err := b.Text(locale, care.Sentence{Key: "terminal.frame"})
		if err != nil {
			t.Fatal(err)
		}
		if headline != strings.ToUpper(headline) {
			t.Errorf("%s: the headline is not in capitals: %s", locale, headline)
		}
		text, err := b.Text(locale, care.Sentence{Key: "card.number", Args: map[string]string{"number": "112"}})
		if err != nil {
			t.Fatal(err)
		}
		for _, width := range append(widths, 0, 1, 20, 60) {
			for name, l := range looks(width) {
				t.Run(fmt.Sprint(locale, name, width), func(t *testing.T) {
					cardStands(t, l, l.draw(page{text: text, card: true, headline: headline}), headline, text)
				})
			}
		}
	}
}

// cardStands checks one drawn card: a line of capitals before its words, and
// the frame, or the same line below them.
func cardStands(t *testing.T, l look, drawn, headline, text string) {
	t.Helper()
	if l.colored != strings.Contains(drawn, "\x1b") {
		t.Errorf("color is %v, and the card is %q", l.colored, drawn)
	}
	bare := uncolored(drawn)
	lines := strings.Split(strings.TrimSuffix(bare, "\n"), "\n")
	if !l.framed {
		if lines[0] != headline || lines[1] != "" || lines[len(lines)-1] != headline || lines[len(lines)-2] != "" {
			t.Errorf("the card is not between two lines of capitals:\n%s", drawn)
		}
	} else {
		inside := framed(t, lines, l.width())
		if !strings.HasPrefix(strings.Join(strings.Fields(inside), " "), headline) {
			t.Errorf("the card does not begin with %s:\n%s", headline, drawn)
		}
		bare = inside
	}
	if got := strings.Join(strings.Fields(bare), " "); !strings.Contains(got, strings.Join(strings.Fields(text), " ")) {
		t.Errorf("the card lost words:\n%s", drawn)
	}
}

// framed checks that lines are framed on all four sides and returns what
// stands inside.
func framed(t *testing.T, lines []string, width int) string {
	t.Helper()
	edge := strings.Repeat("#", width)
	if lines[0] != edge || lines[len(lines)-1] != edge {
		t.Errorf("the frame is open above or below:\n%s", strings.Join(lines, "\n"))
	}
	var inside []string
	for _, line := range lines[1 : len(lines)-1] {
		if columns(line) != width || !strings.HasPrefix(line, "## ") || !strings.HasSuffix(line, " ##") {
			t.Errorf("the frame is open at the side: %q", line)
		}
		inside = append(inside, strings.Trim(line, "#"))
	}
	return strings.Join(inside, "\n")
}

func TestHAZ07_BothCardsAreDrawnAsCards(t *testing.T) {
	for name, l := range looks(80) {
		s, out := seated(t, l)
		m := message("1", "Call 112 now.")
		m.Card = true
		if err := s.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		sent := out.String()
		out.Reset()
		if err := s.CardNow(t.Context(), s.house.Caller, "e"); err != nil {
			t.Fatal(err)
		}
		fixed := strings.TrimPrefix(out.String(), "\n")
		cardStands(t, l, sent, "EMERGENCY: GET HELP NOW", "Call 112 now.")
		if sent != fixed {
			t.Errorf("%s: the fixed card looks otherwise:\n%s\n%s", name, fixed, sent)
		}
	}
}

func TestWhatIsNoTerminalGetsWordsOnly(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := file.Close(); err != nil {
			t.Error(err)
		}
	}()
	for _, l := range []look{newLook(file, file, terminalEnv), newLook(strings.NewReader(""), &strings.Builder{}, terminalEnv)} {
		if l.framed || l.colored || l.echoed || l.marked || l.size != nil {
			t.Errorf("got %+v", l)
		}
		if got, want := l.width(), 76; got != want {
			t.Errorf("width is %d, want %d", got, want)
		}
	}
}

func terminalEnv(name string) string { return map[string]string{"TERM": "xterm"}[name] }
