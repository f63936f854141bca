package safety

import (
	"bytes"
	"fmt"
	"hash/fnv"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"turnstone/locales"
	"turnstone/tests/corpus"
)

// Source: package hash/fnv of the standard library, and the last mix of the
// 32-bit finaliser of MurmurHash3 without its third step, from memory.
func TestHashIsFNV1a(t *testing.T) {
	for _, piece := range []string{"", "_", "_cold toes_", "ñandú"} {
		h := fnv.New32a()
		h.Write([]byte(piece))
		want := h.Sum32()
		want ^= want >> 16
		want *= 0x85ebca6b
		want ^= want >> 13
		if got := mix(fnv1a(rowSeed, []byte(piece))); got != want {
			t.Errorf("%q: got %08x, want %08x", piece, got, want)
		}
	}
}

// Worked by hand: two words make two rows of one and one of two; "_abq_" has
// three parts of three bytes and two of four, "_zc_" two of three and one of four. None of
// the words stands for a concept, so there are no ideas, and no links.
func TestPieces(t *testing.T) {
	p := screen().PiecesOf("Ábq, zc!", "en")
	if len(p.Rows) != 3 || len(p.Parts) != 8 || len(p.Ideas) != 0 || len(p.Links) != 0 {
		t.Errorf("%d rows, %d parts, %d ideas and %d links, want 3, 8, 0 and 0", len(p.Rows), len(p.Parts), len(p.Ideas), len(p.Links))
	}
	for i, row := range []string{"_abq_", "_abq_zc_", "_zc_"} {
		if p.Rows[i] != mix(fnv1a(rowSeed, []byte(row))) {
			t.Errorf("row %d is not %q", i, row)
		}
	}
}

// What stands for the same in two languages is the same idea, so that messages
// in one teach the other; a word has at most its narrowest three.
func TestIdeasAreOfNoLanguage(t *testing.T) {
	en, es := screen().PiecesOf("chest", "en"), screen().PiecesOf("pecho", "es")
	if !slices.ContainsFunc(en.Ideas, func(h uint32) bool { return slices.Contains(es.Ideas, h) }) {
		t.Errorf("%x and %x have no idea in common", en.Ideas, es.Ideas)
	}
	if len(en.Ideas) == 0 || len(en.Ideas) > narrowest {
		t.Errorf("%d ideas of one word", len(en.Ideas))
	}
	if p := screen().PiecesOf("chest pain", "en"); len(p.Links) == 0 || len(p.Links) > narrowest*narrowest {
		t.Errorf("%d links between two words", len(p.Links))
	}
}

// What the rules make of a message is a piece of its own.
func TestVerdictOfTheRulesIsAPiece(t *testing.T) {
	seen := map[string]string{}
	for _, text := range []string{"we walked by the bay", "my toes are blue", "i cannot take a step on it", "my toes are not blue"} {
		key := fmt.Sprint(screen().PiecesOf(text, "en").Rules)
		if other, same := seen[key]; same || key == "[]" {
			t.Errorf("%q has the verdict %s, as %q has", text, key, other)
		}
		seen[key] = text
	}
}

// TestHAZ02_LearnedFromTheseMessages: the weights are of the messages as they
// are now, not as they once were.
func TestHAZ02_LearnedFromTheseMessages(t *testing.T) {
	lines, err := corpus.Learning()
	if err != nil {
		t.Fatal(err)
	}
	if got, want := screen().learned.corpus, corpus.Sum(lines); got != want {
		t.Errorf("learned.bin was made from other messages than those in tests/corpus; make it anew with: make learned")
	}
}

// TestHAZ02_LearnedSeesWhatNoRuleHas: what only the learned reader finds is
// found, also in the midst of a long message, and told with its words.
func TestHAZ02_LearnedSeesWhatNoRuleHas(t *testing.T) {
	rules := rulesAlone(t)
	lines, err := corpus.Learning()
	if err != nil {
		t.Fatal(err)
	}
	calm := strings.Repeat("we had a nice walk by the bay and then some coffee with the club. ", 30)
	only, inLong := 0, 0
	for _, l := range lines {
		if l.Expected == "none" || rules.Read(l.Text, l.Locale).Class() > 0 {
			continue
		}
		x := screen().Why(l.Text, l.Locale)
		if x.Finding.Class() == 0 {
			continue
		}
		only++
		if h := x.Hits[len(x.Hits)-1]; h.Rule != learnedFile || len(h.Words) == 0 {
			t.Errorf("%s: %q: the reason is %v", l.ID, l.Text, h)
		}
		if screen().Read(calm+l.Text+". "+calm, l.Locale).Class() > 0 {
			inLong++
		}
	}
	t.Logf("%d danger lines only the learned reader finds, %d of them in 4,000 characters of ordinary talk", only, inLong)
	if only < 40 || 2*inLong < only {
		t.Errorf("%d lines, %d in long messages; want at least 40 and half of them", only, inLong)
	}
}

