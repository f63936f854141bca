package discord_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
	"turnstone/store"
)

// note changes what is kept of an account while no bot runs.
func (s *stage) note(who *double.Person, change func(n map[string]any)) {
	s.t.Helper()
	key := "discord/account/discord-" + who.ID
	n := map[string]any{}
	data, _, ok, err := s.store.Get(s.t.Context(), key)
	if err == nil && ok {
		err = json.Unmarshal(data, &n)
	}
	if err != nil {
		s.t.Fatal(err)
	}
	change(n)
	if data, err = json.Marshal(n); err == nil {
		err = s.store.Put(s.t.Context(), key, data, store.AnyEtag, time.Time{})
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

// A process that answered the command at once, and died before it took it in,
// is followed by one that does.
func TestACommandOfAProcessThatDied(t *testing.T) {
	s := newStage(t)
	who := s.p.Join("en-US")
	s.note(who, func(n map[string]any) {
		n["user"], n["way"], n["locale"], n["opening"], n["opened"] = who.ID, "direct", "en", "discord/1", time.Now()
	})
	s.up()
	s.waits("the first question", who, lastAsks("danger"))
	s.down()
	count := len(who.Direct())
	s.up()
	s.waits("the question again, for a press that failed", who, func(l []double.Message) bool { return len(l) > count })
}

// Words that were taken in are read from the history again when their note
// was not saved. The question after them is asked again all the same: its
// press may have died with the process.
func TestAPressBehindWordsThatAreReadAgain(t *testing.T) {
	s := newStage(t)
	s.up()
	who := s.p.Join("en-US")
	who.Command(s.p.Channel("server", false), "ankle", nil)
	s.waits("the first question", who, lastAsks("danger"))
	last := who.Write("none of these")
	s.waits("the second question", who, lastAsks("A few more signs"))
	s.down()
	s.note(who, func(n map[string]any) { n["last"] = last[:len(last)-1] + "0" })
	count := len(who.Direct())
	s.up()
	list := s.waits("the question again", who, func(l []double.Message) bool { return len(l) > count })
	if again := list[len(list)-1]; !strings.Contains(again.Content, "A few more signs") {
		t.Errorf("asked is %q", again.Content)
	}
}

// Whoever is not asked anything hears nothing of a new session.
func TestNothingIsSaidWhereNothingIsAsked(t *testing.T) {
	s := newStage(t)
	s.up()
	ch := s.p.Channel("server", false)
	who, other := s.p.Join("en-US"), s.p.Join("en-US")
	who.Command(ch, "ankle", nil)
	s.waits("the first question", who, lastAsks("danger"))
	who.Write("i cannot feel my toes at all")
	s.waits("the card and its question", who, lastAsks("EMERGENCY"))
	who.Write("yes")
	s.waits("the end of the questions", who, func(l []double.Message) bool { _, asks := question(l); return !asks })
	other.Command(ch, "ankle", nil)
	s.waits("the other's question", other, lastAsks("danger"))
	s.down()
	count, others := len(who.Direct()), len(other.Direct())
	s.up()
	s.waits("the other's question again", other, func(l []double.Message) bool { return len(l) > others })
	if list := who.Direct(); len(list) > count {
		t.Errorf("said is %q", list[len(list)-1].Content)
	}
}
