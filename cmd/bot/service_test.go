package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	inmemory "turnstone/tests/house"
)

// A store stays with the platform on which it began: what is due to people is
// never spent on a stand-in, nor practice sent to people.
func TestHAZ33_AStoreStaysWithItsPlatform(t *testing.T) {
	for _, first := range []bool{true, false} {
		m := inmemory.NewMemory(time.Now)
		for range 2 {
			if err := onePlatform(t.Context(), m, first); err != nil {
				t.Fatal(err)
			}
		}
		if err := onePlatform(t.Context(), m, !first); err == nil || !strings.Contains(err.Error(), "name another folder") {
			t.Errorf("begun on a stand-in %v, the other platform: %v", first, err)
		}
	}
}

// A secret that others may read is refused; what systemd hands over has the
// mode 0440 beside its access list (systemd's issue 29435).
func TestHAZ33_ASecretThatOthersReadIsRefused(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "token")
	if err := os.WriteFile(name, []byte("secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for mode, read := range map[os.FileMode][2]bool{0o600: {true, true}, 0o400: {true, true}, 0o440: {false, true}, 0o640: {false, true}, 0o660: {false, false}, 0o444: {false, false}} {
		if err := os.Chmod(name, mode); err != nil {
			t.Fatal(err)
		}
		for i, credentials := range []string{"", dir + "/"} {
			got, err := readSecret(name, credentials)
			if (err == nil) != read[i] || err == nil && got != "secret" {
				t.Errorf("mode %04o, credentials in %q: %q, %v", mode, credentials, got, err)
			}
		}
		if _, err := readSecret(name, filepath.Join(dir, "elsewhere")); (err == nil) != read[0] {
			t.Errorf("mode %04o beside other credentials: %v", mode, err)
		}
	}
}
