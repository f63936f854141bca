package discord_test

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
	"turnstone/upkeep"
)

// seen waits for something that only this person sees.
func (s *stage) seen(who *double.Person, text string) double.Message {
	s.t.Helper()
	var found double.Message
	if !s.p.Until(patience, func() bool {
		for _, m := range who.Seen() {
			if strings.Contains(m.Content, text) && !m.Waiting {
				found = m
				return true
			}
		}
		return false
	}) {
		s.t.Fatalf("%q: never; they see %+v", text, who.Seen())
	}
	return found
}

// Whoever takes no direct messages gets replies that only they see, with a
// field to type in; then, after a word on who reads it, a private thread.
func TestHAZ26_PublicChannelTranscript(t *testing.T) {
	s := newStage(t)
	s.up()
	ch := s.p.Channel("server", false)
	who := s.p.Join("en-US")
	who.Shut(true)
	who.Command(ch, "ankle", nil)
	first := s.seen(who, "danger")
	none, _ := button(first, "none")
	who.Press(first, none)
	second := s.seen(who, "A few more")
	field := ""
	for _, r := range second.Rows {
		for _, p := range r.Parts {
			if strings.HasPrefix(p.CustomID, "w|") {
				field = p.CustomID
			}
		}
	}
	a := who.Press(second, field)
	if !s.p.Until(patience, func() bool { return a.Modal() != nil }) {
		t.Fatal("no field opens")
	}
	who.HandIn(second, field, "none of these")
	third := s.seen(who, "Which country")
	who.Press(third, "thread")
	asked := s.seen(who, "moderators")
	who.Press(asked, "thread|yes")
	begun := s.seen(who, "We go on in a private thread")
	link := begun.Rows[0].Parts[0].URL
	thread := link[strings.LastIndexByte(link, '/')+1:]
	if !s.p.Until(patience, func() bool { return len(s.p.Messages(thread)) > 0 }) {
		t.Error("nothing is asked in the thread")
	}
	for _, m := range s.p.Messages(ch) {
		if m.For != who.ID {
			t.Errorf("everybody reads %q", m.Content)
		}
	}
}

// Somebody who blocked the bot or left is a staff item, and the message is
// given up.
func TestHAZ32_RemovedFromServer(t *testing.T) {
	s, who := talking(t, 10*time.Second)
	who.Write("none")
	s.waits("the second", who, lastAsks("A few more"))
	who.Leave()
	who.Write("I want to talk to a human")
	if !s.p.Until(patience, func() bool {
		list, err := s.store.List(context.Background(), record.CardPrefix)
		return err == nil && len(list) > 0
	}) {
		t.Fatal("staff never hear of it")
	}
	was, err := s.store.Load(context.Background(), "discord-"+who.ID)
	if err != nil {
		t.Fatal(err)
	}
	if !s.p.Until(patience, func() bool {
		was, err = s.store.Load(context.Background(), "discord-"+who.ID)
		return err == nil && strings.Contains(string(was.Bytes), `"unreachable"`)
	}) {
		t.Errorf("no item says that they can't be reached: %s", was.Bytes)
	}
}

// What was written while nobody listened is read at the next start; a press in
// the gap failed, so its question is asked again, without a noise.
func TestHAZ22_TheGapIsReadAfterwards(t *testing.T) {
	s, writer := talking(t, 10*time.Second)
	presser := s.p.Join("en-US")
	presser.Write("hello")
	list := s.waits("the first question", presser, lastAsks("danger"))
	first, _ := question(list)
	s.down()
	writer.Write("I can't feel my toes")
	if a := s.press(presser, first, "none"); !a.Failed() {
		t.Fatal("a press while nobody listens does not fail")
	}
	s.up()
	s.waits("the card", writer, has("EMERGENCY"))
	list = s.waits("the question again", presser, func(l []double.Message) bool {
		m, ok := question(l)
		return ok && m.ID != first.ID && strings.Contains(m.Content, "danger")
	})
	again, _ := question(list)
	if again.Flags&(1<<12) == 0 {
		t.Error("the repeated question makes a noise")
	}
	if a := s.press(presser, again, "none"); !s.p.Until(patience, func() bool { return !a.Failed() }) {
		t.Error("the repeated question can't be answered")
	}
	s.waits("the next question", presser, lastAsks("A few more"))
}

// A late press is answered with the open question; a danger sign counts then
// too. A press that comes twice counts once.
func TestHAZ21_OldVersionButtons(t *testing.T) {
	s, who := talking(t, 10*time.Second)
	first, _ := question(who.Direct())
	s.press(who, first, "none")
	s.press(who, first, "none")
	list := s.waits("the second question", who, lastAsks("A few more"))
	second, _ := question(list)
	s.press(who, second, "none")
	s.waits("the third question", who, func(l []double.Message) bool { m, _ := question(l); return m.ID != second.ID })
	if has("older question")(who.Direct()) {
		t.Error("a double press is scolded")
	}
	s.press(who, first, "unsure")
	s.waits("a kind word", who, has("older question"))
	s.press(who, first, "foot_cold_or_pale")
	s.waits("the card", who, has("EMERGENCY"))
}

