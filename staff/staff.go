// Package staff knows who works for the clinic, what each of them may do, and
// the list of items that ask them to look. What they do goes through the
// intake like everything else; here is only who may.
//
// Rights are kept here and nowhere else: what a platform calls its members
// gives none. Every look and every act leaves an audit row, and no look is
// shown whose row could not be written.
package staff

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"turnstone/record"
	"turnstone/store"
)

// A Right is something that a member may do.
type Right string

// The rights.
const (
	See       Right = "see"       // the list, and to look at an item
	Take      Right = "take"      // all that is done with an item, but to lower it
	Lower     Right = "lower"     // make an item less urgent
	Sensitive Right = "sensitive" // items that hold something private
	Settings  Right = "settings"  // who is a member; no talk is seen by it alone
)

// Rights lists all of them.
var Rights = []Right{See, Take, Lower, Sensitive, Settings}

// A Member is somebody who works for the clinic.
type Member struct {
	ID   string  `json:"id"` // random: a name that is given anew gets nothing of the one before
	Name string  `json:"name"`
	Role string  `json:"role,omitempty"` // as the person reads it: nurse, physiotherapist
	May  []Right `json:"may"`
	Ties []Tie   `json:"ties,omitempty"`
}

// A Tie is an account of a platform that belongs to a member.
type Tie struct {
	Platform string `json:"platform"`
	Account  string `json:"account"`
}

// Has reports whether a member has all these rights.
func (m Member) Has(rights ...Right) bool {
	return !slices.ContainsFunc(rights, func(r Right) bool { return !slices.Contains(m.May, r) })
}

// On is the member's account on a platform.
func (m Member) On(platform string) (account string, tied bool) {
	i := slices.IndexFunc(m.Ties, func(t Tie) bool { return t.Platform == platform })
	if i < 0 {
		return "", false
	}
	return m.Ties[i].Account, true
}

// A Store keeps named values.
type Store interface {
	Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error)
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
	Delete(ctx context.Context, key string, etag uint64) error
	List(ctx context.Context, prefix string) ([]store.Named, error)
}

// The faults that a caller tells apart; around them stands what to do.
var (
	ErrNobody = errors.New("no member of staff")
	ErrMayNot = errors.New("not allowed")
	ErrCode   = errors.New("that code does not count")
	ErrNote   = errors.New("an emergency is closed with a note: what happened?")
)

// Members are the accounts of staff. Its fields are set once.
type Members struct {
	Store Store
	Now   func() time.Time

	// Hide makes a pseudonym of a plain name of a kind: the keys of a store can
	// be read where what they hold can not.
	Hide func(kind, plain string) string
}

const memberPrefix = "member/"

func (s *Members) key(name string) string {
	return memberPrefix + s.Hide("member", strings.ToLower(name))
}

// longestName is how many characters a name or a role may have: what a
// sentence shows of one.
const longestName = 60

func checkName(what, name string) error {
	bad := func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsMark(r) && !strings.ContainsRune(" .'’-", r)
	}
	switch {
	case strings.TrimSpace(name) != name || name == "":
		return fmt.Errorf("%s %q must be a name, with no space around it", what, name)
	case len([]rune(name)) > longestName:
		return fmt.Errorf("%s %q is longer than %d characters", what, name, longestName)
	case strings.ContainsFunc(name, bad):
		return fmt.Errorf("%s %q may hold letters, spaces, points, hyphens and apostrophes only", what, name)
	}
	return nil
}

// ParseRights reads rights with commas between them.
func ParseRights(text string) ([]Right, error) {
	var list []Right
	var errs []error
	for word := range strings.SplitSeq(text, ",") {
		r := Right(strings.TrimSpace(word))
		switch {
		case !slices.Contains(Rights, r):
			errs = append(errs, fmt.Errorf("%q is no right; it is one of %v", r, Rights))
		case !slices.Contains(list, r):
			list = append(list, r)
		}
	}
	return list, errors.Join(errs...)
}

