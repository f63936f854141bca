package discord

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/tests/house"
)

// A wall answers every call at once and writes it down: what is tested here is
// how the wire is read, not what Discord says to it.
type wall struct {
	mu    sync.Mutex
	calls []string          // method, path and body
	said  map[string]string // the history of a channel
}

func (w *wall) RoundTrip(r *http.Request) (*http.Response, error) {
	var body []byte
	if r.Body != nil {
		var err error
		if body, err = io.ReadAll(r.Body); err != nil {
			return nil, err
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.calls = append(w.calls, r.Method+" "+r.URL.Path+" "+string(body))
	answer := `{"id":"900"}`
	if r.Method == http.MethodGet {
		answer = "[" + w.said[strings.Split(r.URL.Path, "/")[4]] + "]"
	}
	return &http.Response{StatusCode: http.StatusOK, Header: http.Header{}, Body: io.NopCloser(strings.NewReader(answer)), Request: r}, nil
}

// made are the calls with this word in them.
func (w *wall) made(word string) (out []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range w.calls {
		if strings.Contains(c, word) {
			out = append(out, c)
		}
	}
	return out
}

// An ear writes down what the house hears.
type ear struct {
	*house.Parts
	mu    sync.Mutex
	heard []string
}

func (e *ear) Read(text string, prefer care.Locale) care.Finding {
	e.mu.Lock()
	e.heard = append(e.heard, text)
	e.mu.Unlock()
	return e.Screen.Read(text, prefer)
}

// A front is a bot without a gateway: events are given to it by hand.
type front struct {
	*Bot
	wall *wall
	ear  *ear
	log  *bytes.Buffer
}

func newFront(t testing.TB) *front {
	t.Helper()
	parts, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	f := &front{wall: &wall{}, ear: &ear{Parts: parts}, log: &bytes.Buffer{}}
	bot, err := New(Settings{
		Token: "token", Locale: "en", Now: time.Now, Fixed: parts.FixedCard, Log: slog.New(slog.NewTextHandler(f.log, nil)),
		Person: func(account string) care.PersonID { return care.PersonID("discord-" + account) },
	})
	if err != nil {
		t.Fatal(err)
	}
	bot.transport.base = f.wall
	memory := house.NewMemory(time.Now)
	h := house.Build(parts, memory, bot, time.Now, bot.log)
	h.Intake.Screen = f.ear
	bot.house = House{Intake: h.Intake, Outbox: h.Outbox, Store: memory, Screen: parts.Screen, Book: parts.Book, Numbers: parts.Numbers}
	bot.self = "2"
	f.Bot = bot
	return f
}

// gets gives an event to the bot and waits until it is done with.
func (f *front) gets(t testing.TB, kind string, raw string) {
	t.Helper()
	f.hear(kind, json.RawMessage(raw))
	f.working.Wait()
	if strings.Contains(f.log.String(), "a fault was contained") {
		t.Fatalf("%s %q: %s", kind, raw, f.log)
	}
}

// heardIt reports whether the house heard these words.
func (f *front) heardIt(words string) bool {
	f.ear.mu.Lock()
	defer f.ear.mu.Unlock()
	for _, h := range f.ear.heard {
		if strings.Contains(h, words) {
			return true
		}
	}
	return false
}

func (f *front) urgent(t testing.TB, account string) bool {
	t.Helper()
	s, err := f.house.Intake.Standing(context.Background(), f.set.Person(account))
	if err != nil {
		t.Fatal(err)
	}
	return s.Urgent
}
