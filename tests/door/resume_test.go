package door

import (
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/tests/talk"
)

// stored is somebody at home whose talk is kept in a folder.
func stored(t *testing.T) talk.Settings {
	t.Helper()
	set := talk.Home()
	set.Data = talk.Folder(t)
	return set
}

// The next run of the same person goes on where the last one stopped.
func TestTheNextRunGoesOn(t *testing.T) {
	set := stored(t)
	s := talk.Start(t, set)
	for range 5 {
		fact, lines := s.Ask.Fact(), s.Lines
		s.End()
		s = s.Again(s.Now)
		s.Lines = append(lines, s.Lines...)
		if s.Ask.Fact() != fact {
			t.Fatalf("the talk stopped at %s and goes on at %s", fact, s.Ask.Fact())
		}
		for range 4 {
			talk.Person{}.Step(s)
		}
	}
	talk.Person{}.DayZero(s)
	if d := s.Disposition(); d.Disposition != "home" {
		t.Errorf("got %s because %v, want home", d.Disposition, d.Because)
	}
	s.End()
}

// What fell due while nothing ran is sent at the start, once.
func TestWhatIsOverdueIsSentAtTheStart(t *testing.T) {
	s := talk.Start(t, stored(t))
	talk.Person{}.All(s)
	s.End()
	s = s.Again(s.Now.Add(46*time.Hour + 5*time.Minute))
	if s.Ask.Fact() != "next" || len(talk.Of(s.Lines, "message")) == 0 {
		t.Fatalf("five minutes after day 2 the start brings %s", raws(s.Lines))
	}
	for _, m := range talk.Of(s.Lines, "message") {
		if !strings.Contains(m.Text, talk.Sentence(t, "neutral")) || !m.At.Equal(time.Date(2026, 3, 4, 8, 5, 0, 0, time.UTC)) {
			t.Errorf("what is overdue comes neutrally, at the start, not as %s", m.Raw)
		}
	}
	if n := begun(s.Lines); n != 1 {
		t.Errorf("the check was begun %d times", n)
	}
	s.Choose("next")
	if s.Ask.Fact() != "chest_or_breathing" {
		t.Errorf("the check begins with %s", s.Ask.Fact())
	}
	s.End()
}

// begun counts the checks that were begun: each plans its repeat.
func begun(lines []talk.Line) int {
	n := 0
	for _, l := range lines {
		if l.Type == "planned" && l.What == "repeat" {
			n++
		}
	}
	return n
}

// Many days late, only what still has a purpose is asked.
func TestFarTooLateOnlyTheLastCheckIsAsked(t *testing.T) {
	s := talk.Start(t, stored(t))
	talk.Person{}.All(s)
	s.End()
	s = s.Again(s.Now.Add(10 * 24 * time.Hour))
	if n := begun(s.Lines); n != 1 {
		t.Errorf("%d checks were begun at once, want the last one alone: %s", n, raws(s.Lines))
	}
	s.End()
}

// Two people in one folder do not touch each other.
func TestTwoPeopleInOneFolder(t *testing.T) {
	set := stored(t)
	ana, rui := set, set
	ana.Person, rui.Person = "ana", "rui"
	a := talk.Start(t, ana)
	talk.Person{"navicular": "yes"}.Until(a, func(q *talk.Ask) bool { return q.Fact() == "upper_shin" })
	item := a.Escalation("disposition").ID
	a.End()

	r := talk.Start(t, rui)
	if r.Ask.Fact() != "chest_or_breathing" || len(talk.Of(r.Lines, "disposition")) > 0 {
		t.Fatalf("somebody new begins with %s", raws(r.Lines))
	}
	r.Choose("collapsed")
	r.Choose("yes")
	wantStaff(t, r.Staff("take", item, "Eva"), item, "taken", "Eva") // staff see everybody's items
	r.End()

	a = a.Again(a.Now)
	if a.Ask.Fact() != "upper_shin" || len(talk.Of(a.Lines, "disposition")) > 0 {
		t.Errorf("after somebody else's talk this one goes on with %s", raws(a.Lines))
	}
	a.End()
}

// Without a folder nothing is kept.
func TestWithoutAFolderNothingIsKept(t *testing.T) {
	s := talk.Start(t, talk.Home())
	s.Choose("none")
	s.End()
	s = s.Again(s.Now)
	if s.Ask.Fact() != "chest_or_breathing" {
		t.Errorf("a new run without a folder begins with %s", s.Ask.Fact())
	}
	s.End()
}

// A clock that is set back between runs makes nothing due twice and loses
// nothing; one that is set ahead makes due what is due by it.
func TestAClockThatIsSetBetweenRuns(t *testing.T) {
	s := talk.Start(t, stored(t))
	talk.Person{}.All(s)
	planned := s.Planned("day_2", "day_3")
	s.End()
	lines := s.Lines
	for _, jump := range []time.Duration{-3 * time.Hour, time.Hour, -400 * 24 * time.Hour, 2 * time.Hour} {
		s = s.Again(time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC).Add(jump))
		if got := len(talk.Of(s.Lines, "planned")) + len(talk.Of(s.Lines, "cancelled")) + len(talk.Of(s.Lines, "disposition")); got > 0 {
			t.Errorf("the clock at %v brings %s", jump, raws(s.Lines))
		}
		s.End()
	}
	s = s.Again(time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC))
	s.Lines = append(lines, s.Lines...)
	if got := s.Planned("day_2", "day_3"); !slices.Equal(got, planned) {
		t.Errorf("planned %v, want %v", got, planned)
	}
	asked := talk.Of(s.Wait("PT46H"), "message")
	if len(asked) != 1 || !strings.Contains(asked[0].Text, talk.Sentence(t, "neutral")) {
		t.Errorf("on day 2 comes %s", raws(asked))
	}
	s.End()
}
