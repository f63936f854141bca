package discord_test

import (
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
	"turnstone/tests/redis/servers"
)

// cardLimit is how long an emergency card may take, whatever happens to the
// network.
const cardLimit = 8 * time.Second

// The answers that lead somebody from the first question to where it hurts, typed.
var answers = []string{"none", "none", "Portugal", "34", "yes", "2 hours ago", "none", "left"}

// begin starts a talk and waits for its first question.
func (c *crew) begin() *double.Person {
	c.t.Helper()
	who := c.p.Join("en-US")
	who.Command(c.p.Channel("server", false), "ankle", nil)
	if !c.p.Until(patience, func() bool { _, asks := question(who.Direct()); return asks }) {
		c.t.Fatal("nothing is asked")
	}
	return who
}

// answered types an answer and waits until it has one in turn.
func (c *crew) answered(who *double.Person, text string) bool {
	id := who.Write(text)
	return c.p.Until(patience, func() bool { return len(after(who, id)) > 0 })
}

// after is what the bot said after a message.
func after(who *double.Person, id string) (said []double.Message) {
	for _, m := range who.Direct() {
		if m.Author == double.Self && len(m.ID) >= len(id) && m.ID > id {
			said = append(said, m)
		}
	}
	return said
}

// Of a kind of card: how it begins.
const cardLooks = "# "

func cards(said []double.Message) (n int) {
	for _, m := range said {
		if strings.HasPrefix(m.Content, cardLooks) {
			n++
		}
	}
	return n
}

// danger types an emergency, and fails unless a card comes in time.
func (c *crew) danger(who *double.Person) (id string) {
	c.t.Helper()
	id = who.Write("i can't breathe")
	if !c.p.Until(cardLimit, func() bool { return cards(after(who, id)) > 0 }) {
		c.t.Errorf("no emergency card within %v", cardLimit)
	}
	return id
}

// Faults 12 and 13 with the built program: while people answer, the network to
// the server is slow, cuts connections and swallows replies. Everybody gets
// from question to question and ends at the same one; nothing is said twice.
func TestHAZ22_ABadNetworkToTheServer(t *testing.T) {
	c := newCrew(t)
	bot := c.start()
	bot.works()
	stop := make(chan struct{})
	var bad, talks sync.WaitGroup
	bad.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			case <-time.After(300 * time.Millisecond):
			}
			switch i % 4 {
			case 0:
				bot.net.CutAll()
			case 1:
				bot.net.Next(servers.Cut)
			case 2:
				bot.net.Next(servers.Swallow)
			case 3:
				bot.net.Delay(time.Duration(i%3) * 10 * time.Millisecond)
			}
		}
	})
	const people = 6
	all := make([]*double.Person, people)
	for i := range people {
		talks.Go(func() {
			all[i] = c.begin()
			for _, a := range answers {
				if !c.answered(all[i], a) {
					t.Errorf("%d: the answer %q is lost", i, a)
				}
			}
		})
	}
	talks.Wait()
	close(stop)
	bad.Wait()
	bot.net.Delay(0)
	last := map[string]int{}
	for _, who := range all {
		q, _ := question(who.Direct())
		last[q.Content]++
		c.nothingTwice(who)
		c.danger(who)
	}
	if len(last) != 1 {
		t.Errorf("after the same answers people stand at %d questions: %v", len(last), last)
	}
	if bot.net.Met() == 0 {
		t.Error("no request met a fault")
	}
	bot.stop()
}

// The working process is cut off from the server: the other follows within
// seconds, no emergency card is late meanwhile, no words are lost; and the one
// that was cut off hands in what it has, ends, and says nothing more.
func TestHAZ08_OneIsCutOffAndAnotherFollows(t *testing.T) {
	c := newCrew(t)
	first := c.start()
	first.works()
	second := c.start()
	second.standsBy()
	early, quiet, late := c.begin(), c.begin(), c.begin()

	first.net.Part(true)
	earlyID := c.danger(early) // nobody knows yet that the first is cut off
	quietID := quiet.Write("none")
	second.works()
	if !c.p.Until(patience, func() bool { return len(after(quiet, quietID)) > 0 }) {
		t.Error("an answer that was written between the two is lost")
	}
	lateID := c.danger(late)
	if !c.p.Until(patience, func() bool { return first.said(idling) }) {
		t.Error("the first does not know that it is cut off")
	}
	if !c.answered(quiet, "none") {
		t.Error("an answer is lost while the first is cut off")
	}

	first.net.Part(false)
	first.losesItsTurn()
	if !c.p.Until(patience, func() bool { return cards(after(early, earlyID)) == 2 }) { // the fixed one, and the full one of the second
		t.Errorf("who had the fixed card has %d", cards(after(early, earlyID)))
	}
	before := [][]double.Message{early.Direct(), quiet.Direct(), late.Direct()}
	if !c.answered(quiet, "Portugal") { // time goes on
		t.Error("an answer is lost after the first has ended")
	}
	for i, who := range []*double.Person{early, quiet, late} {
		c.nothingTwice(who)
		if n := len(who.Direct()) - len(before[i]); who != quiet && n > 0 {
			t.Errorf("%d: %d messages came late", i, n)
		}
	}
	if n := cards(after(late, lateID)); n > 2 {
		t.Errorf("%d cards for one emergency", n)
	}
	if has("could not")(quiet.Direct()) || has("112")(quiet.Direct()) {
		t.Errorf("the first spoke while it was cut off: %+v", quiet.Direct())
	}
	second.stop()
}

// Fault 15 with the built program: the server itself hangs, longer than a turn
// lasts. Whoever types an emergency has the fixed card in time, at once and
// later; when the server answers again, what was written is taken in.
func TestHAZ07_TheServerHangsUnderTheBuiltProgram(t *testing.T) {
	c := newCrew(t)
	first := c.start()
	first.works()
	second := c.start()
	second.standsBy()
	early, quiet, late := c.begin(), c.begin(), c.begin()
	stranger := c.p.Join("en-US") // nothing is known of them

	if err := c.server.Freeze(); err != nil {
		t.Fatal(err)
	}
	ids := map[*double.Person]string{early: c.danger(early)}
	quietID := quiet.Write("none")
	if !c.p.Until(patience, func() bool { return first.said(idling) }) {
		t.Fatalf("the first does not know that it is cut off: %s", first.log())
	}
	ids[late], ids[stranger] = c.danger(late), c.danger(stranger)
	if err := c.server.Thaw(); err != nil {
		t.Fatal(err)
	}
	first.losesItsTurn()
	second.works()
	for who, id := range ids {
		if !c.p.Until(patience, func() bool { return cards(after(who, id)) == 2 }) {
			t.Errorf("beside the fixed card there are %d", cards(after(who, id))-1)
		}
		c.nothingTwice(who)
	}
	if !c.p.Until(patience, func() bool { return len(after(quiet, quietID)) > 0 }) {
		t.Error("an answer that was written while the server hung is lost")
	}
	second.stop()
}
