package discord_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/adapters/discord"
	"turnstone/adapters/discord/double"
	"turnstone/care"
	"turnstone/record"
	"turnstone/staff"
	"turnstone/store"
)

// desk is where the staff of a stage work.
func (s *stage) desk() *staff.Desk {
	if s.set.Room == "" {
		return nil
	}
	watch := &staff.Watch{Store: s.store, Now: time.Now, Fault: func(err error) { s.t.Error(err) }}
	s.house.Intake.Pressed, s.house.Intake.Acted = watch.Pressed, watch.Press
	members := &staff.Members{Store: s.store, Now: time.Now, Hide: func(kind, plain string) string { return kind + "-" + plain }}
	return &staff.Desk{Store: s.store, Members: members, Intake: s.house.Intake, Watch: watch, Now: time.Now}
}

// newRoom is a stage with a channel of staff, and the server's own.
func newRoom(t *testing.T) (s *stage, room, second, server string) {
	t.Helper()
	s = newStage(t)
	room, second, server = s.p.Channel("server", false), s.p.Channel("server", false), s.p.Channel("server", false)
	s.set.Room, s.set.Second = room, second
	s.up()
	return s, room, second, server
}

// hire makes somebody a member of staff: their code goes by direct message.
func (s *stage) hire(name, role string, may ...staff.Right) *double.Person {
	s.t.Helper()
	_, err := s.staff.Members.Add(s.t.Context(), "operator", name, role, may)
	if err != nil {
		s.t.Fatal(err)
	}
	code, _, err := s.staff.Members.Code(s.t.Context(), "operator", name)
	if err != nil {
		s.t.Fatal(err)
	}
	who := s.p.Join("en-US")
	who.Write(strings.ToLower(code))
	s.waits("the account is tied", who, has("This account is now that of "+name))
	return who
}

// patient begins a talk, and has an emergency in it.
func (s *stage) patient(server string) *double.Person {
	s.t.Helper()
	who := s.p.Join("en-US")
	who.Command(server, "ankle", nil)
	list := s.waits("the first question", who, lastAsks("danger"))
	m, _ := question(list)
	s.press(who, m, "foot_cold_or_pale")
	s.waits("the card", who, has("EMERGENCY"))
	return who
}

// item waits until the only item of a channel says something.
func (s *stage) item(channel string, says ...string) double.Message {
	s.t.Helper()
	var found double.Message
	ok := func() bool {
		for _, m := range s.p.Messages(channel) {
			if m.For != "" || m.About != "" || m.Author != double.Self {
				continue
			}
			found = m
			all := true
			for _, w := range says {
				all = all && strings.Contains(m.Content, w)
			}
			if all {
				return true
			}
		}
		return false
	}
	if !s.p.Until(patience, ok) {
		s.t.Fatalf("no item says %q; the last is %q", says, found.Content)
	}
	return found
}

// does presses a button of an item.
func (s *stage) does(who *double.Person, m double.Message, do string) double.Act {
	s.t.Helper()
	for _, r := range m.Rows {
		for _, p := range r.Parts {
			if strings.HasPrefix(p.CustomID, "s|"+do+"|") {
				return who.Press(m, p.CustomID)
			}
		}
	}
	s.t.Fatalf("nothing on %q does %q", m.Content, do)
	return double.Act{}
}

// fills fills in the form that an act opens.
func (s *stage) fills(who *double.Person, m double.Message, do string, in map[string]string) {
	s.t.Helper()
	a := s.does(who, m, do)
	if !s.p.Until(patience, func() bool { return len(a.Modal()) > 0 }) {
		s.t.Fatalf("%s opens no form", do)
	}
	if _, err := who.Fill(a, in); err != nil {
		s.t.Fatal(err)
	}
}

// privately waits until somebody alone sees a text.
func (s *stage) privately(who *double.Person, text string) double.Message {
	s.t.Helper()
	var found double.Message
	if !s.p.Until(patience, func() bool {
		for _, m := range who.Seen() {
			if strings.Contains(m.Content, text) {
				found = m
				return true
			}
		}
		return false
	}) {
		var seen []string
		for _, m := range who.Seen() {
			seen = append(seen, m.Content)
		}
		s.t.Fatalf("%s never reads %q, but %q", who, text, seen)
	}
	return found
}