// A press on a question about the one person of an account reaches that one,
// though the talk is about the other since; the button's ID says whom it is
// about. A question of the one keeps its buttons when the talk turns.
func TestHAZ20_APressReachesWhomItIsAbout(t *testing.T) {
	s, who := talking(t, 10*time.Second)
	own, _ := question(who.Direct())
	who.Write("this is about somebody else")
	list := s.waits("the other person's question", who, lastAsks("About the other person"))
	other, _ := question(list)
	if m := who.Direct()[slices.IndexFunc(who.Direct(), func(m double.Message) bool { return m.ID == own.ID })]; len(m.Rows) == 0 {
		t.Error("the open question about the one has no buttons any more")
	}
	s.press(who, own, "none")
	s.press(who, own, "none") // twice, as thumbs do
	list = s.waits("the one's next question", who, func(l []double.Message) bool {
		m, ok := question(l)
		return ok && strings.Contains(m.Content, "A few more") && !strings.Contains(m.Content, "About the other person")
	})
	if has("older question")(list) {
		t.Errorf("the press is taken for a late one: %v", list)
	}
	if !s.p.Until(patience, func() bool {
		m := who.Direct()[slices.IndexFunc(who.Direct(), func(m double.Message) bool { return m.ID == own.ID })]
		return strings.Contains(m.Content, "Your answer") && len(m.Rows) == 0
	}) {
		t.Errorf("the answered question: %+v", who.Direct())
	}
	s.press(who, other, "chest_or_breathing")
	s.waits("the card", who, has("EMERGENCY"))
	for person, sign := range map[string]bool{"discord-" + who.ID: false, "discord-" + who.ID + "+2": true} {
		was, err := s.store.Load(t.Context(), person)
		if err != nil {
			t.Fatal(err)
		}
		r, err := record.Decode(was.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		if (r.Episode.Disposition == care.Ambulance) != sign {
			t.Errorf("%s is at %v", person, r.Episode.Disposition)
		}
	}
}

// The pointer in a watched channel is no reply, names nobody and is the same
// for everybody.
func TestHAZ26_ThePointerNamesNobody(t *testing.T) {
	s := newStage(t)
	s.p.Allowed |= 1<<9 | 1<<15
	s.set.Watch = true
	s.up()
	ch, watched := s.p.Channel("server", false), s.p.Channel("server", false)
	s.p.Join("en-US").Command(ch, "ankle-setup", map[string]string{"zone": "Europe/Lisbon", "region": "PT", "watch": watched})
	var pinned double.Message
	if !s.p.Until(patience, func() bool {
		l := s.p.Messages(ch)
		i := slices.IndexFunc(l, func(m double.Message) bool { return m.Pinned })
		if i >= 0 {
			pinned = l[i]
		}
		return i >= 0
	}) {
		t.Fatal("nothing is pinned")
	}
	who := s.p.Join("en-US")
	who.WriteIn(watched, "nice weather")
	who.WriteIn(watched, "I can't feel my foot, it is blue")
	if !s.p.Until(patience, func() bool { return len(s.p.Messages(watched)) > 2 }) {
		t.Fatal("no pointer")
	}
	m := s.p.Messages(watched)[2]
	if strings.Contains(m.Content, who.ID) || strings.Contains(m.Content, "blue") || !strings.Contains(m.Content, "112") || m.Content != pinned.Content {
		t.Errorf("the pointer reads %q", m.Content)
	}
}

// Whole talks of many people at once, with the bot ended and the line cut in
// between: nobody loses a question, and nobody reads another's.
func TestHAZ22_ManyTalksWithTheLineCut(t *testing.T) {
	s := newStage(t)
	s.up()
	const people, steps = 40, 3
	done := make(chan error, people)
	for i := range people {
		who := s.p.Join("en-US")
		go func() { done <- s.live(who, i) }()
	}
	for n := range 4 {
		time.Sleep(300 * time.Millisecond) // time for the talks to be anywhere
		switch n {
		case 0:
			s.p.Drop()
		case 1:
			s.p.Invalidate()
		default:
			s.down()
			s.up()
		}
	}
	for range people {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	double := 0
	for _, c := range s.p.Sent() {
		if c.Status >= 400 {
			double++
		}
	}
	t.Logf("%d calls, %d refused", len(s.p.Sent()), double)
}

// live is one whole talk: words for odd people, an emergency at its end.
func (s *stage) live(who *double.Person, i int) error {
	who.Write("hello")
	for _, step := range []struct{ asks, words string }{{"First, signs", "none of these"}, {"A few more", "none of these"}, {"country", "Portugal"}, {"How old", "34"}} {
		if !s.p.Until(patience, func() bool {
			return lastAsks(step.asks)(who.Direct()) || step.asks == "How old" && hasText(who, step.asks)
		}) {
			m, _ := question(who.Direct())
			return fmt.Errorf("person %d never reads %q; last %q", i, step.asks, m.Content)
		}
		who.Write(step.words)
	}
	who.Write("I can't breathe")
	if !s.p.Until(patience, func() bool { return hasText(who, "EMERGENCY") }) {
		return fmt.Errorf("person %d never reads the card", i)
	}
	return nil
}

func hasText(who *double.Person, text string) bool { return has(text)(who.Direct()) }

// After an outage whoever was in the middle of a talk is told on the platform,
// the emergency number first, and asked again.
func TestHAZ32_BackAfterAnOutageOnThePlatform(t *testing.T) {
	s, who := talking(t, 10*time.Second)
	s.down()
	alive, err := json.Marshal(map[string]time.Time{"at": time.Now().Add(-20 * time.Minute)})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.store.Put(t.Context(), upkeep.AliveKey, alive, store.AnyEtag, time.Time{}); err != nil {
		t.Fatal(err)
	}
	told := make(chan upkeep.Outage, 1)
	s.away = func(o upkeep.Outage) { told <- o }
	s.up()
	list := s.waits("word of the outage", who, has("I am back"))
	if o := <-told; o.MidTalk != 1 {
		t.Errorf("the outage is %+v, want one person in the middle of a talk", o)
	}
	if _, asks := question(list); !asks {
		t.Error("nothing is asked again")
	}
}
