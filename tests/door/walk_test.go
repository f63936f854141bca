package door

import (
	"math/rand/v2"
	"os"
	"testing"

	"turnstone/tests/talk"
)

// walks is how many random talks are held, and how long each is.
func walks() (talks, steps int) {
	if os.Getenv("TURNSTONE_PROOFS") != "" {
		return 200, 120
	}
	return 10, 70
}

// typedWords are words of every kind: answers, commands, danger, nonsense.
var typedWords = []string{
	"yes", "no", "not sure", "skip", "none", "34", "7", "70", "3", "2 hours ago", "yesterday evening", "left", "ankle", "170 cm", "better", "worse", "the same",
	"back", "start over", "why", "help", "hide", "stop", "what is kept", "delete my data", "español", "english", "human please", "this is about somebody else", "hello",
	"blorp", "?", "what is this?", "1", "12 days ago", "a limp", "i don't feel safe at home",
	"i can't feel my toes", "no puedo respirar", "the ankle is bent at a strange angle", "i'm on warfarin and i knocked my head when i fell, no headache or anything",
}

var waits = []string{"PT1M", "PT10M", "PT30M", "PT4H", "PT13H", "P1D", "PT50H", "P12D"}

// TestTheOpenQuestionStandsOnTheLastMessage holds random talks. The session
// asks after every line which question is open: it must be the one of the last
// message; and it holds every line out against the letter.
func TestTheOpenQuestionStandsOnTheLastMessage(t *testing.T) {
	talks, steps := walks()
	for i := range talks {
		seed := uint64(i)
		if os.Getenv("TURNSTONE_PROOFS") != "" {
			seed = rand.Uint64()
		}
		t.Run("", func(t *testing.T) {
			t.Parallel()
			set := talk.Home()
			set.Locale = []string{"en", "es"}[i%2]
			if i%3 == 0 {
				set.Region = ""
			}
			s := talk.Start(t, set)
			r := rand.New(rand.NewPCG(seed, 7))
			for range steps {
				step(r, s)
				if t.Failed() {
					t.Fatalf("seed %d; the talk:\n%s", seed, s.Paper(s.Now.Location()))
				}
			}
			s.End()
		})
	}
}

func step(r *rand.Rand, s *talk.Session) {
	switch n := r.IntN(20); {
	case n < 11 && s.Ask != nil && len(s.Ask.Choices) > 0:
		s.Choose(s.Ask.Choices[r.IntN(len(s.Ask.Choices))].Value)
	case n < 11:
		talk.Person{}.Step(s)
	case n < 15:
		s.Say(typedWords[r.IntN(len(typedWords))])
	case n < 18:
		s.Wait(waits[r.IntN(len(waits))])
	default:
		staffStep(r, s)
	}
}

var acts = []string{"take", "hand_on", "reply", "call_back", "close", "reopen"}

func staffStep(r *rand.Rand, s *talk.Session) {
	items := talk.Of(s.Lines, "escalation")
	if len(items) == 0 {
		return
	}
	id, by := items[r.IntN(len(items))].ID, []string{"Ana", "Rui"}[r.IntN(2)]
	more := []string{"to", "Ana", "text", "We read you.", "outcome", "seen"}
	if r.IntN(4) == 0 {
		more = append(more, "disposition", []string{"home", "clinician", "same_day", "emergency"}[r.IntN(4)])
	}
	s.Staff(acts[r.IntN(len(acts))], id, by, more...)
}