// Two press for one item at the same moment: one has it, the other is told
// who, and the item says so in place.
func TestHAZ23_TwoPressForOneItem(t *testing.T) {
	s, room, _, server := newRoom(t)
	rui, ana := s.hire("Rui", "nurse"), s.hire("Ana", "physiotherapist", staff.See, staff.Take)
	person := s.patient(server)
	m := s.item(room, "Ambulance", "Where to go", "Nobody has it.")
	var wg sync.WaitGroup
	for _, who := range []*double.Person{rui, ana} {
		wg.Go(func() { s.does(who, m, care.ActTake) })
	}
	wg.Wait()
	m = s.item(room, ") has it.")
	winner, other, name := rui, ana, "Rui (nurse)"
	if strings.Contains(m.Content, "Ana") {
		winner, other, name = ana, rui, "Ana (physiotherapist)"
	}
	s.privately(other, name+" has it.")
	if n := len(winner.Seen()); n != 0 {
		t.Errorf("the one who has it is told %d things", n)
	}
	s.waits("the person is told", person, has(name+" from the clinic"))
	s.does(other, m, care.ActClose) // a form opens for whoever may press; what is handed in is looked at
	if s.p.Messages(room)[0].ID != m.ID {
		t.Error("the item moved")
	}
}

// What stands in the room tells no account, mentions nobody, and says nothing
// that the person told.
func TestHAZ26_TheRoomTellsNothingOfThePerson(t *testing.T) {
	s, room, _, server := newRoom(t)
	rui := s.hire("Rui", "nurse")
	person := s.patient(server)
	s.does(rui, s.item(room, "Ambulance"), care.ActTake)
	s.item(room, "Rui (nurse) has it.")
	health := regexp.MustCompile(`(?i)foot|toe|cold|pale|ankle|pain|bone|danger|@|` + person.ID)
	for _, m := range s.p.Messages(room) {
		if hit := health.FindString(m.Content); hit != "" {
			t.Errorf("the room reads %q in %q", hit, m.Content)
		}
		for _, r := range m.Rows {
			for _, p := range r.Parts {
				if strings.Contains(p.CustomID, person.ID) || health.MatchString(p.Label) {
					t.Errorf("a button is %q, %q", p.Label, p.CustomID)
				}
			}
		}
	}
}

// The names and roles of a server give no rights, and a press of somebody who
// has none changes nothing and is answered to them alone.
func TestHAZ25_RoleNamesGiveNoRights(t *testing.T) {
	s, room, _, server := newRoom(t)
	rui := s.hire("Rui", "nurse")
	seer, keeper := s.hire("Ana", "nurse", staff.See), s.hire("Eva", "", staff.Settings)
	s.patient(server)
	m := s.item(room, "Nobody has it.")
	poser := s.p.Join("en-US")
	poser.Nick, poser.Roles = "Rui (nurse)", []string{"Clinic Staff", "Admin"}
	for _, do := range []string{care.ActTake, "look"} {
		s.does(poser, m, do)
		s.does(keeper, m, do)
	}
	s.does(seer, m, care.ActTake)
	s.privately(poser, "not on the clinic's staff list")
	s.privately(keeper, "do not have the right")
	s.privately(seer, "do not have the right")
	poser.Write("ABCDE-FGHJK") // a code that nobody made
	s.waits("a code that is none is taken as words", poser, lastAsks("danger"))
	s.does(rui, m, "look")
	s.privately(rui, "Because:")
	s.item(room, "Nobody has it.")
	for _, who := range []*double.Person{poser, keeper, seer} {
		for _, seen := range who.Seen() {
			if strings.Contains(seen.Content, "Because") {
				t.Errorf("%s sees %q", who, seen.Content)
			}
		}
	}
}

// A look is answered to one person alone and leaves its row.
func TestHAZ26_ALookIsForOneAlone(t *testing.T) {
	s, room, _, server := newRoom(t)
	rui := s.hire("Rui", "nurse")
	s.patient(server)
	m := s.item(room, "Nobody has it.")
	s.does(rui, m, "look")
	look := s.privately(rui, "Because:")
	if look.For != rui.ID || !strings.Contains(look.Content, "Foot or toes cold") || !strings.Contains(look.Content, "PT") && !strings.Contains(look.Content, "UTC") {
		t.Errorf("the look reads %q", look.Content)
	}
	rows, err := s.store.List(t.Context(), record.AuditPrefix)
	if err != nil {
		t.Fatal(err)
	}
	looks := 0
	for _, r := range rows {
		var a record.Audit
		if err := json.Unmarshal(r.Bytes, &a); err != nil {
			t.Fatal(err)
		}
		if a.Do == "look" && a.By == "Rui" {
			looks++
		}
	}
	if looks != 1 {
		t.Errorf("%d rows about one look", looks)
	}
	if s.staff.Watch.Pressed().IsZero() {
		t.Error("nobody is there, although somebody has looked")
	}
}

