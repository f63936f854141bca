package crash

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"turnstone/tests/talk"
)

// smallDisk mounts a disk of a few MB for the test.
func smallDisk(t *testing.T, mb int) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%dm", mb)); err != nil {
		t.Fatalf("a full disk cannot be tried here: mounting a small tmpfs needs root (%v); run this package's tests as root, in a container if you like", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Errorf("unmount the small disk: %v", err)
		}
	})
	return dir
}

type neverEnding struct{}

func (neverEnding) Read(p []byte) (int, error) { return len(p), nil }

// fill writes a file until the disk has no room left.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(f, neverEnding{}); !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("filling the disk ended with %v", err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestHAZ22_DiskFull fills the disk under a running talk. What can't be kept is
// said to be so; an emergency brings the card all the same, and when there is
// room again it is kept, staff are asked to look, and nothing from before is
// lost.
func TestHAZ22_DiskFull(t *testing.T) {
	disk := smallDisk(t, 8)
	set := settings(t)
	set.Data, set.Repeats = filepath.Join(disk, "store"), true
	s := talk.Start(t, set)
	talk.Person{"navicular": "yes"}.Until(s, func(a *talk.Ask) bool { return a.Fact() == "upper_shin" })
	ballast := filepath.Join(disk, "other")
	fill(t, ballast)
	said := untilFull(t, s)

	card := s.Say("i can't breathe")
	if !talk.Says(card, "112") {
		t.Fatalf("with the disk full an emergency brings %+v, want the card", card)
	}
	if len(talk.Of(card, "error")) == 0 {
		t.Errorf("nothing says that the emergency could not be kept: %+v", card)
	}
	if len(talk.Of(card, "disposition")) > 0 {
		t.Errorf("a disposition is printed that is not kept: %+v", card)
	}

	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	s.Wait("PT1M")
	s.Say("hello")
	if d := s.Disposition(); d.Disposition != "ambulance" {
		t.Errorf("with room again the disposition is %s, want ambulance", d.Disposition)
	}
	id := s.Escalation("disposition").ID
	if got := talk.Of(s.Staff("take", id, "Rui"), "staff"); len(got) != 1 {
		t.Error("with room again staff can't take the item")
	}
	s.End()
	after := look(t, set)
	after.onTheList(t)
	if got := after.episode.Rounds[0].Facts.Get("navicular").Latest(); got != "yes" {
		t.Errorf("the answer from before is %q", got)
	}
	t.Logf("%d words were kept before the disk was full", said)
}

// untilFull talks until a line can't be kept; the error says what to do.
func untilFull(t *testing.T, s *talk.Session) int {
	t.Helper()
	for n := range 3000 {
		if errs := talk.Of(s.Say("what is kept"), "error"); len(errs) > 0 {
			for _, want := range []string{"disk is full", "delete"} {
				if !strings.Contains(errs[0].Error, want) {
					t.Errorf("the error %q lacks %q", errs[0].Error, want)
				}
			}
			return n
		}
	}
	t.Fatal("the disk is full and everything is kept all the same")
	return 0
}
