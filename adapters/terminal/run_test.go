package terminal

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"turnstone/care"
	"turnstone/store"
)

func noEnv(string) string { return "" }

// talk runs a whole conversation over a pipe.
func talk(t *testing.T, f *script, input string) string {
	t.Helper()
	var out bytes.Buffer
	s := New(strings.NewReader(input), &out, noEnv)
	if err := s.Run(t.Context(), build(t, s, f, newShelf())); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	return out.String()
}

func points() []care.Message {
	return []care.Message{
		asking(care.YesNo, "Press the bump.\nIs it sore?", "Yes", "No", "Not sure"),
		asking(care.AnyOf, "Is any of these so?", "Numb", "Cold", "Blue", "None"),
		asking(care.Scale, "How bad is the pain, from 0 to 10?"),
		{Lines: []care.Sentence{{Key: "See a clinician."}}},
	}
}

func TestAPipeIsAnsweredLineByLineUntilItEnds(t *testing.T) {
	f := &script{messages: points()}
	golden(t, "pipe", talk(t, f, "2\n1,3\n\n7 or so\ngood"))
	want := []string{
		"1||", "3||token of Press the bump.\nIs it sore?|no", "3||token of Is any of these so?|numb|blue", "2|7 or so|", "2|good|",
	}
	if got := strings.Join(f.heard, "\n"); got != strings.Join(want, "\n") {
		t.Errorf("the house heard\n%s\nwant\n%s", got, strings.Join(want, "\n"))
	}
}

func TestAnEmptyLineShowsTheQuestionAgainShortly(t *testing.T) {
	f := &script{messages: points()}
	out := talk(t, f, " \n")
	if n := strings.Count(out, "Press the bump."); n != 1 {
		t.Errorf("the whole message stands there %d times, want 1", n)
	}
	if n := strings.Count(out, "Is it sore?\n\n1. Yes\n2. No\n3. Not sure\n\nWrite a number or words."); n != 2 {
		t.Errorf("the question with its choices stands there %d times, want 2:\n%s", n, out)
	}
	if len(f.heard) != 1 {
		t.Errorf("the empty line was handed in: %q", f.heard)
	}
}

func TestSeveralNumbersWhereOneFitsAreToldKindly(t *testing.T) {
	f := &script{messages: points(), oneOnly: true}
	out := talk(t, f, "1 2\nyes\n")
	if !strings.Contains(out, "Please write one number only.\n\nIs it sore?") || !strings.Contains(out, "Is any of these so?") {
		t.Errorf("the run did not go on:\n%s", out)
	}
}

func TestANumberForAQuestionThatIsClosedIsTakenAsWords(t *testing.T) {
	var out bytes.Buffer
	s := New(strings.NewReader(""), &out, noEnv)
	f := &script{messages: []care.Message{{Lines: []care.Sentence{{Key: "Hello."}}}}}
	h := build(t, s, f, newShelf())
	s.house, s.locale = h, "en"
	if err := s.open(t.Context()); err != nil {
		t.Fatal(err)
	}
	m, err := h.Outbox.Render(care.Episode{Locale: "en"}, care.Item{Say: &points()[:1][0]})
	if err != nil {
		t.Fatal(err)
	}
	s.lines++
	if err := s.hand(t.Context(), m.Ask, "2"); err != nil {
		t.Fatal(err)
	}
	if got := f.heard[len(f.heard)-1]; got != "2|2|" {
		t.Errorf("the house heard %q, want the words", got)
	}
}

func TestAVeryLongLineIsReadAtItsBeginning(t *testing.T) {
	f := &script{messages: points()}
	out := talk(t, f, "chest pain "+strings.Repeat("ä", longest)+"\n2\n")
	if !strings.Contains(out, "I read only the first part of it.") || !strings.Contains(out, "EMERGENCY") {
		t.Errorf("the danger in a long line was not read:\n%.2000s", out)
	}
	if n := len(f.heard[1]); n > longest+10 || !strings.HasPrefix(f.heard[1], "2|chest pain ä") {
		t.Errorf("the house heard %d bytes", n)
	}
}

// window is a screen in a window, with a person who types into w.
func window(t *testing.T, f *script, shelf *shelf) (s *Screen, h House, w *io.PipeWriter, out *lockedBuffer) {
	t.Helper()
	r, w := io.Pipe()
	out = &lockedBuffer{}
	s = New(r, out, noEnv)
	s.look = look{framed: true, marked: true, echoed: true, size: size(80, 30)}
	return s, build(t, s, f, shelf), w, out
}

func size(width, height int) func() (int, int, error) {
	return func() (int, int, error) { return width, height, nil }
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

// take returns what was written since it was last asked.
func (b *lockedBuffer) take() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	defer b.b.Reset()
	return b.b.String()
}

