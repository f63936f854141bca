package discord_test

import (
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/staff"
)

// Who looked is told once a week, to those who may see what is sensitive and to
// nobody else; who took nothing is said. Where none of them takes direct
// messages the room is told, and of no item.
func TestHAZ26_LooksAreToldToThoseWithTheRight(t *testing.T) {
	s, room, _, _ := newRoom(t)
	rui, ana := s.hire("Rui", "nurse"), s.hire("Ana", "nurse", staff.See, staff.Take)
	week := care.Hours{}.Week(time.Now())
	for _, a := range []record.Audit{
		{By: "Ana", Do: "look", ID: "abcdefgh-7", Sensitive: true},
		{By: "Ana", Do: "look", ID: "abcdefgh-7", Sensitive: true},
		{By: "Rui", Do: "look", ID: "ijklmnop-2"},
		{By: "Rui", Do: care.ActTake, ID: "ijklmnop-2"},
	} {
		a.At = week.Add(-24 * time.Hour)
		row, err := a.Named()
		if err == nil {
			err = s.store.Put(t.Context(), row.Key, row.Bytes, 0, row.Expires)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	due := func() {
		t.Helper()
		if err := s.staff.Told(t.Context(), week.Add(-7*24*time.Hour)); err != nil {
			t.Fatal(err)
		}
		s.house.Outbox.Raised()
	}
	if !s.p.Until(patience, func() bool { list, err := s.store.List(t.Context(), "looks"); return err == nil && len(list) == 1 }) {
		t.Fatal("the first week is not begun")
	}
	due()
	const whoRui, whoAna = "Rui. Looks: 1. Items: 1. Sensitive: 0. Worked on: 1.\n", "Ana. Looks: 2. Items: 1. Sensitive: 1. Worked on: 0. Looked, and took nothing."
	list := s.waits("it is told", rui, has("Who looked at items last week:"))
	told := list[len(list)-1].Content
	for _, line := range []string{whoRui, whoAna, "ABCD-7 (sensitive): Ana 2", "IJKL-2: Rui 1"} {
		if !strings.Contains(told, line) {
			t.Errorf("it is told without %q: %q", line, told)
		}
	}
	s.house.Outbox.Raised()
	if s.p.Until(time.Second, func() bool { return len(rui.Direct()) > len(list) }) {
		t.Errorf("it is told twice: %+v", rui.Direct())
	}
	if has("Looks:")(ana.Direct()) || len(s.p.Messages(room)) > 0 {
		t.Errorf("somebody without the right is told: %+v, %+v", ana.Direct(), s.p.Messages(room))
	}
	rui.Shut(true)
	due()
	m := s.item(room, "Who looked at items last week:", strings.TrimSpace(whoRui), whoAna)
	if strings.Contains(m.Content, "ABCD") || strings.Contains(m.Content, "IJKL") {
		t.Errorf("the room reads of items: %q", m.Content)
	}
}
