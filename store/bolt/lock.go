package bolt

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"turnstone/store"
)

// lockWait is how long Open waits for a process that is just ending.
const lockWait = time.Second

// lockNote is what the holder of the folder writes into the lock file.
const lockNote = "pid %d since %s\n"

var errLocked = errors.New("locked")

// A lock is the folder's lock file, locked. The lock is the system's, and ends
// with the process however it ends; the note in the file is for people only.
type lock struct{ file *os.File }

// takeLock locks the folder or says who holds it.
func takeLock(dir string, now time.Time) (*lock, error) {
	path := filepath.Join(dir, lockFile)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the lock of the store's folder %s: %w; give the folder to the user that runs the bot", dir, err)
	}
	switch err := waitForLock(f); {
	case errors.Is(err, errLocked):
		err := fmt.Errorf("the store's folder %s is in use (by %s): stop that process first, or choose another folder: %w", dir, holder(f), store.ErrHeld)
		return nil, errors.Join(err, f.Close())
	case err != nil:
		err := fmt.Errorf("lock the store's folder %s: %w", dir, err)
		return nil, errors.Join(err, f.Close())
	}
	l := &lock{f}
	if err := l.note(fmt.Sprintf(lockNote, os.Getpid(), now.UTC().Format(time.RFC3339))); err != nil && !isFull(err) {
		// On a full disk the note is missing, and the store opens all the same.
		return nil, errors.Join(fmt.Errorf("note the holder of the store's folder %s: %w", dir, err), l.release())
	}
	return l, nil
}

// waitForLock tries until lockWait is over, and then returns errLocked.
func waitForLock(f *os.File) error {
	end := time.NewTimer(lockWait)
	defer end.Stop()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for {
		if err := lockFileNow(f); !errors.Is(err, errLocked) {
			return err
		}
		select {
		case <-end.C:
			return errLocked
		case <-again.C:
		}
	}
}

// holder reads the note of whoever holds the lock.
func holder(f *os.File) string {
	var pid int
	var since string
	text, err := io.ReadAll(io.NewSectionReader(f, 0, 200))
	if err != nil {
		return "a process that left no readable note"
	}
	if _, err := fmt.Sscanf(string(text), lockNote, &pid, &since); err != nil {
		return "a process that left no note"
	}
	return fmt.Sprintf("the process %d, since %s", pid, since)
}

func (l *lock) note(text string) error {
	if err := l.file.Truncate(0); err != nil {
		return err
	}
	_, err := l.file.WriteAt([]byte(text), 0)
	return err
}

// release gives the folder free. The file stays: who removed it could remove
// the one that another process has just locked.
func (l *lock) release() error {
	return errors.Join(l.note(""), l.file.Close())
}
