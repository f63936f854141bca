package sign

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"turnstone/tomlfile"
)

// A Register is the file of signatures. It only grows.
type Register struct {
	Path       string      `toml:"-"`
	Signatures []Signature `toml:"signature"`
}

// Read reads the file of signatures; one that is not there holds none.
func Read(path string) (*Register, error) {
	r := &Register{Path: path}
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return r, nil
	}
	if err != nil {
		return nil, fmt.Errorf("the file of signatures: %w", err)
	}
	f, err := tomlfile.Decode(path, data, r)
	if err != nil {
		return nil, err
	}
	for i := range r.Signatures {
		at := fmt.Sprintf("signature[%d]", i)
		for _, fault := range r.Signatures[i].faults() {
			f.Fault(at, "%s", fault)
		}
		if s := &r.Signatures[i]; s.SHA256 != hashOf(s.Pieces) {
			f.Fault(at+".sha256", "the pieces do not make this hash: somebody has changed them; remove this signature and sign again")
		}
	}
	return r, f.Err()
}

// faults are what a signature lacks.
func (s *Signature) faults() []string {
	var out []string
	if !slices.Contains(Parts(), s.Part) {
		out = append(out, fmt.Sprintf("the part %q is not known; it can be one of %v", s.Part, Parts()))
	}
	if (s.Part == Sentences) != (s.Language != "") {
		out = append(out, "a language goes with sentences, and with nothing else")
	}
	for _, need := range []struct{ what, text string }{{"role", s.Role}, {"name", s.Name}} {
		if !oneLine(need.text) {
			out = append(out, fmt.Sprintf("the %s is empty, or more than a line", need.what))
		}
	}
	if s.ReadBy != "" && (!oneLine(s.ReadBy) || strings.EqualFold(strings.TrimSpace(s.ReadBy), strings.TrimSpace(s.Name))) {
		out = append(out, "who has read it must be somebody else than who signs")
	}
	if _, err := time.Parse(time.DateOnly, s.Date); err != nil {
		out = append(out, fmt.Sprintf("%q is no day; write it as 2026-11-25", s.Date))
	}
	return out
}

func oneLine(text string) bool {
	return strings.TrimSpace(text) != "" && !strings.ContainsFunc(text, func(r rune) bool { return r < ' ' })
}

// Sign adds a signature to the file, for a part as it is now. A draft language
// needs a second person who has read it.
func (r *Register) Sign(c Content, role, name, readBy string, on time.Time) error {
	s := Signature{
		Part: c.Part, Language: c.Language, Role: role, Name: name, ReadBy: readBy,
		Date: on.Format(time.DateOnly), SHA256: c.Hash(), Pieces: c.Pieces,
	}
	faults := s.faults()
	switch {
	case c.Draft && readBy == "":
		faults = append(faults, fmt.Sprintf("%s: so far only the translator has read this language; name a second person who has read it back, with --read-by", c))
	case !c.Draft && readBy != "":
		faults = append(faults, fmt.Sprintf("%s: --read-by goes with a language that is a draft", c))
	}
	if len(faults) > 0 {
		return errors.New(strings.Join(faults, "\n"))
	}
	next := Register{Signatures: append(slices.Clone(r.Signatures), s)}
	if err := next.write(r.Path); err != nil {
		return fmt.Errorf("write the file of signatures: %w", err)
	}
	r.Signatures = next.Signatures
	return nil
}

// heading stands at the top of the file.
const heading = `# Who stands by what people are told. Written by "bot sign"; each signature holds
# for the very state that its hashes name. Keep the file: older signatures let an
# older program be put back.
`

// write puts the file there whole or not at all.
func (r *Register) write(path string) error {
	var b bytes.Buffer
	b.WriteString(heading)
	if err := toml.NewEncoder(&b).Encode(r); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".signed-*")
	if err != nil {
		return err
	}
	_, err = f.Write(b.Bytes())
	err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close()) // the service may run as another user
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}
