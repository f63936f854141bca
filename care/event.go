package care

import (
	"errors"
	"time"
)

// An EventKind says what happened.
type EventKind uint8

// The kinds of event.
const (
	Opened   EventKind = iota + 1 // the person came, or the channel opened a talk
	Said                          // typed words
	Chose                         // pressed choices
	FellDue                       // an item of the agenda is due
	StaffDid                      // a staff member did something
	Retired                       // the program ends for good
	WasAway                       // the program did not answer for a while, and is back
)

// An Event is one thing that happened to an episode.
type Event struct {
	ID      EventID
	Kind    EventKind
	Text    string   // Said
	Choices []string // Chose
	Token   string   // Chose, Said, Opened: the question that it answers; empty means the open one of whoever is being talked about
	Item    Item     // FellDue
	Staff   StaffAct // StaffDid

	Pressed time.Time // when a staff member last did something; zero if nobody knows of any
}

// A StaffAct is what a staff member does with an escalation.
type StaffAct struct {
	Do          string  // one of Acts
	ID          string  // the escalation
	Event       EventID // the platform's own ID of the press, if it has one: the same press twice is done once
	By          string
	Role        string // of By, as the person reads it: nurse, physiotherapist
	To          string // hand_on
	ToRole      string // hand_on
	Text        string // reply
	Outcome     string // close
	Note        string // close, and the reason of raise and lower
	Disposition Disposition
}

// What staff do.
const (
	ActTake     = "take"
	ActHandOn   = "hand_on" // pass it to somebody else
	ActFree     = "free"    // put it back: nobody has it
	ActReply    = "reply"
	ActCallBack = "call_back" // ask for a telephone number
	ActClose    = "close"
	ActReopen   = "reopen"
	ActRaise    = "raise" // make it more urgent, and keep it
	ActLower    = "lower" // make it less urgent, and keep it
)

// Acts lists what staff can do.
var Acts = []string{ActTake, ActHandOn, ActFree, ActReply, ActCallBack, ActClose, ActReopen, ActRaise, ActLower}

// A Change is what one event comes to. Nothing has happened yet: it is
// committed whole or not at all.
type Change struct {
	Episode Episode
	Log     []Line
}

// A Line is one entry of a person's log: what was asked, answered, decided,
// planned or sent. Type says which fields are filled.
type Line struct {
	Type        string            `json:"type"`
	At          time.Time         `json:"at"`
	Protocol    string            `json:"protocol,omitempty"`
	ID          string            `json:"id,omitempty"`
	What        string            `json:"what,omitempty"`
	Due         time.Time         `json:"due,omitzero"`
	Disposition Disposition       `json:"disposition,omitempty"`
	Because     []string          `json:"because,omitempty"`
	Rule        map[string]string `json:"rule,omitempty"`
	Sensitive   bool              `json:"sensitive,omitempty"`
	Fact        Fact              `json:"fact,omitempty"`
	Value       string            `json:"value,omitempty"`
	State       string            `json:"state,omitempty"`
	By          string            `json:"by,omitempty"`
}

// The types of log line.
const (
	LineAnswer      = "answer"
	LineSign        = "sign"
	LineDisposition = "disposition"
	LineEscalation  = "escalation"
	LinePlanned     = "planned"
	LineCancelled   = "cancelled"
	LineDropped     = "dropped" // too late for its purpose, or stopped by the gate
	LineSent        = "sent"
	LineStaff       = "staff"
)

// Faults that more than one package speaks of.
var (
	ErrBadChoice = errors.New("that choice is not one of the open question's")
	ErrNoAsk     = errors.New("no question is open")
	ErrStaff     = errors.New("staff can't do that")
)
