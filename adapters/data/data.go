// Package data is the conversation as data: one JSON object a line over
// standard input and output, with a virtual clock. Only this adapter and the
// clock differ from what a person on a platform meets.
package data

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
)

// A Clock stands still until it is moved.
type Clock struct {
	mu  sync.Mutex
	now time.Time
}

// NewClock returns a clock that shows at.
func NewClock(at time.Time) *Clock { return &Clock{now: at.UTC()} }

// Now is what the clock shows.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *Clock) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = t.UTC()
}

// A House is what the door leads to.
type House struct {
	Caller intake.Caller
	Intake *intake.Intake
	Outbox *outbox.Outbox
	Keeper Keeper // nil keeps everything
}

// A Keeper removes what has been kept long enough.
type Keeper interface {
	Sweep(ctx context.Context) error
}

// A Door reads lines, hands them in and writes what comes of them.
type Door struct {
	Fixed func(locale care.Locale, region string) string

	in    *bufio.Reader
	out   io.Writer
	clock *Clock
	run   string // a random name of this run, so that its events have IDs of their own
	lines int
	fault error // the first error of writing
}

// New returns a door between in and out.
func New(in io.Reader, out io.Writer, clock *Clock) *Door {
	var b [8]byte
	if _, err := rand.Read(b[:]); err != nil {
		panic(err) // crypto/rand never fails on a supported system
	}
	return &Door{in: bufio.NewReaderSize(in, 1<<16), out: out, clock: clock, run: hex.EncodeToString(b[:])}
}

// maxLine is the longest line that is read whole; a longer one is an error
// line and changes nothing.
const maxLine = 1 << 20

// Run opens the conversation and answers line by line until the input ends.
func (d *Door) Run(ctx context.Context, h House) error {
	_, err := h.Outbox.Sweep(ctx) // what is overdue at the start
	d.answer(err)
	d.answer(h.Intake.Handle(ctx, h.Caller, care.Event{ID: d.event(), Kind: care.Opened}))
	d.ready()
	for d.fault == nil && ctx.Err() == nil {
		line, tooLong, err := d.read()
		if len(line) > 0 || tooLong || err == nil {
			d.lines++
			d.line(ctx, h, line, tooLong)
			d.ready()
		}
		if errors.Is(err, io.EOF) {
			return d.fault
		}
		if err != nil {
			return err
		}
	}
	return d.fault
}

// read reads one line; what is longer than maxLine is read and dropped.
func (d *Door) read() (line []byte, tooLong bool, err error) {
	for {
		part, err := d.in.ReadSlice('\n')
		if len(line) <= maxLine {
			line = append(line, part...)
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return bytes.TrimRight(line, "\r\n"), len(line) > maxLine, err
		}
	}
}

func (d *Door) event() care.EventID { return care.EventID(fmt.Sprintf("%s/%d", d.run, d.lines)) }

// An input is one line in.
type input struct {
	Say         *string  `json:"say"`
	Choose      []string `json:"choose"`
	Wait        *string  `json:"wait"`
	Staff       string   `json:"staff"`
	ID          string   `json:"id"`
	By          string   `json:"by"`
	To          string   `json:"to"`
	Text        string   `json:"text"`
	Outcome     string   `json:"outcome"`
	Note        string   `json:"note"`
	Disposition string   `json:"disposition"`
}

func parse(line []byte) (input, error) {
	var in input
	var names map[string]json.RawMessage
	dec := json.NewDecoder(bytes.NewReader(line))
	dec.DisallowUnknownFields()
	if err := errors.Join(json.Unmarshal(line, &names), dec.Decode(&in)); err != nil {
		return in, fmt.Errorf("the line is not understood: %w", err)
	}
	for name := range names {
		if name != strings.ToLower(name) || len(names) > 1 && names["staff"] == nil {
			return in, fmt.Errorf("the line is not understood: %q has no place in it", name)
		}
	}
	kinds := 0
	for _, is := range []bool{in.Say != nil, in.Choose != nil, in.Wait != nil, in.Staff != ""} {
		if is {
			kinds++
		}
	}
	if kinds != 1 {
		return in, errors.New(`the line must hold one of "say", "choose", "wait" and "staff"`)
	}
	return in, nil
}

// line does one line. A fault is written as an error line, one of the house
// too: whoever is there can go on, and what waits for the store is not lost.
func (d *Door) line(ctx context.Context, h House, line []byte, tooLong bool) {
	if tooLong {
		d.error(fmt.Errorf("the line is longer than %d bytes", maxLine))
		return
	}
	in, err := parse(line)
	if err != nil {
		d.error(err)
		return
	}
	switch {
	case in.Say != nil:
		d.answer(h.Intake.Handle(ctx, h.Caller, care.Event{ID: d.event(), Kind: care.Said, Text: *in.Say}))
	case in.Choose != nil:
		d.answer(h.Intake.Handle(ctx, h.Caller, care.Event{ID: d.event(), Kind: care.Chose, Choices: in.Choose}))
	case in.Wait != nil:
		d.wait(ctx, h, *in.Wait)
	default:
		d.staff(ctx, h, in)
	}
}

// answer writes what went wrong, unless nothing did.
func (d *Door) answer(err error) {
	if err != nil && !errors.Is(err, intake.ErrSeen) {
		d.error(err)
	}
}

// longestWait is how far the clock may be moved at once.
const longestWait = 366 * 24 * time.Hour

// wait lets time pass; what falls due on the way happens at its own time.
func (d *Door) wait(ctx context.Context, h House, iso string) {
	dur, err := care.ParseDuration(iso)
	switch {
	case err != nil:
		d.error(err)
		return
	case dur.Years > 0 || dur.Months > 0 || dur.Elapsed > longestWait:
		d.error(fmt.Errorf("%q is too long to wait; write weeks, days (24 h), hours, minutes or seconds, at most P366D", iso))
		return
	}
	end := d.clock.Now().Add(dur.Elapsed)
	for {
		next, ok := h.Outbox.Next(ctx)
		if !ok || next.After(end) {
			break
		}
		if next.After(d.clock.Now()) {
			d.clock.set(next)
		}
		n, err := h.Outbox.Sweep(ctx)
		if err != nil {
			d.error(err) // it stays due
			break
		}
		if n == 0 && !next.After(d.clock.Now()) {
			d.clock.set(d.clock.Now().Add(time.Millisecond)) // the store keeps milliseconds, rounded up
		}
	}
	d.clock.set(end)
	if h.Keeper != nil {
		d.answer(h.Keeper.Sweep(ctx))
	}
}

func (d *Door) staff(ctx context.Context, h House, in input) {
	act := care.StaffAct{Do: in.Staff, ID: in.ID, By: in.By, To: in.To, Text: in.Text, Outcome: in.Outcome, Note: in.Note}
	if in.Disposition != "" {
		var err error
		if act.Disposition, err = care.ParseDisposition(in.Disposition); err != nil {
			d.error(err)
			return
		}
	}
	d.answer(h.Intake.Staff(ctx, act))
}
