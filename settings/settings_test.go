package settings

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
)

var known = Known{Regions: []string{"ES", "PT"}, Languages: []care.Locale{"en", "es"}}

const example = "../deploy/lantern-bay.toml"

// The example is right as it stands, and says what it seems to say.
func TestTheExampleIsRight(t *testing.T) {
	s, err := Read(example, known)
	if err != nil {
		t.Fatal(err)
	}
	if s.Data != "/var/lib/turnstone/store" || s.Token != "/etc/turnstone/discord-token" || s.Signed == "" || s.Backup == "" || s.Health != "127.0.0.1:9464" || !slices.Equal(s.Languages, known.Languages) || !s.Watching() {
		t.Errorf("the example is read as %+v", s)
	}
	club := s.Servers[0]
	if len(s.Servers) != 1 || club.ID != "310000000000000001" || club.Zone != "Europe/Lisbon" || club.Region != "PT" || club.Watch[0] != "310000000000000011" || club.Staff[0] != "310000000000000012" {
		t.Errorf("its server is read as %+v", club)
	}
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	for at, open := range map[string]bool{"2026-11-27 17:59": true, "2026-11-28 12:59": true, "2026-11-28 14:00": false, "2026-11-29 10:00": false, "2026-12-25 10:00": false} {
		when, err := time.ParseInLocation("2006-01-02 15:04", at, lisbon)
		if err != nil {
			t.Fatal(err)
		}
		if club.Hours.Open(when) != open {
			t.Errorf("at %s the clinic is open: %v", at, !open)
		}
	}
}

// Each setting that could harm is refused with its line and what to do.
func TestHAZ33_BadSettingsAreRefused(t *testing.T) {
	data, err := os.ReadFile(example)
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct{ old, new, line, want string }{
		"a name that nothing reads":    {"health =", "healthy =", "health =", `nothing reads "healthy"`},
		"the same in a server":         {"closed =", "shut =", "closed =", `nothing reads "server.shut"`},
		"a gate that is switched off":  {"closed =", "gate = false\nclosed =", "closed =", `nothing reads "server.gate"`},
		"a zone that is none":          {"Europe/Lisbon", "Europe/Atlantis", "zone =", "Europe/Lisbon"},
		"this machine's zone":          {"Europe/Lisbon", "Local", "zone =", "Europe/Lisbon"},
		"a region that is none":        {`"PT"`, `"XX"`, "region =", "one of ES, PT"},
		"no region":                    {`region = "PT"`, "", "[[server]]", "one of ES, PT"},
		"hours that are none":          {"08:00-18:00", "8-18", "hours =", "08:00-18:00"},
		"no hours":                     {`hours = "Mon-Fri 08:00-18:00; Sat 09:00-13:00"`, "", "[[server]]", "never open"},
		"a day that is none":           {"2026-12-25", "Christmas", "hours =", "2026-12-25"},
		"no staff channel":             {`["310000000000000012"]`, "[]", "staff =", "no staff channel"},
		"no role of the clinic":        {`["310000000000000021"]`, "[]", "clinic =", "no role of the clinic"},
		"a role by its name":           {"310000000000000021", "Clinic", "clinic =", "is no ID"},
		"a staff channel watched":      {"310000000000000011", "310000000000000012", "staff =", "stands here twice"},
		"an ID that is a name":         {"310000000000000012", "#clinic", "staff =", "is no ID"},
		"a server without an ID":       {`"310000000000000001"`, `""`, "id =", "is no ID"},
		"a language that is none":      {`["en", "es"]`, `["en", "tlh"]`, "languages =", "one of [en es]"},
		"a language twice":             {`["en", "es"]`, `["en", "en"]`, "languages =", "twice"},
		"another server's language":    {`language = "en"`, `language = "tlh"`, "language =", "one of [en es]"},
		"health for everybody":         {"127.0.0.1:9464", "0.0.0.0:9464", "health =", "on this machine"},
		"health without a port":        {"127.0.0.1:9464", "127.0.0.1", "health =", "on this machine"},
		"no store":                     {`data = "/var/lib/turnstone/store" `, "", "", "data is missing"},
		"half a path":                  {"/var/lib/turnstone/store", "store", "data =", "from / on"},
		"no token":                     {`token_file = "/etc/turnstone/discord-token"`, "", "", "token_file is missing"},
		"the token itself":             {`token_file = `, `token = `, "token_file =", `nothing reads "token"`},
		"backups in the store":         {"/var/backups/turnstone", "/var/lib/turnstone/store/backups", "backup =", "own folder"},
		"the key among the backups":    {"signed =", "key = \"/var/backups/turnstone/key\"\nsigned =", "signed =", "elsewhere"},
		"kept for ever":                {"signed =", "keep_months = 1200\nsigned =", "signed =", "1 to 24 months"},
		"a number where words must be": {`"PT"`, "351", "region =", "correct the type"},
		"no TOML":                      {"[[server]]", "[[server", "id =", "correct the TOML"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "c.toml")
			if !strings.Contains(string(data), x.old) {
				t.Fatalf("the example does not hold %q", x.old)
			}
			if err := os.WriteFile(path, []byte(strings.Replace(string(data), x.old, x.new, 1)), 0o600); err != nil {
				t.Fatal(err)
			}
			_, err := Read(path, known)
			if err == nil || !strings.Contains(err.Error(), x.want) {
				t.Fatalf("got %v, want %q", err, x.want)
			}
			line := 1
			for i, l := range strings.Split(string(data), "\n") {
				if x.line != "" && strings.HasPrefix(l, x.line) {
					line = i + 1
					break
				}
			}
			at := fmt.Sprintf("%s:%d: ", path, line)
			if !slices.ContainsFunc(strings.Split(err.Error(), "\n"), func(l string) bool { return strings.HasPrefix(l, at) && strings.Contains(l, x.want) }) {
				t.Errorf("not told with line %d: %v", line, err)
			}
		})
	}
}

// Every fault comes at once, from the top of the file down.
func TestEveryFaultComesAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.toml")
	text := "data = \"/d\"\nheath = \"x\"\ntoken_file = \"t\"\nlanguages = [\"tlh\"]\n[[server]]\nid = \"1\"\nzone = \"Europe/Lisbon\"\nregion = \"XX\"\nhours = \"\"\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Read(path, known)
	if err == nil {
		t.Fatal("no fault")
	}
	var lines []string
	for l := range strings.SplitSeq(err.Error(), "\n") {
		lines = append(lines, strings.SplitN(strings.TrimPrefix(l, path+":"), ":", 2)[0])
	}
	if want := []string{"2", "3", "4", "5", "5", "6", "8", "9"}; !slices.Equal(lines, want) {
		t.Errorf("faults in the lines %v, want %v: %v", lines, want, err)
	}
}

func TestAFileThatIsNotThere(t *testing.T) {
	if _, err := Read(filepath.Join(t.TempDir(), "none.toml"), known); err == nil || !strings.Contains(err.Error(), "the configuration") {
		t.Errorf("got %v", err)
	}
}