// Everything that staff do with an item, from a reply to opening it again.
func TestAnItemFromReplyToReopening(t *testing.T) {
	s, room, _, server := newRoom(t)
	rui, ana := s.hire("Rui", "nurse"), s.hire("Ana", "nurse", staff.See, staff.Take)
	person := s.patient(server)
	m := s.item(room, "Nobody has it.")
	s.does(rui, m, care.ActTake)
	m = s.item(room, "Rui", "has it.")
	s.fills(rui, m, care.ActReply, map[string]string{"text": "Take 400 mg of ibuprofen."})
	s.privately(rui, "I did not send that.")
	s.fills(rui, m, care.ActReply, map[string]string{"text": "We ring you *now*."})
	list := s.waits("the reply", person, has("We ring you"))
	for _, d := range list {
		if strings.Contains(d.Content, "400 mg") {
			t.Errorf("a dose went out: %q", d.Content)
		}
		if strings.Contains(d.Content, "We ring you") && (!strings.Contains(d.Content, "money or a password") || strings.Index(d.Content, "emergency number") > strings.Index(d.Content, "We ring you")) {
			t.Errorf("the reply reads %q", d.Content)
		}
	}
	s.does(rui, m, care.ActCallBack)
	s.waits("the number is asked for", person, lastAsks("phone number"))
	person.Write("+351 291 000 000")
	s.waits("the number is kept", person, has("Only Rui"))
	s.does(ana, m, "look")
	if look := s.privately(ana, "Because:"); strings.Contains(look.Content, "+351") {
		t.Errorf("the number is shown to Ana: %q", look.Content)
	}
	s.does(rui, m, "look")
	s.privately(rui, "+351 291 000 000")
	s.does(rui, m, care.ActHandOn)
	menu := s.privately(rui, "Pass it to")
	rui.Press(menu, menu.Rows[0].Parts[0].CustomID, "Ana")
	m = s.item(room, "Ana", "has it.")
	s.privately(rui, "Ana has it now.")
	s.fills(ana, m, care.ActLower, map[string]string{"to": "home", "note": "looked at it"})
	s.privately(ana, "do not have the right")
	s.fills(ana, m, care.ActClose, map[string]string{"outcome": "seen"})
	s.privately(ana, "Close an emergency with a note")
	s.fills(ana, m, care.ActClose, map[string]string{"outcome": "seen", "note": "seen by us"})
	m = s.item(room, "Closed by Ana", "has been examined")
	s.waits("the person is told", person, has("Clinic staff have closed this."))
	s.does(rui, m, care.ActReopen)
	m = s.item(room, "Nobody has it.")
	calls := func() (n int) {
		for _, c := range s.p.Messages(room) {
			if c.About == m.ID && strings.Contains(c.Content, "Nobody has this yet.") {
				n++
			}
		}
		return n
	}
	if !s.p.Until(patience, func() bool { return calls() == 1 }) {
		t.Errorf("staff were called %d times", calls())
	}
	lines, n, kinds := s.payloads()
	if kinds["modal"] < 4 {
		t.Errorf("%d forms were opened", kinds["modal"])
	}
	for _, fault := range checker(t, lines) {
		if fault != fmt.Sprintf("seen %d", n) {
			t.Error(fault)
		}
	}
}

// A sensitive item stands in the direct messages of those with the right. Who
// knows its button and has not the right learns nothing of it. Where nobody
// can be reached the room is told that there is something, and no more.
func TestHAZ26_SensitiveItemsGoToThoseWithTheRight(t *testing.T) {
	s, room, _, _ := newRoom(t)
	rui, ana := s.hire("Rui", "nurse"), s.hire("Ana", "nurse", staff.See, staff.Take)
	who := s.p.Join("en-US")
	who.Write("i want to kill myself")
	s.waits("the card", who, has("EMERGENCY"))
	list := s.waits("the item", rui, has("Ambulance"))
	m := list[len(list)-1]
	if n := len(s.p.Messages(room)); n != 0 {
		t.Errorf("the room reads %q", s.p.Messages(room)[0].Content)
	}
	crafted := m
	crafted.Channel = room
	s.does(ana, crafted, care.ActTake)
	s.does(ana, crafted, "look")
	s.privately(ana, "That cannot be done with this item now.")
	s.does(rui, m, "look")
	s.waits("the look", rui, has("Because:"))
	s.does(rui, m, care.ActTake)
	s.waits("it says so in place", rui, has("Rui"))
	rui.Shut(true)
	shut := s.p.Join("en-US")
	shut.Write("he hit me and i am afraid")
	s.waits("it is read", shut, func(l []double.Message) bool { _, asks := question(l); return asks || len(l) > 1 })
	s.item(room, "There is an item that only some of you may see.")
	for _, m := range s.p.Messages(room) {
		if len(m.Rows) > 0 || strings.Contains(m.Content, "Ambulance") {
			t.Errorf("the room reads %q with %d rows", m.Content, len(m.Rows))
		}
	}
}

