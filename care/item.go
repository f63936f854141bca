package care

import (
	"strconv"
	"strings"
	"time"
)

// A SentenceKey names a sentence of the locale files.
type SentenceKey string

// A SentenceClass says what a sentence does, so that the gate can stop it.
type SentenceClass string

// The classes of sentence.
const (
	ClassDanger      SentenceClass = "danger"      // an emergency card
	ClassDisposition SentenceClass = "disposition" // where to go, and why
	ClassProtect     SentenceClass = "protect"     // how to protect it until seen
	ClassHomeCare    SentenceClass = "home_care"   // cold, wrap, timers, movements
	ClassReassure    SentenceClass = "reassure"    // it goes well
	ClassAsk         SentenceClass = "ask"         // a question, its choices and its help
	ClassInform      SentenceClass = "inform"      // what is kept, how to stop, what this is
	ClassStaff       SentenceClass = "staff"       // staff's own words
)

// A Sentence is a sentence key with what goes into it.
type Sentence struct {
	Key  SentenceKey       `json:"key"`
	Args map[string]string `json:"args,omitempty"`
}

// A Message is what the person reads at once: sentences, a line or more each,
// and at most one question.
type Message struct {
	Lines   []Sentence `json:"lines"`
	Picture string     `json:"picture,omitempty"`
	Ask     *Ask       `json:"ask,omitempty"`
}

// An Ask is a question: which facts it settles and how it is answered.
type Ask struct {
	Facts   []Fact   `json:"facts,omitempty"`
	Kind    Kind     `json:"kind"`
	Choices []Choice `json:"choices,omitempty"`
	Token   string   `json:"token"` // names this question, so that a late press is recognised
}

// otherMark ends the token of a question about the other person that an
// account tells of.
const otherMark = "+2"

// Token names a question, the n-th thing of an episode, and whom it is about.
func Token(ep EpisodeID, n int, other bool) string {
	token := string(ep) + "/" + strconv.Itoa(n)
	if other {
		token += otherMark
	}
	return token
}

// AboutOther reports whether a question is about the other person.
func AboutOther(token string) bool { return strings.HasSuffix(token, otherMark) }

// A Choice is one answer that can be pressed.
type Choice struct {
	Value string      `json:"value"`
	Label SentenceKey `json:"label"`
}

// An Item is something still to do for a person.
type Item struct {
	ID     ItemID    `json:"id"`
	What   string    `json:"what"` // one of the Do names, or a check of the protocol
	Due    time.Time `json:"due"`
	Urgent bool      `json:"urgent,omitempty"` // the lane: cards, escalations, answers to somebody typing
	Say    *Message  `json:"say,omitempty"`
	About  string    `json:"about,omitempty"` // the check, escalation or talk that it belongs to
	Times  int       `json:"times,omitempty"` // how often it was done before
}

// What an item does, beside the checks that a protocol names.
const (
	DoSay        = "say"         // deliver a message
	DoRaise      = "raise"       // put an escalation on the staff list
	DoRepeat     = "repeat"      // ask an unanswered check once more
	DoNoReply    = "no_reply"    // tell staff that nobody answered
	DoUnfinished = "unfinished"  // tell staff that a check was left halfway
	DoColdTimer  = "cold_timer"  // the cold must come off
	DoErase      = "erase"       // forget a talk without consent
	DoAskStaff   = "ask_staff"   // nobody has taken an item: ask staff again
	DoSecondList = "second_list" // nobody has taken it: the second list, and the person
	DoFreeAgain  = "free_again"  // taken, but neither written on nor closed
	DoZone       = "zone"        // nobody said what time it is there: plan by the zone that is known
	DoUnreached  = "unreached"   // the channel can't reach the person: tell staff
)
