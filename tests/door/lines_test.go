package door

import (
	"bufio"
	"bytes"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/tests/talk"
)

// A lineByLine is a command that answers each line.
type lineByLine struct {
	t    *testing.T
	cmd  *exec.Cmd
	in   io.WriteCloser
	out  *bufio.Reader
	errs bytes.Buffer
	dead *time.Timer
}

func start(t *testing.T, args ...string) *lineByLine {
	t.Helper()
	c := &lineByLine{t: t, cmd: exec.Command(talk.Bot, args...)}
	c.cmd.Stderr = &c.errs
	var err error
	if c.in, err = c.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.out = bufio.NewReader(out)
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	c.dead = time.AfterFunc(time.Minute, func() { _ = c.cmd.Process.Kill() }) // the read that waits says so
	t.Cleanup(func() { c.dead.Stop() })
	return c
}

// ask writes one line and reads its answer before it writes anything else: a
// command that does not flush would leave it waiting.
func (c *lineByLine) ask(line string) string {
	c.t.Helper()
	if _, err := io.WriteString(c.in, line+"\n"); err != nil {
		c.t.Fatalf("write %q: %v", line, err)
	}
	answer, err := c.out.ReadString('\n')
	if err != nil {
		c.t.Fatalf("%q is not answered before the next line: %v\n%s", line, err, c.errs.String())
	}
	return strings.TrimSuffix(answer, "\n")
}

func (c *lineByLine) end() {
	c.t.Helper()
	if err := c.in.Close(); err != nil {
		c.t.Error(err)
	}
	if rest, err := io.ReadAll(c.out); err != nil || len(rest) > 0 {
		c.t.Errorf("after the last line came %q, %v", rest, err)
	}
	if err := c.cmd.Wait(); err != nil {
		c.t.Errorf("ended with %v\n%s", err, c.errs.String())
	}
}

func TestScreenAnswersEachLineBeforeTheNext(t *testing.T) {
	c := start(t, "screen", "--locale", "en")
	for line, want := range map[string]string{
		"":                       "none\t",
		" ":                      "none\t",
		"i can't breathe":        "ambulance\tbreathing",
		"my ankle hurts":         "none\t",
		"i can't feel my toes\r": "ambulance\tno_feeling",
		"no puedo respirar":      "ambulance\tbreathing", // all languages are read
		strings.Repeat("word ", 20_000) + "i can't breathe": "ambulance\tbreathing",
		"\xff\xfe": "none\t",
	} {
		if got := c.ask(line); got != want {
			t.Errorf("%.40q: got %q, want %q", line, got, want)
		}
	}
	c.end()
}

func TestReadAnswersEachLineBeforeTheNext(t *testing.T) {
	at := []string{"--at", "2026-03-02T10:00:00Z", "--locale", "en"}
	for kind, lines := range map[string]map[string]string{
		"yesno":             {"yes": "yes", "nope": "no", "not sure": "unsure", "": "none", "blorp": "none"},
		"scale0to10":        {"7": "7", "": "none", "no pain at all": "0"},
		"side":              {"the left one": "left", "right": "right", "both": "both", "": "none"},
		"when_injured":      {"3 hours ago": "PT3H", "": "none"},
		"age_years":         {"i am 34": "34", "": "none"},
		"height":            {"170 cm": "170", "": "none"},
		"consent":           {"yes": "yes", "no": "no", "": "none"},
		"better_same_worse": {"better": "better", "": "none"},
		"choice":            {"options: left|right|both ;; right": "right", "options: a few|many ;; many": "many", "": "none"},
	} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			c := start(t, append([]string{"read", "--kind", kind}, at...)...)
			for line, want := range lines {
				if got := c.ask(line); got != want {
					t.Errorf("%q: got %q, want %q", line, got, want)
				}
			}
			c.end()
		})
	}
}

// As many lines out as in, also when the last one has no end of line.
func TestTheLastLineNeedsNoEnd(t *testing.T) {
	for _, args := range [][]string{{"screen"}, {"read", "--kind", "yesno"}} {
		for in, want := range map[string]int{"": 0, "yes": 1, "yes\n": 1, "yes\n\n": 2, "\n\nyes": 3, "a\r\nb\r\n": 2} {
			cmd := exec.Command(talk.Bot, args...)
			cmd.Stdin = strings.NewReader(in)
			out, err := cmd.Output()
			if err != nil {
				t.Errorf("%v: %v", args, err)
			}
			if got := strings.Count(string(out), "\n"); got != want {
				t.Errorf("%v of %q: %d lines, want %d: %q", args, in, got, want, out)
			}
		}
	}
}

