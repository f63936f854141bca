// Command bot is Turnstone: a guided conversation about a freshly turned
// ankle. Without a subcommand it opens the conversation in the terminal, on a
// durable folder.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	_ "time/tzdata" // zones must be there on every machine

	"turnstone/adapters/discord"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err := run(ctx, os.Args[1:], world{in: os.Stdin, out: os.Stdout, err: os.Stderr, env: os.Getenv})
	if errors.Is(err, errUsage) {
		os.Exit(2)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "bot:", err)
	}
	switch {
	case errors.Is(err, errMend), errors.Is(err, discord.ErrRefused):
		os.Exit(3)
	case err != nil:
		os.Exit(1)
	}
}

// A world is what a subcommand may touch.
type world struct {
	in  io.Reader
	out io.Writer
	err io.Writer
	env func(string) string
}

var errUsage = errors.New("usage")

// errMend is beside an error that starting again does not mend: the unit for
// systemd leaves a program alone that ends so.
var errMend = errors.New("mend this, then start again")

// A command is one subcommand.
type command struct {
	name, what string
	run        func(ctx context.Context, args []string, w world) error
}

func commands() []command {
	return []command{
		{"talk", "hold a conversation in the terminal, or with --json as data", talk},
		{"serve", "answer on Discord (for practice: on a stand-in for it)", serve},
		{retireCommand, "end a service for good: who waits for something is told, what is planned is taken back", retireService},
		{"sign", "list who stands by what people are told, or sign a part of it", signPart},
		{"screen", "read messages, one a line, for danger signs", screenLines},
		{"read", "read typed answers, one a line", readLines},
		{"export", "write what is kept of one person: PERSON is CHANNEL:ACCOUNT or the pseudonym", exportPerson},
		{"backup", "copy the store into a folder of backups", backUp},
		{"restore", "put a backup back; who was erased since stays erased", restore},
		{"staff", "who works for the clinic and what they may do: add NAME, list, remove NAME, code NAME", staffCommand},
		{"key", "key new: a new master key, for the store of a folder", newKey},
		{"move", "move everything from one store to another: FROM TO, each a folder or a Redis address", moveStore},
		{"drill", "play invented people over this program, a store and a stand-in for Discord, and count what is lost or late", drillPeople},
		{"check", "check protocols and languages whole: FILE, or those that come with the program; with --live a service", check},
		{"version", "which build this is", tellVersion},
	}
}

// run picks the subcommand; none is the main job.
func run(ctx context.Context, args []string, w world) error {
	if len(args) == 0 || strings.HasPrefix(args[0], "-") && !slices.Contains([]string{"-h", "--help"}, args[0]) {
		return talk(ctx, args, w)
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(ctx, args[1:], w)
		}
	}
	usage(w.err)
	if args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		return nil
	}
	return errUsage
}

func usage(w io.Writer) {
	fmt.Fprintln(w, "usage: bot [subcommand] [flags]")
	fmt.Fprintln(w, "Without a subcommand: the conversation in this terminal.")
	for _, c := range commands() {
		fmt.Fprintf(w, "  bot %-8s %s\n", c.name, c.what)
	}
}
