// Package record is a person's record and its encoding: what a store keeps of
// one hurt person reached through one account. A codec byte stands first;
// store/sealed compresses and seals around it.
package record

import (
	"crypto/rand"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"turnstone/care"
	"turnstone/seal"
	"turnstone/store"
)

// codecJSON is the codec byte of plain JSON.
const codecJSON = 0

// seenEvents is how many event IDs are remembered: far more than any
// platform delivers again.
const seenEvents = 32

// A Record is everything that is kept of a person, beside the log.
type Record struct {
	Episode care.Episode `json:"episode"`
	Seen    Hashes       `json:"seen,omitempty"` // of the last event IDs, the oldest first
	Address string       `json:"address"`        // where the channel reaches the person
	Account string       `json:"account"`        // the record that the account began with
}

// HasSeen reports whether an event was handled before.
func (r *Record) HasSeen(id care.EventID) bool { return slices.Contains(r.Seen, hash(id)) }

// Note remembers an event.
func (r *Record) Note(id care.EventID) {
	if id == "" {
		return
	}
	r.Seen = append(slices.Clone(r.Seen), hash(id))
	if n := len(r.Seen); n > seenEvents {
		r.Seen = r.Seen[n-seenEvents:]
	}
}

// Encode writes r as bytes for a store.
func Encode(r Record) ([]byte, error) {
	data, err := json.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("encode record of episode %s: %w", r.Episode.ID, err)
	}
	return append([]byte{codecJSON}, data...), nil
}

// Decode reads what Encode wrote. An unknown codec is an error: a newer
// version wrote it.
func Decode(data []byte) (Record, error) {
	var r Record
	if len(data) == 0 {
		return r, fmt.Errorf("%w: a record without a byte", store.ErrDamaged)
	}
	if _, sealed := seal.Of(data); sealed {
		return r, fmt.Errorf("%w: a sealed record was not opened", store.ErrDamaged)
	}
	if data[0] != codecJSON {
		return r, fmt.Errorf("%w: codec %d is not known; use the version that wrote it", store.ErrNewer, data[0])
	}
	if err := json.Unmarshal(data[1:], &r); err != nil {
		return r, fmt.Errorf("%w: record: %w", store.ErrDamaged, err)
	}
	return r, nil
}

// AccountKey is where a store's named values note whom an account is talking
// about.
func AccountKey(account string) string { return "account/" + account }

// month is how long a month is kept that the person is told of.
const month = 30 * 24 * time.Hour

// KeepFinished is how long what is closed is usually kept.
const KeepFinished = care.UsualMonths * month

// KeepFor is how long an episode is kept once it is closed, as its person was
// told.
func KeepFor(ep *care.Episode) time.Duration { return time.Duration(ep.Months()) * month }

// Leases of the commit that makes something due at once.
const (
	UrgentLease  = 5 * time.Second
	RoutineLease = 30 * time.Second
)

// Write puts a record and the lines of its log into one commit. An erasing
// record whose agenda is empty becomes the commit that erases the person.
func Write(person care.PersonID, read store.Etag, nonce [8]byte, r Record, log []care.Line, now time.Time) (store.Write, error) {
	w := store.Write{
		Person: string(person), Read: read, Next: read.Next(nonce), Now: now,
		Lease: [2]time.Duration{store.Urgent: UrgentLease, store.Routine: RoutineLease},
	}
	if r.Episode.Erasing && len(r.Episode.Agenda) == 0 {
		return w, nil
	}
	data, err := Encode(r)
	if err != nil {
		return w, err
	}
	w.Bytes = data
	for _, it := range r.Episode.Agenda {
		lane := LaneOf(it)
		if due := Due(it); w.Due[lane].IsZero() || due.Before(w.Due[lane]) {
			w.Due[lane] = due
		}
	}
	if r.Episode.Erasing {
		return w, nil // nothing more is written about somebody who is to be forgotten
	}
	for _, l := range log {
		line, err := json.Marshal(l)
		if err != nil {
			return w, fmt.Errorf("encode log line: %w", err)
		}
		w.Log = append(w.Log, line)
	}
	return w, nil
}

// Due is when an item is due. What is to be said or raised at once is due
// before everything else, also by a clock that was set back meanwhile.
func Due(it care.Item) time.Time {
	if it.What == care.DoSay || it.What == care.DoRaise {
		return time.Unix(0, 0)
	}
	return it.Due
}

// LaneOf is the lane that an item waits in.
func LaneOf(it care.Item) store.Lane {
	if it.Urgent {
		return store.Urgent
	}
	return store.Routine
}

// Nonce makes the random half of an etag. The same decision keeps its nonce
// however often it is sent.
func Nonce() [8]byte {
	var n [8]byte
	if _, err := rand.Read(n[:]); err != nil {
		panic(err) // crypto/rand never fails on a supported system
	}
	return n
}

// Keep is how a finished episode is kept apart until its day.
func Keep(r Record, until time.Time) (store.Kept, error) {
	data, err := Encode(r)
	return store.Kept{ID: string(r.Episode.ID), Until: until, Bytes: data}, err
}
