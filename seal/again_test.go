package seal

import (
	"errors"
	"testing"
)

// A master that was made since is taken from the key file when something meets
// it; from the file of another house, or an older copy, it is not.
func TestANewerMasterIsReadAgain(t *testing.T) {
	running := NewMasters()
	file, err := ParseMasters(running.Text())
	if err == nil {
		err = file.Rotate()
	}
	if err != nil {
		t.Fatal(err)
	}
	id, key := NewKeyID(), NewKey()
	wrapped := file.Wrap(id, key)
	for name, again := range map[string]func() (*Masters, error){
		"no file to read":           nil,
		"a file that can't be read": func() (*Masters, error) { return nil, errors.New("gone") },
		"an older copy":             func() (*Masters, error) { return ParseMasters(running.Text()) },
		"another house's":           func() (*Masters, error) { m := NewMasters(); return m, m.Rotate() },
	} {
		running.Again = again
		if _, err := running.Unwrap(id, wrapped); !errors.Is(err, ErrNoMaster) || running.Newest() != 1 {
			t.Errorf("%s: %v, and master %d wraps", name, err, running.Newest())
		}
	}
	read := 0
	running.Again = func() (*Masters, error) { read++; return ParseMasters(file.Text()) }
	for range 2 {
		if got, err := running.Unwrap(id, wrapped); err != nil || got != key {
			t.Errorf("the newer file does not open it: %v", err)
		}
	}
	if read != 1 || running.Newest() != 2 {
		t.Errorf("the file was read %d times, and master %d wraps", read, running.Newest())
	}
}
