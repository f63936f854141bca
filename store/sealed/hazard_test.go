package sealed

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/seal"
	"turnstone/store"
	"turnstone/store/keyfile"
)

// A record, log line, kept episode or card that is moved to another person's
// place does not open there, nor does one of which a bit was changed.
func TestHAZ20_MovedRecordFailsToOpen(t *testing.T) {
	s := newPlace(t).open(t)
	put(t, s, "anna", "the record of anna", nil)
	put(t, s, "berta", "the record of berta", nil)
	from, err := s.Inner.Load(background, "anna")
	if err != nil {
		t.Fatal(err)
	}
	to, err := s.Inner.Load(background, "berta")
	if err != nil {
		t.Fatal(err)
	}
	flipped := append([]byte(nil), to.Bytes...)
	flipped[len(flipped)-1] ^= 1
	for name, stored := range map[string][]byte{"another's": from.Bytes, "a flipped bit": flipped} {
		to, err = s.Inner.Load(background, "berta")
		if err != nil {
			t.Fatal(err)
		}
		w := store.Write{Person: "berta", Read: to.Etag, Next: to.Etag.Next([8]byte{7}), Bytes: stored, Now: time.Unix(1e9, 0)}
		if err := s.Inner.Commit(background, w); err != nil {
			t.Fatal(err)
		}
		if got, err := s.Load(background, "berta"); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s record was opened as %q (%v)", name, got.Bytes, err)
		}
	}
}

// Who was erased can be read in no older copy of the data, whoever has the
// master key, as long as the keys are not older too.
func TestHAZ26_ErasedCannotBeReadInAnyOlderCopy(t *testing.T) {
	p := newPlace(t)
	s := p.open(t)
	put(t, s, "anna", "the words of anna", func(w *store.Write) { w.Log = [][]byte{[]byte("a line of anna")} })
	put(t, s, "berta", "the words of berta", nil)
	card, err := record.Card{Person: "anna", Escalation: care.Escalation{ID: "x", What: "human"}}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Put(background, record.CardKey("x"), card, 0, time.Time{}); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	older, err := os.ReadFile(filepath.Join(p.dir, "bot.db"))
	if err != nil {
		t.Fatal(err)
	}
	s = p.open(t)
	erase(t, s, "anna")
	closeStore(t, s)
	if err := os.WriteFile(filepath.Join(p.dir, "bot.db"), older, 0o600); err != nil {
		t.Fatal(err)
	}
	s = p.open(t)
	if got, err := s.Load(background, "anna"); err != nil || got.Bytes != nil {
		t.Errorf("anna is back: %q, %v", got.Bytes, err)
	}
	if cards, err := s.List(background, record.CardPrefix); err != nil || len(cards) != 0 {
		t.Errorf("%d cards of anna are back (%v)", len(cards), err)
	}
	if got, err := s.Load(background, "berta"); err != nil || string(got.Bytes) != "the words of berta" {
		t.Errorf("berta: %q, %v", got.Bytes, err)
	}
}

