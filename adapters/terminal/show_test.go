package terminal

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"turnstone/care"
	"turnstone/flow/protocol"
	"turnstone/intake"
	"turnstone/outbox"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// seated is a screen whose person is there, in a look.
func seated(t *testing.T, l look) (*Screen, *bytes.Buffer) {
	t.Helper()
	var out bytes.Buffer
	s := New(strings.NewReader(""), &out, noEnv)
	s.look = l
	s.Fixed = func(care.Locale, string) string { return "Call 112 now." }
	s.house = House{Caller: intake.Caller{Address: "local:ana"}, Book: book(t)}
	s.locale = "en"
	return s, &out
}

func message(id, text string) outbox.Message {
	return outbox.Message{Address: "local:ana", Locale: "en", ID: care.ItemID(id), Text: text}
}

func TestARepeatedDeliveryIsShownOnce(t *testing.T) {
	s, out := seated(t, look{})
	for range 2 {
		if err := s.Send(t.Context(), message("1", "Hello.")); err != nil {
			t.Fatal(err)
		}
	}
	if got, want := out.String(), "Hello.\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestNobodyReadsSomebodyElsesMessages(t *testing.T) {
	s, out := seated(t, look{})
	m := message("1", "Hello.")
	m.Address = "local:rui"
	if err := s.Send(t.Context(), m); !errors.Is(err, ErrElsewhere) || out.Len() != 0 {
		t.Errorf("got %v and %q", err, out.String())
	}
}

func TestWhileThePersonLeavesOnlyACardIsShown(t *testing.T) {
	s, out := seated(t, look{})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Send(ctx, message("1", "Hello.")); !errors.Is(err, context.Canceled) || out.Len() != 0 {
		t.Errorf("got %v and %q; the message must stay due", err, out.String())
	}
	m := message("2", "Call 112 now.")
	m.Card = true
	if err := s.Send(ctx, m); err != nil || !strings.Contains(out.String(), "Call 112 now.") {
		t.Errorf("got %v and %q", err, out.String())
	}
}

// full refuses to be written to.
type full struct{}

var errFull = errors.New("no space")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestWhatCouldNotBeWrittenCountsAsUnsent(t *testing.T) {
	s, _ := seated(t, look{})
	s.out = full{}
	for range 2 {
		if err := s.Send(t.Context(), message("1", "Hello.")); !errors.Is(err, errFull) {
			t.Errorf("got %v, want %v", err, errFull)
		}
	}
}

func TestPicturesAreToldInWords(t *testing.T) {
	s, out := seated(t, look{})
	m := message("1", "Is the bump sore?")
	m.Picture = "navicular"
	unknown := message("2", "Go on.")
	unknown.Picture = "nothing-of-the-kind"
	if err := errors.Join(s.Send(t.Context(), m), s.Send(t.Context(), unknown)); err != nil {
		t.Fatal(err)
	}
	want := "Is the bump sore?\n\nPicture: the inner side of the foot.\nPress the bump at the top of the arch.\nIt lies below the ankle, and a bit to the front.\n\nGo on.\n"
	if got := out.String(); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestEveryPictureOfEveryProtocolHasWordsInEveryLanguage(t *testing.T) {
	all, err := protocol.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	var keys []care.SentenceKey
	for _, p := range all {
		for _, talk := range p.Talks {
			for _, screen := range talk.Screens {
				if screen.Picture != "" {
					keys = append(keys, care.SentenceKey("picture."+screen.Picture))
				}
			}
		}
	}
	if len(keys) < 12 {
		t.Errorf("only %d pictures were found", len(keys))
	}
	if err := book(t).Check(keys); err != nil {
		t.Error(err)
	}
}

func TestTheTerminalsOwnWordsAreInTheBook(t *testing.T) {
	b := book(t)
	if err := b.Check(Keys()); err != nil {
		t.Error(err)
	}
	for _, key := range Keys() {
		if class, _ := b.Class(key); class != care.ClassInform {
			t.Errorf("%s has class %s, want %s", key, class, care.ClassInform)
		}
	}
	listed := map[care.SentenceKey]bool{}
	for _, key := range Keys() {
		listed[key] = true
	}
	for _, key := range b.Keys() {
		if strings.HasPrefix(string(key), "terminal.") && !listed[key] {
			t.Errorf("nothing says %s", key)
		}
	}
}

func TestTheScreensOwnWordsFollowTheLanguageOfTheTalk(t *testing.T) {
	s, out := seated(t, look{})
	m := message("1", "¿Duele?")
	m.Locale, m.Ask = "es", &outbox.Ask{Kind: care.Scale}
	if err := errors.Join(s.Send(t.Context(), m), s.ready()); err != nil {
		t.Fatal(err)
	}
	if got, want := out.String(), "¿Duele?\n\nEscribe tu respuesta. Sal con Ctrl-C.\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestHAZ14_HidingTakesTheTalkOffTheScreen(t *testing.T) {
	read := message("2", "A message. Press to read.")
	read.Ask = &outbox.Ask{Kind: care.NextOf, Choices: []outbox.Choice{{Value: care.Next, Label: "Read"}}}
	tests := []struct {
		name   string
		look   look
		answer bool
		want   string // between the talk and the neutral screen
	}{
		{"in color", look{framed: true, colored: true, size: size(80, 4)}, true, "\x1b[H\x1b[2J\x1b[3J\n"},
		{"without color", look{framed: true, size: size(80, 4)}, true, "\n\n\n\n\n"},
		{"in a pipe", look{}, true, "\n"},
		{"a check that falls due", look{framed: true, size: size(80, 4)}, false, "\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, out := seated(t, tt.look)
			first := s.Send(t.Context(), message("1", "About your ankle."))
			if tt.answer {
				s.begin()
			}
			if err := errors.Join(first, s.Send(t.Context(), read)); err != nil {
				t.Fatal(err)
			}
			if got, want := out.String(), "About your ankle.\n"+tt.want+"A message. Press to read.\n"; !strings.HasPrefix(got, want) {
				t.Errorf("got %q, want %q", got, want)
			}
		})
	}
}

func TestPick(t *testing.T) {
	ask := &outbox.Ask{Choices: []outbox.Choice{{Value: "a"}, {Value: "b"}, {Value: "c"}}}
	tests := []struct {
		text string
		want string
	}{
		{"2", "b"},
		{" 2. ", "b"},
		{"3)", "c"},
		{"1 3", "a c"},
		{"1,3", "a c"},
		{"1, 3;2", "a c b"},
		{"1 1", "a"},
		{"0", ""},
		{"4", ""},
		{"1 4", ""},
		{"112", ""},
		{"-1", ""},
		{"1.5", ""},
		{"2 hours", ""},
		{"yes", ""},
		{"", ""},
		{",", ""},
		{"99999999999999999999", ""},
	}
	for _, tt := range tests {
		if got := strings.Join(pick(ask, tt.text), " "); got != tt.want {
			t.Errorf("%q picks %q, want %q", tt.text, got, tt.want)
		}
	}
	if got := pick(nil, "1"); got != nil {
		t.Errorf("without a question 1 picks %q", got)
	}
}
