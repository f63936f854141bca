package bolt

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	bberrors "go.etcd.io/bbolt/errors"

	"turnstone/store"
)

// The files of a folder.
const (
	dataFile    = "bot.db"
	newFile     = "bot.db.new" // a data file in the making; one left behind is worth nothing
	lockFile    = "lock"
	ballastFile = "ballast"
)

// makeFolder makes dir unless it is there, on a disk of this machine only.
func makeFolder(dir string, log *slog.Logger) error {
	disk, network, err := fileSystem(existing(dir))
	switch {
	case err != nil:
		return fmt.Errorf("look at the disk of the store's folder %s: %w", dir, err)
	case network:
		return fmt.Errorf("the store's folder %s is on a network file system (%s), where a file cannot be locked safely: choose a folder on a disk of this machine", dir, disk)
	case disk != "":
		log.Warn("cannot tell whether the store's folder is on a disk of this machine; on a network file system it can be damaged", "folder", dir, "file system", disk)
	}
	info, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return fmt.Errorf("make the store's folder %s: %w; make it by hand and give it to the user that runs the bot", dir, err)
		}
		return syncDir(filepath.Dir(dir))
	}
	if err != nil {
		return fmt.Errorf("look at the store's folder %s: %w", dir, err)
	}
	if !info.IsDir() {
		return fmt.Errorf("the store's folder %s is a file: choose another name, or move that file away", dir)
	}
	if runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		log.Warn("the store's folder can be entered by other users of this machine: chmod 700 it", "folder", dir, "mode", info.Mode().Perm())
	}
	return nil
}

// existing returns dir or its nearest parent that is there.
func existing(dir string) string {
	for {
		if _, err := os.Stat(dir); err == nil || filepath.Dir(dir) == dir {
			return dir
		}
		dir = filepath.Dir(dir)
	}
}

// openFile opens the data file of the folder, which this process has locked.
// Without one it makes one.
func openFile(dir string, log *slog.Logger) (*bbolt.DB, error) {
	path := filepath.Join(dir, dataFile)
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if err := createFile(dir); err != nil {
			return nil, fmt.Errorf("make the store's file %s: %w", path, err)
		}
		log.Info("a new store was made", "file", path) // a surprise if somebody has moved the old one away
	case err != nil:
		return nil, fmt.Errorf("look at the store's file %s: %w", path, err)
	case info.Size() == 0: // bbolt would begin a new one in it, and everybody would be forgotten without a word
		return nil, unreadable(path, fmt.Errorf("%w: it is empty", store.ErrDamaged))
	}
	db, err := openChecked(path, log)
	if err != nil {
		return nil, unreadable(path, err)
	}
	return db, nil
}

// createFile makes the data file under another name, syncs it and renames it:
// power lost in between leaves no half file under the real name.
func createFile(dir string) error {
	fresh := filepath.Join(dir, newFile)
	if err := os.Remove(fresh); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	db, err := bbolt.Open(fresh, 0o600, settings())
	if err != nil {
		return err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		for _, name := range buckets {
			if _, err := tx.CreateBucket(name); err != nil {
				return err
			}
		}
		return tx.Bucket(metaBucket).Put(formatKey, number(format))
	})
	if err == nil { // once more, so that each of the two root pages is that of a whole store
		err = db.Update(func(*bbolt.Tx) error { return nil })
	}
	if err := errors.Join(err, db.Close()); err != nil {
		return err
	}
	if err := os.Rename(fresh, filepath.Join(dir, dataFile)); err != nil {
		return err
	}
	return syncDir(dir)
}

// settings are bbolt's, where the defaults would not do.
func settings() *bbolt.Options {
	o := *bbolt.DefaultOptions
	o.Timeout = time.Second // the default waits for ever: a second start would hang without a word
	o.FreelistType = bbolt.FreelistMapType
	o.NoFreelistSync = false // true: a start would have to read the whole file
	o.NoStatistics = true    // nobody reads them
	if strconv.IntSize == 64 && runtime.GOOS != "windows" {
		o.InitialMmapSize = 1 << 30 // address space, not memory: growing seldom has to wait for readers
	}
	return &o
}

