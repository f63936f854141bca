package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"turnstone/care"
	"turnstone/locales"
	"turnstone/seal"
	"turnstone/settings"
	"turnstone/store/bolt"
	"turnstone/store/keyfile"
	"turnstone/store/move"
	"turnstone/store/sealed"
)

// A place is where a house keeps what it knows: the store's folder, and beside
// it the master key, the erasure list and the signatures, which no copy of the
// folder brings back.
type place struct {
	dir    string
	key    string // path of the master key file; empty is the folder's name with .key
	signed string // path of the file of signatures; empty is the folder's name with .signed.toml
}

func (p *place) flags(fs *flag.FlagSet, data string) {
	fs.StringVar(&p.dir, "data", "", data)
	fs.StringVar(&p.key, "key", "", "the master key file (default: beside the folder, with .key at its end)")
}

func (p *place) signFlag(fs *flag.FlagSet) {
	fs.StringVar(&p.signed, "signed", "", "the file of signatures (default: beside the folder, with .signed.toml at its end)")
}

func configFlag(fs *flag.FlagSet) *string {
	return fs.String("config", "", "the configuration of the service, such as deploy/lantern-bay.toml; flags go before it")
}

// configure lays a configuration under the flags. Without one it does nothing
// and gives nothing.
func (p *place) configure(path string) (*settings.Settings, error) {
	if path == "" {
		return nil, nil //nolint:nilnil // there is none
	}
	book, err1 := locales.Load(locales.Files)
	numbers, err2 := locales.LoadNumbers(locales.Files)
	if err := errors.Join(err1, err2); err != nil {
		return nil, err
	}
	s, err := settings.Read(path, settings.Known{Regions: numbers.Regions(), Languages: book.Locales()})
	if s != nil {
		p.dir, p.key, p.signed = cmp.Or(p.dir, s.Data), cmp.Or(p.key, s.Key), cmp.Or(p.signed, s.Signed)
	}
	return s, err
}

// settle takes the usual folder where none was named.
func (p *place) settle(env func(string) string) (err error) {
	if p.dir == "" {
		p.dir, err = defaultFolder(env)
	}
	return err
}

func (p place) keyPath() string {
	if p.key != "" {
		return p.key
	}
	return filepath.Clean(p.dir) + ".key"
}

func (p place) signedPath() string {
	if p.signed != "" {
		return p.signed
	}
	return filepath.Clean(p.dir) + ".signed.toml"
}

func (p place) erasedPath() string { return filepath.Clean(p.dir) + ".erased" }

// A storage is an open place.
type storage struct {
	*sealed.Store
	bolt    *bolt.Store
	keys    *keyfile.File
	list    *keyfile.List
	masters *seal.Masters
}

// openStorage opens a place. Keys are made for a new store, or one from before
// there was sealing, and for no other: a new key would open nothing in it.
func openStorage(ctx context.Context, at place, ballast int64, now func() time.Time, log *slog.Logger) (_ *storage, err error) {
	inner, err := bolt.Open(at.dir, bolt.Options{Clock: now, Log: log, Ballast: ballast})
	if err != nil {
		return nil, err
	}
	s := &storage{bolt: inner}
	defer func() {
		if err != nil {
			err = errors.Join(err, inner.Close())
			if s.keys != nil {
				err = errors.Join(err, s.keys.Close())
			}
		}
	}()
	if err = move.Check(ctx, inner); err != nil {
		return nil, err
	}
	if s.masters, err = openMasters(ctx, at, inner, log); err != nil {
		return nil, err
	}
	if s.keys, err = keyfile.Open(at.dir, s.masters); err != nil {
		return nil, err
	}
	if s.list, err = keyfile.OpenList(at.erasedPath()); err != nil {
		return nil, err
	}
	s.Store, err = sealed.Open(ctx, inner, s.keys, s.list, log)
	return s, err
}

func openMasters(ctx context.Context, at place, inner *bolt.Store, log *slog.Logger) (*seal.Masters, error) {
	m, err := keyfile.ReadMasters(at.keyPath())
	if !errors.Is(err, keyfile.ErrNoFile) {
		return m, err
	}
	was, serr := sealed.Sealed(ctx, inner)
	if serr != nil {
		return nil, serr
	}
	if was {
		return nil, fmt.Errorf("%w, and the store in %s is sealed: put your copy of the file there, or name it with --key; without it nothing in the store can be read", err, at.dir)
	}
	m, err = keyfile.MakeMasters(at.keyPath())
	if err == nil {
		log.Info("a master key was made; keep a copy of the file apart from the backups: without it nothing can be read", "file", at.keyPath())
	}
	return m, err
}

// person is the pseudonym of an account. A record from before there was
// sealing keeps the one that it has.
func (s *storage) person(ctx context.Context, channel, account string) (care.PersonID, error) {
	name := care.PersonID(s.masters.Name(channel, account))
	older := unkeyed(channel, account)
	was, err := s.bolt.Load(ctx, string(older))
	if err == nil && was.Bytes != nil {
		name = older
	}
	return name, err
}

// unkeyed is how accounts were named before there was a key: whoever had the
// store could try accounts until one fitted.
func unkeyed(channel, account string) care.PersonID {
	sum := sha256.Sum256([]byte(channel + "\x00" + account))
	return care.PersonID(hex.EncodeToString(sum[:12]))
}
