package discord_test

import (
	"syscall"
	"testing"
)

// Of three processes one works. It is killed, and the next answers; that one is
// frozen past its turn, and the last answers; woken, the frozen one ends and
// says nothing more. The person loses nothing and reads nothing twice.
func TestHAZ08_OneWorksAndAnotherFollows(t *testing.T) {
	c := newCrew(t)
	first := c.start()
	first.works()
	second, third := c.start(), c.start()
	second.standsBy()
	third.standsBy()
	who := c.p.Join("en-US")
	who.Command(c.p.Channel("server", false), "ankle", nil)
	asked := func() bool { _, asks := question(who.Direct()); return asks }
	if !c.p.Until(patience, asked) {
		t.Fatal("nothing is asked")
	}
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	who.Write("my chest hurts and i cannot breathe") // nobody hears it yet
	if !c.p.Until(patience, func() bool { return has("112")(who.Direct()) || has("911")(who.Direct()) || has("Call")(who.Direct()) }) {
		t.Fatalf("the emergency that was written between two processes is not answered: %v\n%s\n%s", who.Direct(), second.log(), third.log())
	}
	busy, idle := second, third
	if third.said(working) {
		busy, idle = third, second
	}
	if err := busy.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	if !c.p.Until(patience, func() bool { return idle.said(working) }) {
		t.Fatal("nobody follows the frozen one")
	}
	before := len(who.Direct())
	if err := busy.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	busy.losesItsTurn()
	who.Write("yes somebody is with me")
	if !c.p.Until(patience, func() bool { return len(who.Direct()) > before+1 }) {
		t.Error("the last one does not answer")
	}
	c.nothingTwice(who)
	idle.stop()
}
