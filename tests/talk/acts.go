package talk

import (
	"encoding/json"
	"strings"
)

// input writes one object.
func (s *Session) input(v any) []Line {
	s.t.Helper()
	data, err := json.Marshal(v)
	if err != nil {
		s.t.Fatal(err)
	}
	return s.Raw(string(data))
}

// Say types text.
func (s *Session) Say(text string) []Line {
	s.t.Helper()
	s.write(whoPerson, s.asked()+text)
	return s.input(map[string]string{"say": text})
}

// Choose presses choices by value.
func (s *Session) Choose(values ...string) []Line {
	s.t.Helper()
	s.write(whoPerson, s.pressed(values))
	return s.input(map[string][]string{"choose": values})
}

// Wait lets time pass, as an ISO 8601 duration.
func (s *Session) Wait(iso string) []Line {
	s.t.Helper()
	return s.input(map[string]string{"wait": iso})
}

// Staff does what a staff member does; more fields come in pairs.
func (s *Session) Staff(do, id, by string, more ...string) []Line {
	s.t.Helper()
	act := map[string]string{"staff": do, "id": id, "by": by}
	for i := 0; i+1 < len(more); i += 2 {
		act[more[i]] = more[i+1]
		if more[i] == "disposition" {
			s.checks.lowered = true
		}
	}
	s.write(whoStaff, strings.Join(append([]string{by + ":", do}, more...), " "))
	return s.input(act)
}
