package talk

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// A Line is one line out. Type says which fields are there.
type Line struct {
	Type        string            `json:"type"`
	At          time.Time         `json:"at"`
	ID          string            `json:"id"`
	Text        string            `json:"text"`
	Picture     string            `json:"picture"`
	Ask         *Ask              `json:"ask"`
	Disposition string            `json:"disposition"`
	Because     []string          `json:"because"`
	Rule        map[string]string `json:"rule"`
	What        string            `json:"what"`
	Sensitive   bool              `json:"sensitive"`
	Due         time.Time         `json:"due"`
	State       string            `json:"state"`
	By          string            `json:"by"`
	Error       string            `json:"error"`
	Raw         string            `json:"-"`
}

// An Ask is the question of a message.
type Ask struct {
	Facts   []string `json:"facts"`
	Kind    string   `json:"kind"`
	Choices []Choice `json:"choices"`
}

// A Choice is one answer that can be pressed.
type Choice struct {
	Value string `json:"value"`
	Label string `json:"label"`
}

// Fact is the first fact of the question, or its kind where it has none.
func (a *Ask) Fact() string {
	switch {
	case a == nil:
		return ""
	case len(a.Facts) == 0:
		return a.Kind
	}
	return a.Facts[0]
}

// Has reports whether value can be chosen.
func (a *Ask) Has(value string) bool {
	return a != nil && slices.ContainsFunc(a.Choices, func(c Choice) bool { return c.Value == value })
}

// The fields of each type of line: those that must be there, and those that
// may be. Nothing else may.
var fields = map[string]struct{ must, may []string }{
	"message":     {[]string{"type", "id", "at", "text"}, []string{"picture", "ask"}},
	"disposition": {[]string{"type", "at", "disposition", "because", "rule"}, nil},
	"escalation":  {[]string{"type", "at", "id", "what", "disposition", "because", "sensitive"}, nil},
	"planned":     {[]string{"type", "at", "what", "due"}, nil},
	"cancelled":   {[]string{"type", "at", "what"}, nil},
	"staff":       {[]string{"type", "at", "id", "state", "by"}, nil},
	"ready":       {[]string{"type", "at"}, nil},
	"error":       {[]string{"type", "error"}, nil},
}

// parse reads one line to the letter.
func parse(raw string) (Line, error) {
	l := Line{Raw: raw}
	var all map[string]json.RawMessage
	if err := json.Unmarshal([]byte(raw), &all); err != nil {
		return l, fmt.Errorf("no JSON object: %w", err)
	}
	if err := json.Unmarshal([]byte(raw), &l); err != nil {
		return l, fmt.Errorf("a field has the wrong type: %w", err)
	}
	want, known := fields[l.Type]
	if !known {
		return l, fmt.Errorf("type %q is not known", l.Type)
	}
	for _, f := range want.must {
		if v, there := all[f]; !there || string(v) == "null" {
			return l, fmt.Errorf("%s has no %q", l.Type, f)
		}
	}
	for f := range all {
		if !slices.Contains(want.must, f) && !slices.Contains(want.may, f) {
			return l, fmt.Errorf("%s has a field %q too many", l.Type, f)
		}
	}
	if l.Ask != nil {
		return l, l.Ask.check(all["ask"])
	}
	return l, nil
}

var (
	kinds    = []string{"yesno", "anyof", "oneof", "several", "scale", "age", "since", "height", "consent", "next"}
	inWords  = []string{"scale", "age", "since", "height"}
	withDoub = []string{"yesno", "anyof", "oneof", "several"}
)

func (a *Ask) check(raw json.RawMessage) error {
	var all map[string]json.RawMessage
	if err := json.Unmarshal(raw, &all); err != nil {
		return err
	}
	if len(all) != 3 || all["facts"] == nil || string(all["facts"]) == "null" || all["kind"] == nil || string(all["choices"]) == "null" || all["choices"] == nil {
		return fmt.Errorf("an ask has facts, kind and choices, not %s", raw)
	}
	switch {
	case !slices.Contains(kinds, a.Kind):
		return fmt.Errorf("ask kind %q is not known", a.Kind)
	case slices.Contains(inWords, a.Kind) && len(a.Choices) > 0:
		return fmt.Errorf("%s is answered in words, and has choices", a.Kind)
	case !slices.Contains(inWords, a.Kind) && len(a.Choices) == 0:
		return fmt.Errorf("%s has no choices", a.Kind)
	case slices.Contains(withDoub, a.Kind) && !a.Has("unsure"):
		return fmt.Errorf("%s of %v has no unsure", a.Kind, a.Facts)
	case a.Kind == "consent" && a.Has("unsure"):
		return fmt.Errorf("consent has unsure")
	case a.Kind == "anyof" && (!a.Has("none") || len(a.Facts) < 2 || len(a.Choices) != len(a.Facts)+2):
		return fmt.Errorf("anyof of %v has the choices %v", a.Facts, a.Choices)
	case a.Kind == "next" && !a.Has("next"):
		return fmt.Errorf("next has no next")
	}
	for i, c := range a.Choices {
		if c.Value == "" || c.Label == "" || slices.ContainsFunc(a.Choices[:i], func(b Choice) bool { return b.Value == c.Value || b.Label == c.Label }) {
			return fmt.Errorf("choice %d of %v is empty or there twice: %v", i, a.Facts, a.Choices)
		}
	}
	return nil
}
