package intake

import (
	"context"
	"crypto/sha256"
	"encoding/base32"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
)

// An account may tell of two hurt people: each has a record of their own, and
// the account notes which one is being talked about.
type account struct {
	Active care.PersonID `json:"active"`
}

// second is the record of the other person that an account tells of.
func second(c care.PersonID) care.PersonID { return c + "+2" }

// current is the person that an account's words are about now.
func (in *Intake) current(ctx context.Context, c Caller) (care.PersonID, error) {
	data, _, ok, err := in.Store.Get(ctx, record.AccountKey(string(c.Person)))
	if err != nil || !ok {
		return c.Person, err
	}
	var a account
	if err := json.Unmarshal(data, &a); err != nil {
		return "", fmt.Errorf("account %s: %w", c.Person, err)
	}
	return a.Active, nil
}

// whose is the person that an event is about: what answers a question is about
// whom the question is about, whoever is being talked about since.
func (in *Intake) whose(ctx context.Context, c Caller, ev care.Event) (care.PersonID, error) {
	switch {
	case ev.Token == "":
		return in.current(ctx, c)
	case care.AboutOther(ev.Token):
		return second(c.Person), nil
	}
	return c.Person, nil
}

// A Standing is how it stands with an account: what a channel needs to know
// to look after it.
type Standing struct {
	Known  bool      // something is kept of it
	Open   bool      // a talk is under way, or checks are to come
	Urgent bool      // an emergency is open
	Asks   bool      // a question is open, and not still on its way
	Heard  time.Time // when the person last did something
}

// Standing tells how it stands with an account.
func (in *Intake) Standing(ctx context.Context, account care.PersonID) (Standing, error) {
	var s Standing
	for _, person := range []care.PersonID{account, second(account)} {
		was, err := in.Store.Load(ctx, string(person))
		if err != nil {
			return s, fmt.Errorf("load: %w", err)
		}
		if was.Bytes == nil {
			continue
		}
		r, err := record.Decode(was.Bytes)
		if err != nil {
			return s, err
		}
		s.Known = true
		s.Open = s.Open || !r.Episode.Closed
		s.Urgent = s.Urgent || r.Episode.Open
		s.Asks = s.Asks || r.Episode.Ask != nil && !r.Episode.Closed && !asks(r.Episode)
		if r.Episode.LastHeard.After(s.Heard) {
			s.Heard = r.Episode.LastHeard
		}
	}
	return s, nil
}

// beside turns to the other person: a new episode, or the one that was begun.
func (in *Intake) beside(ctx context.Context, c Caller, ev care.Event) error {
	person, err := in.current(ctx, c)
	if err != nil {
		return err
	}
	opened := care.Event{Kind: care.Opened, ID: ev.ID + "/other"}
	return in.commit(ctx, c, person, opened, care.Finding{})
}

// forget erases the other person too when an account asks to be forgotten.
func (in *Intake) forget(ctx context.Context, c Caller, person care.PersonID, ev care.Event) error {
	other := second(c.Person)
	if person == other {
		other = c.Person
	}
	was, err := in.Store.Load(ctx, string(other))
	if err != nil || was.Bytes == nil {
		return err
	}
	ev.ID += "/other"
	if err := in.commit(ctx, Caller{}, other, ev, care.Finding{}); err != nil {
		return err
	}
	return in.Store.Delete(ctx, record.AccountKey(string(c.Person)), store.AnyEtag)
}

// active is the note of who is being talked about, written in the same commit
// as the change that makes it so: somebody asked for the other person, an older
// question of this one was answered, or a question of this one is about to be
// put, to an account that has two.
func (in *Intake) active(r record.Record, person care.PersonID, ev care.Event) []store.NamedWrite {
	base := care.PersonID(r.Account)
	switch {
	case base == "":
		return nil
	case r.Episode.WantsOther:
		other := second(base)
		if person == other {
			other = base
		}
		person = other
	case ev.Kind != care.FellDue && ev.Kind != care.StaffDid && ev.Token == "" || !asks(r.Episode) || !r.Episode.Beside && !r.Episode.Other:
		return nil
	}
	data, err := json.Marshal(account{Active: person})
	if err != nil {
		in.Log.Error("an account can't be written", "err", err) // a struct of one string always can
		return nil
	}
	return []store.NamedWrite{{Key: record.AccountKey(string(base)), Bytes: data}}
}

// asks reports whether a message with a question is on its way. An item that
// falls due without a word must not turn the talk round.
func asks(ep care.Episode) bool {
	return slices.ContainsFunc(ep.Agenda, func(it care.Item) bool { return it.What == care.DoSay && it.Say.Ask != nil })
}

// episodeID names an episode after its person and its first event, so that
// the same beginning worked out twice has one name. It tells neither.
func episodeID(person care.PersonID, first care.EventID) care.EpisodeID {
	sum := sha256.Sum256([]byte(string(person) + "\x00" + string(first)))
	return care.EpisodeID(strings.ToLower(base32.StdEncoding.EncodeToString(sum[:10])))
}
