package seal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// What was sealed opens with its key, for its place, as it was, and in no
// other way.
func TestSealAndOpen(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		plain := []byte(strings.Repeat(rapid.String().Draw(r, "plain"), rapid.IntRange(1, 50).Draw(r, "times")))
		k, id := NewKey(), KeyID{1, 2, 3}
		sealed := Seal(k, id, "here", plain)
		if got, ok := Of(sealed); !ok || got != id {
			r.Errorf("sealed with %v, %v", got, ok)
		}
		if back, err := Open(k, "here", sealed); err != nil || !bytes.Equal(back, plain) {
			r.Errorf("got %q, want %q (%v)", back, plain, err)
		}
		if len(sealed) > len(plain)+Overhead {
			r.Errorf("%d bytes became %d", len(plain), len(sealed))
		}
		_, elsewhere := Open(k, "there", sealed)
		_, another := Open(NewKey(), "here", sealed)
		at := rapid.IntRange(1+idSize, len(sealed)-1).Draw(r, "at")
		sealed[at] ^= 1
		_, changed := Open(k, "here", sealed)
		for _, err := range []error{elsewhere, another, changed} {
			if !errors.Is(err, ErrOpen) {
				r.Errorf("it was opened, or not refused as such: %v", err)
			}
		}
	})
}

// A key file comes back as it was; what is wrong with one is named by its
// line, without a word of what stands there.
func TestKeyFile(t *testing.T) {
	m := NewMasters()
	if err := m.Rotate(); err != nil {
		t.Fatal(err)
	}
	back, err := ParseMasters(m.Text())
	if err != nil || !bytes.Equal(back.Text(), m.Text()) || back.Newest() != 2 {
		t.Errorf("newest %d, %v", back.Newest(), err)
	}
	if back.Name("discord", "1") != m.Name("discord", "1") || m.Name("a", "bc") == m.Name("ab", "c") || NewMasters().Name("a", "b") == m.Name("a", "b") {
		t.Error("pseudonyms do not hang on the secret and the whole account")
	}
	for text, want := range map[string]string{
		"":                              `no line "master"`,
		"names x\nmaster 1 y\n":         "line 1: the key is cut",
		"master 0 AAAA\n":               "line 1: the number",
		"sekret-word\n":                 "line 1 is none",
		string(m.Text()) + "master 2 A": "two master keys 2",
	} {
		_, err := ParseMasters([]byte(text))
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "sekret") {
			t.Errorf("%.20q: %v, want %q", text, err, want)
		}
	}
}

// A key prints as nothing, alone or inside something, whatever the verb.
func TestHAZ26_AKeyPrintsAsNothing(t *testing.T) {
	k := NewKey()
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%x", "%q"} {
		for _, got := range []string{fmt.Sprintf(verb, k), fmt.Sprintf(verb, &k), fmt.Sprintf(verb, struct{ K Key }{k})} {
			if strings.Contains(got, hex.EncodeToString(k.secret[:4])) || strings.Contains(got, fmt.Sprint(k.secret[0], " ", k.secret[1])) {
				t.Errorf("%s shows the key: %s", verb, got)
			}
		}
	}
}

// The dictionary packs what is stored already: it never changes.
func TestTheDictionaryIsTheSame(t *testing.T) {
	const sum = "553c65ac10236b36c067f971a2578f23322901704ab30f66b026ec252318acdb"
	if got := fmt.Sprintf("%x", sha256.Sum256(dict)); got != sum {
		t.Errorf("dict1.txt has the sum %s, not %s: put it back and add a second one", got, sum)
	}
}
