package staff_test

import (
	"fmt"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/staff"
)

// Once a week it is told who looked at what, how often, and who did nothing
// with what they looked at; each look once, after any pause.
func TestHAZ26_LooksAreToldWeekly(t *testing.T) {
	b := newBench(t) // on a Monday, 10:00
	var err error
	if b.desk.Hours, err = care.ReadHours("zone Europe/Lisbon; Mon-Fri 08:30-18:00; closed 2026-03-16"); err != nil {
		t.Fatal(err)
	}
	rui, ana := b.add(t, "Rui"), b.add(t, "Ana", staff.See, staff.Take)
	for _, e := range []care.Escalation{
		{ID: "plain-1", Disposition: care.SameDay}, {ID: "quiet-2", Disposition: care.SameDay, Sensitive: true}, {ID: "passed-3", Disposition: care.SameDay},
	} {
		b.card(t, e)
	}
	looks := func(m staff.Member, id string, times int) {
		t.Helper()
		for range times {
			if _, err := b.desk.Look(t.Context(), m, id); err != nil {
				t.Fatal(err)
			}
			b.clock.Pass(time.Minute)
		}
	}
	acts := func(act care.StaffAct) {
		t.Helper()
		row, err := record.AuditOf(act, b.clock.Now()).Named()
		if err == nil {
			err = b.store.Put(t.Context(), row.Key, row.Bytes, 0, row.Expires)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	tells := func(want string) {
		t.Helper()
		w, due, err := b.desk.LooksToTell(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		if due {
			got = fmt.Sprintf("%s to %s %v %v", w.From.Format("2.1."), w.To.Format("2.1."), w.Members, w.Items)
			if err := b.desk.Told(t.Context(), w.To); err != nil {
				t.Fatal(err)
			}
		}
		if got != want {
			t.Errorf("on %s it tells\n%s\nand not\n%s", b.clock.Now(), got, want)
		}
	}
	tells("") // nothing was told yet: this week is told when it is over
	acts(care.StaffAct{Do: care.ActTake, By: "Rui", ID: "passed-3"})
	acts(care.StaffAct{Do: care.ActHandOn, By: "Rui", ID: "passed-3", To: "Ana"})
	looks(rui, "plain-1", 2)
	looks(rui, "quiet-2", 3)
	looks(ana, "plain-1", 1)
	b.clock.Set(time.Date(2026, 3, 9, 8, 29, 0, 0, time.UTC)) // the next Monday; Lisbon has the same time
	tells("")
	looks(ana, "passed-3", 1) // is of the next week
	tells("2.3. to 9.3. [{Ana 1 1 0 0} {Rui 5 2 1 0}] [{plain-1 false [{Ana 1 0 0 0} {Rui 2 0 0 0}]} {quiet-2 true [{Rui 3 0 0 0}]}]")
	tells("")
	b.clock.Set(time.Date(2026, 3, 16, 12, 0, 0, 0, time.UTC)) // the clinic is shut
	tells("")
	b.clock.Set(time.Date(2026, 3, 24, 9, 0, 0, 0, time.UTC)) // the program was away for a week
	tells("9.3. to 23.3. [{Ana 1 1 0 1}] [{passed-3 false [{Ana 1 0 0 0}]}]")
	b.clock.Set(time.Date(2026, 3, 30, 9, 0, 0, 0, time.UTC)) // summer time has begun
	tells("23.3. to 30.3. [] []")
}
