package crash

import (
	"fmt"
	"math/rand/v2"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"turnstone/tests/talk"
)

// rounds is how many lives are led with kills.
func rounds() int {
	if os.Getenv("TURNSTONE_PROOFS") != "" {
		return 200
	}
	return 20
}

// TestHAZ22_KillAtEveryStep leads lives through day 0 and day 2 and kills the
// program, twice a life, somewhere: after a line out, after some time,
// or where its output no longer fits. Each life must come to what it comes to
// without a kill.
func TestHAZ22_KillAtEveryStep(t *testing.T) {
	want := map[string]ending{}
	for _, l := range lives {
		want[l.name] = l.led(t)
	}
	for i := range rounds() {
		l := lives[i%len(lives)]
		seed := uint64(i)
		if os.Getenv("TURNSTONE_PROOFS") != "" {
			seed = rand.Uint64()
		}
		t.Run(fmt.Sprintf("%s %d", strings.ReplaceAll(l.name, " ", "_"), i), func(t *testing.T) {
			t.Parallel()
			r := &round{t: t, life: l, r: rand.New(rand.NewPCG(seed, 1)), set: settings(t), kills: 2}
			r.set.Narrow = true
			r.lead()
			got := look(t, r.set)
			got.onTheList(t)
			if e := got.ending(); !reflect.DeepEqual(e, want[l.name]) {
				t.Errorf("with kills (seed %d): %+v\nwithout: %+v", seed, e, want[l.name])
			}
		})
	}
}

// led leads a life without a kill.
func (l life) led(t *testing.T) ending {
	t.Helper()
	set := settings(t)
	s := talk.Start(t, set)
	typed := false
	for line, more := l.line(s, &typed); more; line, more = l.line(s, &typed) {
		s.Raw(line)
	}
	s.End()
	got := look(t, set)
	got.onTheList(t)
	return got.ending()
}

// A round is one life with kills.
type round struct {
	t     *testing.T
	life  life
	r     *rand.Rand
	set   talk.Settings
	kills int

	s      *talk.Session
	typed  bool
	before int // lines of decisions that were kept before this run
	acked  int // lines of this run with ready behind them
}

func (r *round) lead() {
	r.t.Helper()
	r.s = talk.Start(r.t, r.set)
	r.acked = len(r.s.Lines)
	for {
		was := r.typed
		line, more := r.life.line(r.s, &r.typed)
		if !more {
			r.s.End()
			return
		}
		if r.kills == 0 || r.r.IntN(7) > 0 {
			r.s.Raw(line)
			r.acked = len(r.s.Lines)
			continue
		}
		r.kills--
		r.kill(line)
		if r.s.Ask.Fact() == r.life.at && r.typed && !was {
			r.typed = false // what was typed was lost with the program: nobody had said that it was heard
		}
	}
}

// kill sends a line, kills the program somewhere in its answer, looks at what
// is left, and starts it again.
func (r *round) kill(line string) {
	r.t.Helper()
	switch r.r.IntN(4) {
	case 0:
		r.s.Write(line) // at once
	case 1:
		r.s.Write(line)
		for range r.r.IntN(4) { // after some lines
			if l, ok := r.s.Next(); !ok || l.Type == "ready" {
				break
			}
		}
	case 2:
		r.s.Write(line)
		<-time.After(time.Duration(r.r.IntN(8000)) * time.Microsecond) // the moment is the test's subject
	default:
		r.s.Room(r.r.IntN(1500))
		r.s.Write(line)
		r.s.Stand()
	}
	r.s.Kill()
	l := look(r.t, r.set)
	l.holds(r.t, r.before, r.s.Lines, r.acked, r.s.Now)
	r.before = len(l.printed())
	r.s.Knows(l.episode.ID, l.episode.Disposition)
	r.s = r.s.Again(r.s.Now)
	r.acked = len(r.s.Lines)
	if r.s.Ask == nil && l.episode.Ask != nil {
		r.t.Errorf("the question about %v was open, and the next run does not ask it", l.episode.Ask.Facts)
	}
}

// steps are the kinds of step at which something is decided: what leads there,
// the line that is answered by it, and the sentence that it brings.
var steps = []struct {
	name, until, line, brings string
	person                    talk.Person
	first                     []string
}{
	{name: "an answer", until: "side", line: `{"choose":["left"]}`, brings: "ask.where_it_hurts"},
	{name: "the consent", until: "consent", line: `{"choose":["yes"]}`, brings: "consent.yes"},
	{name: "a raise to today", until: "navicular", line: `{"choose":["yes"]}`, brings: "told.same_day"},
	{name: "an emergency pressed", until: "foot_numb", line: `{"choose":["deformed"]}`, brings: "card.go"},
	{name: "an ambulance pressed", line: `{"choose":["heavy_bleeding"]}`, brings: "card.number"},
	{name: "an ambulance typed", until: "side", line: `{"say":"i can't breathe"}`, brings: "card.number"},
	{name: "nobody can drive", until: "ride", person: talk.Person{"deformed": "yes"}, line: `{"choose":["no"]}`, brings: "card.number"},
	{name: "stop", until: "side", line: `{"say":"stop"}`, brings: "disposition.clinician"},
	{name: "the last answer", until: "four_steps_now", line: `{"choose":["yes"]}`, brings: "disposition.home"},
	{name: "a check falls due", line: `{"wait":"PT46H"}`, brings: "neutral", first: []string{"all"}},
	{name: "delete with an emergency open", until: "ride", person: talk.Person{"foot_cold_or_pale": "yes"}, line: `{"say":"delete my data"}`, brings: "cmd.deleted"},
}

// TestHAZ22_KillBetweenCommitAndSend brings the program to a stand where its
// output no longer fits: what it has decided is kept, and what it was about to
// say is not said. The next run says it.
func TestHAZ22_KillBetweenCommitAndSend(t *testing.T) {
	for _, c := range steps {
		for _, room := range []int{0, 400} {
			t.Run(fmt.Sprintf("%s, room for %d bytes", c.name, room), func(t *testing.T) {
				t.Parallel()
				set := settings(t)
				set.Narrow = true
				s := talk.Start(t, set)
				if c.until != "" || len(c.first) > 0 {
					c.person.Until(s, func(a *talk.Ask) bool { return a.Fact() == c.until })
				}
				was := len(s.Lines)
				s.Room(room)
				s.Write(c.line)
				s.Stand()
				s.Kill()
				left := look(t, set)
				left.holds(t, 0, s.Lines, was, s.Now.Add(wait(c.line)))
				s.Knows(left.episode.ID, left.episode.Disposition)
				if len(left.episode.Agenda) == 0 {
					t.Error("nothing is left to be said: the program was not killed before it spoke")
				}
				said := s.Lines[was:]
				s = s.Again(s.Now.Add(wait(c.line)))
				if !talk.Says(append(said, s.Lines...), talk.Sentence(t, c.brings, "number", "112")) {
					t.Errorf("before the kill and after it together, nothing says %s:\n%s", c.brings, s.Paper(time.UTC))
				}
				s.End()
				after := look(t, set)
				after.onTheList(t)
			})
		}
	}
}

// wait is how far the clock was to move, so that the next run is there.
func wait(line string) time.Duration {
	if strings.Contains(line, "PT46H") {
		return 46 * time.Hour
	}
	return 0
}
