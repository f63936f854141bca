// Package store is the promise that every store of Turnstone keeps, to the
// letter, and the few types that the promise is written in. It holds no code
// that stores anything: store/bolt and the others do, and storetest asks each
// of them for every sentence below.
//
// # A commit
//
// One Write carries everything that one decision changes about one person:
// the record, when something is due, log lines, finished episodes to keep and
// named values. All of it happens or nothing does, and nobody ever sees half.
// When Commit answers nil it is durable: the process may be killed and, as far
// as the disk keeps its word, the power may fail; it is still there.
//
// A Write names the etag that was read. If the record has another one, or is
// there although none was read, Commit answers ErrStale and changes nothing.
// Of any number of writers that read the same version exactly one wins.
// If the record already has the etag Write.Next, this very write has happened
// before and Commit answers nil without doing it again. That makes sending the
// same Write twice harmless, which is what a caller does who was not told how
// it ended: after any error other than ErrStale and ErrInvalid the write may
// or may not have happened, and the same Write (the same nonce) asks again.
//
// A Write whose Bytes are nil erases the person: record, due times, leases,
// log and kept episodes, in the same commit. Somebody who is not there is
// erased already, so that erasing is answered nil whatever was read, and its
// named values are written. Somebody who comes back begins at version 1.
//
// # What is due
//
// A person has at most one due time a lane, set anew by each commit; a zero
// time means nothing is due there. Due times are kept to the millisecond,
// rounded up, so that nothing is early; times before 1970 count as 1970, so
// that the moment 0 is before everything else.
//
// Claim hands out people whose due time in one lane has come, oldest first
// (what has been handed out before may be placed by the end of its lease),
// and takes a lease on that person and lane: until it ends, nobody else is
// handed that person in that lane. A lane's lease holds nothing up in the
// other lane. A lease ends by time, by Release, or by the next commit of the
// person; a commit that leaves something due takes a new one itself if
// Write.Lease says so, before anybody else can see it as due. A lease is a
// courtesy that saves double work, and the etag is the fence: who worked past
// the end of a lease finds the record moved on.
//
// NextDue tells when the next person can be claimed. A leased person counts
// from the end of the lease, and may still do so when that is over. Wake's channel is rung, at the latest when the
// commit or the Release returns, if that made somebody claimable earlier than
// NextDue could have said before; one ring may stand for many.
//
// # Time
//
// A clock set ahead ends leases early and makes due what is due by that clock.
// A clock set back makes nothing due twice and lets no lease last longer than
// its length, counted anew from when the store noticed. Moments handed to a
// store that has a clock of its own (a server) are ignored by it.
//
// # Log, kept episodes, named values
//
// Log lines are returned in the order in which they were committed; there is
// no gap and no double. Only erasing the person removes them.
//
// A kept episode is returned until its moment Until and never from then on,
// and Retire removes what has passed it. Keeping the same ID again replaces it.
// Kept returns them in the order of their IDs.
//
// Named values are bytes under a key, each with an etag that is never used
// again for that key, not even after a delete. Put and Delete compare: the
// etag 0 means "must not exist", AnyEtag means "whatever is there". What
// does not match is ErrStale. A value is never returned from the moment
// Expires on, and counts as not existing. List returns them in the order of
// their keys.
//
// # Moving
//
// Whole returns everything stored of one person as it stood at one moment, and
// Restore puts that in place of whatever is there, etag and due times
// included, in one commit: a later Whole is the same, and a commit on top of
// the old etag goes on from it. Leases do not move. Restore is for filling a
// store that nobody uses yet; it compares nothing.
//
// # The rest
//
// Bytes handed in belong to the caller again on return; bytes handed out
// belong to the caller. All methods may be called from many goroutines. A
// context that has ended before the call means that nothing happened.
// People goes through everybody who is there all the while once, in no
// particular order; who comes or goes meanwhile may or may not come up.
package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"
)

