// Package sign holds who stands by what people are told: for the protocol, for
// the sentences of each language and for the pictures a role, a name and a
// date, with hashes of what was signed. What is changed is unsigned again.
//
// It is a record and no lock: whoever may write the file may sign. It keeps a
// program that nobody has gone through away from people, and says what has
// changed since somebody did.
package sign

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"

	"turnstone/care"
)

// A Part is what is signed at once.
type Part string

// The parts.
const (
	Protocol  Part = "protocol"  // what is asked and where it leads
	Sentences Part = "sentences" // what is said in one language; in the base language the numbers to call too
	Pictures  Part = "pictures"
)

// Parts are all of them.
func Parts() []Part { return []Part{Protocol, Sentences, Pictures} }

// A Content is a part as it is in this program.
type Content struct {
	Part     Part
	Language care.Locale       // of sentences, else empty
	Draft    bool              // nobody but the translator has read the language
	Needed   bool              // before people are answered
	Pieces   map[string]string // name of each file or sentence -> Piece of it

	text func(piece string) (string, error)
}

// Text is what a clinician reads of a piece: the file or the sentence, and of a
// picture what it shows in words.
func (c Content) Text(piece string) (string, error) { return c.text(piece) }

// pieceSize is how many characters of the hash of one piece are kept.
const pieceSize = 16

// Piece is the hash of one file or sentence: the first 16 figures of SHA-256.
func Piece(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])[:pieceSize]
}

// Hash is the SHA-256 of the pieces, one a line, as "hash  name", sorted by name.
func (c Content) Hash() string { return hashOf(c.Pieces) }

func hashOf(pieces map[string]string) string {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(pieces)) {
		fmt.Fprintf(h, "%s  %s\n", pieces[name], name)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// String names the part for people.
func (c Content) String() string {
	if c.Language == "" {
		return string(c.Part)
	}
	return fmt.Sprintf("%s %s", c.Part, c.Language)
}

// A Signature says who stands by a part, and by which state of it.
type Signature struct {
	Part     Part              `toml:"part"`
	Language care.Locale       `toml:"language,omitempty"`
	Role     string            `toml:"role"`
	Name     string            `toml:"name"`
	ReadBy   string            `toml:"read_by,omitempty"` // who read a draft language back
	Date     string            `toml:"date"`              // such as 2026-11-25
	SHA256   string            `toml:"sha256"`            // of the pieces
	Pieces   map[string]string `toml:"pieces"`
}

// of reports whether a signature is of this part, in whatever state.
func (s *Signature) of(c Content) bool { return s.Part == c.Part && s.Language == c.Language }

// A Standing is how a part stands: by whom it is signed, else who signed it
// last, and what has changed since.
type Standing struct {
	Content
	By      *Signature // nil while unsigned
	Last    *Signature // the newest of the part, in whatever state; nil where there is none
	Changed []string   // pieces that are new, gone or different since Last, sorted

	file string // of the signatures
}

// Standing looks how a part stands. Older signatures count too, so that a
// program that was put back is still signed.
func (r *Register) Standing(c Content) Standing {
	s := Standing{Content: c, file: r.Path}
	for i := range r.Signatures {
		if one := &r.Signatures[i]; one.of(c) {
			s.Last = one
			if one.SHA256 == c.Hash() {
				s.By = one
			}
		}
	}
	if s.By == nil && s.Last != nil {
		s.Changed = differ(s.Last.Pieces, c.Pieces)
	}
	return s
}

func differ(was, is map[string]string) []string {
	var names []string
	for name, hash := range is {
		if was[name] != hash {
			names = append(names, name)
		}
	}
	for name := range was {
		if _, still := is[name]; !still {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// mostNamed is how many changed pieces are named in one line.
const mostNamed = 5

// String says how the part stands, and what to do where it is unsigned.
func (s Standing) String() string {
	todo := "; " + s.Todo()
	switch {
	case s.By != nil:
		todo = ""
	case !s.Needed:
		todo = "; until then it is said in the base language" + todo
	}
	return s.Now() + todo
}

// Todo is what to do about an unsigned part.
func (s Standing) Todo() string { return "a clinician reads it, then: " + s.command() }

// Now says how the part stands.
func (s Standing) Now() string {
	switch {
	case s.By != nil:
		return fmt.Sprintf("%s: signed by %s", s.Content, s.By)
	case s.Last == nil:
		return fmt.Sprintf("%s: nobody has signed it", s.Content)
	}
	named, more := s.Changed, ""
	if n := len(named) - mostNamed; n > 0 {
		named, more = named[:mostNamed], fmt.Sprintf(" and %d more", n)
	}
	return fmt.Sprintf("%s: changed since %s signed it: %s%s", s.Content, s.Last, strings.Join(named, ", "), more)
}

// String says who signed, and when.
func (s *Signature) String() string { return fmt.Sprintf("%s (%s) on %s", s.Name, s.Role, s.Date) }

// command is how the part is signed.
func (s Standing) command() string {
	text := fmt.Sprintf("bot sign --signed %s --part %s", s.file, s.Part)
	if s.Language != "" {
		text += fmt.Sprintf(" --language %s", s.Language)
	}
	text += " --role ROLE --name NAME"
	if s.Draft {
		text += " --read-by NAME"
	}
	return text
}

// Standings looks at every part.
func (r *Register) Standings(contents []Content) []Standing {
	out := make([]Standing, 0, len(contents))
	for _, c := range contents {
		out = append(out, r.Standing(c))
	}
	return out
}

// Practice reports whether people may not be answered: something that is
// needed is unsigned.
func Practice(list []Standing) bool {
	return slices.ContainsFunc(list, func(s Standing) bool { return s.Needed && s.By == nil })
}

// Spoken reports which sentences of which language may be said: those of the
// base language, and each other one that somebody has signed as it is now.
func (r *Register) Spoken(contents []Content) func(care.Locale, care.SentenceKey) bool {
	signed := map[care.Locale]map[string]bool{}
	for _, c := range contents {
		if c.Part != Sentences || c.Needed {
			continue
		}
		signed[c.Language] = map[string]bool{}
		for i := range r.Signatures {
			if one := &r.Signatures[i]; one.of(c) {
				for name, hash := range one.Pieces {
					signed[c.Language][name] = signed[c.Language][name] || c.Pieces[name] == hash
				}
			}
		}
	}
	return func(l care.Locale, key care.SentenceKey) bool {
		pieces, other := signed[l]
		return !other || pieces[string(key)]
	}
}
