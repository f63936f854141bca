package door

import (
	"strings"
	"testing"

	"turnstone/tests/talk"
)

// urgent is a talk with an open emergency, and its item.
func urgent(t *testing.T) (*talk.Session, string) {
	t.Helper()
	s := talk.Start(t, talk.Home())
	s.Choose("foot_cold_or_pale")
	s.Choose("yes")
	return s, s.Escalation("disposition").ID
}

// wantStaff fails unless the answer holds exactly one staff line in that state.
func wantStaff(t *testing.T, got []talk.Line, id, state, by string) {
	t.Helper()
	lines := talk.Of(got, "staff")
	if len(lines) != 1 || lines[0].ID != id || lines[0].State != state || lines[0].By != by || len(talk.Of(got, "error")) > 0 {
		t.Errorf("got %s, want item %s %s by %q", raws(got), id, state, by)
	}
}

// wantRefused fails unless the answer is one error line that says so.
func wantRefused(t *testing.T, got []talk.Line, says string) {
	t.Helper()
	if len(got) != 1 || got[0].Type != "error" || !strings.Contains(got[0].Error, says) {
		t.Errorf("got %s, want an error line with %q", raws(got), says)
	}
}

func TestStaffTakeHandOnReplyCloseAndReopen(t *testing.T) {
	s, id := urgent(t)
	wantStaff(t, s.Staff("take", id, "Rui"), id, "taken", "Rui")
	wantStaff(t, s.Staff("take", id, "Rui"), id, "taken", "Rui") // again is still
	wantRefused(t, s.Staff("take", id, "Ana"), "Rui")
	wantRefused(t, s.Staff("close", id, "Ana", "outcome", "seen"), "Rui")
	wantRefused(t, s.Staff("reply", id, "Ana", "text", "hello"), "Rui")
	wantRefused(t, s.Staff("call_back", id, "Ana"), "Rui")
	wantRefused(t, s.Staff("hand_on", id, "Ana", "to", "Eva"), "Rui")
	wantRefused(t, s.Staff("hand_on", id, "Rui"), "to")
	wantRefused(t, s.Staff("reopen", id, "Rui"), "closed")
	if got := talk.Of(s.Staff("hand_on", id, "Rui", "to", "Eva"), "staff"); len(got) != 1 || got[0].State != "taken" {
		t.Errorf("handing on brings %s", raws(got))
	}
	wantRefused(t, s.Staff("close", id, "Rui", "outcome", "seen"), "Eva")

	reply := s.Staff("reply", id, "Eva", "text", "Keep your phone near.")
	wantStaff(t, reply, id, "taken", "Eva")
	if m := talk.Of(reply, "message"); len(m) != 1 || !strings.Contains(m[0].Text, "Keep your phone near.") || !strings.Contains(m[0].Text, "Eva") {
		t.Errorf("the person reads %s", raws(m))
	}
	wantRefused(t, s.Staff("reply", id, "Eva"), "empty")
	wantRefused(t, s.Staff("reply", id, "Eva", "text", "  "), "empty")

	wantRefused(t, s.Staff("close", id, "Eva"), "outcome")
	wantRefused(t, s.Staff("close", id, "Eva", "outcome", "fine"), "outcome")
	wantRefused(t, s.Staff("close", id, "", "outcome", "seen"), "by")
	wantStaff(t, s.Staff("close", id, "Eva", "outcome", "spoken_to", "note", "on the way"), id, "closed", "Eva")
	for _, do := range []string{"take", "reply", "call_back", "hand_on"} {
		wantRefused(t, s.Staff(do, id, "Eva", "text", "x", "to", "Rui"), "closed")
	}
	wantRefused(t, s.Staff("close", id, "Eva", "outcome", "seen"), "closed")
	if got := talk.Of(s.Staff("reopen", id, "Rui"), "staff"); len(got) != 1 || got[0].State != "open" {
		t.Errorf("reopening brings %s", raws(got))
	}
	wantStaff(t, s.Staff("take", id, "Ana"), id, "taken", "Ana")
	s.End()
}

// Every outcome that is written down closes an item.
func TestEveryOutcomeCloses(t *testing.T) {
	s, id := urgent(t)
	for _, outcome := range []string{"seen", "spoken_to", "not_reached", "sent_on", "mistake"} {
		wantStaff(t, s.Staff("take", id, "Rui"), id, "taken", "Rui")
		wantStaff(t, s.Staff("close", id, "Rui", "outcome", outcome), id, "closed", "Rui")
		s.Staff("reopen", id, "Rui")
	}
	s.End()
}

