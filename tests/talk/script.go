package talk

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"turnstone/care"
)

// Scripts runs conversations that are files, in the txtar form: what is said
// and done on top, and below "-- want --" the whole talk as it must come out.
//
//	start [at=MOMENT] [zone=] [region=] [locale=] [person=] [hours=]   the bot speaks first
//	person WORDS              the person types
//	press VALUE...            the person presses choices
//	answer [FACT=VALUE...] [until=FACT]   answers what is asked, like somebody with a plain sprain beside what is given
//	later DURATION            time passes: 30m, 50h, 12d
//	staff DO ABOUT by=NAME [FIELD=VALUE...]   a staff member does something with the item about ABOUT
//	again [later=DURATION]    the program ends and is started anew on the same store
//	expect DISPOSITION [FACT...]   the disposition in force and what it rests on
//	cmp talk want             the talk so far is the one below
//
// Words with a space stand in single quotes; a quote in them is doubled.
func Scripts(t *testing.T, files []string) {
	t.Helper()
	if len(files) == 0 {
		t.Fatal("there are no conversations")
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".txtar")
		if dir := filepath.Base(filepath.Dir(f)); dir != "conversations" {
			name = dir + "/" + name
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			run(t, f)
		})
	}
}

const want = "-- want --\n"

func run(t *testing.T, file string) {
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	steps, wanted, _ := strings.Cut(string(data), want)
	c := &script{tb: t}
	if strings.Contains(steps, "\nagain") {
		c.store = Folder(t)
	}
	compared := false
	for n, line := range strings.Split(steps, "\n") {
		args, err := words(line)
		if err != nil {
			t.Fatalf("%s:%d: %v", file, n+1, err)
		}
		switch {
		case len(args) == 0:
		case strings.Join(args, " ") == "cmp talk want":
			compared = true
			c.compare(t, file, steps, wanted)
		default:
			if err := c.do(args); err != nil {
				t.Fatalf("%s:%d: %s: %v; so far:\n%s", file, n+1, args[0], err, c.tail())
			}
		}
	}
	if !compared {
		t.Fatalf("%s: nothing is compared; end with `cmp talk want`", file)
	}
	c.s.End()
}

func (c *script) compare(t *testing.T, file, steps, wanted string) {
	got := c.s.Paper(c.s.zone())
	if *Update {
		if err := os.WriteFile(file, []byte(steps+want+got), 0o600); err != nil {
			t.Fatal(err)
		}
		return
	}
	if got != wanted {
		t.Errorf("%s: the talk is another one (- want, + got; `go test ./tests -update` writes it):\n%s", file, difference(wanted, got))
	}
}

// tail is the end of the talk so far.
func (c *script) tail() string {
	if c.s == nil {
		return ""
	}
	lines := strings.Split(c.s.Paper(c.s.zone()), "\n")
	return strings.Join(lines[max(0, len(lines)-40):], "\n")
}

// difference shows the lines that are only in one of two texts, in order.
func difference(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	same := make([][]int, len(x)+1) // the longest common part of x[i:] and y[j:]
	for i := range same {
		same[i] = make([]int, len(y)+1)
	}
	for i := len(x) - 1; i >= 0; i-- {
		for j := len(y) - 1; j >= 0; j-- {
			same[i][j] = max(same[i+1][j], same[i][j+1])
			if x[i] == y[j] {
				same[i][j] = same[i+1][j+1] + 1
			}
		}
	}
	var out strings.Builder
	for i, j := 0, 0; i < len(x) || j < len(y); {
		switch {
		case i < len(x) && j < len(y) && x[i] == y[j]:
			i, j = i+1, j+1
		case j >= len(y) || i < len(x) && same[i+1][j] >= same[i][j+1]:
			out.WriteString("- " + x[i] + "\n")
			i++
		default:
			out.WriteString("+ " + y[j] + "\n")
			j++
		}
	}
	return out.String()
}

// words splits a line at spaces, outside of single quotes.
func words(line string) ([]string, error) {
	var list []string
	var word strings.Builder
	quoted, any := false, false
	for i := 0; i < len(line); i++ {
		switch ch := line[i]; {
		case quoted && ch == '\'' && i+1 < len(line) && line[i+1] == '\'':
			word.WriteByte(ch)
			i++
		case ch == '\'':
			quoted, any = !quoted, true
		case !quoted && ch == '#' && word.Len() == 0 && len(list) == 0:
			return nil, nil
		case !quoted && (ch == ' ' || ch == '\t'):
			if any {
				list = append(list, word.String())
			}
			word.Reset()
			any = false
		default:
			word.WriteByte(ch)
			any = true
		}
	}
	if any {
		list = append(list, word.String())
	}
	if quoted {
		return nil, errors.New("a quote is not closed")
	}
	return list, nil
}