// openChecked opens the file and looks at all that can be told without reading
// it whole. It writes nothing.
func openChecked(path string, log *slog.Logger) (db *bbolt.DB, err error) {
	var file *os.File
	o := settings()
	o.OpenFile = func(name string, flag int, mode os.FileMode) (f *os.File, err error) {
		file, err = os.OpenFile(name, flag&^os.O_CREATE, mode)
		return file, err
	}
	err = guard(func() (err error) {
		db, err = bbolt.Open(path, 0o600, o)
		return err
	})
	if err != nil {
		if file == nil {
			return nil, err
		}
		// bbolt may have given up half-way. Its lock must not stay, and closing
		// alone does not end it: the mapping keeps the file open.
		uerr, cerr := unlockFile(file), file.Close()
		if cerr == nil {
			return nil, errors.Join(err, uerr)
		}
		if !errors.Is(cerr, os.ErrClosed) {
			err = errors.Join(err, cerr)
		}
		return nil, err // it has closed the file itself
	}
	err = guard(func() error {
		return db.View(func(tx *bbolt.Tx) error { return checkFile(tx, file, log) })
	})
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// checkFile refuses a cut file, one of a newer version and one that is not ours.
func checkFile(tx *bbolt.Tx, file *os.File, log *slog.Logger) error {
	info, err := file.Stat()
	if err != nil {
		return err
	}
	for page := range int64(2) {
		if err := checkRoot(file, page, int64(tx.DB().Info().PageSize)); err != nil {
			log.Warn("one of the two root pages of the store's file is damaged; the other one is used, and the last commit may be missing", "file", file.Name(), "page", page, "err", err)
		}
	}
	if info.Size() < tx.Size() {
		return fmt.Errorf("%w: it was cut, %d of its %d bytes are there", store.ErrDamaged, info.Size(), tx.Size())
	}
	meta := tx.Bucket(metaBucket)
	if meta == nil || len(meta.Get(formatKey)) != 8 {
		return fmt.Errorf("%w: it has no format number, so it is not a file of this store", store.ErrDamaged)
	}
	if found := binary.BigEndian.Uint64(meta.Get(formatKey)); found > format {
		return fmt.Errorf("%w: it has format %d and this program knows format %d", store.ErrNewer, found, format)
	}
	for _, name := range buckets {
		if tx.Bucket(name) == nil {
			return fmt.Errorf("%w: its bucket %q is missing", store.ErrDamaged, name)
		}
	}
	return nil
}

// checkRoot checks one of the two pages that a bbolt file begins with, the
// newer of which is the state. bbolt needs only one of them, and silently goes
// back by one commit if the newer one is damaged. The layout is that of
// bbolt's file version 2: a page head of 16 bytes, 56 bytes, and their FNV-1a sum.
func checkRoot(file *os.File, page, size int64) error {
	var root [16 + 56 + 8]byte
	if _, err := file.ReadAt(root[:], page*size); err != nil {
		return err
	}
	sum := fnv.New64a()
	if _, err := sum.Write(root[16:72]); err != nil {
		return err
	}
	if sum.Sum64() != binary.NativeEndian.Uint64(root[72:]) {
		return fmt.Errorf("%w: it does not match its checksum", store.ErrDamaged)
	}
	return nil
}

// unreadable says in one sentence what is the matter with the file and what to do.
func unreadable(path string, err error) error {
	cure := "the file was left as it is: give it to the user that runs the bot, or look at the disk"
	switch {
	case errors.Is(err, bberrors.ErrTimeout):
		return fmt.Errorf("the store's file %s is open in a program other than the bot; close that first: %w", path, store.ErrHeld)
	case errors.Is(err, store.ErrNewer):
		cure = "the file was left as it is: start that newer version"
	case errors.Is(err, store.ErrDamaged):
		cure = "the file was left as it is: keep a copy and put back the last backup"
	case !isSystem(err): // bbolt does not like what it read
		err = fmt.Errorf("%w: its first pages are not those of a store (%w)", store.ErrDamaged, err)
		cure = "the file was left as it is: keep a copy and put back the last backup"
	}
	return fmt.Errorf("the store's file %s cannot be opened (%w); %s", path, err, cure)
}

// isSystem tells whether err comes from the operating system.
func isSystem(err error) bool {
	_, ok := errors.AsType[syscall.Errno](err)
	return ok
}

// keepBallast makes the ballast file, or makes it whole, if four times its size is free.
func keepBallast(dir string, size int64) error {
	path := filepath.Join(dir, ballastFile)
	if size <= 0 {
		return nil
	}
	if info, err := os.Stat(path); err == nil && info.Size() >= size {
		return nil
	}
	if free, known := freeBytes(dir); known && free < uint64(4*size) {
		return fmt.Errorf("only %d MB are free", free>>20)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	// Noise, and not zeros: a disk that compresses would keep no room for zeros.
	noise, chunk := rand.NewChaCha8([32]byte{}), make([]byte, 1<<20)
	for left := size; left > 0 && err == nil; left -= int64(len(chunk)) {
		chunk = chunk[:min(int64(len(chunk)), left)]
		_, rerr := noise.Read(chunk)
		_, werr := f.Write(chunk)
		err = errors.Join(rerr, werr)
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, os.Remove(path)) // a part of it would only be in the way
	}
	return nil
}
