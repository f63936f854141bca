package deploy

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/settings"
)

// The unit is one that systemd takes, by its own checker. The path of the
// program is replaced, since it must be there.
func TestSystemdTakesTheUnits(t *testing.T) {
	for name, program := range map[string]string{"turnstone.service": "/usr/local/bin/bot", "turnstone-watch.service": "/usr/local/lib/turnstone/watch.sh"} {
		data, err := os.ReadFile(filepath.Join("../../deploy", name))
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		there := filepath.Join(dir, "program")
		if err := os.WriteFile(there, []byte("#!/bin/sh\n"), 0o755); err != nil { //nolint:gosec // it must be one that can run
			t.Fatal(err)
		}
		unit := filepath.Join(dir, name)
		if err := os.WriteFile(unit, []byte(strings.ReplaceAll(string(data), program, there)), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("systemd-analyze", "verify", unit).CombinedOutput()
		if len(out) > 0 || err != nil {
			t.Errorf("%s: %v; if it is missing, install it: apt-get install systemd: %s", name, err, out)
		}
	}
}

// The unit and the example of a configuration speak of the same places.
func TestTheUnitAndTheExampleAgree(t *testing.T) {
	data, err := os.ReadFile("../../deploy/turnstone.service")
	if err != nil {
		t.Fatal(err)
	}
	unit := string(data)
	s, err := settings.Read("../../deploy/lantern-bay.toml", settings.Known{Regions: []string{"PT"}, Languages: []care.Locale{"en", "es"}})
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{
		"LoadCredential=discord-token:" + s.Token,
		"StateDirectory=" + filepath.Base(filepath.Dir(s.Data)), // so that the key lies beside the store, where it may be made
		"ReadWritePaths=-" + s.Backup,
	} {
		if !strings.Contains(unit, "\n"+line+"\n") {
			t.Errorf("the unit lacks %q", line)
		}
	}
	if filepath.Dir(filepath.Dir(s.Data)) != "/var/lib" {
		t.Errorf("the store %s does not lie in the unit's state directory", s.Data)
	}
}
