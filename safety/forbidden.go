package safety

import (
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"strings"

	"github.com/BurntSushi/toml"
)

// Forbidden knows what nobody may write to a person: a dose, or a verdict on
// the bone. The patterns belong to the languages.
type Forbidden struct{ rows []forbiddenRow }

type forbiddenRow struct {
	What    string `toml:"what"`
	Pattern string `toml:"pattern"`
	Stops   string `toml:"stops"`
	Passes  string `toml:"passes"`
	re      *regexp.Regexp
}

// LoadForbidden reads the forbidden.toml of every language folder. Each row
// proves itself: the sentence that it must stop, and one that it must let
// pass. All faults come at once.
func LoadForbidden(fsys fs.FS) (*Forbidden, error) {
	names, err := fs.Glob(fsys, "*/forbidden.toml")
	if err != nil {
		return nil, err
	}
	if len(names) == 0 {
		return nil, errors.New("no language has a forbidden.toml; staff's words could not be checked")
	}
	f := &Forbidden{}
	var faults []error
	for _, name := range names {
		faults = append(faults, f.read(fsys, name))
	}
	return f, errors.Join(faults...)
}

func (f *Forbidden) read(fsys fs.FS, name string) error {
	data, err := fs.ReadFile(fsys, name)
	if err != nil {
		return err
	}
	var file struct {
		Rows []forbiddenRow `toml:"forbidden"`
	}
	meta, err := toml.Decode(string(data), &file)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	var faults []error
	for _, key := range meta.Undecoded() {
		faults = append(faults, fmt.Errorf("%s: field %q is unknown; a row has what, pattern, stops and passes", name, key))
	}
	for i, row := range file.Rows {
		if err := row.prove(); err != nil {
			faults = append(faults, fmt.Errorf("%s: row %d (%s): %w", name, i+1, row.What, err))
			continue
		}
		f.rows = append(f.rows, row)
	}
	return errors.Join(faults...)
}

func (r *forbiddenRow) prove() (err error) {
	if r.re, err = regexp.Compile("(?i)" + r.Pattern); err != nil {
		return fmt.Errorf("the pattern can't be read: %w", err)
	}
	switch {
	case r.What == "" || r.Stops == "" || r.Passes == "":
		return errors.New("what, stops and passes must be given")
	case !r.re.MatchString(r.Stops):
		return fmt.Errorf("the pattern does not stop %q", r.Stops)
	case r.re.MatchString(r.Passes):
		return fmt.Errorf("the pattern stops %q, which must pass", r.Passes)
	}
	return nil
}

// Find tells the first forbidden words of a text, with what they are.
func (f *Forbidden) Find(text string) (string, bool) {
	text = strings.ToValidUTF8(text, "")
	for _, r := range f.rows {
		if hit := r.re.FindString(text); hit != "" {
			return strings.TrimSpace(hit), true
		}
	}
	return "", false
}
