package discord_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"turnstone/adapters/discord"
	"turnstone/adapters/discord/double"
	"turnstone/care"
	"turnstone/pictures"
	"turnstone/staff"
	"turnstone/tests/house"
	"turnstone/tests/talk"
	"turnstone/upkeep"
)

func TestMain(m *testing.M) {
	code := talk.Main(m)
	if err := goleak.Find(); code == 0 && err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// patience is how long a busy machine may take for what must happen.
const patience = time.Minute

// A stage is a bot before the stand-in. The store outlives the bot.
type stage struct {
	t     testing.TB
	p     *double.Platform
	store *shaky
	set   discord.Settings
	house *house.House
	bot   *discord.Bot
	staff *staff.Desk         // of the running bot, where it has a room
	away  func(upkeep.Outage) // where set, told of the outage before the start
	stop  context.CancelFunc
	ended chan error
}

func newStage(t testing.TB) *stage {
	t.Helper()
	p, err := double.New()
	if err != nil {
		t.Fatal(err)
	}
	s := &stage{t: t, p: p, store: &shaky{Memory: house.NewMemory(time.Now)}}
	t.Cleanup(func() {
		s.down()
		if err := p.Close(); err != nil {
			t.Error(err)
		}
		for _, b := range p.Breaches() {
			t.Errorf("against the platform's rules: %s", b)
		}
	})
	s.set = discord.Settings{
		Token: double.Token, At: p.At(), Locale: "en", Patience: 2 * time.Second, Retry: 10 * time.Millisecond, Now: time.Now, Pictures: pictures.Files,
		Log:    slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn})),
		Person: func(account string) care.PersonID { return care.PersonID("discord-" + account) },
	}
	return s
}

// up starts the bot on what is in the store.
func (s *stage) up() {
	s.t.Helper()
	s.begin()
	if !s.p.Until(patience, s.p.Connected) {
		s.t.Fatal("the bot does not connect")
	}
}

func (s *stage) begin() {
	s.t.Helper()
	parts, err := house.Load()
	if err != nil {
		s.t.Fatal(err)
	}
	s.set.Fixed = parts.FixedCard
	bot, err := discord.New(s.set)
	if err != nil {
		s.t.Fatal(err)
	}
	s.house, s.bot = house.Build(parts, s.store, bot, time.Now, s.set.Log), bot
	s.staff = s.desk()
	var ctx context.Context
	ctx, s.stop = context.WithCancel(context.Background())
	s.ended = make(chan error, 1)
	beside := func(ctx context.Context) error {
		if s.away == nil {
			return nil
		}
		o, err := (&upkeep.Keeper{Store: s.store, Intake: s.house.Intake, Now: time.Now, Log: s.set.Log}).Back(ctx)
		s.away(o)
		return err
	}
	go func() {
		s.ended <- bot.Run(ctx, discord.House{
			Intake: s.house.Intake, Outbox: s.house.Outbox, Store: s.store, Screen: parts.Screen, Book: parts.Book, Numbers: parts.Numbers, Desk: s.staff,
			Beside: []func(context.Context) error{beside},
		})
	}()
}

// down ends the bot.
func (s *stage) down() {
	if s.stop == nil {
		return
	}
	s.stop()
	if err := <-s.ended; err != nil && !errors.Is(err, discord.ErrRefused) {
		s.t.Errorf("the bot ended with %v", err)
	}
	s.stop = nil
}

// waits until somebody's direct messages satisfy ok.
func (s *stage) waits(what string, who *double.Person, ok func([]double.Message) bool) []double.Message {
	s.t.Helper()
	if !s.p.Until(patience, func() bool { return ok(who.Direct()) }) {
		var said []string
		for _, m := range who.Direct() {
			said = append(said, fmt.Sprintf("%s: %q", m.Author, m.Content))
		}
		s.t.Fatalf("%s: never; the direct message is\n%s", what, strings.Join(said, "\n"))
	}
	return who.Direct()
}

// question is the last message of the bot with buttons or a menu.
func question(list []double.Message) (double.Message, bool) {
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].Author == double.Self {
			return list[i], len(list[i].Rows) > 0
		}
	}
	return double.Message{}, false
}

// button finds a button or an option by the value at its end.
func button(m double.Message, value string) (id string, values []string) {
	for _, r := range m.Rows {
		for _, p := range r.Parts {
			if strings.HasSuffix(p.CustomID, "|"+value) {
				return p.CustomID, nil
			}
			for _, o := range p.Options {
				if o.Value == value {
					return p.CustomID, []string{value}
				}
			}
		}
	}
	return "", nil
}

func (s *stage) press(who *double.Person, m double.Message, value string) double.Act {
	s.t.Helper()
	id, values := button(m, value)
	if id == "" {
		s.t.Fatalf("nothing says %q on %q", value, m.Content)
	}
	return who.Press(m, id, values...)
}

func has(text string) func([]double.Message) bool {
	return func(list []double.Message) bool {
		for _, m := range list {
			if m.Author == double.Self && strings.Contains(m.Content, text) {
				return true
			}
		}
		return false
	}
}

// lastAsks reports whether the open question has this text and may be pressed.
func lastAsks(text string) func([]double.Message) bool {
	return func(list []double.Message) bool {
		m, ok := question(list)
		return ok && strings.Contains(m.Content, text)
	}
}

// TestAPrivateTalkFromTheServer: the command, a direct message, presses,
// words, and a card.
func TestAPrivateTalkFromTheServer(t *testing.T) {
	s := newStage(t)
	s.up()
	ch := s.p.Channel("server", false)
	who := s.p.Join("es-419")
	installer := s.p.Join("en-US")
	installer.Command(ch, "ankle-setup", map[string]string{"zone": "Europe/Lisbon", "region": "pt"})
	if !s.p.Until(patience, func() bool {
		for _, m := range s.p.Messages(ch) {
			if m.Pinned && strings.Contains(m.Content, "112") {
				return true
			}
		}
		return false
	}) {
		t.Fatalf("nothing is pinned: %+v", s.p.Messages(ch))
	}
	a := who.Command(ch, "ankle", nil)
	list := s.waits("the first question", who, lastAsks("peligro"))
	if a.Failed() {
		t.Error("the command was not answered")
	}
	first, _ := question(list)
	if !strings.Contains(first.Content, "112") || strings.Contains(first.Content, "program,") {
		t.Errorf("the first message: %q", first.Content)
	}
	s.press(who, first, "none")
	list = s.waits("the second question", who, func(l []double.Message) bool { m, ok := question(l); return ok && m.ID != first.ID })
	if !s.p.Until(patience, func() bool {
		return len(who.Direct()[0].Rows) == 0 && strings.Contains(who.Direct()[0].Content, "Tu respuesta")
	}) {
		t.Errorf("the answered question reads %+v", list[0])
	}
	who.Write("no siento los dedos del pie")
	s.waits("the card", who, has("EMERGENCIA"))
	for _, m := range s.p.Messages(ch) {
		if m.For == "" && !m.Pinned {
			t.Errorf("said in public: %q", m.Content)
		}
	}
}
