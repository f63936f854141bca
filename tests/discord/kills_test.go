package discord_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
	"turnstone/care"
	"turnstone/export"
	"turnstone/tests/talk"
)

// How many kills: some with make test, a hundred with TURNSTONE_LONG=1 (make
// proofs), and as many as TURNSTONE_KILLS says.
func killsWanted(t *testing.T) int {
	t.Helper()
	n, err := 4, error(nil)
	if os.Getenv("TURNSTONE_LONG") != "" {
		n = 100
	}
	if text := os.Getenv("TURNSTONE_KILLS"); text != "" {
		n, err = strconv.Atoi(text)
	}
	if err != nil || n < 1 {
		t.Fatalf("TURNSTONE_KILLS=%q is no number of kills", os.Getenv("TURNSTONE_KILLS"))
	}
	return n
}

// A machine runs the program and starts it again when it ends, as systemd does.
type machine struct {
	name string
	mu   sync.Mutex
	now  *hand
	ends map[string]int
}

func (m *machine) keep(c *crew, stop <-chan struct{}) {
	for {
		h, err := c.launch(talk.Bot, c.server.Addr(), m.name)
		if err != nil {
			c.t.Error(err)
			return
		}
		m.mu.Lock()
		m.now = h
		m.mu.Unlock()
		select {
		case <-stop:
			_ = h.Process.Kill() // it may have ended
			m.note(<-h.ended)
			return
		case err := <-h.ended:
			m.note(err)
			time.Sleep(300 * time.Millisecond) // the pause of the unit, shortened
		}
	}
}

// note counts how the program ended.
func (m *machine) note(end error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.ends[fmt.Sprint(end)]++
}

func (m *machine) kill() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.now != nil {
		_ = m.now.Process.Kill() // it may have ended
	}
}

// A hall counts what was acknowledged to people.
type hall struct {
	*crew
	steps    []string // the questions, as somebody reads them whom nothing disturbs
	facts    map[care.Fact][]string
	answered atomic.Int64
	carded   atomic.Int64
	slowest  atomic.Int64

	mu   sync.Mutex
	done []*double.Person
}

// timeless is a question without the time of day that is in it.
func timeless(question string) string { return clock.ReplaceAllString(question, "hh:mm") }

var clock = regexp.MustCompile(`\d\d:\d\d`)

// reads waits until somebody reads words after a message.
func (h *hall) reads(who *double.Person, id, words string) bool {
	return h.p.Until(2*time.Minute, func() bool {
		return slices.ContainsFunc(after(who, id), func(m double.Message) bool { return timeless(m.Content) == words })
	})
}

// straight learns the way from a talk that nothing disturbs.
func (h *hall) straight() {
	h.t.Helper()
	who := h.begin()
	for _, a := range answers {
		q, _ := question(who.Direct())
		h.steps = append(h.steps, timeless(q.Content))
		if !h.crew.answered(who, a) {
			h.t.Fatalf("the answer %q is lost, and nothing was killed", a)
		}
	}
	q, _ := question(who.Direct())
	h.steps = append(h.steps, timeless(q.Content))
	h.danger(who)
	h.facts = factsOf(h.kept(who))
}

// kept is all that is kept of somebody, by the built program.
func (h *hall) kept(who *double.Person) (d export.Document) {
	h.t.Helper()
	cmd := exec.CommandContext(h.t.Context(), talk.Bot, append(append([]string{"export"}, h.place(h.server.Addr(), "reader")...), "discord:"+who.ID)...)
	out, err := cmd.Output()
	if err == nil {
		err = json.Unmarshal(out, &d)
	}
	if err != nil {
		h.t.Errorf("what is kept of %v: %v", who, err)
	}
	return d
}

func factsOf(d export.Document) map[care.Fact][]string {
	all := map[care.Fact][]string{}
	for _, r := range d.Record.Episode.Rounds {
		for _, f := range r.Facts {
			all[f.Fact] = append(all[f.Fact], f.Values...)
		}
	}
	return all
}

