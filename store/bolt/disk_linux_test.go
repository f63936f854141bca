package bolt

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/store"
)

// The numbers are those of linux/magic.h.
func TestNetworkFileSystemsAreToldFromLocalOnes(t *testing.T) {
	for magic, want := range map[uint32]struct {
		name    string
		network bool
	}{
		unix.NFS_SUPER_MAGIC:               {"NFS", true},
		unix.SMB_SUPER_MAGIC:               {"SMB", true},
		unix.CIFS_SUPER_MAGIC:              {"CIFS", true},
		unix.SMB2_SUPER_MAGIC:              {"SMB2", true},
		unix.CEPH_SUPER_MAGIC:              {"Ceph", true},
		unix.AFS_SUPER_MAGIC:               {"AFS", true},
		unix.AFS_FS_MAGIC:                  {"AFS", true},
		unix.CODA_SUPER_MAGIC:              {"Coda", true},
		unix.NCP_SUPER_MAGIC:               {"NCP", true},
		unix.FUSE_SUPER_MAGIC:              {"FUSE", false},
		unix.V9FS_MAGIC:                    {"9P", false},
		unix.EXT4_SUPER_MAGIC:              {"", false},
		unix.XFS_SUPER_MAGIC:               {"", false},
		unix.BTRFS_SUPER_MAGIC:             {"", false},
		uint32(unix.TMPFS_MAGIC):           {"", false},
		uint32(unix.OVERLAYFS_SUPER_MAGIC): {"", false},
	} {
		if name, network := diskKind(magic); name != want.name || network != want.network {
			t.Errorf("%#x: got %q, %v; want %q, %v", magic, name, network, want.name, want.network)
		}
	}
}

// smallDisk mounts a disk of a few MB for the test.
func smallDisk(t *testing.T, mb int) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%dm", mb)); err != nil {
		t.Fatalf("a full disk cannot be tried here: mounting a small tmpfs needs root (%v); run this package's tests as root, in a container if you like", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Errorf("unmount the small disk: %v", err)
		}
	})
	return dir
}

func TestAFullDiskFailsCommitsAndNothingElse(t *testing.T) {
	dir := filepath.Join(smallDisk(t, 96), "store")
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { closeStore(t, s) }()
	mustCommit(t, s, "early", "early record", due(store.Urgent, time.Unix(0, 0)))
	fillDisk(t, filepath.Join(dir, "..", "other"), 4<<20)

	large := strings.Repeat("0123456789", 20_000)
	var acked []string
	var full error
	var unsure store.Write
	for i := 0; full == nil && i < 2000; i++ {
		person := fmt.Sprint("person-", i)
		w, err := s.commit(person, large, nil)
		if err != nil {
			full, unsure = err, w
			break
		}
		acked = append(acked, person)
	}
	for _, want := range []string{"the disk is full", dir, "delete the file ballast"} {
		if full == nil || !errors.Is(full, store.ErrDown) || !errors.Is(full, syscall.ENOSPC) || !strings.Contains(full.Error(), want) {
			t.Fatalf("got %v, want ErrDown and ENOSPC with %q", full, want)
		}
	}
	wantRecord(t, s, "early", "early record") // reading goes on
	if got, err := s.Claim(background, time.Now(), store.Urgent, 1, time.Minute); err != nil || len(got) != 1 {
		t.Fatalf("claimed %q, %v", got, err)
	}
	if err := s.Commit(background, unsure); !errors.Is(err, store.ErrDown) {
		t.Fatalf("still full: got %v, want ErrDown", err)
	}

	if err := os.Remove(filepath.Join(dir, ballastFile)); err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(background, unsure); err != nil {
		t.Fatalf("with room again: %v", err)
	}
	mustCommit(t, s, "early", "after", nil)
	if len(acked) == 0 {
		t.Error("the disk was full before the first commit: too early to mean anything")
	}
	t.Logf("%d commits before the disk was full", len(acked))

	closeStore(t, s)
	if s, err = Open(dir, Options{Ballast: -1}); err != nil {
		t.Fatal(err)
	}
	wantRecord(t, s, "early", "after")
	for _, person := range append(acked, unsure.Person) {
		wantRecord(t, s, person, large)
	}
}

