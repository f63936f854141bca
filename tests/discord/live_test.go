package discord_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
)

// Roles and rooms of the server that is looked at.
const (
	botRole   = "310000000000000022"
	otherRole = "310000000000000023"
	helpRoom  = "310000000000000010"
	watchRoom = "310000000000000011"
)

// everybody is what the role of everybody usually allows (from memory).
const everybody = double.View | double.Send | double.History

// least is what the invitation link asks for.
const least = double.View | double.Send | double.Pin | double.StartThread | double.SendInThreads | double.History | double.Attach

func club(mine, others int64) double.Server {
	return double.Server{ID: clubServer, Name: "Lantern Bay trail club", Owner: "310000000000000099", Own: []string{botRole}, Roles: []double.Role{
		{ID: clubServer, Name: "@everyone", May: everybody},
		{ID: clinicRole, Name: "Clinic", May: 0},
		{ID: botRole, Name: "Turnstone", May: mine},
		{ID: otherRole, Name: "Trail guides", May: others},
	}}
}

// closed lets the clinic and the bot into a channel, and nobody else.
func closed() []double.Overwrite {
	return []double.Overwrite{
		{ID: clubServer, Deny: double.View},
		{ID: clinicRole, Allow: double.View},
		{ID: botRole, Allow: double.View | double.Send},
	}
}

// settle makes everything right: what is signed, the server, a first start.
func (pr *program) settle() (config string) {
	pr.t.Helper()
	pr.p.Allowed |= 1<<9 | 1<<15
	pr.p.Found(club(least, 0))
	pr.p.Room(clubServer, helpRoom, "help")
	pr.p.Room(clubServer, watchRoom, "trail-talk")
	pr.p.Room(clubServer, staffRoom, "clinic", closed()...)
	config = pr.configure(free(pr.t), watchRoom)
	for _, part := range [][]string{{"protocol"}, {"pictures"}, {"sentences", "--language", "en"}, {"sentences", "--language", "es", "--read-by", "Rui Sá"}} {
		if out, err := pr.run(append([]string{"sign", "--config", config, "--role", "physiotherapist", "--name", "Ana Reis", "--part"}, part...)...); err != nil {
			pr.t.Fatalf("sign %s: %v: %s", part, err, out)
		}
	}
	if looked, err := pr.live(config); err == nil || !strings.Contains(looked, "WRONG  nobody may see sensitive items") {
		pr.t.Errorf("nobody works for the clinic, and it says: %s", looked)
	}
	if out, err := pr.run("staff", "--config", config, "add", "Ana Reis", "--role", "physiotherapist"); err != nil {
		pr.t.Fatalf("staff: %v: %s", err, out)
	}
	cmd, out := pr.start("serve", "--config", config, "--discord-at", pr.p.At())
	if !pr.p.Until(patience, func() bool {
		made, err := os.ReadDir(filepath.Join(pr.dir, "backups"))
		return pr.p.Connected() && err == nil && len(made) > 1
	}) {
		pr.t.Fatalf("it does not start: %s", out)
	}
	if looked, _ := pr.live(config); !strings.Contains(looked, "well   the service runs, and is well\n") {
		pr.t.Errorf("beside the running service: %s", looked)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		pr.t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		pr.t.Fatalf("%v: %s", err, out)
	}
	return config
}

func (pr *program) live(config string) (string, error) {
	return pr.run("check", "--live", "--config", config, "--discord-at", pr.p.At())
}