// Add makes an account. The first one may do everything, whatever is asked:
// somebody must be able to.
func (s *Members) Add(ctx context.Context, by, name, role string, may []Right) (Member, error) {
	m := Member{ID: newID(), Name: name, Role: role, May: may}
	err := checkName("the name", name)
	if role != "" {
		err = errors.Join(err, checkName("the role", role))
	}
	if err != nil {
		return m, err
	}
	all, err := s.All(ctx)
	if err != nil {
		return m, err
	}
	if len(all) == 0 {
		m.May = Rights
	}
	switch {
	case len(m.May) == 0:
		return m, errors.New("name at least one right")
	case !m.Has(See) && (m.Has(Take) || m.Has(Lower) || m.Has(Sensitive)):
		return m, fmt.Errorf("whoever may %s, %s or see what is %s needs the right to %s too", Take, Lower, Sensitive, See)
	case m.Has(Lower) && !m.Has(Take):
		return m, fmt.Errorf("whoever may %s needs the right to %s too", Lower, Take)
	}
	if err := s.audit(ctx, by, "add", name); err != nil {
		return m, err
	}
	err = s.put(ctx, m, 0)
	if errors.Is(err, store.ErrStale) {
		return m, fmt.Errorf("there is a member called %s already; remove that one first, or take another name", name)
	}
	return m, err
}

func (s *Members) put(ctx context.Context, m Member, etag uint64) error {
	data, err := json.Marshal(m)
	if err != nil {
		return err
	}
	return s.Store.Put(ctx, s.key(m.Name), data, etag, time.Time{})
}

// Of finds a member by name.
func (s *Members) Of(ctx context.Context, name string) (Member, error) {
	m, _, err := s.load(ctx, name)
	return m, err
}

func (s *Members) load(ctx context.Context, name string) (m Member, etag uint64, err error) {
	data, etag, ok, err := s.Store.Get(ctx, s.key(name))
	if err != nil {
		return m, 0, err
	}
	if !ok {
		return m, 0, fmt.Errorf("%w is called %s", ErrNobody, name)
	}
	return m, etag, decode(data, &m)
}

func decode(data []byte, v any) error {
	if err := json.Unmarshal(data, v); err != nil {
		return fmt.Errorf("%w: an account of staff: %w", store.ErrDamaged, err)
	}
	return nil
}

// All are the members, by name.
func (s *Members) All(ctx context.Context) ([]Member, error) {
	list, err := s.Store.List(ctx, memberPrefix)
	if err != nil {
		return nil, err
	}
	var all []Member
	for _, v := range list {
		var m Member
		if err := decode(v.Bytes, &m); err != nil {
			return nil, err
		}
		all = append(all, m)
	}
	slices.SortFunc(all, func(a, b Member) int { return strings.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)) })
	return all, nil
}

// Remove takes an account away, with its ties. Codes that were made for it
// count no more. Whoever has a right alone that somebody must have stays: the
// service may run meanwhile, and would have nobody for what it raises.
func (s *Members) Remove(ctx context.Context, by, name string) error {
	m, etag, err := s.load(ctx, name)
	if err != nil {
		return err
	}
	all, err := s.All(ctx)
	if err != nil {
		return err
	}
	for _, r := range []Right{Settings, Take, Sensitive} {
		other := slices.ContainsFunc(all, func(o Member) bool { return o.ID != m.ID && o.Has(r) })
		if m.Has(r) && !other {
			return fmt.Errorf("%w: %s is the only one with the right %q; add somebody else with it first", ErrMayNot, m.Name, r)
		}
	}
	if err := s.audit(ctx, by, "remove", m.Name); err != nil {
		return err
	}
	if err := s.Store.Delete(ctx, s.key(m.Name), etag); err != nil {
		return err
	}
	for _, t := range m.Ties {
		if err := s.Store.Delete(ctx, s.tieKey(t.Platform, t.Account), store.AnyEtag); err != nil {
			return err
		}
	}
	return nil
}

// audit writes the row of a change before it is made: a row too many, rather
// than a change that nobody knows of.
func (s *Members) audit(ctx context.Context, by, do, about string) error {
	return writeAudit(ctx, s.Store, record.Audit{At: s.Now(), By: by, Do: do, To: about})
}

func writeAudit(ctx context.Context, s Store, a record.Audit) error {
	row, err := a.Named()
	if err != nil {
		return err
	}
	return s.Put(ctx, row.Key, row.Bytes, 0, row.Expires)
}
