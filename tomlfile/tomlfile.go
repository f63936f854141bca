// Package tomlfile reads a TOML file strictly: a key that nothing reads is a
// fault, and every fault is told with its line. It knows the form of a file and
// nothing of what stands in it.
package tomlfile

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"
)

// A File is one file that was read, with the faults that were found in it.
type File struct {
	name   string
	lines  map[string]int // by path, such as "server[1].zone"
	faults []fault
}

type fault struct {
	line int
	err  error
}

// Decode reads data into v. A file that is no TOML, or holds a value of the
// wrong type, gives an error and no File.
func Decode(name string, data []byte, v any) (*File, error) {
	meta, err := toml.Decode(string(data), v)
	if perr, ok := errors.AsType[toml.ParseError](err); ok {
		return nil, fmt.Errorf("%s:%d: %s: correct the TOML there", name, perr.Position.Line, perr.Message)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: correct the type of that value", mistyped.ReplaceAllString(name+": "+err.Error(), "$1:$2: $3: "))
	}
	f := &File{name: name, lines: places(string(data))}
	for _, k := range meta.Undecoded() {
		for _, path := range f.unread(k) {
			f.Fault(path, "nothing reads %q: correct the name, or remove it", k.String())
		}
	}
	return f, nil
}

// unread are the paths at which a key stands: in a list of tables the library
// does not say in which.
func (f *File) unread(k toml.Key) []string {
	var found []string
	for path := range f.lines {
		if position.ReplaceAllString(path, "") == strings.Join(k, ".") {
			found = append(found, path)
		}
	}
	slices.Sort(found)
	if found == nil {
		found = []string{strings.Join(k, ".")}
	}
	return found
}

var (
	mistyped = regexp.MustCompile(`^(.*): toml: line ([0-9]+) \(last key "(.*?)"\): (?:incompatible types: )?`)
	position = regexp.MustCompile(`\[[0-9]+\]`)
	header   = regexp.MustCompile(`^\s*(\[\[?)\s*([^\]]+?)\s*\]`)
	setting  = regexp.MustCompile(`^\s*([A-Za-z0-9_."-]+?)\s*=`)
)

// places finds the line of each key and table. Keys of tables in one line
// ({a = 1}) stand where their table does.
func places(text string) map[string]int {
	at, counts, table := map[string]int{}, map[string]int{}, ""
	for i, line := range strings.Split(text, "\n") {
		if m := header.FindStringSubmatch(line); m != nil {
			table = bare(m[2])
			if top, rest, nested := strings.Cut(table, "."); nested && counts[top] > 0 {
				table = fmt.Sprintf("%s[%d].%s", top, counts[top]-1, rest)
			}
			if m[1] == "[[" {
				counts[table]++
				table = fmt.Sprintf("%s[%d]", table, counts[table]-1)
			}
			at[table] = i + 1
			continue
		}
		if m := setting.FindStringSubmatch(line); m != nil {
			path := bare(m[1])
			if table != "" {
				path = table + "." + path
			}
			if at[path] == 0 {
				at[path] = i + 1
			}
		}
	}
	return at
}

func bare(key string) string { return strings.ReplaceAll(key, `"`, "") }

// Line is the line of a path such as "server[1].zone", else of the nearest
// table around it, else the first.
func (f *File) Line(path string) int {
	for ; path != ""; path = path[:max(strings.LastIndexByte(path, '.'), 0)] {
		if line := f.lines[path]; line != 0 {
			return line
		}
	}
	return 1
}

// Fault notes a fault at a path.
func (f *File) Fault(path, format string, args ...any) {
	line := f.Line(path)
	f.faults = append(f.faults, fault{line, fmt.Errorf("%s:%d: %s", f.name, line, fmt.Sprintf(format, args...))})
}

// Err is every fault, one a line, from the top of the file down; nil where
// there is none.
func (f *File) Err() error {
	slices.SortStableFunc(f.faults, func(a, b fault) int { return a.line - b.line })
	errs := make([]error, 0, len(f.faults))
	for _, one := range f.faults {
		errs = append(errs, one.err)
	}
	return errors.Join(errs...)
}
