package drill

import (
	"math/rand/v2"
	"strings"

	"turnstone/adapters/discord/double"
)

// An answer is what a person presses or types.
type answer struct {
	button string // the ID of a button or a menu
	choose []string
	typed  string
}

// sprain is a plain sprain, by a piece of each question's words and what is
// said to it. What is not here is answered by the choices: none of these, go
// on, and else no.
var sprain = []struct{ asked, value, words string }{
	{"How old is", "", "34"},
	{"keep your answers", "yes", "yes"},
	{"How long ago", "", "2 hours ago"},
	{"Which side", "left", "left"},
	{"Where does it hurt", "ankle", "ankle"},
	{"take 4 steps", "yes", "yes"},
	{"from 0 to 10", "", "4"},
	{"How swollen", "some", "a bit swollen"},
	{"How do you walk", "limp", "with a limp"},
	{"where you are?", "yes", "yes"},
	{"with you who can take you", "yes", "yes"},
}

// emergencies are words that the safety screen must answer with the card.
var emergencies = []string{
	"i cannot feel my toes at all",
	"my chest hurts and i cannot breathe",
	"the bleeding does not stop",
	"my foot is cold and blue",
	"the bone is sticking out of the skin",
}

// answerTo says what a person with a plain sprain answers: by a press where
// something is to press, and now and then typed all the same.
func answerTo(m double.Message, dice *rand.Rand) answer {
	value, words, question := "", "", strings.Join(lines(m.Content), "\n")
	for _, q := range sprain {
		if strings.Contains(question, q.asked) {
			value, words = q.value, q.words
			break
		}
	}
	if len(m.Rows) == 0 {
		return answer{typed: words}
	}
	if value == "" {
		for _, v := range []string{"none", "next", "no"} {
			if id, _ := find(m, v); id != "" {
				value = v
				break
			}
		}
		if value == "no" {
			words = "no"
		}
	}
	if words != "" && dice.IntN(4) == 0 {
		return answer{typed: words}
	}
	id, choose := find(m, value)
	if id == "" {
		return answer{typed: words}
	}
	return answer{button: id, choose: choose}
}

// find looks for a choice below a message, by its value.
func find(m double.Message, value string) (id string, choose []string) {
	for _, row := range m.Rows {
		for _, p := range row.Parts {
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

// ends reports whether a message is the last of a talk.
func ends(m double.Message) bool { return strings.Contains(m.Content, "That is all for now") }
