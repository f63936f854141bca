package discord_test

import (
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/tests/talk"
)

// build builds the program under another name.
func (c *crew) build(version string) string {
	c.t.Helper()
	root, err := talk.Root()
	if err != nil {
		c.t.Fatal(err)
	}
	path := filepath.Join(c.dir, "bot-"+version)
	cmd := exec.CommandContext(c.t.Context(), "go", "build", "-ldflags", "-X main.version="+version, "-o", path, "./cmd/bot")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		c.t.Fatalf("%v: %s", err, out)
	}
	told, err := exec.CommandContext(c.t.Context(), path, "version").Output()
	if err != nil || strings.TrimSpace(string(told)) != version {
		c.t.Fatalf("the build %s tells %q, %v", version, told, err)
	}
	return path
}

// A newer build is started beside an older one, which is then stopped, and the
// other way round. Nobody notices: each answer gets the next question, also one
// that was written at the moment of the change, and a typed emergency its card.
func TestHAZ22_BuildsTakeTurns(t *testing.T) {
	c := newCrew(t)
	older, newer := c.build("1.0.0"), c.build("2.0.0")
	line := []struct{ version, program string }{{"1.0.0", older}, {"2.0.0", newer}, {"1.0.0", older}}
	now := c.startBuild(line[0].program)
	now.works()
	who, hurt := c.begin(), c.begin()
	typed := answers
	for _, next := range line[1:] {
		then := c.startBuild(next.program)
		then.standsBy()
		if !then.said(fmt.Sprintf("%q:%q", "version", next.version)) {
			t.Errorf("it does not say which build it is: %s", then.log())
		}
		if !c.answered(who, typed[0]) {
			t.Errorf("the answer %q is lost while both are there", typed[0])
		}
		now.stop()
		between := who.Write(typed[1]) // nobody may be listening
		then.works()
		if !c.p.Until(patience, func() bool { return len(after(who, between)) > 0 }) {
			t.Errorf("the answer %q is lost between two builds", typed[1])
		}
		if !c.answered(who, typed[2]) {
			t.Errorf("the answer %q is lost", typed[2])
		}
		now, typed = then, typed[3:]
	}
	c.danger(hurt)
	for _, a := range typed {
		if !c.answered(who, a) {
			t.Errorf("the answer %q is lost", a)
		}
	}
	straight := c.begin()
	for _, a := range answers {
		if !c.answered(straight, a) {
			t.Errorf("the answer %q is lost", a)
		}
	}
	q, _ := question(who.Direct())
	want, _ := question(straight.Direct())
	if q.Content != want.Content {
		t.Errorf("through three builds the talk stands at %q, and through one at %q", q.Content, want.Content)
	}
	c.nothingTwice(who)
	now.stop()
}

// A layout that a newer build has written is refused by an older one in a
// sentence, with the status that no restart mends, and left as it is.
func TestHAZ22_ANewerLayoutIsRefused(t *testing.T) {
	c := newCrew(t)
	bot := c.start()
	bot.works()
	c.begin()
	bot.stop()
	c.server.Do(t, "HSET", "{bot}:meta", "format", "2")
	keys := c.server.Do(t, "DBSIZE").String()
	later := c.start()
	err := <-later.ended
	if err == nil || later.ProcessState.ExitCode() != 3 || !later.said("its format is 2 and this program knows up to 1: use the newer program") {
		t.Errorf("it ends with %v and says %s", err, later.log())
	}
	if now := c.server.Do(t, "DBSIZE").String(); now != keys {
		t.Errorf("there were %s, and now %s", keys, now)
	}
}
