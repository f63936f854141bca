package door

import (
	"bytes"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"turnstone/tests/talk"
)

// staffRun is one `bot staff` on a folder.
func staffRun(t *testing.T, dir string, args ...string) (out string, failed bool) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), talk.Bot, append([]string{"staff", "--data", dir}, args...)...)
	var b bytes.Buffer
	cmd.Stdout, cmd.Stderr = &b, &b
	err := cmd.Run()
	return b.String(), err != nil
}

// The built program makes accounts of staff, and says what is wrong.
func TestStaffAccounts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	code := regexp.MustCompile(`(?m)^[A-Z2-9]{5}-[A-Z2-9]{5}$`)
	for _, step := range []struct {
		args  string
		wrong bool
		says  string
	}{
		{"list", true, "there is no store"},
		{"add", true, "write bot staff"},
		{"dance Rui", true, `knows no "dance"`},
		{"add Rui --role nurse --may see", false, "The first member may do everything."},
		{"add Ana --may see,fly", true, `"fly" is no right`},
		{"add Ana", true, "name at least one right"},
		{"add Ana --may take", true, "needs the right to see"},
		{"add --may see,take Ana", false, "Ana may see, take."},
		{"add ana --may see", true, "there is a member called ana already"},
		{"code Zoe", true, "no member of staff is called Zoe"},
		{"code Ana --may see", true, "go with add"},
		{"code Ana", false, "is not shown again"},
		{"list", false, "nurse"},
		{"remove Rui", true, `the only one with the right "settings"`},
		{"remove Ana", false, "Ana is removed"},
		{"list", false, "One member of staff alone"},
	} {
		out, failed := staffRun(t, dir, strings.Fields(step.args)...)
		if failed != step.wrong || !strings.Contains(out, step.says) {
			t.Errorf("bot staff %s (failed: %v): %s", step.args, failed, out)
		}
		if strings.HasPrefix(step.args, "code Ana") && !failed && !code.MatchString(out) {
			t.Errorf("no code in %q", out)
		}
	}
}
