package drill

import (
	"slices"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
)

// A reel makes receipts of one person, a second apart unless it says so.
type reel struct {
	at    time.Time
	list  []double.Receipt
	plans map[string]plan
}

func newReel() *reel { return &reel{at: time.Now(), plans: map[string]plan{}} }

func (l *reel) add(r double.Receipt) *reel {
	l.at = l.at.Add(time.Second)
	r.At, r.Who = l.at, "p"
	l.list = append(l.list, r)
	return l
}

func (l *reel) wrote(id string, turn int) *reel {
	l.add(double.Receipt{Saw: double.Wrote, ID: id})
	l.plans[id] = plan{at: l.at, turn: turn}
	return l
}

func (l *reel) pressed(id string, turn int) *reel {
	l.add(double.Receipt{Saw: double.Pressed, ID: id})
	l.plans[id] = plan{at: l.at, turn: turn}
	return l
}

func (l *reel) danger(id string) *reel {
	l.wrote(id, 1)
	l.plans[id] = plan{at: l.at, turn: 1, emergency: true}
	return l
}

func (l *reel) answered(id string) *reel { return l.add(double.Receipt{Saw: double.Answered, ID: id}) }

func (l *reel) began() *reel { return l.add(double.Receipt{Saw: double.Began}) }

func (l *reel) brought(nonce, text string, choices bool) *reel {
	m := double.Message{ID: nonce, Nonce: nonce, Content: text}
	if choices {
		m.Rows = []double.Row{{Type: 1}}
	}
	return l.add(double.Receipt{Saw: double.Brought, Direct: true, ID: nonce, Message: m})
}

const (
	side  = "Question 7 of about 20.\nWhich side is hurt?"
	where = "Question 8 of about 20.\nWhere does it hurt?"
	call  = "# EMERGENCY: GET HELP NOW\n**Call 112 now.**"
)

func TestWhatTheReceiptsComeTo(t *testing.T) {
	for name, c := range map[string]struct {
		reel                                                *reel
		accepted, failed, again, lost, twice, order, carded int
		answers                                             []time.Duration
	}{
		"a press that is answered at once and by the next question": {
			reel: newReel().brought("1", side, true).pressed("a", 1).answered("a").brought("2", where, true), accepted: 1, answers: []time.Duration{2 * time.Second},
		},
		"words without an answer": {
			reel: newReel().brought("1", side, true).wrote("a", 1), accepted: 1, lost: 1,
		},
		"a press that was answered at once, and by nothing else": {
			reel: newReel().brought("1", side, true).pressed("a", 1).answered("a"), accepted: 1, lost: 1,
		},
		"a press that failed, and the next try": {
			reel:     newReel().brought("1", side, true).pressed("a", 1).pressed("b", 1).answered("b").brought("2", where, true),
			accepted: 1, failed: 1, answers: []time.Duration{3 * time.Second}, // from the planned instant of the first try
		},
		"a press whose question is asked again after a new session": {
			reel:     newReel().brought("1", side, true).pressed("a", 1).answered("a").began().brought("2", side, true).pressed("b", 1).answered("b").brought("3", where, true),
			accepted: 2, again: 1, answers: []time.Duration{6 * time.Second},
		},
		"words for which the person was asked again and wrote again": {
			reel:     newReel().brought("1", side, true).wrote("a", 1).began().brought("2", side, true).wrote("b", 1).brought("3", where, true),
			accepted: 2, again: 1, lost: 1, answers: []time.Duration{4 * time.Second},
		},
		"words that were not understood": {
			reel:     newReel().brought("1", side, true).wrote("a", 1).brought("2", "I did not understand that.\n"+side, true).wrote("b", 1).brought("3", where, true),
			accepted: 2, answers: []time.Duration{time.Second, time.Second}, // to be told so is an answer
		},
		"an emergency and its card": {
			reel: newReel().brought("1", side, true).danger("a").brought("2", call, true), accepted: 1, carded: 1,
		},
		"an emergency that is answered by a question": {
			reel: newReel().brought("1", side, true).danger("a").brought("2", where, true), accepted: 1, lost: 1,
		},
		"the same message twice": {
			reel: newReel().brought("1", side, true).brought("1", side, true), twice: 1,
		},
		"the same words twice": {
			reel: newReel().brought("1", side, true).brought("2", side, true), twice: 1,
		},
		"the same words to two things done": {
			reel:     newReel().brought("1", side, true).wrote("a", 1).wrote("b", 1).brought("2", where, true).brought("3", where, true),
			accepted: 2, answers: []time.Duration{2 * time.Second},
		},
		"an earlier question after a later one": {
			reel: newReel().brought("1", where, true).brought("2", side, true), order: 1,
		},
	} {
		t.Run(name, func(t *testing.T) {
			got := reckon(c.reel.list, c.reel.plans, func(account string) bool { return account == "p" })
			if got.accepted != c.accepted || got.failed != c.failed || got.again != c.again || len(got.lost) != c.lost || len(got.duplicates) != c.twice || len(got.disorder) != c.order || len(got.cards) != c.carded {
				t.Errorf("got %+v", got)
			}
			if !slices.Equal(got.answers, c.answers) {
				t.Errorf("answers after %v, want %v", got.answers, c.answers)
			}
		})
	}
}

func TestOthersAreLeftOut(t *testing.T) {
	got := reckon(newReel().brought("1", side, true).wrote("a", 1).list, nil, func(string) bool { return false })
	if got.accepted != 0 || len(got.lost) != 0 {
		t.Errorf("got %+v", got)
	}
}

func TestQuestionsAreToldApart(t *testing.T) {
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{side, "I am a program, not a clinician.\n" + side, true},
		{side, where, false},
		{"Question 5 of about 20.\nHow long ago did it happen?", "I ask again on day 2.\nIs it about 14:20 where you are?", false},
		{"Do this.\nTake 10 to 15 minutes, never over 20.\nGo on?", "Do that.\nTake 10 to 15 minutes, never over 20.\nGo on?", false},
		{"Do you limp?\n-# Write your answer here.", "Do you limp?", true},
	} {
		if got := same(double.Message{Content: c.a}, double.Message{Content: c.b}); got != c.same {
			t.Errorf("%q and %q: the same %v", c.a, c.b, got)
		}
	}
	if n := number("In an emergency call 112; don't write.\nQuestion 12 of about 20.\nNow 3."); n != 12 {
		t.Errorf("the number is %d", n)
	}
}
