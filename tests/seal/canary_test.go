package seal

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	seals "turnstone/seal"
	"turnstone/store"
	"turnstone/tests/house"
	"turnstone/tests/talk"
)

// What somebody typed, who they are, and what staff wrote about them, each a
// word that is found nowhere else; and the names of what was asked.
var canaries = []string{"zanzibar-account", "qwyzpain", "912345678", "Quillfeather", "vexillology", "foot_numb", "ask_staff", "pain_out_of_control"}

// TestHAZ26_CanariesAreFoundNowhere holds a conversation with the built
// program in which every name, answer and ID is a word of its own, lets staff
// write, and ends the program with a full crash report. Then it looks for the
// words in every file that the program has left, and in what it said to the
// operator, and for a value in the store that is not sealed.
func TestHAZ26_CanariesAreFoundNowhere(t *testing.T) {
	set := talk.Home()
	set.Data, set.Person = talk.Folder(t), "zanzibar-account"
	s := talk.Start(t, set)
	s.Choose("none")
	s.Say("my qwyzpain foot, i can't feel my toes")
	id := s.Escalation("disposition").ID
	s.Staff("take", id, "Quillfeather")
	s.Staff("call_back", id, "Quillfeather")
	s.Say("912345678")
	s.Staff("close", id, "Quillfeather", "outcome", "spoken_to", "note", "vexillology")
	crash := s.Crash()
	if !strings.Contains(crash, "goroutine") {
		t.Fatalf("the program left no crash report:\n%s", crash)
	}
	for _, word := range canaries {
		if strings.Contains(crash, word) {
			t.Errorf("%q is in what the program said to the operator", word)
		}
		for _, where := range found(t, filepath.Dir(set.Data), word) {
			t.Errorf("%q is readable in %s", word, where)
		}
	}
	f := house.OpenFolder(t, set.Data, nil, time.Now)
	n := allSealed(t, f)
	if n < 5 {
		t.Errorf("only %d values are in the store", n)
	}
	allThere(t, f)
}

// allThere fails unless the words can be read with the key: a search that
// could not find them would prove nothing.
func allThere(t *testing.T, f *house.Folder) {
	t.Helper()
	var all bytes.Buffer
	for person, err := range f.People(t.Context()) {
		if err != nil {
			t.Fatal(err)
		}
		r, err := f.Load(t.Context(), person)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(r.Bytes)
	}
	for _, word := range []string{"zanzibar-account", "912345678", "Quillfeather", "vexillology", "foot_numb"} {
		if !bytes.Contains(all.Bytes(), []byte(word)) {
			t.Errorf("%q is not in the record at all", word)
		}
	}
}

// allSealed looks at every value of the store as it lies on the disk.
func allSealed(t *testing.T, f *house.Folder) (n int) {
	t.Helper()
	look := func(what string, stored []byte) {
		n++
		if _, ok := seals.Of(stored); !ok {
			t.Errorf("the %s is not sealed: %.60q", what, stored)
		}
	}
	for person, err := range f.Bolt.People(t.Context()) {
		if err != nil {
			t.Fatal(err)
		}
		r, err1 := f.Bolt.Load(t.Context(), person)
		lines, err2 := f.Bolt.Log(t.Context(), person)
		kept, err3 := f.Bolt.Kept(t.Context(), person)
		if err := errors.Join(err1, err2, err3); err != nil {
			t.Fatal(err)
		}
		look("record", r.Bytes)
		for _, l := range lines {
			look("log line", l)
		}
		for _, k := range kept {
			look("kept episode", k.Bytes)
		}
	}
	named, err := f.Bolt.List(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range named {
		if !strings.HasPrefix(v.Key, "seal/") {
			look("named value "+v.Key, v.Bytes)
		}
	}
	return n
}

// found are the files under dir that hold word.
func found(t *testing.T, dir, word string) (where []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		if bytes.Contains(data, []byte(word)) {
			where = append(where, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return where
}

// The same talk in a store without a seal is found by the same search.
func TestTheSearchFindsWhatIsNotSealed(t *testing.T) {
	dir := t.TempDir()
	s := openBolt(t, dir)
	w := store.Write{Person: "p", Next: store.Etag{}.Next([8]byte{1}), Bytes: []byte("qwyzpain"), Now: time.Now()}
	if err := s.Commit(t.Context(), w); err != nil {
		t.Fatal(err)
	}
	if len(found(t, dir, "qwyzpain")) != 1 {
		t.Error("a record in plain is not found")
	}
}

// A master key that others can read is refused, with what to do, and so is a
// sealed store whose key file is not there. Nothing is made in its place.
func TestHAZ33_AStartWithoutItsKeyRefuses(t *testing.T) {
	set := talk.Home()
	set.Data = talk.Folder(t)
	talk.Start(t, set).End()
	key := set.Data + ".key"
	info, err := os.Stat(key)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("the key file: %v, %v", info.Mode(), err)
	}
	if err := os.Chmod(key, 0o640); err != nil {
		t.Fatal(err)
	}
	if text := refusal(t, "talk", "--json", "--data", set.Data); !strings.Contains(text, "chmod 600") {
		t.Errorf("a key that others can read: %s", text)
	}
	if err := os.Rename(key, key+".away"); err != nil {
		t.Fatal(err)
	}
	if text := refusal(t, "talk", "--json", "--data", set.Data); !strings.Contains(text, "put your copy of the file there") {
		t.Errorf("no key: %s", text)
	}
	if _, err := os.Stat(key); err == nil {
		t.Error("a new key was made, which opens nothing")
	}
}

// refusal runs the program, which must refuse, and returns what it says.
func refusal(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command(talk.Bot, args...).CombinedOutput()
	if err == nil {
		t.Errorf("bot %s did not refuse:\n%s", strings.Join(args, " "), out)
	}
	return string(out)
}

// bot runs a subcommand and returns what it wrote.
func bot(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command(talk.Bot, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("bot %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}
