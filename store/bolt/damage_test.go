package bolt

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"turnstone/store"
)

// Any byte of the file may be wrong. What is answered then may be the truth, or
// that the file is damaged; never something else, and never the end of the process.
func TestADamagedByteIsNeverTakenForAnAnswer(t *testing.T) {
	dir := t.TempDir()
	s := openWith(t, dir, nil)
	const people = 60
	record := func(i int) string { return strings.Repeat(fmt.Sprint("record of ", i, ", "), 20) }
	for i := range people {
		mustCommit(t, s, fmt.Sprint("person-", i), record(i), func(w *store.Write) {
			w.Log = [][]byte{[]byte(record(i))}
			w.Due[store.Urgent] = time.Unix(int64(i), 0)
		})
	}
	var used int64
	if err := s.db.View(func(tx *bbolt.Tx) error { used = tx.Size(); return nil }); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	good, err := os.ReadFile(filepath.Join(dir, dataFile))
	if err != nil {
		t.Fatal(err)
	}
	good = good[:used]
	told := map[string]int{}
	for at := 0; at < len(good); at += 151 { // a prime, so that every field of a page is met
		told[oneDamage(t, good, at, people, record)]++
	}
	t.Logf("%d bytes damaged one by one: %v", len(good)/151+1, told)
	if told["damaged"] == 0 || told["unharmed"] == 0 {
		t.Errorf("the damages met only %v", told)
	}
}

func oneDamage(t *testing.T, good []byte, at, people int, record func(int) string) string {
	t.Helper()
	dir := t.TempDir()
	bad := bytes.Clone(good)
	bad[at] ^= 0x41
	if err := os.WriteFile(filepath.Join(dir, dataFile), bad, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Open(dir, Options{Ballast: -1})
	if err != nil {
		if !errors.Is(err, store.ErrDamaged) && !errors.Is(err, store.ErrNewer) {
			t.Fatalf("byte %d: refused with %v", at, err)
		}
		return "refused"
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Errorf("byte %d: close: %v", at, err)
		}
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	}()
	told := "unharmed"
	for i := range people {
		person := fmt.Sprint("person-", i)
		r, err := s.Load(background, person)
		lines, lerr := s.Log(background, person)
		switch err := errors.Join(err, lerr); {
		case errors.Is(err, store.ErrDamaged):
			told = "damaged"
		case err != nil:
			t.Fatalf("byte %d: %v", at, err)
		case string(r.Bytes) == record(i) && len(lines) == 1 && string(lines[0]) == record(i):
		case r.Etag == (store.Etag{}) || len(lines) == 0:
			// A damaged key: the person, or the line, is not found any more.
			told = "not found"
		default:
			t.Fatalf("byte %d: %s: got version %d, %.40q and %d lines", at, person, r.Etag.Version(), r.Bytes, len(lines))
		}
	}
	if _, err := s.Claim(background, time.Unix(1000, 0), store.Urgent, people, time.Minute); err != nil && !errors.Is(err, store.ErrDamaged) {
		t.Fatalf("byte %d: claim: %v", at, err)
	}
	if _, err := s.commit("new", "record", nil); err != nil && !errors.Is(err, store.ErrDamaged) && !errors.Is(err, store.ErrDown) {
		t.Fatalf("byte %d: commit: %v", at, err)
	}
	return told
}

func TestADamagedRootPageIsSaid(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, dataFile)
	closeStore(t, openWith(t, dir, nil))
	for page, want := range map[int64]bool{-1: false, 0: true, 1: true} {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		bad := t.TempDir()
		if page >= 0 {
			data[page*int64(os.Getpagesize())+40] ^= 1
		}
		if err := os.WriteFile(filepath.Join(bad, dataFile), data, 0o600); err != nil {
			t.Fatal(err)
		}
		var log bytes.Buffer
		s, err := Open(bad, Options{Ballast: -1, Log: slog.New(slog.NewTextHandler(&log, nil))})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		if got := strings.Contains(log.String(), "the last commit may be missing"); got != want {
			t.Errorf("page %d damaged: said so: %v, want %v; %s", page, got, want, log.String())
		}
	}
}