// TestHAZ02_NoSignOfARuleIsTakenAway: what a rule has seen is raised or asked
// about, never dropped; and who plainly asks for an ambulance is not asked.
func TestHAZ02_NoSignOfARuleIsTakenAway(t *testing.T) {
	rules := rulesAlone(t)
	lines, err := corpus.Learning()
	if err != nil {
		t.Fatal(err)
	}
	calm, asked, danger := 0, 0, 0
	for _, l := range lines {
		was, is := rules.Read(l.Text, l.Locale), screen().Read(l.Text, l.Locale)
		if was.Sign != "" && is.Sign == "" {
			t.Errorf("%s: %q: %v is taken away", l.ID, l.Text, was)
		}
		if !was.Doubtful && neverAsked(was.Sign) && is.Doubtful {
			t.Errorf("%s: %q: %v is asked about", l.ID, l.Text, was)
		}
		switch {
		case was.Class() == 0:
		case l.Expected == "none":
			calm++
			if is.Doubtful {
				asked++
			}
		case is.Doubtful:
			danger++
		}
	}
	t.Logf("of %d calm lines that rules raise, %d are asked about; so are %d that are danger", calm, asked, danger)
	if asked*3 < calm || danger*10 > asked {
		t.Errorf("asked about %d of %d calm lines and %d of danger", asked, calm, danger)
	}
}

// TestHAZ03_LearnedLeavesDenialsAlone: where a rule's words are denied, the
// learned reader must be surer.
func TestHAZ03_LearnedLeavesDenialsAlone(t *testing.T) {
	for _, text := range []string{"I don't want to die", "without pus in the wound", "no me quiero morir", "no necesito una ambulancia"} {
		if x := screen().Why(text, "en"); x.Finding.Sign != "" {
			t.Errorf("%q: %v", text, x)
		}
	}
}

func TestWeightsAreCheckedWhole(t *testing.T) {
	good, err := fs.ReadFile(locales.Files, learnedFile)
	if err != nil {
		t.Fatal(err)
	}
	change := func(old, new string) []byte { return bytes.Replace(good, []byte(old), []byte(new), 1) }
	cut := good[:len(good)-1]
	for name, c := range map[string]struct {
		data []byte
		want string
	}{
		"empty":           {nil, "no head"},
		"other version":   {change(`"version":2`, `"version":7`), "version 7"},
		"cut short":       {cut, "no table"},
		"one byte more":   {append(bytes.Clone(good), 0), "not what that line says"},
		"a changed row":   {append(bytes.Clone(cut), good[len(good)-1]+1), "not what that line says"},
		"unknown sign":    {change(`"chest_pain"`, `"chest_pains"`), "columns"},
		"too many rows":   {change(`"bits":19`, `"bits":25`), "25 bits"},
		"a base too many": {change(`"base":[`, `"base":[0,`), "base weights"},
	} {
		files := fstest.MapFS{}
		copyRules(t, files)
		files[learnedFile] = &fstest.MapFile{Data: c.data}
		_, err := LoadScreen(files)
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "make learned") {
			t.Errorf("%s: got %v, want %q and what to do", name, err, c.want)
		}
	}
}

func rulesAlone(t *testing.T) *Screen {
	t.Helper()
	files := fstest.MapFS{}
	copyRules(t, files)
	s, err := LoadScreen(files)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// copyRules copies the danger files of every language.
func copyRules(t *testing.T, files fstest.MapFS) {
	t.Helper()
	names, err := fs.Glob(locales.Files, "*/danger*.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		data, err := fs.ReadFile(locales.Files, name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = &fstest.MapFile{Data: data}
	}
}

// TestHAZ03_ABareNumberIsNoDanger: an age or a score typed to a
// question raises nothing.
func TestHAZ03_ABareNumberIsNoDanger(t *testing.T) {
	for n := range 101 {
		for _, locale := range corpus.Locales {
			if f := screen().Read(strconv.Itoa(n), locale); f.Sign != "" {
				t.Errorf("%d (%s): %v", n, locale, f)
			}
		}
	}
}
