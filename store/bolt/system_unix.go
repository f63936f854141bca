//go:build unix && !solaris && !aix

package bolt

import (
	"errors"
	"os"
	"syscall"
)

// lockFileNow locks f for this process or returns errLocked.
func lockFileNow(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return errLocked
	}
	return err
}

// unlockFile ends any lock that f has, also while it is still mapped.
func unlockFile(f *os.File) error { return syscall.Flock(int(f.Fd()), syscall.LOCK_UN) }

// syncDir makes a new name in dir durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// isFull tells whether err means that the disk, or the user's share of it, is full.
func isFull(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}
