// Package backup copies an embedded store while it runs, and puts a copy back.
//
// A folder of backups holds a folder a moment with the data, and beside them
// one copy of the persons' keys and one of the erasure list, the newest of
// each. Both open, and empty, every older copy of the data: who was erased
// since can be read in none of them. The master key is in no backup.
package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"turnstone/store/bolt"
	"turnstone/store/keyfile"
)

// Names in a folder of backups.
const (
	aboutFile  = "about.json"
	erasedFile = "erased"
	stamp      = "2006-01-02T150405Z" // of a backup's folder
	halfEnd    = ".half"              // of one in the making
)

// An about says what a backup is.
type about struct {
	Made   time.Time `json:"made"`
	Bytes  int64     `json:"bytes"`
	SHA256 string    `json:"sha256"` // of the data
}

// A Source is an open store and what belongs to it.
type Source struct {
	Data   *bolt.Store
	Keys   *keyfile.File
	Erased string // path of the erasure list
}

// longest is how long a copy may take: as long as it takes, the store's file
// keeps every old page (common practice, no source).
const longest = 10 * time.Minute

// Write writes a backup into the folder to and returns its own folder. The
// data comes first and the keys after it, so that they open all of it.
func Write(ctx context.Context, s Source, to string, now time.Time) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, longest)
	defer cancel()
	dir := filepath.Join(to, now.UTC().Format(stamp))
	half := dir + halfEnd
	if err := os.MkdirAll(to, 0o700); err != nil {
		return "", fmt.Errorf("make the folder of the backups: %w", err)
	}
	if _, err := os.Stat(dir); err == nil {
		return "", fmt.Errorf("there is a backup %s already; wait a second", dir)
	}
	if err := errors.Join(os.RemoveAll(half), os.Mkdir(half, 0o700)); err != nil {
		return "", err
	}
	data := filepath.Join(half, bolt.DataFile)
	if err := s.Data.Copy(ctx, data); err != nil {
		return "", errors.Join(err, os.RemoveAll(half))
	}
	if err := describe(half, data, now); err != nil {
		return "", errors.Join(err, os.RemoveAll(half))
	}
	if err := s.Keys.Copy(filepath.Join(to, keyfile.FileName)); err != nil {
		return "", fmt.Errorf("copy the persons' keys: %w", err)
	}
	list, err := keyfile.OpenList(filepath.Join(to, erasedFile))
	if err == nil {
		err = list.Merge(ctx, s.Erased, now)
	}
	if err != nil {
		return "", err
	}
	return dir, os.Rename(half, dir)
}

func describe(dir, data string, now time.Time) error {
	a := about{Made: now.UTC()}
	var err error
	if a.SHA256, a.Bytes, err = sum(data); err != nil {
		return err
	}
	text, err := json.MarshalIndent(a, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, aboutFile), append(text, '\n'), 0o600)
}

func sum(path string) (hash string, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	h := sha256.New()
	size, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), size, errors.Join(err, f.Close())
}

// Newest is when the newest backup in a folder was made; zero where there is
// none.
func Newest(folder string) (time.Time, error) {
	var newest time.Time
	entries, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return newest, nil
	}
	for _, e := range entries {
		if t, err := time.Parse(stamp, e.Name()); err == nil && e.IsDir() && t.After(newest) {
			newest = t
		}
	}
	return newest, err
}

// Prune removes the backups in the folder to that are older than keep, and what
// is left of one that was broken off. The newest stays whatever its age. It
// returns how many backups it removed.
func Prune(to string, keep time.Duration, now time.Time) (int, error) {
	entries, err := os.ReadDir(to)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	var made []time.Time
	errs := []error{err}
	for _, e := range entries {
		name, half := strings.CutSuffix(e.Name(), halfEnd)
		if t, perr := time.Parse(stamp, name); half && perr == nil && t.Add(longest).Before(now) {
			errs = append(errs, os.RemoveAll(filepath.Join(to, e.Name())))
		}
		if t, err := time.Parse(stamp, e.Name()); err == nil && e.IsDir() {
			made = append(made, t)
		}
	}
	slices.SortFunc(made, time.Time.Compare)
	removed := 0
	for i, t := range made {
		if i == len(made)-1 || !t.Add(keep).Before(now) {
			break
		}
		if err := os.RemoveAll(filepath.Join(to, t.Format(stamp))); err != nil {
			errs = append(errs, err)
			continue
		}
		removed++
	}
	return removed, errors.Join(errs...)
}

// Daily makes a backup a day and removes those that are too old. Its fields
// are set once.
type Daily struct {
	Source Source
	To     string
	Keep   time.Duration
	Now    func() time.Time
	Fault  func(error)
}

// Run makes one at once if the newest is a day old, and then one a day.
func (d *Daily) Run(ctx context.Context) error {
	for {
		if err := d.once(ctx); err != nil && ctx.Err() == nil {
			d.Fault(fmt.Errorf("the daily backup: %w", err))
		}
		timer := time.NewTimer(time.Hour)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-timer.C:
		}
	}
}

func (d *Daily) once(ctx context.Context) error {
	now := d.Now()
	newest, err := Newest(d.To)
	if err != nil || now.Sub(newest) < 24*time.Hour {
		return err
	}
	if _, err := Write(ctx, d.Source, d.To, now); err != nil {
		return err
	}
	_, err = Prune(d.To, d.Keep, now)
	return err
}
