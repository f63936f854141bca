//go:build !unix

package drill

import (
	"errors"
	"os"
)

var errFreeze = errors.New("a process can't be frozen on this system; leave --freeze out")

func stopProcess(*os.Process) error { return errFreeze }

func goOn(*os.Process) error { return errFreeze }
