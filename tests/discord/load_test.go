package discord_test

import (
	"slices"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
)

// answerIn is how long Discord waits for the first answer to a press (its
// documentation, "Receiving and Responding": "within 3 seconds"). The stand-in
// holds it, from the moment in which it gave the press out.
const answerIn = 3 * time.Second

// asked brings so many people before a question that they can press.
func (s *stage) asked(n int) []*double.Person {
	s.t.Helper()
	people := make([]*double.Person, n)
	for i := range people {
		people[i] = s.p.Join("en-US")
		people[i].Write("hello")
	}
	for _, who := range people {
		s.waits("the first question", who, lastAsks("First, signs"))
	}
	return people
}

// rush presses for everybody at once, and gives how long each press waited for
// its first answer, by what the stand-in saw; those that failed are missing.
func (s *stage) rush(people []*double.Person, value string) []time.Duration {
	s.t.Helper()
	acts, born := make([]double.Act, len(people)), make([]time.Time, len(people))
	for i, who := range people {
		m, _ := question(who.Direct())
		born[i] = time.Now()
		acts[i] = s.press(who, m, value)
	}
	pressed := time.Since(born[0])
	took := make([]time.Duration, len(acts))
	s.p.Until(answerIn+time.Second, func() bool {
		all := true
		for i, a := range acts {
			if took[i] == 0 && !a.Failed() {
				took[i] = time.Since(born[i])
			}
			all = all && took[i] != 0
		}
		return all
	})
	took = slices.DeleteFunc(took, func(d time.Duration) bool { return d == 0 })
	slices.Sort(took)
	if len(took) == 0 {
		s.t.Fatal("no press is answered")
	}
	s.t.Logf("%d presses within %v: %d answered in time, the last after %v", len(acts), pressed, len(took), took[len(took)-1])
	return took
}

// BenchmarkRush has 300 people press at once, with quick commits and with slow
// ones: how much of the three seconds the slowest hundredth took, and how much
// longer it takes with slow commits.
func BenchmarkRush(b *testing.B) {
	for b.Loop() {
		s := newStage(b)
		s.up()
		people := s.asked(300)
		quick := share(s.rush(people, "none"), 0.99)
		for _, who := range people {
			s.waits("the next question", who, lastAsks("A few more"))
		}
		s.store.Slow(900 * time.Millisecond)
		slow := share(s.rush(people, "none"), 0.99)
		s.store.Slow(0)
		b.ReportMetric(quick.Seconds()/answerIn.Seconds(), "of-3s/quick")
		b.ReportMetric(slow.Seconds()/answerIn.Seconds(), "of-3s/slow")
		b.ReportMetric(slow.Seconds()/quick.Seconds(), "slow/quick")
	}
}

// share is what so much of the sorted times stays within.
func share(took []time.Duration, part float64) time.Duration {
	return took[min(len(took)-1, int(float64(len(took))*part))]
}

// A hundred and fifty people press within a second while each commit takes 900
// milliseconds: every press is answered in time, since the answer waits for no
// commit; then every one reads the next question, and nobody that something
// went wrong.
func TestHAZ32_EveryPressIsAnsweredInTimeThoughCommitsAreSlow(t *testing.T) {
	s := newStage(t)
	s.up()
	people := s.asked(150)
	s.store.Slow(900 * time.Millisecond)
	if took := s.rush(people, "none"); len(took) != len(people) {
		t.Errorf("%d of %d presses were answered in time", len(took), len(people))
	}
	for _, who := range people {
		list := s.waits("the next question", who, lastAsks("A few more"))
		if has("Something went wrong")(list) || has("too much at once")(list) {
			t.Fatalf("a press that counts is told to have failed: %v", list)
		}
	}
}

// A platform that is slow to take the answers makes none of them late: they do
// not wait for one another.
func TestHAZ32_EveryPressIsAnsweredInTimeThoughThePlatformIsSlow(t *testing.T) {
	s := newStage(t)
	s.up()
	people := s.asked(100)
	s.p.Fail(double.Fault{Match: "interactions/", Wait: time.Second, Times: len(people)})
	if took := s.rush(people, "none"); len(took) != len(people) {
		t.Errorf("%d of %d presses were answered in time", len(took), len(people))
	}
}

// Where no commit ends within the two seconds that intake gives a turn, a press
// is answered in time all the same, and counts as soon as the store is well.
func TestHAZ32_APressIsAnsweredThoughNoCommitEnds(t *testing.T) {
	s := newStage(t)
	s.up()
	people := s.asked(40)
	s.store.Slow(time.Hour)
	if took := s.rush(people, "none"); len(took) != len(people) {
		t.Errorf("%d of %d presses were answered in time", len(took), len(people))
	}
	if !s.p.Until(patience, func() bool { return s.store.late.Load() >= int64(len(people)) }) {
		t.Errorf("only %d commits met the deadline", s.store.late.Load())
	}
	s.store.Slow(0)
	for _, who := range people {
		s.waits("the next question", who, lastAsks("A few more"))
	}
}
