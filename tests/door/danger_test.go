package door

import (
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/tests/house"
	"turnstone/tests/talk"
)

// Where the region is unknown the card lists the known numbers with their
// places, and danger comes before the question where the person is.
func TestHAZ06_UnknownCountryNeverGuesses(t *testing.T) {
	parts, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	for _, locale := range parts.Book.Locales() {
		set := talk.Home()
		set.Region, set.Locale = "", string(locale)
		s := talk.Start(t, set)
		card := talk.Of(s.Choose("stroke_signs"), "message")
		if len(card) != 1 {
			t.Fatalf("%s: the card is %s", locale, raws(card))
		}
		places := parts.Numbers.Places()
		if len(places) < 3 {
			t.Fatalf("only %d places are known", len(places))
		}
		for _, p := range places {
			text, err := parts.Book.Text(locale, p)
			if err != nil {
				t.Fatal(err)
			}
			// A place may itself be a sentence; the number stands in it as it is.
			if number := p.Args["number"]; number == "" || !strings.Contains(card[0].Text, number) {
				t.Errorf("%s: the card lacks %q (%s)", locale, number, text)
			}
		}
		s.End()

		s = talk.Start(t, set)
		s.Choose("none")
		s.Choose("none")
		if s.Ask.Fact() != "region" || s.Ask.Kind != "oneof" {
			t.Errorf("%s: after danger comes %s, want region", locale, s.Ask.Fact())
		}
		s.End()
	}
}

// In every region and language the opening and the first line of the card show
// exactly that region's number.
func TestHAZ06_TheCardOfEveryRegion(t *testing.T) {
	parts, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	clock := house.NewClock(time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC))
	for _, region := range parts.Numbers.Regions() {
		for _, locale := range parts.Book.Locales() {
			box := &house.Mailbox{}
			h := house.Build(parts, house.NewMemory(clock.Now), box, clock.Now, slog.New(slog.DiscardHandler))
			caller := house.Caller("p", locale, region)
			for i, ev := range []care.Event{{Kind: care.Opened}, {Kind: care.Chose, Choices: []string{"bone_visible"}}} {
				ev.ID = care.EventID(fmt.Sprint(i))
				if err := h.Intake.Handle(t.Context(), caller, ev); err != nil {
					t.Fatal(err)
				}
			}
			number, ok := parts.Numbers.Emergency(region)
			sent := box.Sent()
			if !ok || len(sent) != 2 {
				t.Fatalf("%s, %s: the number is known: %v; %d messages", region, locale, ok, len(sent))
			}
			card := strings.Split(sent[1].Text, "\n")
			if !strings.Contains(sent[0].Text, number) || !strings.Contains(card[1], number) || !sent[1].Card {
				t.Errorf("%s, %s: %s is missing in\n%s\n%s", region, locale, number, sent[0].Text, card[1])
			}
		}
	}
}

// An emergency does not close by itself, in 60 days of silence: whoever writes
// then is asked whether they have been seen, and gets the card again.
func TestHAZ31_EmergencyNeverAutoCloses(t *testing.T) {
	for _, consent := range []string{"yes", "no"} {
		t.Run("consent "+consent, func(t *testing.T) {
			t.Parallel()
			s := talk.Start(t, talk.Home())
			talk.Person{"consent": consent}.Until(s, func(a *talk.Ask) bool { return a.Fact() == "side" })
			s.Say("i can't feel my toes")
			s.Choose("yes")
			id := s.Escalation("disposition").ID
			s.Wait("P60D")
			// Without consent the record is erased a day after the last word; the
			// item's way to answer goes after seven days.
			if consent == "yes" {
				s.Say("hello")
				if s.Ask.Fact() != "seen_check" {
					t.Errorf("after 60 days a word brings %s, want the question whether they have been seen", s.Ask.Fact())
				}
				card := talk.Of(s.Choose("no"), "message")
				if len(card) == 0 || !strings.Contains(card[0].Text, "112") {
					t.Errorf("not seen after 60 days brings %s", raws(card))
				}
				wantStaff(t, s.Staff("take", id, "Rui"), id, "taken", "Rui")
			}
			s.End()
		})
	}
}

// "Have you been seen?" comes at the set times, day or night.
func TestHAZ31_NudgeSchedule(t *testing.T) {
	for _, c := range []struct {
		sign string
		due  []time.Duration
	}{
		{"heavy_bleeding", []time.Duration{10 * time.Minute, 30 * time.Minute}},
		{"deformed", []time.Duration{30 * time.Minute, 4 * time.Hour}},
	} {
		set := talk.Home()
		set.At = "2026-03-02T23:30:00Z" // in the night
		s := talk.Start(t, set)
		talk.Person{c.sign: "yes"}.All(s)
		began := s.Now
		var came []time.Duration
		for _, m := range talk.Of(s.Wait("P1D"), "message") {
			if strings.Contains(m.Text, talk.Sentence(t, "neutral")) || strings.Contains(m.Text, talk.Sentence(t, "neutral.again")) {
				came = append(came, m.At.Sub(began))
			}
		}
		if !slices.Equal(came, c.due) {
			t.Errorf("%s: asked after %v, want %v", c.sign, came, c.due)
		}
		if s.Escalation("no_reply").ID == "" {
			t.Errorf("%s: nobody answered, and staff were not told", c.sign)
		}
		s.End()
	}
}