// Nobody writes a dose or a verdict through the bot, staff included.
func TestStaffWordsAreHeldAgainstTheList(t *testing.T) {
	s, id := urgent(t)
	s.Staff("take", id, "Rui")
	for _, text := range []string{
		"Take 400 mg of ibuprofen.", "Two tablets now and two at night.", "Ibuprofen every 6 hours.", "Good news: it is not broken.",
		"It's just a sprain.", "Toma dos pastillas.", "No está roto.", "Paracetamol 1 g",
	} {
		wantRefused(t, s.Staff("reply", id, "Rui", "text", text), "word it otherwise")
	}
	s.End()
}

// Only staff lower, and their line prints the disposition.
func TestStaffLowerAndRaise(t *testing.T) {
	s := talk.Start(t, talk.Home())
	talk.Person{"navicular": "yes"}.All(s)
	id := s.Escalation("disposition").ID
	s.Staff("take", id, "Rui")
	got := s.Staff("close", id, "Rui", "outcome", "seen", "disposition", "clinician")
	wantStaff(t, got, id, "closed", "Rui")
	if d := talk.Of(got, "disposition"); len(d) != 1 || d[0].Disposition != "clinician" {
		t.Errorf("lowering brings %s", raws(got))
	}
	s.Staff("reopen", id, "Rui")
	got = s.Staff("close", id, "Rui", "outcome", "seen", "disposition", "emergency")
	if d := talk.Of(got, "disposition"); len(d) != 1 || d[0].Disposition != "emergency" || len(talk.Of(got, "message")) == 0 {
		t.Errorf("raising brings %s", raws(got))
	}
	s.End()
}

// A call-back asks for a number. What is no number is none, and a number with
// a sign of danger in the same breath is the sign.
func TestCallBackTakesANumberOrNone(t *testing.T) {
	s, id := urgent(t)
	s.Staff("take", id, "Rui")
	for _, words := range []string{"+351 912 345 678", "912345678", "no thanks", "12", strings.Repeat("1", 40)} {
		wantStaff(t, s.Staff("call_back", id, "Rui"), id, "taken", "Rui")
		if s.Ask.Fact() != "phone" || s.Ask.Kind != "next" {
			t.Fatalf("a call-back asks %+v", s.Ask)
		}
		s.Say(words)
		if s.Ask.Fact() == "phone" {
			t.Errorf("%q is asked again", words)
		}
	}
	s.Staff("call_back", id, "Rui")
	s.Choose("next") // no number
	s.End()
}

// A sensitive item says so, and says nothing of the kind to the person.
func TestASensitiveItemSaysSo(t *testing.T) {
	s := talk.Start(t, talk.Home())
	s.Say("i want to kill myself")
	if e := s.Escalation("disposition"); !e.Sensitive {
		t.Errorf("got %s, want a sensitive item", e.Raw)
	}
	s.End()
}

// Who is forgotten is off the staff list: nobody can read or write there any
// more. An open emergency leaves one bare item, without age and without words.
func TestWhoIsForgottenIsOffTheStaffList(t *testing.T) {
	s := talk.Start(t, talk.Home())
	talk.Person{"navicular": "yes"}.All(s)
	s.Say("human please")
	items := []string{s.Escalation("disposition").ID, s.Escalation("human").ID}
	s.Say("delete my data")
	for _, id := range items {
		wantRefused(t, s.Staff("take", id, "Rui"), "no item")
	}
	s.End()
}

// What staff write to somebody whose talk was forgotten comes under IDs of its
// own, or a channel would take it for a repeat.
func TestABareItemCanBeAnswered(t *testing.T) {
	s := talk.Start(t, talk.Home())
	s.Choose("foot_cold_or_pale")
	s.Choose("yes")
	id := s.Escalation("disposition").ID
	s.Say("delete my data")
	wantStaff(t, s.Staff("take", id, "Rui"), id, "taken", "Rui")
	reply := s.Staff("reply", id, "Rui", "text", "Help is on its way.")
	if m := talk.Of(reply, "message"); len(m) != 1 || !strings.Contains(m[0].Text, "Help is on its way.") {
		t.Errorf("the person reads %s", raws(reply))
	}
	wantStaff(t, s.Staff("close", id, "Rui", "outcome", "seen"), id, "closed", "Rui")
	wantRefused(t, s.Staff("reopen", id, "Rui"), "no item")
	s.End()
}

// Seven days after it was raised the bare item, and with it the way to answer,
// is gone (common practice, no source).
func TestABareItemGoesAfterSevenDays(t *testing.T) {
	s := talk.Start(t, talk.Home())
	s.Choose("foot_cold_or_pale")
	s.Choose("yes")
	id := s.Escalation("disposition").ID
	s.Say("delete my data")
	s.Wait("P6D")
	wantStaff(t, s.Staff("take", id, "Rui"), id, "taken", "Rui")
	s.Wait("P2D")
	wantRefused(t, s.Staff("reply", id, "Rui", "text", "hello"), "no item")
	s.End()
}
