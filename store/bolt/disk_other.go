//go:build !linux

package bolt

// fileSystem cannot tell here; the package doc says what is not promised.
func fileSystem(string) (name string, network bool, err error) { return "", false, nil }

// freeBytes cannot tell here.
func freeBytes(string) (free uint64, known bool) { return 0, false }