// The faults that a caller tells apart, with errors.Is. The texts around them
// are for the operator: what is wrong, where, and what to do.
var (
	// ErrStale: the record or value has moved on since it was read. Read and decide again.
	ErrStale = errors.New("it has moved on since it was read")
	// ErrInvalid: the call breaks a rule of this package; trying again will not help.
	ErrInvalid = errors.New("not a valid call to the store")
	// ErrDown: the store cannot answer now. A write may or may not have happened.
	ErrDown = errors.New("the store is down")
	// ErrHeld: another process holds the folder.
	ErrHeld = errors.New("another process holds it")
	// ErrNewer: the data was written by a newer version of this program.
	ErrNewer = errors.New("written by a newer version")
	// ErrDamaged: what is stored does not read as what was written.
	ErrDamaged = errors.New("damaged")
)

// Limits of one call; what is beyond them is ErrInvalid.
const (
	MaxPerson = 200      // bytes of a pseudonym, and of a kept episode's ID
	MaxKey    = 400      // bytes of a named value's key
	MaxBytes  = 16 << 20 // bytes of a record, a log line, a kept episode or a named value
	MaxLog    = 10_000   // log lines of one write
)

// AnyEtag in Put and Delete means: whatever is there, even nothing.
const AnyEtag = ^uint64(0)

// A Lane keeps what cannot wait apart from what can.
type Lane uint8

// The two lanes.
const (
	Urgent  Lane = iota // cards, escalations, answers to somebody who is typing
	Routine             // checks, repeats
)

// String names the lane for logs.
func (l Lane) String() string {
	switch l {
	case Urgent:
		return "urgent"
	case Routine:
		return "routine"
	}
	return fmt.Sprintf("lane(%d)", uint8(l))
}

// An Etag tells which commit wrote a record: its version (8 bytes, big endian)
// and a random nonce of that commit (8 bytes). The zero Etag means no record.
type Etag [16]byte

// Next returns the etag of a commit on top of e. The nonce must be random and
// new for each decision, and the same when that decision is sent again.
func (e Etag) Next(nonce [8]byte) Etag {
	var next Etag
	binary.BigEndian.PutUint64(next[:8], e.Version()+1)
	copy(next[8:], nonce[:])
	return next
}

// Version counts the commits since the record was made: 1 is the first.
func (e Etag) Version() uint64 { return binary.BigEndian.Uint64(e[:8]) }

// A Record is what is stored of one person. Without one it is zero.
type Record struct {
	Etag  Etag
	Bytes []byte
}

// A Write is one commit of one person.
type Write struct {
	Person string           // pseudonym, opaque, not empty, at most MaxPerson bytes
	Read   Etag             // the etag that was read; zero if there was no record
	Next   Etag             // Read.Next(nonce)
	Bytes  []byte           // the new record; nil erases the person, and then Due, Log and Keep must be empty
	Due    [2]time.Time     // the earliest due time a lane; zero: nothing is due there
	Log    [][]byte         // lines to append
	Lease  [2]time.Duration // if that lane's Due has come, the lease that the commit takes; zero takes none
	Now    time.Time        // the caller's clock, never zero
	Keep   []Kept           // finished episodes to keep apart
	Named  []NamedWrite     // named values written or deleted in the same commit, whatever is there
}

// A Kept is a finished episode, kept apart from the record until a moment.
type Kept struct {
	ID    string // opaque, not empty, at most MaxPerson bytes, one of its kind within the person
	Until time.Time
	Bytes []byte
}

// A Whole is everything stored of one person. Somebody who is not there has a
// zero Record and nothing else.
type Whole struct {
	Person string
	Record Record
	Due    [2]time.Time // to the millisecond
	Log    [][]byte
	Kept   []Kept // in the order of their IDs
}

// A NamedWrite sets one named value, or deletes it if Bytes are nil.
type NamedWrite struct {
	Key     string // not empty, at most MaxKey bytes
	Bytes   []byte
	Expires time.Time // zero: never
}

// A Named is one named value as List returns it.
type Named struct {
	Key     string
	Bytes   []byte
	Etag    uint64
	Expires time.Time // zero: never
}

// Millis is how a store keeps a moment that something waits for: milliseconds
// since 1970, rounded up so that nothing comes early, and never below 0.
func Millis(t time.Time) int64 {
	ms := t.UnixMilli()
	if t.Nanosecond()%int(time.Millisecond) != 0 {
		ms++
	}
	return max(ms, 0)
}
