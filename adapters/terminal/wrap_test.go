package terminal

import (
	"bufio"
	"errors"
	"io"
	"strings"
	"testing"
	"unicode"

	"golang.org/x/text/width"
	"pgregory.net/rapid"
)

func TestWrapNeverLosesAWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.StringMatching(`[a-záéñ]{1,20}[.,!]?`), 1, 40).Draw(t, "words")
		limit := rapid.IntRange(21, 90).Draw(t, "width")
		lines := wrap(strings.Join(words, " "), limit)
		if got := strings.Fields(strings.Join(lines, " ")); strings.Join(got, " ") != strings.Join(words, " ") {
			t.Fatalf("got %q, want %q", got, words)
		}
		for i, line := range lines {
			if columns(line) > limit {
				t.Fatalf("%q has %d columns, more than %d", line, columns(line), limit)
			}
			if i > 0 && columns(lines[i-1]+" "+strings.Fields(line)[0]) <= limit {
				t.Fatalf("%q still fits after %q", strings.Fields(line)[0], lines[i-1])
			}
		}
	})
}

func TestWrapNeverLosesACharacterOfAnyText(t *testing.T) {
	bare := func(text string) string {
		return strings.Map(func(r rune) rune {
			if unicode.IsSpace(r) && r != '\u00a0' || unicode.IsControl(r) {
				return -1
			}
			return r
		}, text)
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		limit := rapid.IntRange(4, 90).Draw(t, "width")
		lines := wrap(text, limit)
		if got, want := bare(strings.Join(lines, "")), bare(text); got != want {
			t.Fatalf("got %q, want %q", got, want)
		}
	})
}

func TestWrap(t *testing.T) {
	tests := []struct {
		name, text string
		width      int
		want       string
	}{
		{"at a space", "one two three", 8, "one two|three"},
		{"lines stay lines", "one\ntwo", 8, "one|two"},
		{"a word too long is cut", "abcdefghij kl", 4, "abcd|efgh|ij|kl"},
		{"wide characters count two", "腫れています", 4, "腫れ|てい|ます"},
		{"combining ones count none", "e\u0301e\u0301e\u0301 x", 3, "e\u0301e\u0301e\u0301|x"},
		{"a character is never cut", "👩‍⚕️👩‍⚕️", 3, "👩‍⚕️|👩‍⚕️"},
		{"two words held together", "see 10\u00a0cm up", 8, "see|10\u00a0cm up"},
		{"no control of the screen", "a\x1b[2Jb\x07\tc\u2028d", 20, "a[2Jb c d"},
		{"broken bytes are marked", "a\xffb", 20, "a\ufffdb"},
		{"nothing", "", 20, ""},
	}
	for _, tt := range tests {
		if got := strings.Join(wrap(tt.text, tt.width), "|"); got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
}

// TestWideCharactersAgreeWithASecondLibrary compares letters with the tables of
// golang.org/x/text/width (Unicode Standard Annex 11: wide and full width take
// two columns, narrow ones one).
func TestWideCharactersAgreeWithASecondLibrary(t *testing.T) {
	checked := 0
	for r := rune(0x20); r < 0x20000; r++ {
		// Conjoining Hangul and the half-width sound marks join what stands before them.
		if !unicode.IsLetter(r) || unicode.Is(unicode.Hangul, r) || r == 0xff9e || r == 0xff9f {
			continue
		}
		want := 1
		switch width.LookupRune(r).Kind() {
		case width.EastAsianWide, width.EastAsianFullwidth:
			want = 2
		}
		if got := columns(string(r)); got != want {
			t.Errorf("%U %c takes %d columns, want %d", r, r, got, want)
		}
		checked++
	}
	if checked < 50_000 {
		t.Errorf("only %d letters were compared", checked)
	}
}

func TestLinesAreReadWhole(t *testing.T) {
	long := strings.Repeat("x", longest)
	in := bufio.NewReader(strings.NewReader("one\r\n\n" + long + "yyy\n" + "br\xffoken\nlast"))
	want := []line{{text: "one"}, {text: ""}, {text: long, long: true}, {text: "broken"}, {text: "last", err: io.EOF}, {err: io.EOF}}
	for i, w := range want {
		got := next(in)
		if got.text != w.text || got.long != w.long || !errors.Is(got.err, w.err) {
			t.Errorf("line %d: got %.20q (%d bytes, %v, %v), want %.20q", i, got.text, len(got.text), got.long, got.err, w.text)
		}
	}
}
