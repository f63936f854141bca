package bolt

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"turnstone/store"
)

func TestASecondProcessIsRefusedWithinTwoSecondsAndToldWhoHoldsTheFolder(t *testing.T) {
	dir := t.TempDir()
	s := openWith(t, dir, nil)

	second, stderr := child(t, "hold", dir)
	begun := time.Now()
	err := second.Run()
	took := time.Since(begun)
	if err == nil {
		t.Fatal("a second process opened the folder")
	}
	if took > 2*time.Second {
		t.Errorf("it was refused after %v", took)
	}
	for _, want := range []string{dir, fmt.Sprintf("process %d", os.Getpid()), "since 20", "stop that process first"} {
		if !strings.Contains(stderr.String(), want) {
			t.Errorf("the second process says %q, without %q", stderr, want)
		}
	}
	mustCommit(t, s, "p", "the first goes on", nil)
	if _, err := Open(dir, Options{Ballast: -1}); !errors.Is(err, store.ErrHeld) {
		t.Errorf("opened twice in one process: got %v, want ErrHeld", err)
	}
}

func TestTheFolderIsFreeAgainAfterAKillWhateverTheNoteSays(t *testing.T) {
	dir := t.TempDir()
	first, stderr := child(t, "hold", dir)
	out, err := first.StdoutPipe()
	in, ierr := first.StdinPipe() // open: it holds until it is killed
	if err := errors.Join(err, ierr, first.Start()); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); line != "held\n" {
		t.Fatalf("the first process said %q, %v, %s", line, err, stderr)
	}
	_, err = Open(dir, Options{Ballast: -1})
	if !errors.Is(err, store.ErrHeld) || !strings.Contains(err.Error(), fmt.Sprintf("process %d,", first.Process.Pid)) {
		t.Fatalf("got %v, want ErrHeld by process %d", err, first.Process.Pid)
	}
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if err := first.Wait(); err == nil {
		t.Fatal("the first process was not killed")
	}
	if err := in.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		t.Fatal(err)
	}
	note, err := os.ReadFile(filepath.Join(dir, lockFile))
	if err != nil || !strings.Contains(string(note), fmt.Sprint(first.Process.Pid)) {
		t.Fatalf("the note of the killed process is %q, %v", note, err)
	}
	s := openWith(t, dir, nil)
	mustCommit(t, s, "p", "record", nil)
}

func TestAProgramThatOpensTheFileItselfIsNamedAsSuch(t *testing.T) {
	dir := t.TempDir()
	closeStore(t, openWith(t, dir, nil))
	other, err := bbolt.Open(filepath.Join(dir, dataFile), 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	_, err = Open(dir, Options{Ballast: -1})
	if !errors.Is(err, store.ErrHeld) || !strings.Contains(err.Error(), "a program other than the bot") || time.Since(begun) > 2*time.Second {
		t.Errorf("got %v after %v", err, time.Since(begun))
	}
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	openWith(t, dir, nil)
}

// spoil makes a good folder, lets change its file and opens it: that must fail
// with want in one sentence, and leave the file as it is.
func spoil(t *testing.T, want error, change func(t *testing.T, path string)) error {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "folder")
	path := filepath.Join(dir, dataFile)
	s := openWith(t, dir, nil)
	for i := range 200 {
		mustCommit(t, s, fmt.Sprint("person-", i), strings.Repeat("record", 100), due(store.Routine, time.Unix(int64(i), 0)))
	}
	closeStore(t, s)
	change(t, path)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s, err = Open(dir, Options{Ballast: -1})
	if err == nil {
		closeStore(t, s)
		t.Fatal("it was opened")
	}
	if !errors.Is(err, want) || !strings.Contains(err.Error(), path) || strings.Contains(err.Error(), "\n") {
		t.Errorf("got %q, want one sentence with %v and %s", err, want, path)
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the file was changed (%v)", err)
	}
	if _, err := Open(dir, Options{Ballast: -1}); !errors.Is(err, want) || errors.Is(err, store.ErrHeld) {
		t.Errorf("the second try got %v, want %v again", err, want)
	}
	return err
}

func TestAFileOfANewerVersionIsRefused(t *testing.T) {
	err := spoil(t, store.ErrNewer, func(t *testing.T, path string) {
		setMeta(t, path, func(tx *bbolt.Tx) error {
			return tx.Bucket(metaBucket).Put(formatKey, number(format+1))
		})
	})
	if !strings.Contains(err.Error(), "format 2 and this program knows format 1") {
		t.Errorf("got %q", err)
	}
}

