package drill

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"turnstone/adapters/discord/double"
)

// A plan is what the drill meant by something that a person did.
type plan struct {
	at        time.Time // when it was meant to be done: delays of the drill itself count as waiting
	turn      int       // of this person: tries of one answer are one turn
	emergency bool      // words that must bring the card
}

// A count is what the receipts come to.
type count struct {
	accepted   int // words, and presses that were answered at once
	failed     int // presses that failed before the person's eyes
	again      int // questions that were asked again after a new session
	repeated   int // messages sent again and swallowed by the platform
	lost       []string
	duplicates []string
	disorder   []string
	found      map[string]bool // the people to whom it happened
	answers    []time.Duration // from the planned instant of a turn to its answer
	cards      []time.Duration // from the planned instant of an emergency to its card
}

// An input is something that a person did and that is not answered yet.
type input struct {
	id        string
	plan      plan
	words     bool
	accepted  bool
	overtaken bool // the person was asked again and did it again: the words were not taken
	session   bool // a new one began since
	asked     bool // again, since
	question  double.Message
}

// An account is one person's receipts, read in order.
type account struct {
	count    *count
	who      string
	open     []*input
	question double.Message
	since    []double.Message // what was brought since the person last did something, or a session began
	spare    int              // things done before the one before was answered: each has an answer of its own
	nonces   map[string]bool
	begun    map[int]time.Time // turn -> its planned instant, while it has no answer
}

// reckon reads the receipts. Nothing that the bot keeps is asked. What the
// drill did not plan is counted from its receipt. Accounts that are not among
// the people are left out.
func reckon(receipts []double.Receipt, plans map[string]plan, among func(account string) bool) *count {
	c := &count{found: map[string]bool{}}
	people := map[string]*account{}
	var order []*account
	for _, r := range receipts {
		if r.Saw == double.Began {
			for _, a := range order {
				a.since = nil
				for _, in := range a.open {
					in.session = true
				}
			}
			continue
		}
		if !among(r.Who) {
			continue
		}
		a := people[r.Who]
		if a == nil {
			a = &account{count: c, who: r.Who, nonces: map[string]bool{}, begun: map[int]time.Time{}}
			people[r.Who] = a
			order = append(order, a)
		}
		switch r.Saw {
		case double.Wrote, double.Pressed:
			p, planned := plans[r.ID]
			if !planned {
				p = plan{at: r.At, turn: -1}
			}
			a.did(&input{id: r.ID, plan: p, words: r.Saw == double.Wrote, accepted: r.Saw == double.Wrote, question: a.question})
		case double.Answered:
			for _, in := range a.open {
				in.accepted = in.accepted || in.id == r.ID
			}
		case double.Repeated:
			c.repeated++
		case double.Brought:
			if r.Direct {
				a.brought(r)
			}
		}
	}
	for _, a := range order {
		a.close(a.open)
	}
	return c
}

// did puts an input on the list. A press before it that nobody answered has
// failed; words before it that were asked for again were not taken.
func (a *account) did(in *input) {
	a.since = nil
	stays := a.open[:0:0]
	for _, o := range a.open {
		switch {
		case !o.accepted:
			a.close([]*input{o})
			continue
		case o.words && o.asked && !o.plan.emergency:
			o.overtaken = true
		}
		stays = append(stays, o)
		a.spare++
	}
	a.open = append(stays, in)
	if _, known := a.begun[in.plan.turn]; !known && in.plan.turn >= 0 && !in.plan.emergency {
		a.begun[in.plan.turn] = in.plan.at
	}
}

// brought answers what is open. An emergency is answered by the card alone;
// words by anything but the question that they answered; a press also by that
// question asked again, since then the person sees what happened.
func (a *account) brought(r double.Receipt) {
	m := r.Message
	switch {
	case m.Nonce != "" && a.nonces[m.Nonce]:
		a.found(&a.count.duplicates, "one message twice: "+first(m.Content))
	case !slices.ContainsFunc(a.since, func(o double.Message) bool { return o.Content == m.Content }):
	case a.spare > 0:
		a.spare--
	default:
		a.found(&a.count.duplicates, "the same words twice: "+first(m.Content))
	}
	a.nonces[m.Nonce] = true
	a.since = append(a.since, m)
	repeat := asks(m) && same(a.question, m)
	if before, now := number(a.question.Content), number(m.Content); now > 0 && now < before {
		a.found(&a.count.disorder, fmt.Sprintf("question %d after question %d", now, before))
	}
	stays := a.open[:0:0]
	for _, in := range a.open {
		again := repeat && in.session // else the words were not understood
		if again {
			a.count.again++
		}
		if !a.answers(in, r, again) {
			in.asked = in.asked || again
			stays = append(stays, in)
		}
	}
	a.open = stays
	if asks(m) {
		a.question = m
	}
}

func (a *account) answers(in *input, r double.Receipt, repeat bool) bool {
	switch {
	case !in.accepted, in.overtaken:
		return false
	case in.plan.emergency && !card(r.Message):
		return false
	case in.plan.emergency:
		a.count.accepted++
		a.count.cards = append(a.count.cards, r.At.Sub(in.plan.at))
		return true
	case repeat && in.words:
		return false
	}
	a.count.accepted++
	if at, turn := a.begun[in.plan.turn]; turn && !repeat {
		a.count.answers = append(a.count.answers, r.At.Sub(at))
		delete(a.begun, in.plan.turn)
	}
	return true
}

func (a *account) found(list *[]string, what string) {
	*list = append(*list, a.who+": "+what)
	a.count.found[a.who] = true
}

// close settles what got no answer.
func (a *account) close(open []*input) {
	for _, in := range open {
		if !in.accepted {
			a.count.failed++
			continue
		}
		a.count.accepted++
		what := "a press"
		switch {
		case in.plan.emergency:
			what = "an emergency"
		case in.words:
			what = "words"
		}
		a.found(&a.count.lost, what+" at: "+first(in.question.Content))
	}
}

var numbered = regexp.MustCompile(`(?m)^[^\d\n]+(\d+)[^\d\n]+\d+\.$`)

// number is that of a question that is counted, such as 12 of about 20; 0 is none.
func number(content string) int {
	n := 0
	if f := numbered.FindStringSubmatch(content); f != nil {
		for _, d := range f[1] {
			n = n*10 + int(d-'0')
		}
	}
	return n
}

// hint begins a line in small letters, below the words themselves.
const hint = "-# "

// lines are those of the question itself, without its number and what is said
// before that.
func lines(content string) []string {
	if at := numbered.FindStringIndex(content); at != nil {
		content = content[at[1]:]
	}
	return slices.DeleteFunc(strings.Split(content, "\n"), func(l string) bool { return l == "" || strings.HasPrefix(l, hint) })
}

// same reports whether two messages ask the same: they have the same number, if
// any, and the same last words. What is said before a question differs.
func same(a, b double.Message) bool {
	x, y := lines(a.Content), lines(b.Content)
	n := min(3, len(x), len(y))
	return n > 0 && number(a.Content) == number(b.Content) && slices.Equal(x[len(x)-n:], y[len(y)-n:])
}

// asks reports whether a message wants an answer: choices stand below it, or
// the hint to write.
func asks(m double.Message) bool {
	return len(m.Rows) > 0 || strings.Contains(m.Content, "\n"+hint)
}

// card reports whether a message is an emergency card: nothing else has a
// heading, since a person's and a protocol's words can't make one.
func card(m double.Message) bool { return strings.HasPrefix(m.Content, "# ") }

func first(content string) string {
	if l := lines(content); len(l) > 0 {
		return l[len(l)-1]
	}
	return "the beginning"
}
