package answer

import (
	"slices"
	"testing"

	"turnstone/care"
)

func group(values ...string) []Option {
	labels := map[string]string{
		"foot_numb": "My toes are numb or tingle", "deformed": "The foot points the wrong way", "fever_or_redness": "Fever, shivering or spreading redness",
		"calf_pain_or_swelling": "The calf is swollen or sore", "none": "None of these", "unsure": "Not sure",
		"normal": "I walk as usual", "limp": "I walk with a limp", "few_steps": "A few steps only", "large": "A lot", "some": "Some",
		"left": "Left", "right": "Right", "both": "Both", "better": "Better", "same": "The same", "worse": "Worse", "next": "Next", "crutches": "Crutches",
	}
	var out []Option
	for _, v := range values {
		out = append(out, Option{Value: v, Label: labels[v]})
	}
	return out
}

// TestFlowQuestions reads lists, single choices and the special kinds as the
// flow asks them. Common practice, no source.
func TestFlowQuestions(t *testing.T) {
	r := reader(t)
	danger := group("foot_numb", "deformed", "fever_or_redness", "calf_pain_or_swelling", "none", "unsure")
	side := group("left", "right", "both", "unsure")
	walk := append(group("normal", "limp", "few_steps"), Option{Value: "none", Label: "I cannot walk", Words: []string{"not at all", "cannot put weight on it"}}, Option{Value: "unsure", Label: "Not sure"})
	for _, c := range []struct {
		name, text string
		kind       care.Kind
		options    []Option
		want       []string // nil: no answer; "skip": the person skips
	}{
		{"numbers with a word between", "1 and 3", care.AnyOf, danger, []string{"foot_numb", "fever_or_redness"}},
		{"numbers with a comma are no decimal", "2,4", care.AnyOf, danger, []string{"deformed", "calf_pain_or_swelling"}},
		{"a span of numbers", "1-3", care.AnyOf, danger, []string{"foot_numb", "deformed", "fever_or_redness"}},
		{"order words", "the first and the second", care.Several, danger, []string{"foot_numb", "deformed"}},
		{"words of two facts", "toes are numb and my calf is sore", care.AnyOf, danger, []string{"foot_numb", "calf_pain_or_swelling"}},
		{"none", "none", care.AnyOf, danger, []string{"none"}},
		{"none of these", "none of these", care.AnyOf, danger, []string{"none"}},
		{"no", "no", care.AnyOf, danger, []string{"none"}},
		{"a bare yes is not sure", "yes", care.AnyOf, danger, []string{"unsure"}},
		{"not sure", "i dont know", care.AnyOf, danger, []string{"unsure"}},
		{"all of a list of signs says not which", "all of them", care.AnyOf, danger, []string{"unsure"}},
		{"a denial with a plain exception", "none of those, just sore", care.AnyOf, danger, []string{"none"}},
		{"a denial with an exception that counts", "no, only a numb foot", care.AnyOf, danger, nil},
		{"words of a label called fine", "toes are fine, all good", care.AnyOf, danger, []string{"none"}},
		{"a number beyond the list", "9", care.AnyOf, danger, nil},
		{"a greeting is no answer", "hi, i twisted my ankle", care.AnyOf, danger, nil},
		{"a side by its number", "2", care.OneOf, side, []string{"right"}},
		{"a side by its word", "my left foot", care.OneOf, side, []string{"left"}},
		{"a side beside a time", "right one, about an hour ago", care.OneOf, side, []string{"right"}},
		{"a side unknown", "no idea", care.OneOf, side, []string{"unsure"}},
		{"overall", "a bit better", care.OneOf, group("better", "same", "worse", "unsure"), []string{"better"}},
		{"walking", "limping a bit", care.OneOf, walk, []string{"limp"}},
		{"walking not at all", "i cannot put weight on it", care.OneOf, walk, []string{"none"}},
		{"read on", "ok got it", care.NextOf, group("next", "crutches"), []string{"next"}},
		{"an offer", "crutches", care.NextOf, group("next", "crutches"), []string{"crutches"}},
		{"skip", "skip this one", care.YesNo, nil, []string{"skip"}},
		{"a number is no yes", "1", care.YesNo, nil, nil},
		{"a time beside a side", "right one, about an hour ago", care.Since, nil, []string{"PT1H"}},
		{"a duration as such", "PT3H", care.Since, nil, []string{"PT3H"}},
		{"Spanish in an English talk", "no me duele", care.YesNo, nil, []string{"no"}},
		{"both languages in one line", "no wait, sí", care.YesNo, nil, []string{"yes"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := r.Read(Question{Kind: c.kind, Locale: "en", At: at, Options: c.options}, c.text)
			if got.Skip {
				got.Values = []string{"skip"}
			}
			if !slices.Equal(got.Values, c.want) {
				t.Errorf("got %v, want %v", got.Values, c.want)
			}
		})
	}
}

// TestCommands reads the words that may be said at any moment.
func TestCommands(t *testing.T) {
	r := reader(t)
	for text, want := range map[string]care.Command{
		"can I talk to a human please": care.CmdHuman, "quiero hablar con una persona": care.CmdHuman, "why do you ask?": care.CmdWhy, "¿por qué?": care.CmdWhy,
		"go back": care.CmdBack, "atrás": care.CmdBack, "start over": care.CmdStartOver, "empezar de nuevo": care.CmdStartOver, "STOP": care.CmdStop, "ya no me escriban": care.CmdStop,
		"what do you keep about me": care.CmdKept, "qué datos guardan": care.CmdKept, "delete my data": care.CmdDelete, "borra mis datos": care.CmdDelete,
		"change language": care.CmdLanguage, "English": care.CmdLanguage, "español": care.CmdLanguage, "hide": care.CmdHide, "oculta esto": care.CmdHide,
		"this is about somebody else": care.CmdOther, "es para otra persona": care.CmdOther, "skip": care.CmdSkip, "siguiente": care.CmdSkip,
		"help": care.CmdHelp, "ayuda": care.CmdHelp, "hello": care.CmdGreeting, "buenos días": care.CmdGreeting,
		"my back hurts": "", "it will not stop bleeding": "", "me duele la espalda": "", "i hid in the house": "", "": "", "no": "", "yes": "",
	} {
		if got, ok := r.Command(text, "en"); got != want || ok != (want != "") {
			t.Errorf("%q: got %q, %v, want %q", text, got, ok, want)
		}
	}
	for text, want := range map[string]care.Locale{"English": "en", "en español por favor": "es", "in Spanish": "es", "blue": ""} {
		if got, _ := r.Language(text); got != want {
			t.Errorf("language %q: got %q, want %q", text, got, want)
		}
	}
}