// Somebody may put back a whole older copy of the folder by hand, keys and
// all: the erasure list lies outside of it, and the store does not answer
// before it is done.
func TestHAZ26_TheErasureListOutlivesEveryCopy(t *testing.T) {
	p := newPlace(t)
	s := p.open(t)
	put(t, s, "anna", "the words of anna", nil)
	put(t, s, "berta", "the words of berta", nil)
	closeStore(t, s)
	older := map[string][]byte{}
	for _, name := range []string{"bot.db", keyfile.FileName} {
		data, err := os.ReadFile(filepath.Join(p.dir, name))
		if err != nil {
			t.Fatal(err)
		}
		older[name] = data
	}
	s = p.open(t)
	erase(t, s, "anna")
	put(t, s, "anna", "anna came back", nil)
	closeStore(t, s)
	for name, data := range older {
		if err := os.WriteFile(filepath.Join(p.dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s = p.open(t)
	if got, err := s.Load(background, "anna"); err != nil || got.Bytes != nil {
		t.Errorf("anna is back: %q, %v", got.Bytes, err)
	}
	if got, err := s.Load(background, "berta"); err != nil || string(got.Bytes) != "the words of berta" {
		t.Errorf("berta: %q, %v", got.Bytes, err)
	}
}

// failing keys and list stand for a crash or a full disk in the middle of an erasure.
type failing struct {
	Keys
	List
	drop, add bool
}

func (f *failing) Drop(ctx context.Context, id seal.KeyID) error {
	if f.drop {
		return io.ErrUnexpectedEOF
	}
	return f.Keys.Drop(ctx, id)
}

func (f *failing) Add(ctx context.Context, entry string, at time.Time) error {
	if f.add {
		return io.ErrUnexpectedEOF
	}
	return f.List.Add(ctx, entry, at)
}

// An erasure that was cut short is finished: nobody can read the person from
// the commit on, and the next look drops the key.
func TestHAZ26_AnErasureIsFinishedAfterACrash(t *testing.T) {
	for _, f := range []*failing{{drop: true}, {add: true}} {
		s := newPlace(t).open(t)
		f.Keys, f.List = s.keys, s.list
		s.keys, s.list, s.log = f, f, slog.New(slog.DiscardHandler)
		put(t, s, "anna", "the words of anna", nil)
		sealedAs, err := s.Inner.Load(background, "anna")
		if err != nil {
			t.Fatal(err)
		}
		id, _ := seal.Of(sealedAs.Bytes)
		erase(t, s, "anna")
		if got, err := s.Load(background, "anna"); err != nil || got.Bytes != nil {
			t.Errorf("right after: %q, %v", got.Bytes, err)
		}
		if err := s.Settle(background, time.Now()); err == nil {
			t.Error("a settling that failed says nothing")
		}
		f.drop, f.add = false, false
		if err := s.Settle(background, time.Now()); err != nil {
			t.Fatal(err)
		}
		if _, err := s.keys.Key(background, id); !errors.Is(err, seal.ErrDropped) {
			t.Errorf("the key is still there: %v", err)
		}
		if all := s.list.All(); len(all) != 1 || !strings.Contains(all[0], id.String()) {
			t.Errorf("the erasure list has %v", all)
		}
		if marks, err := s.Inner.List(background, ownPrefix+"erased"); err != nil || len(marks) != 0 {
			t.Errorf("%d marks are left (%v)", len(marks), err)
		}
	}
}

// What was stored before there was sealing is read as it is, and is sealed
// when it is written next.
func TestAnOlderStoreIsReadAndThenSealed(t *testing.T) {
	p := newPlace(t)
	s := p.open(t)
	w := store.Write{Person: "old", Next: store.Etag{}.Next([8]byte{1}), Bytes: []byte("\x00{\"address\":\"plainly\"}"), Now: time.Unix(1e9, 0), Log: [][]byte{[]byte("{}")}}
	if err := s.Inner.Commit(background, w); err != nil {
		t.Fatal(err)
	}
	got, err := s.Load(background, "old")
	if err != nil || string(got.Bytes) != string(w.Bytes) {
		t.Fatalf("got %q, %v", got.Bytes, err)
	}
	put(t, s, "old", "anew", func(w *store.Write) { w.Log = [][]byte{[]byte("second")} })
	stored, err := s.Inner.Load(background, "old")
	if _, ok := seal.Of(stored.Bytes); err != nil || !ok {
		t.Errorf("it was written unsealed: %q, %v", stored.Bytes, err)
	}
	lines, err := s.Log(background, "old")
	if err != nil || len(lines) != 2 || string(lines[0]) != "{}" || string(lines[1]) != "second" {
		t.Errorf("log %q, %v", lines, err)
	}
}

// Another master key opens nothing, and says so before anything is changed; a
// new one of the same file wraps while the older one still opens.
func TestMasterKeys(t *testing.T) {
	p := newPlace(t)
	s := p.open(t)
	put(t, s, "anna", "the words of anna", nil)
	closeStore(t, s)
	right := p.masters
	keys, err := keyfile.Open(p.dir, seal.NewMasters())
	if err != nil {
		t.Fatal(err)
	}
	s2 := p.open(t)
	id := s2.house
	closeStore(t, s2)
	if _, err := keys.Key(background, id); !errors.Is(err, seal.ErrOpen) {
		t.Errorf("another master: %v", err)
	}
	if err := keys.Close(); err != nil {
		t.Fatal(err)
	}
	if err := right.Rotate(); err != nil {
		t.Fatal(err)
	}
	s = p.open(t)
	put(t, s, "berta", "the words of berta", nil)
	n, err := s.keys.(*keyfile.File).Rewrap(background)
	if err != nil || n != 3 { // the house, anna, berta
		t.Fatalf("wrapped %d anew, %v", n, err)
	}
	closeStore(t, s)
	again, err := seal.ParseMasters(right.Text())
	if err != nil {
		t.Fatal(err)
	}
	p.masters = again
	s = p.open(t)
	for _, person := range []string{"anna", "berta"} {
		if got, err := s.Load(background, person); err != nil || string(got.Bytes) != "the words of "+person {
			t.Errorf("%s: %q, %v", person, got.Bytes, err)
		}
	}
}

// Nothing that is handed in is found in any file of the folder or beside it,
// and everything in the inner store is sealed.
func TestHAZ26_NothingInsideIsReadable(t *testing.T) {
	p := newPlace(t)
	s := p.open(t)
	put(t, s, "anna", "canary-record", func(w *store.Write) {
		w.Log = [][]byte{[]byte("canary-log")}
		w.Keep = []store.Kept{{ID: "e", Until: time.Unix(4e9, 0), Bytes: []byte("canary-kept")}}
		w.Named = []store.NamedWrite{{Key: "some/name", Bytes: []byte("canary-named")}}
	})
	if err := s.Put(background, "other/name", []byte("canary-put"), 0, time.Time{}); err != nil {
		t.Fatal(err)
	}
	for _, word := range []string{"canary", "kept-episode"} {
		if holds(t, filepath.Dir(p.dir), word) {
			t.Errorf("%q is readable", word)
		}
	}
	if !holds(t, filepath.Dir(p.dir), "some/name") {
		t.Error("the search finds nothing at all")
	}
}
