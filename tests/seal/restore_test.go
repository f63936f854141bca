package seal

import (
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/export"
	"turnstone/record"
	"turnstone/store"
	"turnstone/tests/house"
	"turnstone/tests/talk"
)

// daysAgo is somebody at home whose talk was that long ago.
func daysAgo(t *testing.T, dir, person string, days int) talk.Settings {
	t.Helper()
	set := talk.Home()
	set.Data, set.Person = dir, person
	set.At = time.Now().UTC().AddDate(0, 0, -days).Truncate(time.Second).Format(time.RFC3339)
	return set
}

// theBackup makes a backup of dir and returns its folder.
func theBackup(t *testing.T, dir, to string) string {
	t.Helper()
	out := bot(t, "backup", "--data", dir, to)
	made, _, _ := strings.Cut(out, "\n")
	return made
}

// A real restore: three people talk, a backup is made, one of them asks to be
// forgotten, the disk is lost with all that lay on it but the key file and
// the backups, and the backup is put back.
//
//   - who was forgotten stays forgotten (the erasure list beside the backups);
//   - the others are there as they were;
//   - what was past due goes to staff and not to the person.
func TestHAZ22_ARestoreBringsBackAllButTheForgotten(t *testing.T) {
	dir, backups := talk.Folder(t), filepath.Join(t.TempDir(), "backups")
	s := talk.Start(t, daysAgo(t, dir, "fresh", 4))
	s.Choose("none")
	asked := s.Ask.Fact()
	s.End()
	for _, person := range []string{"overdue", "forgotten"} {
		s = talk.Start(t, daysAgo(t, dir, person, 4))
		talk.Person{}.DayZero(s)
		s.End()
	}
	made := theBackup(t, dir, backups)
	s = talk.Start(t, daysAgo(t, dir, "forgotten", 4))
	s.Say("delete my data")
	s.End()
	time.Sleep(time.Second + time.Millisecond) // a backup is named by its second
	theBackup(t, dir, backups)                 // the list beside the backups is the newest

	for _, path := range []string{dir, dir + ".erased"} { // the disk is lost
		if err := os.RemoveAll(path); err != nil {
			t.Fatal(err)
		}
	}
	out := bot(t, "restore", "--data", dir, made)
	for _, want := range []string{"2 people", "erased again: 1", "past due for 1"} {
		if !strings.Contains(out, want) {
			t.Errorf("the restore says %q, without %q", out, want)
		}
	}
	if text := refusal(t, "export", "--data", dir, "local:forgotten"); !strings.Contains(text, "nothing is kept") {
		t.Errorf("the forgotten: %s", text)
	}
	s = talk.Start(t, daysAgo(t, dir, "fresh", 4))
	if s.Ask.Fact() != asked {
		t.Errorf("the talk goes on with %s, want %s", s.Ask.Fact(), asked)
	}
	s.End()
}

// TestHAZ31_AfterARestoreStaffHaveWhatIsPastDue: nobody knows what a person
// was told or has done since the backup. What is past due does not reach them;
// staff get one item with what it was about, whatever the disposition, and an
// open emergency stays open.
func TestHAZ31_AfterARestoreStaffHaveWhatIsPastDue(t *testing.T) {
	for name, p := range map[string]talk.Person{"at home": {}, "in an emergency": {"foot_numb": "yes"}} {
		t.Run(name, func(t *testing.T) {
			dir, backups := talk.Folder(t), filepath.Join(t.TempDir(), "backups")
			s := talk.Start(t, daysAgo(t, dir, "overdue", 4))
			p.DayZero(s)
			open := s.Disposition().Disposition
			s.End()
			out := bot(t, "restore", "--data", dir, theBackup(t, dir, backups))
			if !strings.Contains(out, "past due for 1") {
				t.Errorf("the restore says %q", out)
			}
			d := exported(t, dir, "local:overdue")
			ep := d.Record.Episode
			i := slices.IndexFunc(ep.Escalations, func(e care.Escalation) bool { return e.What == care.AboutRestored })
			if i < 0 {
				t.Fatalf("staff have no item: %+v", ep.Escalations)
			}
			if e := ep.Escalations[i]; e.State != care.StateOpen || e.Disposition < care.Clinician || e.Disposition < ep.Disposition || ep.Disposition.String() != open {
				t.Errorf("the item %+v of an episode at %s, which was at %s", e, ep.Disposition, open)
			}
			for _, it := range ep.Agenda {
				if late := !it.Due.After(time.Now()); late && !slices.Contains([]string{care.DoRaise, care.DoAskStaff, care.DoFreeAgain, care.DoErase, care.DoUnfinished}, it.What) {
					t.Errorf("%s is past due and would still reach the person", it.What)
				}
			}
			f := house.OpenFolder(t, dir, nil, time.Now)
			box := &house.Mailbox{}
			parts, err := house.Load()
			if err != nil {
				t.Fatal(err)
			}
			h := house.Build(parts, f, box, time.Now, slog.New(slog.DiscardHandler))
			if _, err := h.Outbox.Sweep(t.Context()); err != nil {
				t.Fatal(err)
			}
			if sent := box.Sent(); len(sent) > 0 {
				t.Errorf("the person was written to: %+v", sent)
			}
			cards, err := f.List(t.Context(), record.CardPrefix)
			if err != nil || !slices.ContainsFunc(cards, func(n store.Named) bool {
				c, err := record.DecodeCard(n.Bytes)
				return err == nil && c.Escalation.State == care.StateOpen && c.Escalation.Disposition >= ep.Disposition
			}) {
				t.Errorf("the item is not on the staff list (%v)", err)
			}
		})
	}
}

