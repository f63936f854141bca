package talk

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Paper is a conversation as a clinician reads it: when, who, what. The line
// that nobody has signed stands above every message; it is checked, and left
// out here.
func (s *Session) Paper(zone *time.Location) string {
	var b strings.Builder
	for _, e := range s.paper {
		at := e.at.In(zone).Format("Mon 02 Jan 15:04")
		for i, l := range strings.Split(e.text, "\n") {
			if i > 0 {
				at = strings.Repeat(" ", len(at))
			}
			who := e.who
			if i > 0 {
				who = ""
			}
			b.WriteString(strings.TrimRight(fmt.Sprintf("%s  %-7s %s", at, who, l), " ") + "\n")
		}
	}
	return b.String()
}

// An entry is one thing that somebody said or did.
type entry struct {
	at        time.Time
	who, text string
}

// Who stands in the second column.
const (
	whoBot    = "bot"
	whoPerson = "person"
	whoStaff  = "staff"   // what staff are told, and do
	whoBook   = "decided" // what is kept: a disposition
	whoPlan   = "plan"
	whoError  = "error"
)

func (s *Session) write(who, text string) {
	s.paper = append(s.paper, entry{s.Now, who, text})
}

// record puts a line out on paper. While a script answers in bulk, a message
// that only asks is left out: the answer says what was asked.
func (s *Session) record(l Line) {
	e := entry{at: l.At}
	switch l.Type {
	case "message":
		s.left = nil
		if s.bulk && !s.decided && l.Ask != nil && l.Ask.Kind != "next" {
			s.left = &l
			return
		}
		e.who, e.text = whoBot, s.onPaper(l)
	case "disposition":
		s.decided = true
		e.who, e.text = whoBook, l.Disposition+because(l.Because)+fmt.Sprintf("; ankle rule %s, foot rule %s", word(l.Rule["ankle"]), word(l.Rule["foot"]))
	case "escalation":
		s.decided = true
		e.who, e.text = whoStaff, "asked to look: "+l.What+" ("+l.Disposition+")"+because(l.Because)
		if l.Sensitive {
			e.text += ", sensitive"
		}
	case "planned":
		e.who, e.text = whoPlan, l.What+" for "+l.Due.In(s.zone()).Format("Mon 02 Jan 15:04")
	case "cancelled":
		e.who, e.text = whoPlan, l.What+" taken back"
	case "staff":
		e.who, e.text = whoStaff, strings.TrimSuffix(l.State+" by "+l.By, " by ")
	case "error":
		e.at, e.who, e.text = s.Now, whoError, s.withoutIDs(l.Error)
	}
	s.paper = append(s.paper, e)
}

func (s *Session) onPaper(l Line) string {
	text, _ := s.checks.bare(l.Text)
	if l.Picture != "" {
		text += "\n(picture: " + l.Picture + ")"
	}
	if l.Ask != nil && len(l.Ask.Choices) > 0 {
		var labels []string
		for _, c := range l.Ask.Choices {
			labels = append(labels, c.Label)
		}
		text += "\n[" + strings.Join(labels, " | ") + "]"
	}
	return text
}

// withoutIDs names items by what they are about: their IDs are new each time.
func (s *Session) withoutIDs(text string) string {
	for _, l := range s.Lines {
		if l.Type == "escalation" {
			text = strings.ReplaceAll(text, l.ID, "("+l.What+")")
		}
	}
	return text
}

func because(names []string) string {
	if len(names) == 0 {
		return ""
	}
	return " because " + strings.Join(names, ", ")
}

func word(s string) string { return strings.ReplaceAll(s, "_", " ") }

// pressed is how a press looks: the labels of what was chosen.
func (s *Session) pressed(values []string) string {
	labels := slices.Clone(values)
	for i, v := range values {
		if s.Ask == nil {
			break
		}
		for _, c := range s.Ask.Choices {
			if c.Value == v {
				labels[i] = c.Label
			}
		}
	}
	return s.asked() + "[" + strings.Join(labels, " | ") + "]"
}

// inBulk runs many answers; the question that is open at the end is shown.
func (s *Session) inBulk(answers func()) {
	s.bulk = true
	answers()
	s.bulk = false
	if s.left != nil {
		s.record(*s.left)
	}
}

// asked stands before an answer whose question is left out.
func (s *Session) asked() string {
	switch {
	case !s.bulk || s.Ask == nil || s.Ask.Kind == "next":
		return ""
	case len(s.Ask.Facts) > 1:
		return groups[strings.Join(s.Ask.Facts[:2], " ")] + ": "
	}
	return s.Ask.Fact() + ": "
}

func (s *Session) zone() *time.Location {
	zone, err := time.LoadLocation(s.set.Zone)
	if err != nil {
		s.t.Fatal(err)
	}
	return zone
}
