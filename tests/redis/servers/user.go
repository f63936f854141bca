package servers

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// Password is the bot's in tests.
const Password = "a-password-of-the-tests"

// User is the bot's user of deploy/users.acl, as it stands there, as a setting of
// a server: so it is there whenever the server starts again.
func User(t testing.TB) string {
	t.Helper()
	for line := range strings.Lines(readDeployed(t)) {
		words := strings.Fields(strings.ReplaceAll(line, "PASSWORD", Password))
		if len(words) > 2 && words[0] == "user" && words[1] != "default" {
			return strings.Join(words, " ")
		}
	}
	t.Fatal("deploy/users.acl has no user")
	return ""
}

// Grant makes the bot's user on a server that is up, and returns the file with
// its password. The administrator stays.
func (s *Server) Grant(t testing.TB) (passwordFile string) {
	t.Helper()
	words := strings.Fields(User(t))
	args := []any{"ACL", "SETUSER", words[1], "reset"}
	for _, w := range words[2:] {
		args = append(args, w)
	}
	s.Do(t, args...)
	return PasswordFile(t)
}

// PasswordFile writes the bot's password into a file.
func PasswordFile(t testing.TB) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(file, []byte(Password+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func readDeployed(t testing.TB) string {
	t.Helper()
	_, here, _, _ := runtime.Caller(0)
	data, err := os.ReadFile(filepath.Join(filepath.Dir(here), "../../../deploy/users.acl"))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}