// one leads somebody from question to question to an emergency.
func (h *hall) one() {
	who := h.p.Join("en-US")
	server := h.p.Channel("server", false)
	begun := false
	for range 30 { // a press between two processes fails, and is pressed again
		who.Command(server, "ankle", nil)
		if begun = h.p.Until(4*time.Second, func() bool { _, asks := question(who.Direct()); return asks }); begun {
			break
		}
	}
	if !begun {
		h.t.Errorf("%v is asked nothing", who)
		return
	}
	for i, a := range answers {
		if id := who.Write(a); !h.reads(who, id, h.steps[i+1]) {
			h.t.Errorf("%v answered %q, and does not read %q but %+v", who, a, h.steps[i+1], after(who, id))
			return
		}
		h.answered.Add(1)
	}
	time.Sleep(rand.N(5 * time.Second)) // into the middle of whatever is killed
	at := time.Now()
	id := who.Write("i can't breathe")
	if !h.p.Until(2*time.Minute, func() bool { return cards(after(who, id)) > 0 }) {
		h.t.Errorf("%v has no card", who)
		return
	}
	h.carded.Add(1)
	h.slowest.Store(max(h.slowest.Load(), int64(time.Since(at))))
	h.mu.Lock()
	h.done = append(h.done, who)
	h.mu.Unlock()
}

// Processes and the server are killed at random while people talk. Every answer
// that was acknowledged with the next question is kept, once; every emergency
// has its card and one item; nobody reads a message twice.
func TestHAZ22_ManyKillsOfProcessesAndServer(t *testing.T) {
	kills := killsWanted(t)
	h := &hall{crew: newCrew(t)}
	machines := []*machine{{name: "machine-a", ends: map[string]int{}}, {name: "machine-b", ends: map[string]int{}}}
	stop := make(chan struct{})
	var running, talking sync.WaitGroup
	for _, m := range machines {
		running.Go(func() { m.keep(h.crew, stop) })
	}
	if !h.p.Until(patience, h.p.Connected) {
		t.Fatal("nobody works")
	}
	h.straight()
	over := make(chan struct{})
	for range 6 {
		talking.Go(func() {
			for {
				select {
				case <-over:
					return
				default:
					h.one()
				}
			}
		})
	}
	seed := uint64(time.Now().UnixNano())
	dice := rand.New(rand.NewPCG(seed, 1))
	killed := map[string]int{}
	for range kills {
		time.Sleep(time.Duration(dice.IntN(4000)) * time.Millisecond)
		switch dice.IntN(3) {
		case 0:
			h.server.Kill()
			if err := h.server.Launch(); err != nil {
				t.Fatal(err)
			}
			killed["server"]++
		case 1:
			machines[dice.IntN(2)].kill()
			killed["process"]++
		case 2:
			machines[0].kill()
			machines[1].kill()
			killed["both processes"]++
		}
	}
	close(over)
	talking.Wait()
	h.wantAllKept()
	close(stop)
	running.Wait()
	t.Logf("seed %d, killed %v: %d acknowledged answers of %d people, %d emergency cards, the slowest after %v; the processes ended with %v and %v",
		seed, killed, h.answered.Load(), len(h.done), h.carded.Load(), time.Duration(h.slowest.Load()).Round(100*time.Millisecond), machines[0].ends, machines[1].ends)
}

func (h *hall) wantAllKept() {
	h.t.Helper()
	if len(h.done) == 0 {
		h.t.Error("nobody got to the end")
	}
	for _, who := range h.done {
		h.nothingTwice(who)
		if !h.p.Until(patience, func() bool { return len(h.kept(who).Staff) > 0 }) {
			h.t.Errorf("%v: staff have no item", who)
		}
		d := h.kept(who)
		if got := factsOf(d); !reflect.DeepEqual(got, h.facts) {
			h.t.Errorf("%v: acknowledged is %v, and kept %v", who, h.facts, got)
		}
		if n := len(d.Staff); n != 1 || d.Staff[0].Disposition != care.Ambulance {
			h.t.Errorf("%v: on the staff list is %+v", who, d.Staff)
		}
		sent := map[string]int{}
		for _, l := range d.Log {
			if l.Type == care.LineSent {
				sent[l.ID]++
			}
		}
		for id, n := range sent {
			if n > 1 {
				h.t.Errorf("%v: message %s was noted as sent %d times", who, id, n)
			}
		}
		if n := len(after(who, "")); n < len(sent) {
			h.t.Errorf("%v reads %d messages, and %d are noted as sent", who, n, len(sent))
		}
	}
}