// Each item stands once: over a start, over an answer that was lost, and after
// somebody has deleted it. Staff are called where nobody has it, and the second
// list when nobody took it in time.
func TestHAZ08_EachItemStandsOnceAndStaffAreCalledAgain(t *testing.T) {
	s, room, second, server := newRoom(t)
	s.hire("Rui", "nurse")
	s.p.Fail(double.Fault{Match: "channels/" + room + "/messages", Status: 502, After: true, Times: 2})
	s.patient(server)
	m := s.item(room, "Nobody has it.")
	if !s.p.Until(patience, func() bool {
		list, err := s.store.List(t.Context(), "discord/item/")
		return err == nil && len(list) == 1
	}) {
		t.Fatal("where the item stands is not noted")
	}
	s.down()
	cards, err := s.store.List(t.Context(), record.CardPrefix)
	if err != nil || len(cards) != 1 {
		t.Fatalf("%d cards: %v", len(cards), err)
	}
	card, err := record.DecodeCard(cards[0].Bytes)
	if err != nil {
		t.Fatal(err)
	}
	set := func(change func(*care.Escalation)) {
		t.Helper()
		change(&card.Escalation)
		data, err := card.Encode()
		if err == nil {
			err = s.store.Put(t.Context(), cards[0].Key, data, store.AnyEtag, time.Time{})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	set(func(e *care.Escalation) { e.Asked = 1 })
	s.up()
	called := func(channel, text string) func() bool {
		return func() bool {
			n := 0
			for _, c := range s.p.Messages(channel) {
				if c.About != "" && strings.Contains(c.Content, text) {
					n++
				}
			}
			return n == 1
		}
	}
	if !s.p.Until(patience, called(room, "Nobody has this yet.")) {
		t.Errorf("staff are not called again: %+v", s.p.Messages(room))
	}
	set(func(e *care.Escalation) { e.Asked, e.SecondList = 2, true })
	s.house.Outbox.Raised()
	if !s.p.Until(patience, called(room, "Nobody took this in time.")) || !s.p.Until(patience, called(second, "Nobody took this in time.")) {
		t.Error("the second list is not called")
	}
	s.item(second, "Ambulance", "Nobody has it.")
	items := 0
	for _, c := range s.p.Messages(room) {
		if c.About == "" && c.For == "" {
			items++
		}
	}
	if items != 1 {
		t.Errorf("the item stands %d times", items)
	}
	s.p.Delete(m)
	set(func(e *care.Escalation) { e.State, e.By = care.StateTaken, "Rui" })
	s.house.Outbox.Raised()
	if anew := s.item(room, "Rui has it."); anew.ID == m.ID {
		t.Error("a deleted item is not posted anew")
	}
	if err := s.store.Delete(t.Context(), cards[0].Key, store.AnyEtag); err != nil {
		t.Fatal(err)
	}
	s.house.Outbox.Raised()
	if gone := s.item(room, "no longer there"); len(gone.Rows) != 0 {
		t.Errorf("what is gone keeps its buttons: %+v", gone.Rows)
	}
}

// Staff are told how long nobody was answered, and how many were in the middle
// of a talk; a channel that can't be used ends the start.
func TestHAZ32_StaffAreToldOfAnOutage(t *testing.T) {
	s, room, _, _ := newRoom(t)
	from := time.Now().Add(-38 * time.Minute)
	for range 2 {
		if err := s.bot.TellAway(t.Context(), from, from.Add(38*time.Minute), 3); err != nil {
			t.Fatal(err)
		}
	}
	if m := s.item(room, "38 min", "talk: 3"); m.Repeats != 1 || len(s.p.Messages(room)) != 1 {
		t.Errorf("it stands %d times, sent again %d times", len(s.p.Messages(room)), m.Repeats)
	}
	s.down()
	for _, id := range []string{s.p.Channel("server", true), "1"} {
		s.set.Room = id
		s.begin()
		err := <-s.ended
		s.stop = nil
		if !errors.Is(err, discord.ErrRoom) || !strings.Contains(err.Error(), id) {
			t.Errorf("a channel that can't be used: %v", err)
		}
	}
}
