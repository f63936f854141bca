package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/flow/answer"
	"turnstone/locales"
	"turnstone/safety"
)

// screenLines reads one message a line and writes its class, a tab and the
// sign's name.
func screenLines(ctx context.Context, args []string, w world) error {
	fs := flag.NewFlagSet("bot screen", flag.ContinueOnError)
	fs.SetOutput(w.err)
	locale := fs.String("locale", "en", "language that breaks ties; all are read whatever it says")
	why := fs.Bool("why", false, "say which rule fired on which words, and which one silenced it")
	if err := fs.Parse(args); err != nil {
		return errUsage
	}
	screen, err := safety.LoadScreen(locales.Files)
	if err != nil {
		return err
	}
	return eachLine(ctx, w, func(line string) string {
		found := screen.Read(line, care.Locale(*locale))
		out := found.Class().String() + "\t" + string(found.Sign)
		if *why {
			out += "\t" + strings.ReplaceAll(fmt.Sprint(screen.Why(line, care.Locale(*locale))), "\n", " | ")
		}
		return out
	})
}

// answerKinds are the kinds that bot read knows.
var answerKinds = []string{"yesno", "scale0to10", "side", "when_injured", "age_years", "height", "consent", "better_same_worse", "choice"}

// readLines reads one typed answer a line and writes what was understood.
func readLines(ctx context.Context, args []string, w world) error {
	fs := flag.NewFlagSet("bot read", flag.ContinueOnError)
	fs.SetOutput(w.err)
	kind := fs.String("kind", "", "kind of question: "+strings.Join(answerKinds, ", "))
	locale := fs.String("locale", "en", "language that is tried first")
	at := fs.String("at", "", "the moment of the answer, such as 2026-03-02T10:00:00Z (default now)")
	if err := fs.Parse(args); err != nil {
		return errUsage
	}
	now := time.Now()
	if *at != "" {
		var err error
		if now, err = time.Parse(time.RFC3339, *at); err != nil {
			return fmt.Errorf("--at %q is no moment; write it as 2026-03-02T10:00:00Z", *at)
		}
	}
	if !slices.Contains(answerKinds, *kind) {
		return fmt.Errorf("--kind %q is not known; it is one of %s", *kind, strings.Join(answerKinds, ", "))
	}
	reader, err := answer.Load(locales.Files)
	if err != nil {
		return err
	}
	return eachLine(ctx, w, func(line string) string {
		return reader.ReadKind(*kind, care.Locale(*locale), now, line)
	})
}

// eachLine answers every line, also an empty one, and flushes before the next
// is read.
func eachLine(ctx context.Context, w world, answer func(line string) string) error {
	in := bufio.NewReaderSize(w.in, 1<<16)
	for ctx.Err() == nil {
		line, err := in.ReadString('\n')
		if line == "" && err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		if _, err := fmt.Fprintln(w.out, answer(strings.TrimRight(line, "\r\n"))); err != nil {
			return err
		}
	}
	return ctx.Err()
}
