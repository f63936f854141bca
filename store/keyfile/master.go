package keyfile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

	"turnstone/seal"
)

// ErrNoFile says that there is no master key file where one must be.
var ErrNoFile = errors.New("there is no master key file")

// ReadMasters reads the master key file. One that others can read is refused.
func ReadMasters(path string) (*seal.Masters, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%w at %s", ErrNoFile, path)
	case err != nil:
		return nil, fmt.Errorf("look at the master key file: %w", err)
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("the master key file %s is no file: name another with --key", path)
	case runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0:
		return nil, fmt.Errorf("the master key file %s can be read by others (mode %04o): run chmod 600 %s, and think about who may have read it; `bot key new` makes a new master key", path, info.Mode().Perm(), path)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the master key file: %w; give it to the user that runs the bot", err)
	}
	m, err := seal.ParseMasters(text)
	if err != nil {
		return nil, fmt.Errorf("the master key file %s: %w", path, err)
	}
	return m, nil
}

// MakeMasters makes the master key file of a new house. It never writes over one.
func MakeMasters(path string) (*seal.Masters, error) {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("make the master key file: something is at %s already", path)
	}
	m := seal.NewMasters()
	if err := WriteMasters(path, m); err != nil {
		return nil, err
	}
	return m, nil
}

// WriteMasters writes the master key file, whole or not at all.
func WriteMasters(path string, m *seal.Masters) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("make the folder of the master key file: %w; name another with --key", err)
	}
	if err := writeWhole(path, m.Text()); err != nil {
		return fmt.Errorf("write the master key file %s: %w; name another with --key", path, err)
	}
	return nil
}

// syncDir makes a new name in dir durable.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil // the system does that by itself
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
