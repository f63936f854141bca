package bolt

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// lockFileNow locks f for this process or returns errLocked. The locked byte
// lies far behind the note, which others must be able to read.
func lockFileNow(f *os.File) error {
	const flags = windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY
	err := windows.LockFileEx(windows.Handle(f.Fd()), flags, 0, 1, 0, &windows.Overlapped{Offset: 1 << 20})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return errLocked
	}
	return err
}

// unlockFile does nothing: closing f ends its lock here.
func unlockFile(*os.File) error { return nil }

// syncDir does nothing: the system makes a new name durable by itself.
func syncDir(string) error { return nil }

// isFull tells whether err means that the disk is full.
func isFull(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL)
}