func TestAFileThatIsNotOursIsRefused(t *testing.T) {
	for name, change := range map[string]func(tx *bbolt.Tx) error{
		"no format number": func(tx *bbolt.Tx) error { return tx.Bucket(metaBucket).Delete(formatKey) },
		"no meta bucket":   func(tx *bbolt.Tx) error { return tx.DeleteBucket(metaBucket) },
		"no named bucket":  func(tx *bbolt.Tx) error { return tx.DeleteBucket(namedBucket) },
	} {
		t.Run(name, func(t *testing.T) {
			_ = spoil(t, store.ErrDamaged, func(t *testing.T, path string) { setMeta(t, path, change) })
		})
	}
}

func setMeta(t *testing.T, path string, change func(tx *bbolt.Tx) error) {
	t.Helper()
	db, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.Update(change), db.Close()); err != nil {
		t.Fatal(err)
	}
}

func TestACutFileIsRefused(t *testing.T) {
	page := int64(os.Getpagesize())
	for _, size := range []int64{0, 1, 100, page - 1, page, page + 1, 2 * page, 3 * page, 4*page + 7, 10 * page} {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			_ = spoil(t, store.ErrDamaged, func(t *testing.T, path string) {
				if err := os.Truncate(path, size); err != nil {
					t.Fatal(err)
				}
			})
		})
	}
	t.Run("its last page in use", func(t *testing.T) {
		err := spoil(t, store.ErrDamaged, func(t *testing.T, path string) {
			db, err := bbolt.Open(path, 0o600, nil)
			if err != nil {
				t.Fatal(err)
			}
			var used int64
			err = db.View(func(tx *bbolt.Tx) error { used = tx.Size(); return nil })
			if err := errors.Join(err, db.Close(), os.Truncate(path, used-1)); err != nil {
				t.Fatal(err)
			}
		})
		if !strings.Contains(err.Error(), "it was cut") || !strings.Contains(err.Error(), "put back the last backup") {
			t.Errorf("got %q", err)
		}
	})
}

func TestAFileOfSomethingElseIsRefused(t *testing.T) {
	for name, content := range map[string][]byte{
		"text":  bytes.Repeat([]byte("this is not a store\n"), 5000),
		"zeros": make([]byte, 64<<10),
	} {
		t.Run(name, func(t *testing.T) {
			_ = spoil(t, store.ErrDamaged, func(t *testing.T, path string) {
				if err := os.WriteFile(path, content, 0o600); err != nil {
					t.Fatal(err)
				}
			})
		})
	}
}

func TestAFileInTheMakingLeftByAPowerCutIsMadeAnew(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, newFile), []byte("half a page"), 0o600); err != nil {
		t.Fatal(err)
	}
	s := openWith(t, dir, nil)
	mustCommit(t, s, "p", "record", nil)
	if _, err := os.Stat(filepath.Join(dir, newFile)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s is still there (%v)", newFile, err)
	}
}

func TestAFolderThatIsAFileIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), "choose another name") {
		t.Errorf("got %v", err)
	}
}

func TestTheBallastIsKeptAndMadeWholeAgain(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, ballastFile)
	open := func(size int64) {
		t.Helper()
		s, err := Open(dir, Options{Ballast: size})
		if err != nil {
			t.Fatal(err)
		}
		closeStore(t, s)
	}
	want := func(size int64) {
		t.Helper()
		if info, err := os.Stat(path); err != nil || info.Size() != size {
			t.Fatalf("the ballast has %v bytes, %v; want %d", info, err, size)
		}
	}
	open(-1)
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Fatalf("ballast although none was wanted (%v)", err)
	}
	open(0)
	want(16 << 20)
	if err := os.Truncate(path, 5); err != nil {
		t.Fatal(err)
	}
	open(3<<20 + 17)
	want(3<<20 + 17)
}

func TestNumbersSortAsTheyCount(t *testing.T) {
	last := []byte{}
	for _, n := range []uint64{0, 1, 255, 256, 1 << 40, never - 1, never} {
		if k := number(n); bytes.Compare(last, k) >= 0 || binary.BigEndian.Uint64(k) != n {
			t.Errorf("%d is stored as %x, after %x", n, k, last)
		} else {
			last = k
		}
	}
}
