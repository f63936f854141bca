package bolt

import "golang.org/x/sys/unix"

// What statfs(2) calls a file system that other machines write to as well
// (linux/magic.h, and the sources of those not in it). Locks and mapped files
// do not hold there.
var networkDisks = map[uint32]string{
	0x6969:     "NFS",
	0x517b:     "SMB",
	0xff534d42: "CIFS",
	0xfe534d42: "SMB2",
	0x00c36400: "Ceph",
	0x5346414f: "AFS",
	0x6b414653: "AFS",
	0x73757245: "Coda",
	0x564c:     "NCP",
	0x0bd00bd0: "Lustre",
	0x19830326: "BeeGFS",
}

// Those behind which anything may be, a disk of this machine or another one.
var unclearDisks = map[uint32]string{
	0x65735546: "FUSE",
	0x01021997: "9P",
}

// fileSystem tells the kind of file system that path is on: its name if there
// is something to say about it, and whether it surely is a network's.
func fileSystem(path string) (name string, network bool, err error) {
	var st unix.Statfs_t
	if err := unix.Statfs(path, &st); err != nil {
		return "", false, err
	}
	name, network = diskKind(uint32(st.Type))
	return name, network, nil
}

func diskKind(magic uint32) (name string, network bool) {
	if name, network = networkDisks[magic]; network {
		return name, true
	}
	return unclearDisks[magic], false
}

// freeBytes tells what a user may still write to the disk of dir.
func freeBytes(dir string) (free uint64, known bool) {
	var st unix.Statfs_t
	if unix.Statfs(dir, &st) != nil {
		return 0, false
	}
	return st.Bavail * uint64(st.Bsize), true
}