// The look at a service says what is wrong and what to do, and finds nothing
// wrong where nothing is. It changes nothing.
func TestHAZ26_OnlyTheClinicSeesTheStaffChannel(t *testing.T) {
	pr := newProgram(t)
	config := pr.settle()
	before := len(pr.p.Sent())
	out, err := pr.live(config)
	if err != nil || strings.Contains(out, "WRONG") {
		t.Fatalf("all is right, but it says: %s", out)
	}
	for _, well := range []string{
		"Discord takes the token", "the message content intent is on, for the watched channels", "this machine's clock agrees", "the commands are registered",
		`in "Lantern Bay trail club" the bot may do no more than it should`, "the button may be pinned in #help, #trail-talk\n", "the watched channel #trail-talk may be read",
		"the staff channel #clinic is seen by the clinic alone", "protocol: signed by Ana Reis", "sentences es: signed by", "the store in", "the newest backup is",
		"people who may see sensitive items: 1",
	} {
		if !strings.Contains(out, well) || strings.Contains(out, "WRONG  "+well) {
			t.Errorf("it does not say that %q: %s", well, out)
		}
	}
	for _, c := range pr.p.Sent()[before:] {
		if c.Method != "GET" {
			t.Errorf("it changes something: %s %s", c.Method, c.Path)
		}
	}
	over := func(o ...double.Overwrite) func() {
		return func() { pr.p.Room(clubServer, staffRoom, "clinic", append(closed(), o...)...) }
	}
	for name, x := range map[string]struct {
		spoil func()
		want  []string // lines, and what to do
	}{
		"everybody sees it":          {func() { pr.p.Room(clubServer, staffRoom, "clinic") }, []string{`WRONG  everybody in "Lantern Bay trail club" sees the staff channel #clinic`, "deny View Channel"}},
		"another role sees it":       {over(double.Overwrite{ID: otherRole, Allow: double.View}), []string{"WRONG  the staff channel #clinic is seen by more than the clinic: Trail guides\n"}},
		"a member sees it":           {over(double.Overwrite{ID: "310000000000000098", Member: true, Allow: double.View}), []string{"WRONG  single members are let into the staff channel #clinic"}},
		"administrators see it":      {func() { pr.p.Found(club(least, double.Administrator)) }, []string{"seen by more than the clinic: Trail guides (administrators see everything)"}},
		"the bot does not see it":    {func() { pr.p.Room(clubServer, staffRoom, "clinic", closed()[:2]...) }, []string{"WRONG  the staff channel " + staffRoom + " is not there, or hidden from the bot"}},
		"the bot may not write":      {over(double.Overwrite{ID: double.Self, Member: true, Deny: double.Send}), []string{"WRONG  the bot may not write in the staff channel #clinic"}},
		"the clinic does not see it": {func() { pr.p.Room(clubServer, staffRoom, "clinic", closed()[0], closed()[2]) }, []string{`WRONG  the clinic's role "Clinic" does not see the staff channel #clinic`}},
		"no such role": {func() {
			s := club(least, 0)
			s.Roles = append(s.Roles[:1:1], s.Roles[2:]...)
			pr.p.Found(s)
		}, []string{"WRONG  there is no role " + clinicRole}},
		"the bot is an administrator": {func() { pr.p.Found(club(double.Administrator, 0)) }, []string{"WRONG  in \"Lantern Bay trail club\" the bot may do more than it needs: Administrator", "take them from the bot's roles"}},
		"it may not pin":              {func() { pr.p.Found(club(least&^double.Pin, 0)) }, []string{"WRONG  in \"Lantern Bay trail club\" there is no channel in which the bot may pin its button"}},
		"no private threads":          {func() { pr.p.Found(club(least&^double.StartThread, 0)) }, []string{"look   in \"Lantern Bay trail club\" nobody who takes no direct messages can have a private thread"}},
		"the watched one is hidden": {func() {
			pr.p.Room(clubServer, watchRoom, "trail-talk", double.Overwrite{ID: clubServer, Deny: double.View})
		}, []string{"WRONG  the bot may not read and write in the watched channel #trail-talk"}},
		"the intent is off":     {func() { pr.p.Change(func(p *double.Platform) { p.Allowed = 1 | 1<<12 }) }, []string{"WRONG  channels are to be watched, and the message content intent is off", "Message Content Intent"}},
		"an intent too many":    {func() { pr.p.Change(func(p *double.Platform) { p.Allowed |= 1 << 8 }) }, []string{"look   the presence or the server members intent is on"}},
		"anybody may invite it": {func() { pr.p.Change(func(p *double.Platform) { p.Public = true }) }, []string{"look   anybody may invite the bot"}},
		"the clock is off":      {func() { pr.p.Change(func(p *double.Platform) { p.Ahead = 10 * time.Minute }) }, []string{"WRONG  this machine's clock is -", "timedatectl"}},
		"it was never invited":  {func() { pr.p.Leave(clubServer) }, []string{"WRONG  the bot is not in the server " + clubServer, "client_id=" + double.App + "&scope=bot+applications.commands&permissions=" + fmt.Sprint(int64(least))}},
		"a server too many":     {func() { pr.p.Found(double.Server{ID: "310000000000000077", Name: "Elsewhere"}) }, []string{`look   the bot is in the server "Elsewhere" (310000000000000077)`}},
		"Discord is away":       {func() { pr.p.Fail(double.Fault{Times: 99, Status: 503, Body: "{}"}) }, []string{"WRONG  Discord does not answer"}},
		"the token was reset": {func() {
			pr.p.Fail(double.Fault{Times: 9, Status: 401, Body: `{"message":"401: Unauthorized","code":0}`})
		}, []string{"WRONG  Discord does not take the token", "Reset Token"}},
		"others read the token": {func() { pr.mode(pr.token, 0o644) }, []string{"WRONG  the token can't be used: others may read", "chmod 600"}},
		"the key is gone":       {func() { pr.move("there/store.key", "away") }, []string{"WRONG  the master key: ", "put your copy"}},
		"no backup for long": {func() {
			for _, e := range pr.list("backups") {
				if strings.HasPrefix(e, "20") {
					pr.move("backups/"+e, "backups/2026-01-02T030405Z")
				}
			}
		}, []string{"WRONG  the newest backup is ", "journalctl"}},
		"a signature is gone": {func() { pr.move("signed.toml", "away") }, []string{"WRONG  protocol: nobody has signed it\n", "look   sentences es: nobody has signed it, and it is said in the base language"}},
	} {
		t.Run(name, func(t *testing.T) {
			pr.t = t
			pr.again()
			x.spoil()
			out, err := pr.live(config)
			if wrong := !strings.HasPrefix(x.want[0], "look"); wrong != (err != nil) {
				t.Errorf("it ends with %v: %s", err, out)
			}
			for _, want := range x.want {
				if !strings.Contains(out, want) {
					t.Errorf("it does not say %q: %s", want, out)
				}
			}
		})
		pr.undo()
	}
}

// Permissions and flags have the bits that the platform's own types give them
// (npm discord-api-types 0.38.57).
func TestBitsAreThePlatforms(t *testing.T) {
	packages(t)
	cmd := exec.CommandContext(t.Context(), "node", "-e", `
const { PermissionFlagsBits: p, ApplicationFlags: f } = require("discord-api-types/v10");
console.log([p.Administrator, p.ViewChannel, p.SendMessages, p.AttachFiles, p.ReadMessageHistory, p.CreatePrivateThreads, p.SendMessagesInThreads, p.PinMessages].join(" "));
console.log([f.GatewayPresenceLimited, f.GatewayGuildMembersLimited, f.GatewayMessageContentLimited].join(" "));`)
	cmd.Dir = "validate"
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("node: %v: %s", err, out)
	}
	want := fmt.Sprintln(int64(double.Administrator), double.View, double.Send, double.Attach, double.History, int64(double.StartThread), int64(double.SendInThreads), int64(double.Pin)) +
		fmt.Sprintln(1<<13, 1<<15, 1<<19)
	if string(out) != want {
		t.Errorf("got\n%s, want\n%s", want, out)
	}
}
