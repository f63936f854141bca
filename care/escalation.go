package care

import "time"

// An Escalation asks staff to look.
type Escalation struct {
	ID          string      `json:"id"`
	What        string      `json:"what"`
	Disposition Disposition `json:"disposition,omitempty"`
	Because     []string    `json:"because,omitempty"`
	Sensitive   bool        `json:"sensitive,omitempty"`
	Since       time.Time   `json:"since"`
	At          time.Time   `json:"at,omitzero"`    // when staff last did something with it
	Held        bool        `json:"held,omitempty"` // waits for consent
	State       string      `json:"state,omitempty"`
	By          string      `json:"by,omitempty"`   // who has it
	Role        string      `json:"role,omitempty"` // of who has it
	Outcome     string      `json:"outcome,omitempty"`
	Note        string      `json:"note,omitempty"`
	Phone       string      `json:"phone,omitempty"`       // shown only to who took it
	Asked       int         `json:"asked,omitempty"`       // how often staff were asked again, since nobody has it
	SecondList  bool        `json:"second_list,omitempty"` // nobody took it in time
	Bare        bool        `json:"bare,omitempty"`        // what is left of an erased talk
}

// What an escalation is about.
const (
	AboutDisposition = "disposition"
	AboutHuman       = "human"       // asked for a person
	AboutNotSeen     = "not_seen"    // told to be seen, and has not been
	AboutNoReply     = "no_reply"    // a check without an answer
	AboutCallBack    = "call_back"   // not better by the last check
	AboutLowerAsked  = "lower_asked" // X-rayed and clear: may the disposition come down?
	AboutTakenBack   = "taken_back"  // an answer was changed after going back
	AboutUnsafe      = "unsafe"      // not safe where they are
	AboutRestored    = "restored"    // a backup was put back, and something was past due
	AboutUnreachable = "unreachable" // the channel brings them nothing any more
)

// The states of an escalation.
const (
	StateOpen   = "open"
	StateTaken  = "taken"
	StateClosed = "closed"
)

// Outcomes that closing an escalation may have.
var Outcomes = []string{"seen", "spoken_to", "not_reached", "sent_on", "mistake"}
