package safety

import (
	"bytes"
	"hash/fnv"
	"io/fs"
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

// Worked by hand: two words make two rows of one and one of two; "_ab_" has
// two parts of three bytes and one of four, "_c_" one of three.
func TestPieces(t *testing.T) {
	p := PiecesOf("Áb, c!")
	if len(p.Rows) != 3 || len(p.Parts) != 4 {
		t.Errorf("%d rows and %d parts, want 3 and 4", len(p.Rows), len(p.Parts))
	}
	for i, row := range []string{"_ab_", "_ab_c_", "_c_"} {
		if p.Rows[i] != mix(fnv1a(rowSeed, []byte(row))) {
			t.Errorf("row %d is not %q", i, row)
		}
	}
}

// TestHAZ02_LearnedFromTheseMessages: the weights are of the messages as they
// are now, not as they once were.
func TestHAZ02_LearnedFromTheseMessages(t *testing.T) {
	lines, err := corpus.Tuning()
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
	lines, err := corpus.Tuning()
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
		"other version":   {change(`"version":1`, `"version":7`), "version 7"},
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
