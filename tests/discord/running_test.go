package discord_test

import (
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"turnstone/adapters/discord/double"
	"turnstone/tests/talk"
)

// A volunteer follows docs/running.md word for word. The commands run as they
// stand there, under a root of their own; what needs the whole machine (users,
// systemd, an editor) is a small script in testdata/shims.
type volunteer struct {
	*program
	root string
	page map[string][]block // by the number of the page
}

// A block of the page: commands, and what must be read in what they print.
type block struct {
	commands string
	reads    []string
}

var (
	pages  = regexp.MustCompile(`(?m)^## ([0-9])\. `)
	fenced = regexp.MustCompile("(?s)```(sh|text)\n(.*?)```")
)

func newVolunteer(t *testing.T) *volunteer {
	t.Helper()
	v := &volunteer{program: newProgram(t), page: map[string][]block{}}
	v.root = filepath.Join(v.dir, "root")
	for _, dir := range []string{"home", "stage", "usr/local/bin", "etc/systemd/system", "var/backups", "var/lib", "media/stick", "run"} {
		if err := os.MkdirAll(filepath.Join(v.root, dir), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	source, err := talk.Root()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(source, "deploy"), filepath.Join(v.root, "home", "deploy")); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(source, "docs/running.md"))
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	at := pages.FindAllStringSubmatchIndex(text, -1)
	for i, m := range at {
		end := len(text)
		if i+1 < len(at) {
			end = at[i+1][0]
		}
		n := text[m[2]:m[3]]
		for _, f := range fenced.FindAllStringSubmatch(text[m[0]:end], -1) {
			if list := v.page[n]; f[1] == "text" {
				list[len(list)-1].reads = strings.Split(strings.TrimSpace(f[2]), "\n")
				continue
			}
			v.page[n] = append(v.page[n], block{commands: f[2]})
		}
	}
	v.listen()
	t.Cleanup(v.stop)
	return v
}

// listen is systemd's end of the socket on which the service says it is ready.
func (v *volunteer) listen() {
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(v.root, "notify"), Net: "unixgram"})
	if err != nil {
		v.t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() {
		buf := make([]byte, 100)
		for {
			n, err := l.Read(buf)
			if err != nil {
				done <- nil
				return
			}
			if string(buf[:n]) == "READY=1" {
				if err := os.WriteFile(filepath.Join(v.root, "ready"), nil, 0o600); err != nil {
					done <- err
					return
				}
			}
		}
	}()
	v.t.Cleanup(func() {
		if err := errors.Join(l.Close(), <-done); err != nil {
			v.t.Error(err)
		}
	})
}

// places are those that lie under the root.
var places = regexp.MustCompile(`/(?:etc/turnstone|etc/systemd|var/lib/turnstone|var/backups/turnstone|usr/local/bin|media/stick)`)

func (v *volunteer) under(text string) string {
	return places.ReplaceAllStringFunc(text, func(p string) string { return v.root + p })
}

