package staff

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnstone/store"
)

// A code ties an account of a platform to a member: whoever hands it in from
// an account has shown that both are theirs. It has 50 random bits, so that
// nobody finds one by trying in the day that it counts (common practice, no
// source), and is burned before it does anything.
const (
	codeLife   = 24 * time.Hour
	codePrefix = "code/"
	tiePrefix  = "tie/"
	codeHalf   = 5 // letters, 5 bits each
)

// letters of a code: without those that are read for one another.
var letters = base32.NewEncoding("ABCDEFGHJKLMNPQRSTUVWXYZ23456789").WithPadding(base32.NoPadding)

func random(n int) []byte {
	b := make([]byte, n)
	if _, err := rand.Read(b); err != nil {
		panic(err) // crypto/rand never fails on a supported system
	}
	return b
}

func newID() string { return strings.ToLower(letters.EncodeToString(random(10))) }

// Looks reports whether a text has the form of a code.
func Looks(text string) bool {
	a, b, cut := strings.Cut(clean(text), "-")
	_, err1 := letters.DecodeString(a)
	_, err2 := letters.DecodeString(b)
	return cut && len(a) == codeHalf && len(b) == codeHalf && err1 == nil && err2 == nil
}

func clean(text string) string { return strings.ToUpper(strings.TrimSpace(text)) }

// A ticket is what a code stands for.
type ticket struct {
	Member string `json:"member"` // ID
	Name   string `json:"name"`
}

// Code makes a once-only code for a member. It is told once: what is kept of
// it does not tell it.
func (s *Members) Code(ctx context.Context, by, name string) (code string, until time.Time, err error) {
	m, _, err := s.load(ctx, name)
	if err != nil {
		return "", until, err
	}
	text := letters.EncodeToString(random(2 * codeHalf))[:2*codeHalf]
	code, until = text[:codeHalf]+"-"+text[codeHalf:], s.Now().Add(codeLife)
	data, err := json.Marshal(ticket{Member: m.ID, Name: m.Name})
	if err != nil {
		return "", until, err
	}
	if err := s.audit(ctx, by, "code", m.Name); err != nil {
		return "", until, err
	}
	return code, until, s.Store.Put(ctx, s.codeKey(code), data, 0, until)
}

func (s *Members) codeKey(code string) string { return codePrefix + s.Hide("code", clean(code)) }

func (s *Members) tieKey(platform, account string) string {
	return tiePrefix + platform + "/" + s.Hide(platform, account)
}

// A tied account names its member.
type tied struct {
	Member string `json:"member"` // ID
	Name   string `json:"name"`
}

// Tie ties the account that hands a code in to the code's member. ErrCode says
// that the code was used, is too old, or never was one.
func (s *Members) Tie(ctx context.Context, platform, account, code string) (Member, error) {
	key := s.codeKey(code)
	data, etag, ok, err := s.Store.Get(ctx, key)
	if err != nil {
		return Member{}, err
	}
	if !ok {
		return Member{}, ErrCode
	}
	if err := s.Store.Delete(ctx, key, etag); errors.Is(err, store.ErrStale) {
		return Member{}, ErrCode // somebody else was first
	} else if err != nil {
		return Member{}, err
	}
	var t ticket
	if err := decode(data, &t); err != nil {
		return Member{}, err
	}
	m, etag, err := s.load(ctx, t.Name)
	if errors.Is(err, ErrNobody) || err == nil && m.ID != t.Member {
		return Member{}, fmt.Errorf("%w: its member was removed", ErrCode)
	}
	if err != nil {
		return Member{}, err
	}
	if err := s.audit(ctx, m.Name, "tie", platform); err != nil {
		return Member{}, err
	}
	was := slices.IndexFunc(m.Ties, func(t Tie) bool { return t.Platform == platform })
	if was >= 0 { // one account a platform: the one before counts no more
		if err := s.Store.Delete(ctx, s.tieKey(platform, m.Ties[was].Account), store.AnyEtag); err != nil {
			return Member{}, err
		}
		m.Ties = slices.Delete(m.Ties, was, was+1)
	}
	m.Ties = append(m.Ties, Tie{platform, account})
	if err := s.put(ctx, m, etag); err != nil {
		return Member{}, err
	}
	data, err = json.Marshal(tied{Member: m.ID, Name: m.Name})
	if err != nil {
		return Member{}, err
	}
	return m, s.Store.Put(ctx, s.tieKey(platform, account), data, store.AnyEtag, time.Time{})
}

// By is the member that an account of a platform belongs to; ErrNobody if it
// is nobody's. Both sides must say so: a tie that was left behind gives nothing.
func (s *Members) By(ctx context.Context, platform, account string) (Member, error) {
	data, _, ok, err := s.Store.Get(ctx, s.tieKey(platform, account))
	if err != nil {
		return Member{}, err
	}
	if !ok {
		return Member{}, ErrNobody
	}
	var t tied
	if err := decode(data, &t); err != nil {
		return Member{}, err
	}
	m, err := s.Of(ctx, t.Name)
	if err != nil {
		return Member{}, err
	}
	if m.ID != t.Member || !slices.Contains(m.Ties, Tie{platform, account}) {
		return Member{}, ErrNobody
	}
	return m, nil
}
