//go:build unix

package drill

import (
	"os"
	"syscall"
)

func stopProcess(p *os.Process) error { return p.Signal(syscall.SIGSTOP) }

func goOn(p *os.Process) error { return p.Signal(syscall.SIGCONT) }
