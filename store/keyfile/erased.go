package keyfile

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// A List is the erasure list: what was erased, a line each, as key IDs (or as
// pseudonyms, for records from before there was sealing). It holds nothing of
// what was erased, only grows, and lies outside of the store's folder, so that
// whatever copy of the folder is put back, the list is newer.
type List struct {
	mu   sync.Mutex
	path string
	has  map[string]bool
	size int64 // up to the last whole line: the power may have cut one short, which the mark in the store writes again
}

// OpenList reads the erasure list at path; it is made by the first entry.
func OpenList(path string) (*List, error) {
	l := &List{path: path, has: map[string]bool{}}
	data, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read the erasure list: %w", err)
	}
	return l, l.parse(data[:bytes.LastIndexByte(data, '\n')+1])
}

func (l *List) parse(data []byte) error {
	l.size = int64(len(data))
	lines := bufio.NewScanner(bytes.NewReader(data))
	for at := 1; lines.Scan(); at++ {
		when, entry, ok := strings.Cut(lines.Text(), " ")
		if _, err := time.Parse(time.RFC3339, when); err != nil || !ok || strings.ContainsAny(entry, " ") {
			return fmt.Errorf("the erasure list %s, line %d: it must be a moment and what was erased; put back your newest copy of the list", l.path, at)
		}
		l.has[entry] = true
	}
	return lines.Err()
}

// Add puts entry on the list, and returns when that is durable.
func (l *List) Add(_ context.Context, entry string, at time.Time) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.has[entry] {
		return nil
	}
	f, err := os.OpenFile(l.path, os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("open the erasure list: %w", err)
	}
	line := fmt.Appendf(nil, "%s %s\n", at.UTC().Format(time.RFC3339), entry)
	_, werr := f.WriteAt(line, l.size)
	if err := errors.Join(werr, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write the erasure list %s: %w", l.path, err)
	}
	l.has[entry] = true
	l.size += int64(len(line))
	if l.size == int64(len(line)) {
		return syncDir(filepath.Dir(l.path))
	}
	return nil
}

// Meet does nothing: one process alone writes this list.
func (l *List) Meet(context.Context, time.Time) error { return nil }

// All are the entries, in no order.
func (l *List) All() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	all := make([]string, 0, len(l.has))
	for entry := range l.has {
		all = append(all, entry)
	}
	return all
}

// Merge adds the entries of the list at path, if there is one.
func (l *List) Merge(ctx context.Context, path string, at time.Time) error {
	other, err := OpenList(path)
	if err != nil {
		return err
	}
	for _, entry := range other.All() {
		if err := l.Add(ctx, entry, at); err != nil {
			return err
		}
	}
	return nil
}
