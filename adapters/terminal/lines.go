package terminal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
)

// A line is what was typed, or why nothing more comes.
type line struct {
	text string
	long bool // only the beginning of it
	err  error
}

// fault is what ended the input, other than its end.
func (l line) fault() error {
	if l.err == nil || errors.Is(l.err, io.EOF) {
		return nil
	}
	return fmt.Errorf("read what is typed: %w", l.err)
}

// longest is how many bytes of a line are read.
const longest = 1 << 16

// read reads lines in a goroutine of its own. A read from a terminal can't be
// called off: when ctx is done the goroutine may still wait for a key, and
// ends with the next line, the end of the input or the process. So nobody
// waits for it, and it holds nothing that somebody else needs.
func (s *Screen) read(ctx context.Context) <-chan line {
	lines := make(chan line)
	go func() {
		in := bufio.NewReader(s.in)
		for {
			l := next(in)
			select {
			case lines <- l:
			case <-ctx.Done():
				return
			}
			if l.err != nil {
				return
			}
		}
	}()
	return lines
}

// next reads one line. What is beyond longest is read and dropped.
func next(in *bufio.Reader) line {
	var l line
	var text []byte
	for {
		part, err := in.ReadSlice('\n')
		keep := min(len(part), longest-len(text))
		text = append(text, part[:keep]...)
		l.long = l.long || keep < len(part)
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		l.text, l.err = strings.ToValidUTF8(strings.TrimRight(string(text), "\r\n"), ""), err
		return l
	}
}

// take handles one line.
func (s *Screen) take(ctx context.Context, l line) error {
	if l.text == "" && l.err != nil {
		return nil
	}
	s.lines++
	ask := s.begin()
	if l.long {
		if err := s.tell("terminal.long"); err != nil {
			return err
		}
	}
	if strings.TrimSpace(l.text) == "" {
		return s.again()
	}
	return s.settle(ctx, s.hand(ctx, ask, l.text))
}

// hand hands a line in. Numbers pick choices; all else is words, so that a
// number that is no choice here (112, 911) is read for danger too.
func (s *Screen) hand(ctx context.Context, ask *outbox.Ask, text string) error {
	h := s.house
	if values := pick(ask, text); len(values) > 0 {
		err := h.Intake.Handle(ctx, h.Caller, care.Event{ID: s.event(), Kind: care.Chose, Choices: values, Token: ask.Token})
		if !errors.Is(err, care.ErrNoAsk) {
			return err
		}
	}
	return h.Intake.Handle(ctx, h.Caller, care.Event{ID: s.event(), Kind: care.Said, Text: text})
}

// pick reads "2", "1 3", "1,3" and "1. 3)" as choices. It returns nothing if
// anything in the text is not the number of a choice.
func pick(ask *outbox.Ask, text string) []string {
	if ask == nil {
		return nil
	}
	var values []string
	apart := func(r rune) bool { return r == ',' || r == ';' || r == ' ' || r == '\t' }
	for _, field := range strings.FieldsFunc(text, apart) {
		n, err := strconv.Atoi(strings.TrimRight(field, ".)"))
		if err != nil || n < 1 || n > len(ask.Choices) {
			return nil
		}
		if v := ask.Choices[n-1].Value; !slices.Contains(values, v) {
			values = append(values, v)
		}
	}
	return values
}

// settle tells the faults of a line from those of the house. After the fixed
// card the run goes on: the house remembers the emergency only as long as it
// stands, and raises it when it can.
func (s *Screen) settle(ctx context.Context, err error) error {
	switch {
	case err == nil, errors.Is(err, intake.ErrSeen), ctx.Err() != nil:
		return nil
	case errors.Is(err, care.ErrBadChoice), errors.Is(err, care.ErrNoAsk), errors.Is(err, care.ErrStaff):
		return errors.Join(s.tell("terminal.one"), s.again())
	case s.held(err):
		return s.tell("terminal.held")
	default:
		return err
	}
}