func exported(t *testing.T, dir, who string) (d export.Document) {
	t.Helper()
	if err := json.Unmarshal([]byte(bot(t, "export", "--data", dir, who)), &d); err != nil {
		t.Fatal(err)
	}
	return d
}

// A backup that was damaged, a key that is another's, and a store that is in
// use are refused, and what is there stays.
func TestHAZ22_ARestoreThatCannotBeIsRefused(t *testing.T) {
	dir, backups := talk.Folder(t), filepath.Join(t.TempDir(), "backups")
	set := daysAgo(t, dir, "p1", 0)
	talk.Start(t, set).End()
	made := theBackup(t, dir, backups)

	s := talk.Start(t, set)
	if text := refusal(t, "restore", "--data", dir, made); !strings.Contains(text, "in use") {
		t.Errorf("in use: %s", text)
	}
	s.End()

	other := talk.Folder(t)
	talk.Start(t, daysAgo(t, other, "p1", 0)).End()
	if text := refusal(t, "restore", "--data", dir, "--key", other+".key", made); !strings.Contains(text, "nothing was changed") {
		t.Errorf("another's key: %s", text)
	}

	data := filepath.Join(made, "bot.db")
	b, err := os.ReadFile(data)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(data, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if text := refusal(t, "restore", "--data", dir, made); !strings.Contains(text, "damaged") {
		t.Errorf("damaged: %s", text)
	}
	if left, err := filepath.Glob(dir + ".restoring*"); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if exported(t, dir, "local:p1").Person == "" {
		t.Error("what was there is gone")
	}
}

// A new master key wraps everything anew; the store and its backups from then
// on open with the new file, and what the older one wrapped still does.
func TestANewMasterKey(t *testing.T) {
	dir, backups := talk.Folder(t), filepath.Join(t.TempDir(), "backups")
	set := daysAgo(t, dir, "p1", 0)
	talk.Start(t, set).End()
	made := theBackup(t, dir, backups)
	bot(t, "key", "--data", dir, "new")
	before := exported(t, dir, "local:p1").Record.Episode.ID
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	bot(t, "restore", "--data", dir, made)
	if after := exported(t, dir, "local:p1").Record.Episode.ID; after != before {
		t.Errorf("the episode is %s, was %s", after, before)
	}
}

// The page of an export says in the person's words what the data says.
func TestAnExportHoldsEverything(t *testing.T) {
	dir := talk.Folder(t)
	set := daysAgo(t, dir, "p1", 1)
	s := talk.Start(t, set)
	talk.Person{}.DayZero(s)
	s.End()
	d := exported(t, dir, "local:p1")
	if len(d.Log) == 0 || d.Record.Address != "local:p1" || len(d.Record.Episode.Rounds) == 0 {
		t.Errorf("the data holds too little: %+v", d)
	}
	page := bot(t, "export", "--page", "--data", dir, "local:p1")
	for _, want := range []string{"local:p1", "Chest pain, or hard to breathe: No"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q:\n%s", want, page)
		}
	}
}
