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
	"turnstone/store/redis"
	"turnstone/store/sealed"
)

// A place is where a house keeps what it knows: the store's folder, or a Redis
// server; and beside the folder the master key, the erasure list and the
// signatures, which no copy of the store brings back.
type place struct {
	dir    string
	key    string // path of the master key file; empty is the folder's name with .key
	signed string // path of the file of signatures; empty is the folder's name with .signed.toml
	redis  string // address of the server; empty is the store in the folder
}

func (p *place) flags(fs *flag.FlagSet, data string) {
	fs.StringVar(&p.dir, "data", "", data)
	fs.StringVar(&p.key, "key", "", "the master key file (default: beside the folder, with .key at its end)")
}

// serverFlag adds what a place needs that may be on a server.
func (p *place) serverFlag(fs *flag.FlagSet) {
	fs.StringVar(&p.redis, "redis", "", "the store is on Redis: "+redis.Forms)
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
		p.dir, p.key, p.signed, p.redis = cmp.Or(p.dir, s.Data), cmp.Or(p.key, s.Key), cmp.Or(p.signed, s.Signed), cmp.Or(p.redis, s.Redis)
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

// check tells what cannot be asked of a place.
func (p place) check(backups string) error {
	if p.redis != "" && backups != "" {
		return errors.New("--backup copies a folder; a server is backed up by its own means: docs/store.md has the page")
	}
	return nil
}

// String names the store for the operator, without user and settings.
func (p place) String() string {
	if a, err := redis.ParseAddress(p.redis); err == nil {
		return a.String()
	}
	if abs, err := filepath.Abs(p.dir); err == nil {
		return abs
	}
	return p.dir
}

// keyring is the persons' keys, wherever they lie.
type keyring interface {
	sealed.Keys
	Rewrap(ctx context.Context) (int, error)
}

// A storage is an open place.
type storage struct {
	*sealed.Store
	bolt    *bolt.Store   // nil on a server
	file    *keyfile.File // the persons' keys in a folder; nil on a server
	keys    keyring
	masters *seal.Masters
}

// openStorage opens a place. Keys are made for a new store, or one from before
// there was sealing, and for no other: a new key would open nothing in it.
func openStorage(ctx context.Context, at place, ballast int64, now func() time.Time, log *slog.Logger) (*storage, error) {
	s, err := openUnmarked(ctx, at, ballast, now, log)
	if err != nil {
		return nil, err
	}
	if err := move.Check(ctx, s); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// openUnmarked opens a place that a move may be half done with.
func openUnmarked(ctx context.Context, at place, ballast int64, now func() time.Time, log *slog.Logger) (_ *storage, err error) {
	s := &storage{}
	var inner sealed.Inner
	var server *redis.Store
	if at.redis == "" {
		s.bolt, err = bolt.Open(at.dir, bolt.Options{Clock: now, Log: log, Ballast: ballast})
		inner = s.bolt
	} else {
		server, err = openServer(ctx, at.redis, now, log)
		inner = server
	}
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, inner.Close())
			if s.keys != nil {
				err = errors.Join(err, s.keys.Close())
			}
		}
	}()
	if s.masters, err = openMasters(ctx, at, inner, log); err != nil {
		return nil, err
	}
	s.masters.Again = func() (*seal.Masters, error) { return keyfile.ReadMasters(at.keyPath()) }
	list, err := keyfile.OpenList(at.erasedPath())
	if err != nil {
		return nil, err
	}
	var erased sealed.List = list
	if server != nil {
		s.keys, erased = server.Keys(s.masters), sealed.Share(list, server)
	} else {
		if s.file, err = keyfile.Open(at.dir, s.masters); err != nil {
			return nil, err
		}
		s.keys = s.file
	}
	s.Store, err = sealed.Open(ctx, inner, s.keys, erased, log)
	return s, err
}

// openServer opens a store on Redis, and says once what it promises.
func openServer(ctx context.Context, text string, now func() time.Time, log *slog.Logger) (*redis.Store, error) {
	address, err := redis.ParseAddress(text)
	if err != nil {
		return nil, err
	}
	redis.LogTo(log)
	s, err := redis.Open(ctx, address, redis.Options{Log: log, Clock: now})
	if err == nil {
		log.InfoContext(ctx, "the store is open", "store", address.String(), "promise", s.Promise())
	}
	return s, err
}

func openMasters(ctx context.Context, at place, inner sealed.Inner, log *slog.Logger) (*seal.Masters, error) {
	m, err := keyfile.ReadMasters(at.keyPath())
	if !errors.Is(err, keyfile.ErrNoFile) {
		return m, err
	}
	was, serr := sealed.Sealed(ctx, inner)
	if serr != nil {
		return nil, serr
	}
	if was {
		return nil, fmt.Errorf("%w, and the store %s is sealed: put your copy of the file there, or name it with --key; without it nothing in the store can be read", err, at)
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
	was, err := s.Inner.Load(ctx, string(older))
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
