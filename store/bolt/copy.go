package bolt

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"
)

// DataFile is the name of the data file in a store's folder.
const DataFile = dataFile

// Copy writes the data file as it is now to path, whole or not at all, while
// the store goes on. The copy must end soon: until then the file keeps every
// old page. When ctx ends, it is given up.
func (s *Store) Copy(ctx context.Context, path string) error {
	fresh := path + ".new"
	f, err := os.OpenFile(fresh, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("copy the store: %w", err)
	}
	err = guard(func() error {
		return s.db.View(func(tx *bbolt.Tx) error {
			_, err := tx.WriteTo(stopping{ctx, f})
			return err
		})
	})
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(fmt.Errorf("copy the store in %s to %s: %w", s.dir, path, err), os.Remove(fresh))
	}
	if err := os.Rename(fresh, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// stopping writes until its context ends.
type stopping struct {
	ctx context.Context
	to  io.Writer
}

func (s stopping) Write(p []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.to.Write(p)
}

// Free answers store.ErrHeld, and says who, if a process holds the folder dir.
func Free(dir string) error {
	if _, err := os.Stat(filepath.Join(dir, lockFile)); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	l, err := takeLock(dir, time.Now())
	if err != nil {
		return err
	}
	return l.release()
}