type script struct {
	tb    testing.TB
	store string // the folder of the store, where one is needed
	s     *Session
}

func (c *script) do(args []string) error {
	step, known := map[string]func([]string) error{
		"start": c.start, "person": c.person, "press": c.press, "answer": c.answer,
		"later": c.later, "staff": c.staff, "again": c.again, "expect": c.expect,
	}[args[0]]
	switch {
	case !known:
		return errors.New("no step is called so")
	case c.s == nil && args[0] != "start":
		return errors.New("the first step is start")
	}
	return step(args[1:])
}

// split parts FIELD=VALUE words from the rest.
func split(args []string) (words []string, fields map[string]string) {
	fields = map[string]string{}
	for _, a := range args {
		if k, v, is := strings.Cut(a, "="); is {
			fields[k] = v
			continue
		}
		words = append(words, a)
	}
	return words, fields
}

func (c *script) start(args []string) error {
	_, f := split(args)
	set := Home()
	set.Data = c.store
	for name, to := range map[string]*string{"at": &set.At, "zone": &set.Zone, "region": &set.Region, "locale": &set.Locale, "person": &set.Person, "hours": &set.Hours} {
		if v, given := f[name]; given {
			*to = v
		}
	}
	c.s = Start(c.tb, set)
	return nil
}

func (c *script) person(args []string) error {
	if len(args) != 1 {
		return fmt.Errorf("person takes one text; put it in single quotes")
	}
	c.s.Say(args[0])
	return nil
}

func (c *script) press(args []string) error {
	got := c.s.Choose(args...)
	if len(got) > 0 && got[0].Type == "error" {
		return fmt.Errorf("press %v: %s", args, got[0].Error)
	}
	return nil
}

func (c *script) answer(args []string) error {
	_, f := split(args)
	until := f["until"]
	delete(f, "until")
	c.s.inBulk(func() {
		Person(f).Until(c.s, func(a *Ask) bool { return until != "" && a.Fact() == until })
	})
	return nil
}

func (c *script) later(args []string) error {
	if len(args) != 1 {
		return fmt.Errorf("later takes one duration, such as 30m, 50h or 12d")
	}
	c.s.Wait(iso(args[0]))
	return nil
}

// iso writes 30m, 50h or 12d as ISO 8601 does.
func iso(d string) string {
	if days, is := strings.CutSuffix(d, "d"); is {
		return "P" + days + "D"
	}
	return "PT" + strings.ToUpper(d)
}

func (c *script) staff(args []string) error {
	words, f := split(args)
	if len(words) != 2 {
		return fmt.Errorf("staff takes what is done, and what the item is about")
	}
	id := c.s.Escalation(words[1]).ID
	if id == "" {
		return fmt.Errorf("staff were not asked to look about %s", words[1])
	}
	var more []string
	for _, k := range []string{"to", "text", "outcome", "note", "disposition"} {
		if v, given := f[k]; given {
			more = append(more, k, v)
		}
	}
	c.s.Staff(words[0], id, f["by"], more...)
	return nil
}

func (c *script) again(args []string) error {
	_, f := split(args)
	at := c.s.Now
	if d, given := f["later"]; given {
		more, err := care.ParseDuration(iso(d))
		if err != nil {
			return err
		}
		at = at.Add(more.Elapsed)
	}
	c.s.End()
	lines := c.s.Lines
	c.s = c.s.Again(at)
	c.s.Lines = append(lines, c.s.Lines...)
	return nil
}

func (c *script) expect(args []string) error {
	if len(args) == 0 {
		return fmt.Errorf("expect takes a disposition, and the facts that it rests on")
	}
	l := c.s.Disposition()
	if want := append([]string{}, args[1:]...); l.Disposition != args[0] || len(want) > 0 && !slices.Equal(l.Because, want) {
		return fmt.Errorf("got %s because %v, want %s because %v", l.Disposition, l.Because, args[0], want)
	}
	return nil
}
