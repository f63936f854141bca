package discord_test

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"turnstone/adapters/discord"
	"turnstone/adapters/discord/double"
)

// talking is a stage with somebody at the first question.
func talking(t *testing.T, beat time.Duration) (*stage, *double.Person) {
	t.Helper()
	s := newStage(t)
	s.p.Beat = beat
	s.up()
	who := s.p.Join("en-US")
	who.Write("hello")
	s.waits("the first question", who, lastAsks("danger"))
	return s, who
}

// goesOn answers the open question after a fault, and the next one comes.
func (s *stage) goesOn(who *double.Person) {
	s.t.Helper()
	if !s.p.Until(patience, s.p.Connected) {
		s.t.Fatal("the bot does not come back")
	}
	who.Write("none of these")
	s.waits("the next question", who, lastAsks("A few more"))
}

// Every fault of the gateway that Discord documents or that was seen is
// survived, and the talk goes on (Discord's documentation, "Gateway").
func TestHAZ22_GatewayFaultsAreSurvived(t *testing.T) {
	for name, fault := range map[string]struct {
		beat time.Duration
		do   func(p *double.Platform)
	}{
		"asked to move":                    {0, func(p *double.Platform) { p.Move() }},
		"asked to move before it is ready": {0, func(p *double.Platform) { p.Be(double.MovedEarly, 2, 0); p.Drop() }},
		"session gone":                     {0, func(p *double.Platform) { p.Invalidate() }},
		"session gone at the resume":       {0, func(p *double.Platform) { p.ForgetSessions(); p.Drop() }},
		"invalid in place of ready":        {0, func(p *double.Platform) { p.Be(double.NoSession, 2, 0); p.Drop() }},
		"cut":                              {0, func(p *double.Platform) { p.Drop() }},
		"closed with 4000":                 {0, func(p *double.Platform) { p.CloseWith(4000) }},
		"closed with 4009":                 {0, func(p *double.Platform) { p.CloseWith(4009) }},
		"no hello":                         {0, func(p *double.Platform) { p.Be(double.NoHello, 1, 0); p.Drop() }},
		"an acknowledgement before ready":  {0, func(p *double.Platform) { p.Be(double.EarlyAck, 1, 0); p.Drop() }},
		"closed with 4000 before ready":    {0, func(p *double.Platform) { p.Be(double.CloseBefore, 2, 4000); p.Drop() }},
		"a dead line":                      {400 * time.Millisecond, func(p *double.Platform) { p.Deafen() }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			beat := fault.beat
			if beat == 0 {
				beat = 10 * time.Second
			}
			s, who := talking(t, beat)
			fault.do(s.p)
			if !s.p.Until(patience, func() bool {
				return !s.p.Connected() || name == "asked to move" || name == "session gone" || name == "a dead line"
			}) && s.p.Identified() == 0 {
				t.Fatal("the fault did not happen")
			}
			s.goesOn(who)
		})
	}
}

// What is final ends the program with what to do (Discord's documentation,
// "Gateway Close Event Codes").
func TestHAZ32_FinalCodesEndTheProgram(t *testing.T) {
	for name, arrange := range map[string]func(s *stage){
		"make a new one":         func(s *stage) { s.p.Be(double.CloseBefore, 100, 4004) },
		"message content intent": func(s *stage) { s.set.Watch = true },
		"a new one on":           func(s *stage) { s.set.Token = "not-the-token" },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newStage(t)
			arrange(s)
			s.begin()
			select {
			case err := <-s.ended:
				if !errors.Is(err, discord.ErrRefused) || !strings.Contains(err.Error(), name) && name != "a new one on" {
					t.Errorf("it ended with %v", err)
				}
				s.stop()
				s.stop = nil
			case <-time.After(20 * time.Second):
				t.Fatal("it goes on trying")
			}
		})
	}
}

// Calls that fail are made again, and the person reads everything once.
func TestHAZ07_PlatformErrors(t *testing.T) {
	json := http.Header{"Content-Type": {"application/json"}}
	for name, f := range map[string]double.Fault{
		"500":                       {Status: 500, Times: 2},
		"503":                       {Status: 503, Times: 2},
		"502":                       {Status: 502, Times: 2},
		"done, but answered by 500": {Status: 500, After: true},
		"done, and the line cut":    {After: true},
		"the line cut":              {Times: 2},
		"too many of this":          {Status: 429, Header: json, Body: `{"message":"slow","retry_after":0.3,"global":false}`, Times: 2},
		"too many of all":           {Status: 429, Header: json, Body: `{"message":"slow","retry_after":0.3,"global":true}`, Times: 2},
		"too many, by the edge":     {Status: 429, Header: http.Header{"Retry-After": {"1"}}, Body: "<html>slow</html>"},
		"slow":                      {Wait: 700 * time.Millisecond, After: false, Status: 503},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s, who := talking(t, 10*time.Second)
			f.Match = "channels/"
			s.p.Fail(f)
			who.Write("I can't breathe")
			list := s.waits("the card", who, has("EMERGENCY"))
			cards := 0
			for _, m := range list {
				if strings.Contains(m.Content, "EMERGENCY") {
					cards++
				}
			}
			if cards != 1 {
				t.Errorf("%d cards", cards)
			}
		})
	}
}

// A store that is down keeps no card back, and the emergency is raised when
// it is there again.
func TestHAZ07_TheCardGoesOutWithoutTheStore(t *testing.T) {
	s, who := talking(t, 10*time.Second)
	s.store.Down(true)
	who.Write("my chest hurts and I can't breathe")
	s.waits("the card", who, has("EMERGENCY"))
	s.store.Down(false)
	if !s.p.Until(patience, func() bool {
		list, err := s.store.List(context.Background(), "staff/")
		return err == nil && len(list) > 0
	}) {
		t.Error("staff never hear of it")
	}
}
