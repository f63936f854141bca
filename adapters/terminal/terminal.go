// Package terminal is the conversation for a person in a terminal. It is made
// of lines from top to bottom: nothing is drawn again and the cursor is never
// moved, so that a screen reader, a pipe and a narrow window all get the same
// words. Numbers pick choices, and words are understood everywhere.
package terminal

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"sync"

	"golang.org/x/sync/errgroup"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
)

// A Book has the sentences.
type Book interface {
	Has(key care.SentenceKey) bool
	Text(locale care.Locale, s care.Sentence) (string, error)
}

// A House is what the terminal leads to.
type House struct {
	Caller intake.Caller
	Intake *intake.Intake
	Outbox *outbox.Outbox
	Book   Book
}

// A Screen shows messages and takes lines. One person sits before it.
type Screen struct {
	// Fixed words the emergency card that goes out when nothing else works.
	Fixed func(locale care.Locale, region string) string

	in    io.Reader
	out   io.Writer
	look  look
	run   string // a random name of this run, so that its events have IDs of their own
	lines int    // read so far; used by the reading loop alone

	mu        sync.Mutex // the outbox and the lines' own answers write to one screen
	house     House
	locale    care.Locale          // of the last message: the language may be changed in the talk
	last      outbox.Message       // what an empty line shows again
	shown     map[care.ItemID]bool // a delivery that is repeated is not shown twice
	began     bool                 // something stands on the screen
	hinted    bool                 // the last message's hint has been shown
	waiting   bool                 // the person may type; the cursor stands after the mark
	answering bool                 // a line of theirs is being handled
	leaving   bool                 // nothing more is asked
	carded    bool                 // the fixed card went out for that line
	fault     error                // what went wrong without holding up a message
}

// New returns a screen between in and out. The environment says how it may look.
func New(in io.Reader, out io.Writer, env func(string) string) *Screen {
	return &Screen{in: in, out: out, look: newLook(in, out, env), run: rand.Text(), shown: map[care.ItemID]bool{}}
}

// Run holds the conversation until the input ends or ctx is done. What was
// said is kept; the next run goes on from there.
func (s *Screen) Run(ctx context.Context, h House) error {
	s.mu.Lock()
	s.house, s.locale = h, h.Caller.Locale
	s.mu.Unlock()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	if err := s.open(ctx); err != nil {
		return s.fail(err)
	}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return h.Outbox.Run(ctx) })
	g.Go(func() error {
		defer stop() // the end of the input ends the loop too
		return s.talk(ctx, s.read(ctx))
	})
	if err := g.Wait(); err != nil {
		return s.fail(err)
	}
	return s.leave()
}

// open delivers what fell due while nobody was here, and lets the bot speak
// first. A message that can't be delivered must not keep the person out: the
// outbox tries it again.
func (s *Screen) open(ctx context.Context) error {
	h := s.house
	if _, err := h.Outbox.Sweep(ctx); err != nil && ctx.Err() == nil {
		h.Outbox.Log.ErrorContext(ctx, "not everything overdue was delivered", "err", err)
	}
	return s.settle(ctx, h.Intake.Handle(ctx, h.Caller, care.Event{ID: s.event(), Kind: care.Opened}))
}

// talk answers line by line.
func (s *Screen) talk(ctx context.Context, lines <-chan line) error {
	for {
		if err := s.ready(); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case l := <-lines:
			if err := s.take(ctx, l); err != nil || l.err != nil {
				return errors.Join(err, l.fault())
			}
		}
	}
}

// leave says that this goes on another time.
func (s *Screen) leave() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.leaving = true
	return errors.Join(s.write(paragraph(s.own("terminal.bye"), s.look.width())+"\n"), s.fault)
}

// fail tells the person, in words for them, that the house has to stop; err
// is for the operator.
func (s *Screen) fail(err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.leaving = true
	return errors.Join(err, s.write(paragraph(s.own("terminal.failed"), s.look.width())+"\n"), s.fault)
}

func (s *Screen) event() care.EventID { return care.EventID(fmt.Sprintf("%s/%d", s.run, s.lines)) }
