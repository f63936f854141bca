// Package keyfile keeps the keys of an embedded store in files of their own,
// apart from what they seal:
//
//   - people.keys holds a wrapped data key a person, each in a place of its
//     own that never moves. Dropping a key writes zeros over it, there and now.
//     So the newest copy of this file opens every older copy of the data,
//     except for who was erased since.
//   - the master key file wraps them. It lies outside the store's folder.
//   - the erasure list names the keys that were dropped. It only grows.
//
// A disk that never writes in place (some SSDs and file systems) may keep the
// zeroed bytes for a while where no program can ask for them.
package keyfile

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"turnstone/seal"
)

// FileName is the name of the file of the persons' keys in a store's folder.
const FileName = "people.keys"

// slot is the room of one key. It divides every sector size, so that a write
// that the power cut short never touches two keys.
//
//	check 8, wrapped key 61, CRC-32C 4, zeros
const slot = 128

// magic fills the first slot.
const magic = "turnstone people's keys, version 1\n"

const (
	checkSize = 8
	bodySize  = checkSize + seal.WrappedSize
)

// ErrDamaged says that a key does not read as what was written.
var ErrDamaged = errors.New("the file of the persons' keys is damaged")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// A File is an open file of persons' keys. Whoever holds the store's folder
// holds it; nobody else may write to it.
type File struct {
	path    string
	masters *seal.Masters

	mu   sync.Mutex
	file *os.File
	next uint32 // the slot of the next key
}

// Open opens the file of the persons' keys in dir, or makes it.
func Open(dir string, masters *seal.Masters) (*File, error) {
	path := filepath.Join(dir, FileName)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		if err := writeWhole(path, headSlot()); err != nil {
			return nil, fmt.Errorf("make the file of the persons' keys %s: %w", path, err)
		}
	}
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil, fmt.Errorf("open the file of the persons' keys: %w", err)
	}
	f := &File{path: path, masters: masters, file: file}
	if err := f.begin(); err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return f, nil
}

func headSlot() []byte {
	head := make([]byte, slot)
	copy(head, magic)
	return head
}

// begin looks at the head and finds the end.
func (f *File) begin() error {
	head := make([]byte, slot)
	if _, err := f.file.ReadAt(head, 0); err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("read the file of the persons' keys: %w", err)
	}
	if !bytes.Equal(head, headSlot()) {
		return fmt.Errorf("%w: %s does not begin as one of this version; put back your copy of it", ErrDamaged, f.path)
	}
	info, err := f.file.Stat()
	if err != nil {
		return err
	}
	f.next = uint32((info.Size() + slot - 1) / slot)
	return nil
}

// New makes a key for a person, and returns when it is durable.
func (f *File) New(context.Context, string) (seal.KeyID, seal.Key, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	key := seal.NewKey()
	var id seal.KeyID
	binary.BigEndian.PutUint32(id[:], f.next)
	if _, err := rand.Read(id[4:]); err != nil {
		return id, key, err
	}
	if err := f.write(id, f.masters.Wrap(id, key)); err != nil {
		return id, key, fmt.Errorf("keep a new key in %s: %w", f.path, err)
	}
	f.next++
	return id, key, nil
}

func (f *File) write(id seal.KeyID, wrapped []byte) error {
	if _, err := f.file.WriteAt(slotOf(id, wrapped), place(id)); err != nil {
		return err
	}
	return f.file.Sync()
}

func place(id seal.KeyID) int64 { return int64(binary.BigEndian.Uint32(id[:4])) * slot }

func slotOf(id seal.KeyID, wrapped []byte) []byte {
	b := make([]byte, slot)
	copy(b, id[4:])
	copy(b[checkSize:], wrapped)
	binary.BigEndian.PutUint32(b[bodySize:], crc32.Checksum(b[:bodySize], castagnoli))
	return b
}