// A setting that is not understood is refused with what to do about it, and
// no setting switches a safety control off.
func TestHAZ33_StartRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"a zone nobody knows":         {[]string{"talk", "--json", "--zone", "Mars/North"}, "Europe/Lisbon"},
		"a region nobody knows":       {[]string{"talk", "--json", "--region", "XX"}, "PT"},
		"a region in words":           {[]string{"talk", "--json", "--region", "Portugal"}, "PT"},
		"a language nobody speaks":    {[]string{"talk", "--json", "--locale", "tlh"}, "en"},
		"a protocol nobody wrote":     {[]string{"talk", "--json", "--protocol", "knee"}, "knee"},
		"a moment that is none":       {[]string{"talk", "--json", "--at", "yesterday"}, "2026-03-02T10:00:00Z"},
		"hours that are none":         {[]string{"talk", "--json", "--hours", "zone Europe/Lisbon; Funday 08:00-18:00"}, "Mon-Fri 08:00-18:00"},
		"hours without a zone":        {[]string{"talk", "--json", "--hours", "Mon-Fri 08:00-18:00"}, "Europe/Lisbon"},
		"hours in a file that is not": {[]string{"talk", "--json", "--hours", "hours.txt"}, "hours.txt"},
		"a person without a name":     {[]string{"talk", "--json", "--person", ""}, "--person"},
		"a word too many":             {[]string{"talk", "--json", "please"}, "please"},
		"a clock for a person":        {[]string{"talk", "--at", talk.Monday}, "--json"},
		"a kind that is not read":     {[]string{"read", "--kind", "mood"}, "yesno"},
		"no kind":                     {[]string{"read"}, "yesno"},
		"a flag that is not known":    {[]string{"talk", "--json", "--unsafe"}, "unsafe"},
		"no gate":                     {[]string{"talk", "--json", "--no-gate"}, "no-gate"},
		"a command that is not known": {[]string{"diagnose"}, "talk"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			cmd := exec.Command(talk.Bot, c.args...)
			cmd.Stdin = strings.NewReader(`{"say":"hi"}` + "\n")
			var errs bytes.Buffer
			cmd.Stderr = &errs
			out, err := cmd.Output()
			if err == nil || len(out) > 0 {
				t.Errorf("got %q and %v, want a refusal", out, err)
			}
			if !strings.Contains(errs.String(), c.says) {
				t.Errorf("the refusal does not help: %q has no %q", errs.String(), c.says)
			}
		})
	}
}

// The flags of a talk and of a service are those that are written down, and
// none of them is a switch for the gate, the screen or the card.
func TestHAZ33_NoSwitch(t *testing.T) {
	for command, known := range map[string][]string{
		"talk":   {"at", "backup", "data", "hours", "json", "key", "locale", "person", "protocol", "redis", "region", "zone"},
		"serve":  {"backup", "config", "data", "discord-at", "discord-token", "health", "hours", "key", "locale", "redis", "second-channel", "signed", "staff-channel", "watch"},
		"retire": {"backup", "config", "data", "discord-at", "discord-token", "health", "hours", "key", "locale", "redis", "second-channel", "signed", "staff-channel", "watch"},
	} {
		out, err := exec.Command(talk.Bot, command, "-h").CombinedOutput()
		if len(out) == 0 {
			t.Fatalf("%s: no help: %v", command, err)
		}
		for line := range strings.SplitSeq(string(out), "\n") {
			name, flag := strings.CutPrefix(strings.TrimSpace(line), "-")
			if !flag || !strings.HasPrefix(line, "  -") {
				continue
			}
			name, _, _ = strings.Cut(name, " ")
			if name, _, _ = strings.Cut(name, "\t"); !slices.Contains(known, strings.TrimLeft(name, "-")) {
				t.Errorf("%s: the flag --%s is not known here: is it a switch for something that must not be switched off?", command, name)
			}
		}
	}
}