// fillDisk writes a file until the disk has no room left, and gives some back.
func fillDisk(t *testing.T, path string, back int64) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	size, err := io.Copy(f, neverEnding{})
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("filling the disk ended with %v", err)
	}
	if err := errors.Join(f.Truncate(size-back), f.Close()); err != nil {
		t.Fatal(err)
	}
}

type neverEnding struct{}

func (neverEnding) Read(p []byte) (int, error) { return len(p), nil }

func TestAFullDiskDoesNotKeepTheStoreFromOpening(t *testing.T) {
	disk := smallDisk(t, 24)
	dir := filepath.Join(disk, "store")
	s := openWith(t, dir, nil)
	mustCommit(t, s, "p", "record", nil)
	closeStore(t, s)
	fillDisk(t, filepath.Join(disk, "other"), 0)
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	wantRecord(t, s, "p", "record")
	closeStore(t, s)
	if _, err := os.Stat(filepath.Join(dir, ballastFile)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("ballast was made on a full disk (%v)", err)
	}
	if _, err := Open(filepath.Join(disk, "another"), Options{}); err == nil {
		t.Error("a new store was made without room")
	}
}

func TestTheFolderIsMadeForItsOwnerAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "b")
	openWith(t, dir, nil)
	for path, want := range map[string]os.FileMode{dir: 0o700, filepath.Join(dir, dataFile): 0o600, filepath.Join(dir, lockFile): 0o600} {
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: got %v, %v; want %v", path, info.Mode().Perm(), err, want)
		}
	}
	var log bytes.Buffer
	open := t.TempDir()
	if err := os.Chmod(open, 0o755); err != nil {
		t.Fatal(err)
	}
	s, err := Open(open, Options{Ballast: -1, Log: slog.New(slog.NewTextHandler(&log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	if !strings.Contains(log.String(), "chmod 700") {
		t.Errorf("nothing was said about the mode: %q", log.String())
	}
}

// asNobody runs f with the rights of a user who owns nothing, for files only.
func asNobody(t *testing.T, f func()) {
	t.Helper()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if os.Getuid() != 0 {
		t.Fatal("another user's folder cannot be tried here: this needs root; run this package's tests as root, in a container if you like")
	}
	const nobody = 65534
	if _, err := unix.SetfsuidRetUid(nobody); err != nil {
		t.Fatal(err)
	}
	f()
	if was, err := unix.SetfsuidRetUid(0); err != nil || was != nobody {
		t.Fatalf("the rights were those of %d (%v)", was, err)
	}
}

func TestAnotherUsersFolderIsRefusedInOneSentenceAndLeftAsItIs(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	s := openWith(t, dir, nil)
	mustCommit(t, s, "p", "record", nil)
	closeStore(t, s)
	path := filepath.Join(dir, dataFile)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	open := func() (err error) {
		asNobody(t, func() { _, err = Open(dir, Options{Ballast: -1}) })
		return err
	}
	check := func(what string, err error, want string) {
		t.Helper()
		if !errors.Is(err, fs.ErrPermission) || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: got %v, want one sentence with %q", what, err, want)
		}
	}
	check("a folder of another", open(), dir)
	for _, p := range []string{filepath.Dir(filepath.Dir(dir)), filepath.Dir(dir), dir} {
		if err := os.Chmod(p, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	check("files of another", open(), "give the folder to the user that runs the bot")
	if err := os.Chmod(filepath.Join(dir, lockFile), 0o666); err != nil {
		t.Fatal(err)
	}
	check("a data file of another", open(), "give it to the user that runs the bot")
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the file was changed (%v)", err)
	}
	wantRecord(t, openWith(t, dir, nil), "p", "record")
}