func typed(t *testing.T, w io.Writer, text string) {
	t.Helper()
	if _, err := io.WriteString(w, text); err != nil {
		t.Error(err)
	}
}

func TestAMessageThatFallsDueComesOnANewLineWithTheQuestionAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &script{messages: []care.Message{points()[0], points()[1]}}
		s, h, w, out := window(t, f, newShelf())
		done := make(chan error)
		go func() { done <- s.Run(t.Context(), h) }()
		synctest.Wait()
		if got, want := out.take(), "Press the bump.\nIs it sore?\n\n  1  Yes\n  2  No\n  3  Not sure\n\nWrite a number or words. Leave with Ctrl-C.\n> "; got != want {
			t.Errorf("got %q, want %q", got, want)
		}
		typed(t, w, "later\n")
		synctest.Wait()
		if got, want := out.take(), "> "; got != want {
			t.Errorf("after a line without an answer: got %q, want %q", got, want)
		}
		<-time.After(time.Hour + time.Second) // of the bubble's own clock: passes at once
		synctest.Wait()
		want := "\n\nIs any of these so?\n\n  1  Numb\n  2  Cold\n  3  Blue\n  4  None\n\nWrite numbers, such as 1 3, or words. Leave with Ctrl-C.\n> "
		if got := out.take(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
		typed(t, w, "1 2\n")
		synctest.Wait()
		if got, want := f.heard[2], "3||token of Is any of these so?|numb|cold"; got != want {
			t.Errorf("the numbers were read as %q, want %q", got, want)
		}
		if err := errors.Join(w.Close(), <-done); err != nil {
			t.Error(err)
		}
	})
}

func TestLeavingDoesNotWaitForAKey(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, h, w, out := window(t, &script{messages: points()}, newShelf())
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx, h) }()
		synctest.Wait()
		cancel()
		if err := <-done; err != nil { // nobody typed: the reader still waits
			t.Error(err)
		}
		if got := out.take(); !strings.HasSuffix(got, "> \n\nSee you: this goes on next time.\n") {
			t.Errorf("the last words are %q", got)
		}
		if err := w.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestTheNextRunGoesOnWhereThisOneStopped(t *testing.T) {
	f, kept := &script{messages: points()}, newShelf()
	for range 2 {
		var out bytes.Buffer
		s := New(strings.NewReader("2\n"), &out, noEnv)
		if err := s.Run(t.Context(), build(t, s, f, kept)); err != nil {
			t.Fatal(err)
		}
	}
	if got := len(f.heard); got != 4 {
		t.Errorf("the house heard %d events, want 4: a second run's events have IDs of their own", got)
	}
}

func TestAFaultOfTheHouseEndsTheRunWithWordsForThePerson(t *testing.T) {
	var out bytes.Buffer
	s := New(strings.NewReader("hello\n2\n"), &out, noEnv)
	kept := newShelf()
	kept.set(true)
	err := s.Run(t.Context(), build(t, s, &script{messages: points()}, kept))
	if !errors.Is(err, store.ErrDown) {
		t.Errorf("got %v, want %v", err, store.ErrDown)
	}
	if got := out.String(); !strings.Contains(got, "I have to stop.\nIn an emergency call") || strings.Contains(got, "store") {
		t.Errorf("the person reads %q", got)
	}
}

func TestHAZ07_CardWithoutTheStoreAndTheRunGoesOnUntilItIsRaised(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, kept := &script{messages: points()}, newShelf()
		s, h, w, out := window(t, f, kept)
		done := make(chan error)
		go func() { done <- s.Run(t.Context(), h) }()
		synctest.Wait()
		out.take()
		kept.set(true)
		typed(t, w, "I have chest pain\n")
		synctest.Wait()
		got := out.take()
		if !strings.Contains(got, "## EMERGENCY: GET HELP NOW") || !strings.Contains(got, "## Call 112 now. (en)") || !strings.Contains(got, "Leave this open if you can.") {
			t.Errorf("the person reads %s", got)
		}
		if len(f.heard) != 1 {
			t.Errorf("the house heard %q", f.heard)
		}
		kept.set(false)
		<-time.After(2 * time.Second) // of the bubble's own clock
		synctest.Wait()
		if len(f.heard) != 2 || !strings.Contains(f.heard[1], "chest pain") {
			t.Errorf("the emergency was not raised when the store was back: %q", f.heard)
		}
		if got := out.take(); !strings.Contains(got, "## Call 112 now.") {
			t.Errorf("after the store came back the person reads %s", got)
		}
		if err := errors.Join(w.Close(), <-done); !errors.Is(err, store.ErrDown) {
			t.Errorf("got %v; the operator must learn of %v", err, store.ErrDown)
		}
	})
}