// Key returns a key, or seal.ErrDropped.
func (f *File) Key(_ context.Context, id seal.KeyID) (seal.Key, error) {
	wrapped, err := f.wrapped(id)
	if err != nil {
		return seal.Key{}, fmt.Errorf("key %s in %s: %w", id, f.path, err)
	}
	key, err := f.masters.Unwrap(id, wrapped)
	if err != nil {
		return key, fmt.Errorf("key %s in %s: %w", id, f.path, err)
	}
	return key, nil
}

func (f *File) wrapped(id seal.KeyID) ([]byte, error) {
	b := make([]byte, slot)
	if place(id) == 0 {
		return nil, seal.ErrUnknown // the head is nobody's
	}
	n, err := f.file.ReadAt(b, place(id))
	switch {
	case errors.Is(err, io.EOF) && n < bodySize+4:
		return nil, seal.ErrUnknown
	case err != nil && !errors.Is(err, io.EOF):
		return nil, err
	case bytes.Equal(b, make([]byte, slot)):
		return nil, seal.ErrDropped
	case !bytes.Equal(b[:checkSize], id[4:]):
		return nil, seal.ErrUnknown
	case binary.BigEndian.Uint32(b[bodySize:]) != crc32.Checksum(b[:bodySize], castagnoli):
		return nil, fmt.Errorf("%w: look at the disk and put back your newest copy of the file", ErrDamaged)
	}
	return b[checkSize:bodySize], nil
}

// Drop writes zeros over a key, and returns when they are durable. What is
// dropped already, or was never there, it leaves alone.
func (f *File) Drop(_ context.Context, id seal.KeyID) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch _, err := f.wrapped(id); {
	case errors.Is(err, seal.ErrDropped), errors.Is(err, seal.ErrUnknown):
		return nil
	case err != nil && !errors.Is(err, ErrDamaged): // a damaged one is as good as dropped, and is zeroed
		return err
	}
	if _, err := f.file.WriteAt(make([]byte, slot), place(id)); err != nil {
		return fmt.Errorf("drop key %s in %s: %w", id, f.path, err)
	}
	return f.file.Sync()
}

// Copy writes the file as it is now to path, whole or not at all.
func (f *File) Copy(path string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	data, err := io.ReadAll(io.NewSectionReader(f.file, 0, int64(f.next)*slot))
	if err != nil {
		return fmt.Errorf("read the file of the persons' keys: %w", err)
	}
	return writeWhole(path, data)
}

// Rewrap wraps every key with the newest master. It writes a new file beside
// the old one and then puts it in its place: a crash leaves one or the other.
func (f *File) Rewrap(context.Context) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	data, err := io.ReadAll(io.NewSectionReader(f.file, 0, int64(f.next)*slot))
	if err != nil {
		return 0, err
	}
	done := 0
	for at := slot; at+slot <= len(data); at += slot {
		b := data[at : at+slot]
		if bytes.Equal(b, make([]byte, slot)) {
			continue
		}
		var id seal.KeyID
		binary.BigEndian.PutUint32(id[:], uint32(at/slot))
		copy(id[4:], b)
		wrapped, err := f.wrapped(id)
		if err != nil {
			return 0, fmt.Errorf("key %s: %w", id, err)
		}
		key, err := f.masters.Unwrap(id, wrapped)
		if err != nil {
			return 0, fmt.Errorf("key %s: %w", id, err)
		}
		copy(b, slotOf(id, f.masters.Wrap(id, key)))
		done++
	}
	if err := writeWhole(f.path, data); err != nil {
		return 0, err
	}
	file, err := os.OpenFile(f.path, os.O_RDWR, 0)
	if err != nil {
		return 0, err
	}
	old := f.file
	f.file = file
	return done, old.Close()
}

// Close closes the file. A second Close does nothing.
func (f *File) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.file.Close(); !errors.Is(err, os.ErrClosed) {
		return err
	}
	return nil
}

// writeWhole writes a file under another name, syncs it and renames it.
func writeWhole(path string, data []byte) error {
	fresh := path + ".new"
	f, err := os.OpenFile(fresh, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, werr := f.Write(data)
	if err := errors.Join(werr, f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(fresh))
	}
	if err := os.Rename(fresh, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}