func TestADamagedRecordIsToldAndLeavesTheOthersAlone(t *testing.T) {
	dir := t.TempDir()
	s := openWith(t, dir, nil)
	mustCommit(t, s, "p", "the record of p", nil)
	mustCommit(t, s, "q", "the record of q", nil)
	closeStore(t, s)
	path := filepath.Join(dir, dataFile)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, bytes.ReplaceAll(data, []byte("the record of p"), []byte("the record of x")), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err = Open(dir, Options{Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Load(background, "p"); !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), `p"`) {
		t.Errorf("load: got %v, want ErrDamaged with the key", err)
	}
	w := store.Write{Person: "p", Next: store.Etag{}.Next(nonce()), Bytes: []byte("new"), Now: time.Now()}
	if err := s.Commit(background, w); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("commit: got %v, want ErrDamaged", err)
	}
	mustCommit(t, s, "q", "still fine", nil)
	wantRecord(t, s, "q", "still fine")
	if err := s.Check(background); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("check: got %v, want ErrDamaged", err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func TestCheckFindsAnIndexThatDoesNotMatch(t *testing.T) {
	until := time.Now().Add(time.Hour)
	for want, spoil := range map[string]func(t *tables) error{
		"has no entry there":          func(t *tables) error { return t.due[store.Urgent].Delete(dueKey(5000, "p")) },
		"entries of the routine lane": func(t *tables) error { return t.due[store.Routine].Put(dueKey(7, "q"), nil) },
		"has no expiry entry":         func(t *tables) error { return t.expiry.Delete(expiryKey(moment(until), namedKind, []byte("k"))) },
		"expiry entries where":        func(t *tables) error { return t.expiry.Put(expiryKey(7, keptKind, []byte("x")), nil) },
		"belongs to no version":       func(t *tables) error { k := logKey("p", 9, 0); return t.people.Put(k, seal(k)) },
		"does not match its checksum": func(t *tables) error { return t.named.Put([]byte("k2"), []byte("no checksum at all")) },
		"where the records ask for 2": func(t *tables) error { return t.drop(keptKind, []byte("nothing")) },
		"is of no known kind":         func(t *tables) error { k := ownKind("p", 'x'); return t.people.Put(k, seal(k)) },
		"belongs to nobody":           func(t *tables) error { k := logKey("q", 1, 0); return t.people.Put(k, seal(k)) },
		"belongs to no person":        func(t *tables) error { return t.people.Put([]byte("\xf0short"), nil) },
	} {
		s := openWith(t, t.TempDir(), nil)
		mustCommit(t, s, "p", "r", func(w *store.Write) {
			w.Due[store.Urgent], w.Log = time.Unix(5, 0), [][]byte{[]byte("l")}
			w.Named = []store.NamedWrite{{Key: "k", Bytes: []byte("v"), Expires: until}}
			w.Keep = []store.Kept{{ID: "e", Until: until}}
		})
		if err := s.Check(background); err != nil {
			t.Fatalf("a good store: %v", err)
		}
		if err := s.db.Update(func(tx *bbolt.Tx) error { return spoil(openTables(tx)) }); err != nil {
			t.Fatal(err)
		}
		err := s.Check(background)
		if want == "where the records ask for 2" { // dropping what is not there harms nothing
			if err != nil {
				t.Errorf("got %v, want nil", err)
			}
		} else if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestAnExpiryEntryLeftByADamagedValueHarmsNobody(t *testing.T) {
	clock := newFakeClock()
	s := openWith(t, t.TempDir(), clock)
	soon, later := clock.Now().Add(time.Minute), clock.Now().Add(time.Hour)
	if err := s.Put(background, "k", []byte("old"), 0, soon); err != nil {
		t.Fatal(err)
	}
	err := s.db.Update(func(tx *bbolt.Tx) error { return tx.Bucket(namedBucket).Put([]byte("k"), []byte("damaged")) })
	if err != nil {
		t.Fatal(err)
	}
	if _, _, _, err := s.Get(background, "k"); !errors.Is(err, store.ErrDamaged) {
		t.Fatalf("got %v, want ErrDamaged", err)
	}
	if err := s.Put(background, "k", []byte("new"), store.AnyEtag, later); err != nil {
		t.Fatal(err)
	}
	if n, err := s.Retire(background, soon); n != 0 || err != nil {
		t.Fatalf("retired %d, %v", n, err)
	}
	if value, _, ok, err := s.Get(background, "k"); string(value) != "new" || !ok || err != nil {
		t.Fatalf("got %q, %v, %v", value, ok, err)
	}
}