// sh runs a block, and gives what it prints.
func (v *volunteer) sh(b block) (string, error) {
	cmd := exec.Command("sh", "-u", "-c", v.under(b.commands))
	shims, err := filepath.Abs("testdata/shims")
	if err != nil {
		return "", err
	}
	cmd.Dir = filepath.Join(v.root, "home")
	cmd.Env = append(os.Environ(), "PATH="+shims+":"+os.Getenv("PATH"), "ROOT="+v.root, "STAGE="+filepath.Join(v.root, "stage"), "BUILT="+talk.Bot, "AT="+v.p.At())
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// stop ends the service.
func (v *volunteer) stop() {
	if out, err := v.sh(block{commands: "systemctl stop turnstone"}); err != nil {
		v.t.Errorf("stop the service: %v: %s", err, out)
	}
}

// follows does the next block of a page, and reads what it says there.
func (v *volunteer) follows(n string) string {
	v.t.Helper()
	b := v.page[n][0]
	v.page[n] = v.page[n][1:]
	out, err := v.sh(b)
	for _, line := range b.reads {
		if !strings.Contains(out, line) {
			v.t.Fatalf("page %s: %s\nprints\n%s\nand not %q (%v)", n, b.commands, out, line, err)
		}
	}
	if b.reads == nil && err != nil {
		v.t.Fatalf("page %s: %s\n%v: %s", n, b.commands, err, out)
	}
	return out
}

// stage lays ready what is typed into an editor.
func (v *volunteer) stage(name, text string) {
	v.t.Helper()
	if err := os.WriteFile(filepath.Join(v.root, "stage", name), []byte(text), 0o600); err != nil {
		v.t.Fatal(err)
	}
}

// talks begins a private talk, or goes on with one, and waits for the question.
func (v *volunteer) talks(who *double.Person, say string) {
	v.t.Helper()
	before := len(who.Direct())
	if say == "" {
		who.Command(helpRoom, "ankle", nil)
	} else {
		who.Write(say)
	}
	if !v.p.Until(patience, func() bool { _, asks := question(who.Direct()); return asks && len(who.Direct()) > before }) {
		journal, _ := v.sh(block{commands: "journalctl -u turnstone"})
		v.t.Fatalf("nothing is asked: %s", journal)
	}
}

func TestAVolunteerFollowsThePages(t *testing.T) {
	v := newVolunteer(t)
	example, err := os.ReadFile("../../deploy/lantern-bay.toml")
	if err != nil {
		t.Fatal(err)
	}
	v.p.Allowed |= 1<<9 | 1<<15 // step 2: channels are to be watched
	health := free(t)
	v.stage("turnstone.toml", strings.Replace(v.under(string(example)), "127.0.0.1:9464", health, 1))
	v.stage("discord-token", double.Token+"\n")

	for range 5 { // the machine, the files, what is signed, staff, the first look
		v.follows("1")
	}
	v.p.Found(club(least, 0)) // step 10, in the browser
	v.p.Room(clubServer, helpRoom, "help")
	v.p.Room(clubServer, watchRoom, "trail-talk")
	v.p.Room(clubServer, staffRoom, "clinic", closed()...)
	out := v.follows("1") // started, and looked at again
	if strings.Contains(out, "WRONG") {
		t.Errorf("something is wrong: %s", out)
	}
	v.follows("1") // its log
	v.p.Join("en-US").Command(helpRoom, "ankle-setup", nil)
	if !v.p.Until(patience, func() bool {
		return slices.ContainsFunc(v.p.Messages(helpRoom), func(m double.Message) bool { return m.Pinned })
	}) {
		t.Fatalf("nothing is pinned: %+v", v.p.Messages(helpRoom))
	}
	who := v.p.Join("en-US")
	v.talks(who, "")
	if first, _ := question(who.Direct()); strings.Contains(first.Content, "Practice") || !strings.Contains(first.Content, "112") {
		t.Errorf("the first private message: %q", first.Content)
	}
	v.follows("1") // the key, to its stick

	for len(v.page["2"]) > 0 {
		v.follows("2")
	}
	v.talks(who, "why")
	v.follows("3")
	v.talks(who, "why")

	v.p.Reset("another-token-of-the-stand-in") // page 4, in the browser
	v.stage("discord-token", "another-token-of-the-stand-in\n")
	if !v.p.Until(patience, func() bool {
		journal, _ := v.sh(block{commands: "journalctl -u turnstone"})
		return strings.Contains(journal, "it does not take the token")
	}) {
		t.Error("with the old token the service does not end")
	}
	v.follows("4")
	v.talks(who, "why")

	v.follows("5") // a backup by hand
	made, err := filepath.Glob(filepath.Join(v.root, "var/backups/turnstone/20*Z"))
	if err != nil || len(made) == 0 {
		t.Fatalf("no backup: %v, %v", made, err)
	}
	newest := filepath.Base(made[len(made)-1])
	v.stop()
	if err := os.RemoveAll(filepath.Join(v.root, "var/lib/turnstone")); err != nil { // a new machine
		t.Fatal(err)
	}
	v.follows("5") // the key, from its stick
	v.page["5"][0].commands = strings.Replace(v.page["5"][0].commands, "2026-12-01T030405Z", newest, 1)
	v.follows("5")
	v.talks(who, "why")

	out = v.follows("6") // somebody joins the clinic
	rui := v.p.Join("en-US")
	code, _, _ := strings.Cut(out[strings.Index(out, "code Rui Sá")+len("code Rui Sá`.\n"):], "\n")
	rui.Write(code)
	if !v.p.Until(patience, func() bool { return has("This account is now that of Rui Sá")(rui.Direct()) }) {
		t.Errorf("%q ties no account: %+v", code, rui.Direct())
	}
	v.follows("6") // and leaves it

	v.follows("7")
	if !has("ends today")(who.Direct()) {
		t.Errorf("the end is not told: %+v", who.Direct())
	}
	for n, rest := range v.page {
		if len(rest) > 0 {
			t.Errorf("page %s has steps that nobody followed: %+v", n, rest)
		}
	}
	if len(v.page) != 7 {
		t.Errorf("there are %d pages", len(v.page))
	}
}
