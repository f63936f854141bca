package protocol

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Files holds, under files/, the protocols that come with the program. A version that was
// ever released stays here: running episodes end under it.
//
//go:embed files/*.yaml
var Files embed.FS

// Embedded loads every protocol that comes with the program.
func Embedded() ([]*Protocol, error) {
	names, err := fs.Glob(Files, "files/*.yaml")
	if err != nil {
		return nil, err
	}
	var all []*Protocol
	var faults []error
	for _, name := range names {
		data, err := Files.ReadFile(name)
		if err != nil {
			return nil, err
		}
		p, err := Parse(path.Base(name), data)
		all, faults = append(all, p), append(faults, err)
	}
	return all, errors.Join(faults...)
}

// Parse reads one file. The error joins every fault, one a line, in file
// order, each with its place and what to do.
func Parse(name string, data []byte) (*Protocol, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(data, &doc); err != nil {
		return nil, fmt.Errorf("%s: %w; mend the YAML first", name, err)
	}
	if len(doc.Content) != 1 {
		return nil, fmt.Errorf("%s: the file is empty; it must hold a protocol", name)
	}
	r := &reader{name: name}
	p := r.protocol(doc.Content[0])
	sum := sha256.Sum256(data)
	p.Hash = hex.EncodeToString(sum[:])
	if len(r.faults) == 0 {
		r.check(p)
	}
	return p, r.err()
}

func id(name string, version int) string { return name + "@" + strconv.Itoa(version) }

// A reader walks the YAML and collects faults.
type reader struct {
	name   string
	faults []fault
}

type fault struct {
	line int
	text string
}

func (r *reader) at(n *yaml.Node, format string, args ...any) {
	r.line(n.Line, format, args...)
}

func (r *reader) line(line int, format string, args ...any) {
	r.faults = append(r.faults, fault{line, fmt.Sprintf(format, args...)})
}

func (r *reader) err() error {
	slices.SortStableFunc(r.faults, func(a, b fault) int { return a.line - b.line })
	var errs []error
	for _, f := range r.faults {
		errs = append(errs, fmt.Errorf("%s:%d: %s", r.name, f.line, f.text))
	}
	return errors.Join(errs...)
}

// An entry is one key of a mapping.
type entry struct {
	key   string
	node  *yaml.Node // the key's node, for its line
	value *yaml.Node
}

// entries lists a mapping in file order and refuses doubles and anything that
// is no mapping.
func (r *reader) entries(n *yaml.Node, what string) []entry {
	if n == nil {
		return nil
	}
	if n.Kind != yaml.MappingNode {
		r.at(n, "%s must be a list of `name: value`", what)
		return nil
	}
	var list []entry
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k := n.Content[i]
		if seen[k.Value] {
			r.at(k, "%s has %q twice; keep one", what, k.Value)
		}
		seen[k.Value] = true
		list = append(list, entry{k.Value, k, n.Content[i+1]})
	}
	return list
}

// fields calls the reader of each key and refuses unknown keys.
func (r *reader) fields(n *yaml.Node, what string, known map[string]func(*yaml.Node)) {
	for _, e := range r.entries(n, what) {
		read, ok := known[e.key]
		if !ok {
			r.at(e.node, "%s has no field %q; it knows %s", what, e.key, keys(known))
			continue
		}
		read(e.value)
	}
}

func keys[V any](m map[string]V) string {
	var names []string
	for k := range m {
		names = append(names, k)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}
