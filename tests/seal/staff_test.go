package seal

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnstone/staff"
	"turnstone/store/keyfile"
	"turnstone/tests/house"
)

// Who works for the clinic, their accounts and their codes are not to be read
// from a copy of the folder, neither in what is kept nor in its keys.
func TestHAZ26_AccountsOfStaffAreSealed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	masters, err := keyfile.MakeMasters(dir + ".key")
	if err != nil {
		t.Fatal(err)
	}
	f := house.OpenFolder(t, dir, masters, time.Now)
	m := &staff.Members{Store: f.Store, Now: time.Now, Hide: masters.Name}
	const name, account = "Quillfeather", "918273645546372819"
	if _, err := m.Add(t.Context(), "operator", name, "nurse", staff.Rights); err != nil {
		t.Fatal(err)
	}
	code, _, err := m.Code(t.Context(), "operator", name)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Tie(t.Context(), "discord", account, code); err != nil {
		t.Fatal(err)
	}
	if got, err := m.By(t.Context(), "discord", account); err != nil || got.Name != name {
		t.Fatalf("the account is %q's: %v", got.Name, err)
	}
	files := 0
	err = filepath.WalkDir(filepath.Dir(dir), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		files++
		for _, canary := range []string{name, "quillfeather", account, code} {
			if bytes.Contains(data, []byte(canary)) {
				t.Errorf("%s stands in %s", canary, d.Name())
			}
		}
		return err
	})
	if err != nil || files < 3 {
		t.Errorf("%d files were searched: %v", files, err)
	}
}
