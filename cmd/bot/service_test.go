package main

import (
	"os"
	"path/filepath"
	"testing"
)

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
