package backup

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"turnstone/seal"
	"turnstone/store"
	"turnstone/store/bolt"
	"turnstone/store/keyfile"
	"turnstone/store/sealed"
	"turnstone/upkeep"
)

// A Target is where a backup is put back to.
type Target struct {
	Dir     string // the store's folder; what is there is moved aside
	Erased  string // path of the erasure list of the house
	Masters *seal.Masters
}

// A Result is what came of a restore.
type Result struct {
	Made   time.Time // when the backup was made
	People int       // who are there again
	Erased int       // who were erased since, and are again
	Staff  int       // people for whom something was past due: staff have an item each
	Aside  string    // where the folder went that was there before; empty if none was
}

// Restore puts the backup in the folder from back to where t says. All of it
// happens in a folder of its own, which takes its place only when what was
// erased since is erased again and what is past due has gone to staff: no bot
// can answer from it before.
func Restore(ctx context.Context, from string, t Target, now time.Time, log *slog.Logger) (Result, error) {
	var res Result
	a, err := examine(from)
	if err != nil {
		return res, err
	}
	res.Made = a.Made
	if err := bolt.Free(t.Dir); err != nil {
		return res, err
	}
	list, err := keyfile.OpenList(t.Erased)
	if err == nil {
		err = list.Merge(ctx, filepath.Join(from, "..", erasedFile), now)
	}
	if err != nil {
		return res, err
	}
	fresh := filepath.Clean(t.Dir) + ".restoring"
	if err := fill(fresh, from, t.Dir); err != nil {
		return res, errors.Join(err, os.RemoveAll(fresh))
	}
	if err := settle(ctx, fresh, list, t.Masters, now, log, &res); err != nil {
		return res, errors.Join(err, os.RemoveAll(fresh))
	}
	if _, err := os.Stat(t.Dir); err == nil {
		res.Aside = filepath.Clean(t.Dir) + ".before-" + now.UTC().Format(stamp)
		if err := os.Rename(t.Dir, res.Aside); err != nil {
			return res, fmt.Errorf("move the folder that is there aside: %w", err)
		}
	}
	return res, os.Rename(fresh, t.Dir)
}

// examine reads what a backup says of itself and holds the data against it.
func examine(from string) (a about, err error) {
	text, err := os.ReadFile(filepath.Join(from, aboutFile))
	if err != nil {
		return a, fmt.Errorf("%s is no backup: %w; name a folder that `bot backup` made, such as BACKUPS/2026-03-02T100000Z", from, err)
	}
	if err := json.Unmarshal(text, &a); err != nil {
		return a, fmt.Errorf("the backup %s: %s: %w", from, aboutFile, err)
	}
	hash, size, err := sum(filepath.Join(from, bolt.DataFile))
	if err != nil {
		return a, fmt.Errorf("the backup %s: %w", from, err)
	}
	if hash != a.SHA256 || size != a.Bytes {
		return a, fmt.Errorf("the backup %s is damaged: its data is not what was written; take another one", from)
	}
	return a, nil
}

// fill makes the folder that a restore works in. The newest keys are those of
// the folder that is there; without one, those beside the backups.
func fill(fresh, from, old string) error {
	if err := errors.Join(os.RemoveAll(fresh), os.MkdirAll(fresh, 0o700)); err != nil {
		return err
	}
	if err := copyFile(filepath.Join(from, bolt.DataFile), filepath.Join(fresh, bolt.DataFile)); err != nil {
		return err
	}
	err := copyFile(filepath.Join(old, keyfile.FileName), filepath.Join(fresh, keyfile.FileName))
	if errors.Is(err, fs.ErrNotExist) {
		err = copyFile(filepath.Join(from, "..", keyfile.FileName), filepath.Join(fresh, keyfile.FileName))
	}
	if err != nil {
		return fmt.Errorf("the persons' keys: %w; they lie beside the backups and in the store's folder", err)
	}
	return nil
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return errors.Join(err, in.Close())
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close(), in.Close())
}

// settle opens what was filled in, and makes it fit to answer.
func settle(ctx context.Context, dir string, list *keyfile.List, masters *seal.Masters, now time.Time, log *slog.Logger, res *Result) (err error) {
	data, err := bolt.Open(dir, bolt.Options{Clock: func() time.Time { return now }, Log: log, Ballast: -1})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, data.Close()) }()
	if err := data.Check(ctx); err != nil {
		return err
	}
	keys, err := keyfile.Open(dir, masters)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, keys.Close()) }()
	before := 0
	for _, err := range data.People(ctx) {
		if err != nil {
			return err
		}
		before++
	}
	s, err := sealed.Open(ctx, data, keys, list, slog.New(slog.DiscardHandler))
	if err != nil {
		return fmt.Errorf("the backup cannot be opened with this master key and these persons' keys; nothing was changed: %w", err)
	}
	if _, err := s.EraseUnreadable(ctx); err != nil {
		return err
	}
	for person, err := range s.People(ctx) {
		if err != nil {
			return err
		}
		res.People++
		handed, err := handOver(ctx, s, person, now)
		if err != nil {
			return fmt.Errorf("%s: %w", person, err)
		}
		if handed {
			res.Staff++
		}
	}
	res.Erased = before - res.People
	// Nobody is told of an outage that began when the backup was made.
	if err := s.Delete(ctx, upkeep.AliveKey, store.AnyEtag); err != nil {
		return err
	}
	return nil
}
