package sign

import (
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/locales"
)

var someDay = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

// outside asks sha256sum (GNU coreutils) for the hash of a text.
func outside(t *testing.T, text string) string {
	t.Helper()
	cmd := exec.Command("sha256sum")
	cmd.Stdin = strings.NewReader(text)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("sha256sum: %v; install it: apt-get install coreutils", err)
	}
	hash, _, _ := strings.Cut(string(out), " ")
	return hash
}

// The hashes are those that another program finds.
func TestHashesCanBeCheckedFromOutside(t *testing.T) {
	c := Content{Pieces: map[string]string{"b.yaml": Piece([]byte("two\n")), "a.yaml": Piece([]byte("one\n"))}}
	if got, want := c.Pieces["a.yaml"], outside(t, "one\n")[:16]; got != want {
		t.Errorf("a piece has the hash %s, sha256sum begins with %s", got, want)
	}
	list := outside(t, "one\n")[:16] + "  a.yaml\n" + outside(t, "two\n")[:16] + "  b.yaml\n"
	if got, want := c.Hash(), outside(t, list); got != want {
		t.Errorf("the pieces have the hash %s, sha256sum finds %s", got, want)
	}
}

func register(t *testing.T) *Register {
	t.Helper()
	r, err := Read(filepath.Join(t.TempDir(), "signed.toml"))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// again reads the file as the next start does.
func again(t *testing.T, r *Register) *Register {
	t.Helper()
	r, err := Read(r.Path)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// What is changed is unsigned again, by its name; what is put back is signed.
func TestHAZ15_AChangeUnsigns(t *testing.T) {
	r := register(t)
	c := Content{Part: Protocol, Needed: true, Pieces: map[string]string{"ankle-1.yaml": "1111111111111111", "ankle-2.yaml": "2222222222222222"}}
	if s := r.Standing(c); s.By != nil || !strings.Contains(s.String(), "protocol: nobody has signed it") || !strings.Contains(s.String(), "bot sign --signed "+r.Path+" --part protocol --role") {
		t.Fatalf("before anybody signed: %s", s)
	}
	if err := r.Sign(c, "physiotherapist", "Ana Reis", "", someDay); err != nil {
		t.Fatal(err)
	}
	r = again(t, r)
	if s := r.Standing(c); s.By == nil || s.String() != "protocol: signed by Ana Reis (physiotherapist) on 2026-11-25" {
		t.Fatalf("once it is signed: %s", s)
	}
	next := c
	next.Pieces = map[string]string{"ankle-2.yaml": "3333333333333333", "ankle-3.yaml": "4444444444444444"}
	s := r.Standing(next)
	if s.By != nil || !slices.Equal(s.Changed, []string{"ankle-1.yaml", "ankle-2.yaml", "ankle-3.yaml"}) || !strings.Contains(s.String(), "changed since Ana Reis (physiotherapist) on 2026-11-25 signed it: ankle-1.yaml, ankle-2.yaml, ankle-3.yaml") {
		t.Fatalf("gone, changed and new: %s", s)
	}
	if !Practice(r.Standings([]Content{next})) {
		t.Error("a changed protocol may be used with people")
	}
	if err := r.Sign(next, "physiotherapist", "Rui Sá", "", someDay.AddDate(0, 1, 0)); err != nil {
		t.Fatal(err)
	}
	for name, one := range map[string]Content{"Rui Sá": next, "Ana Reis": c} { // the older program may be put back
		if s := again(t, r).Standing(one); s.By == nil || s.By.Name != name {
			t.Errorf("with both versions signed: %s", s)
		}
	}
}

// A signature needs who and when, and a draft language a second reader.
func TestWhoSignsIsTold(t *testing.T) {
	plain := Content{Part: Pictures, Needed: true, Pieces: map[string]string{"a.svg": "1111111111111111"}}
	draft := Content{Part: Sentences, Language: "es", Draft: true, Pieces: map[string]string{"k": "1111111111111111"}}
	for name, x := range map[string]struct {
		c                Content
		role, by, reader string
		want             string
	}{
		"nobody":                    {plain, "physiotherapist", "", "", "the name is empty"},
		"no role":                   {plain, " ", "Ana Reis", "", "the role is empty"},
		"two lines":                 {plain, "nurse\n[[signature]]", "Ana Reis", "", "more than a line"},
		"a draft nobody read back":  {draft, "nurse", "Ana Reis", "", "--read-by"},
		"read back by who signs it": {draft, "nurse", "Ana Reis", "ana reis ", "somebody else"},
		"a reader of no draft":      {plain, "nurse", "Ana Reis", "Rui Sá", "--read-by goes with"},
	} {
		r := register(t)
		err := r.Sign(x.c, x.role, x.by, x.reader, someDay)
		if err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: got %v, want %q", name, err, x.want)
		}
		if len(again(t, r).Signatures) != 0 {
			t.Errorf("%s: it is signed", name)
		}
	}
	r := register(t)
	if err := r.Sign(draft, "nurse", "Ana Reis", "Rui Sá", someDay); err != nil || again(t, r).Standing(draft).By == nil {
		t.Errorf("a draft that was read back: %v", err)
	}
}

// A file that somebody has changed is refused, with every fault and its line.
func TestAChangedFileIsRefused(t *testing.T) {
	r := register(t)
	c := Content{Part: Pictures, Pieces: map[string]string{"a.svg": "1111111111111111"}}
	if err := r.Sign(c, "nurse", "Ana Reis", "", someDay); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(r.Path)
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct{ old, new, want string }{
		"another piece": {"1111111111111111", "2222222222222222", ":9: the pieces do not make this hash"},
		"another word":  {"role =", "roles =", `:6: nothing reads "signature.roles"`},
		"no role":       {`"nurse"`, `""`, "the role is empty"},
		"another part":  {`"pictures"`, `"everything"`, "is not known"},
		"no day":        {"2026-11-25", "yesterday", "write it as 2026-11-25"},
		"no TOML":       {"[[signature]]", "[[signature", ":5: "},
	} {
		if err := os.WriteFile(r.Path, []byte(strings.ReplaceAll(string(data), x.old, x.new)), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(r.Path); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: got %v, want %q", name, err, x.want)
		}
	}
}

// Each sentence, protocol and picture of this program is in a part, and a
// sentence that changes in the base language is unsigned in the others too.
func TestHAZ16_OnlySignedSentencesAreSpoken(t *testing.T) {
	book, err := locales.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	contents, err := Contents(book)
	if err != nil {
		t.Fatal(err)
	}
	r := register(t)
	for i, c := range contents {
		if c.Language == "es" {
			contents[i].Pieces = maps.Clone(c.Pieces)
			delete(contents[i].Pieces, "card.number")           // signed before this one was there
			contents[i].Pieces["practice"] = "1111111111111111" // signed before this one was changed
			if err := r.Sign(contents[i], "nurse", "Ana Reis", "Rui Sá", someDay); err != nil {
				t.Fatal(err)
			}
			contents[i].Pieces = c.Pieces
		}
	}
	spoken := r.Spoken(contents)
	for _, key := range book.Keys() {
		if want := key != "card.number" && key != "practice"; spoken("es", key) != want || !spoken("en", key) {
			t.Errorf("%s may be said in es: %v, in en: %v; want %v, true", key, spoken("es", key), spoken("en", key), want)
		}
	}
	if none := register(t).Spoken(contents); none("es", "ask.zone") || !none("en", "ask.zone") {
		t.Error("with nothing signed Spanish is said")
	}
	for _, c := range contents {
		if c.Language == "es" && said(book, "es", "en", "ask.zone") == said(book, "en", "en", "ask.zone") {
			t.Error("a sentence of es does not hold that of en")
		}
		for piece := range c.Pieces {
			if text, err := c.Text(piece); err != nil || text == "" {
				t.Errorf("%s %s: %q, %v", c, piece, text, err)
			}
		}
	}
}
